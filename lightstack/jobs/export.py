"""Plates, stacks and stills written for whoever comes next."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from lightstack.core.display import display_srgb
from lightstack.files.folder import OutFolder
from lightstack.files.plates import PartHeader, write_exr, write_exr_parts, write_png
from lightstack.files.stack import LightStack
from lightstack.jobs.accumulate import Plate
from lightstack.records import KeyFrame


def write_plate(folder: OutFolder, stem: str, light: NDArray[np.float32], *, primaries: str) -> list[str]:
    """Write a plate as half EXR and, to judge it by eye, as PNG beside it; return both names."""
    names = [f"{stem}.exr", f"{stem}.png"]
    write_exr(folder.file(names[0]), light, primaries=primaries)
    write_png(folder.file(names[1]), display_srgb(light, primaries))
    return names


def write_stack(
    path: Path,
    stack: LightStack,
    keys: Sequence[KeyFrame],
    *,
    ambient: NDArray[np.float32],
    plate: Plate,
    reach: NDArray[np.bool_],
    primaries: str,
) -> None:
    """Write the light stack as one multi-part EXR.

    Parts: one per still (R, G, B not premultiplied, A = validity) in the order of the working copy, then
    ``ambient``, ``reach`` (1 = the light arrived) and ``winner`` (number of the winning part, 0 = none).
    """
    ordered = sorted(keys, key=lambda key: (key.take, key.source_frame))
    headers = [
        PartHeader(
            f"still_{key.source_frame:05d}",
            ("R", "G", "B", "A"),
            compression="none",  # noise does not compress, and this is most of the time a build takes
            attributes={"take": key.take, "source_frame": key.source_frame},
        )
        for key in ordered
    ]
    headers += [
        PartHeader("ambient", ("R", "G", "B")),
        PartHeader("reach", ("Y",)),
        PartHeader("winner", ("Y",), kind="uint"),
    ]
    size = (stack.shape.height, stack.shape.width)
    pictures = stream_parts(stack, ambient, plate, reach)
    write_exr_parts(path, headers, pictures, size=size, primaries=primaries)


def stream_parts(
    stack: LightStack, ambient: NDArray[np.float32], plate: Plate, reach: NDArray[np.bool_]
) -> Iterator[NDArray]:
    """Yield the pictures of `write_stack` one at a time."""
    for index in range(stack.shape.stills):
        yield stack.read_half(index)
    yield ambient
    yield reach.astype(np.float32)
    yield (plate.winner[..., 0].astype(np.int32) + 1).astype(np.uint32)


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
