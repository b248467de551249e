"""Plates, stacks and stills written for whoever comes next."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from lightstack.core.colour.display import display_srgb
from lightstack.files.folder import OutFolder
from lightstack.files.kept.stack import STILL_CHANNELS, LightStack
from lightstack.files.write.exr_lines import PartHeader
from lightstack.files.write.plates import write_exr, write_png
from lightstack.jobs.sweep.accumulate import Plate
from lightstack.records import KeyFrame


def write_plate(folder: OutFolder, stem: str, light: NDArray[np.float32], *, primaries: str) -> list[str]:
    """Write a plate as half EXR and, to judge it by eye, as PNG beside it; return both names."""
    names = [f"{stem}.exr", f"{stem}.png"]
    write_exr(folder.file(names[0]), light, primaries=primaries)
    write_png(folder.file(names[1]), display_srgb(light, primaries))
    return names


def describe_parts(keys: Sequence[KeyFrame]) -> list[PartHeader]:
    """Return the parts of a light stack: one per still, in the order of the working copy, then the others."""
    stills = [
        PartHeader(
            f"still_{key.source_frame:05d}",
            STILL_CHANNELS,
            compression="none",  # noise does not compress, and this is most of the time a build takes
            attributes={"take": key.take, "source_frame": key.source_frame},
        )
        for key in sorted(keys, key=lambda key: (key.take, key.source_frame))
    ]
    return [
        *stills,
        PartHeader("ambient", ("R", "G", "B"), compression="none"),
        PartHeader("reach", ("Y",), compression="none"),
        PartHeader("winner", ("Y",), kind="uint", compression="none"),
    ]


def write_stack(
    path: Path,
    stack: LightStack,
    *,
    ambient: NDArray[np.float32],
    plate: Plate,
    reach: NDArray[np.bool_],
) -> None:
    """Deliver the light stack as one multi-part EXR, uncompressed.

    Parts: those of `describe_parts`. Stills: R, G, B not premultiplied, A = validity; ``reach``: 1 = the light
    arrived; ``winner``: number of the winning part, 0 = none. The stills stand in the working copy already.
    """
    first = stack.shape.stills
    stack.write_part(first, ambient)
    stack.write_part(first + 1, reach)
    stack.write_part(first + 2, (plate.winner[..., 0].astype(np.int32) + 1).astype(np.uint32))
    stack.deliver(path)


def write_stills(
    folder: OutFolder, stem: str, stack: LightStack, keys: Sequence[KeyFrame], *, primaries: str
) -> list[str]:
    """Write every lamp still as an RGBA EXR, ``stem.####.exr`` by source frame, and return the names."""
    names = []
    for index, key in enumerate(sorted(keys, key=lambda key: (key.take, key.source_frame))):
        light, valid = stack.read_still(index)
        name = f"{stem}.{key.source_frame:04d}.exr"
        channels = {"R": light[..., 0], "G": light[..., 1], "B": light[..., 2], "A": valid}
        write_exr(folder.file(name), channels, primaries=primaries)
        names.append(name)
    return names
