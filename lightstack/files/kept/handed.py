"""What workers on other machines need of a job: written once into the scratch folder, which each of them reads once.

Relative paths become absolute, since nobody else is in the folder that they go from; pictures that are mapped from a
file stay in it.
"""

from __future__ import annotations

import mmap
import os
import pickle
from pathlib import Path, PurePath
from typing import Any

import numpy as np

from lightstack.errors import LightstackError, UnreadableInput
from lightstack.files.folder import replaced_whole

__all__ = ["read_handed", "write_handed"]


def write_handed(path: Path, value: Any) -> None:
    """Write a value, functions made on the way among it, whole or not at all. Raises OutputError."""
    import cloudpickle  # comes with the extra for clusters

    class Pickler(cloudpickle.Pickler):
        def reducer_override(self, obj: Any) -> Any:
            if isinstance(obj, PurePath) and not obj.is_absolute():
                return Path, (os.path.abspath(obj),)
            if isinstance(obj, np.memmap):
                return _hand_mapped(obj)
            return super().reducer_override(obj)

    with replaced_whole(path) as part, part.open("wb") as stream:
        Pickler(stream, protocol=pickle.HIGHEST_PROTOCOL).dump(value)


def _hand_mapped(array: np.memmap) -> Any:
    """Return how a mapped array is found again: by its file, or as it is where it is only a part of one."""
    if not isinstance(array.base, mmap.mmap) or array.filename is None or not array.flags.c_contiguous:
        return np.asarray(array).__reduce__()
    return np.memmap, (os.path.abspath(array.filename), array.dtype, "r", array.offset, array.shape)


def read_handed(path: Path) -> Any:
    """Read what `write_handed` wrote; what it says is run, so only files of one's own job are read.

    Raises UnreadableInput where it is not there; what `open_take` raises for a take that is not.
    """
    try:
        with path.open("rb") as stream:
            return pickle.load(stream)
    except LightstackError:
        raise  # of a take that it names
    except (FileNotFoundError, EOFError) as error:
        raise UnreadableInput(
            f"{path}: cannot be read on this machine; every worker must see the output folder under the same path"
        ) from error
