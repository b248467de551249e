"""A hand-over looked at once it is written: nothing missing, nothing changed on the way, every pixel a number."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import numpy as np

from lightstack.core.colour.light import find_primaries
from lightstack.errors import UnreadableInput
from lightstack.files.handover.folder import list_handed
from lightstack.files.kept.identity import hash_file
from lightstack.files.processors import usable_processors
from lightstack.files.write.plates import ExrPart, read_exr, read_exr_headers
from lightstack.jobs.handover.build import FinishedBuild, FrameSet
from lightstack.records import Progress

__all__ = ["CheckedPicture", "check_pictures", "check_sequence", "check_stack", "check_sums"]

RATE = "framesPerSecond"
MOST_WORKERS = 4  # each holds a picture


@dataclass(frozen=True, slots=True)
class CheckedPicture:
    """An EXR as it was read back: its parts, and how many pixels are NaN or infinite in all of them."""

    parts: tuple[ExrPart, ...]
    bad: int


def check_sums(
    folder: Path, expected: Mapping[str, str | None], *, out: Path, progress: Progress
) -> dict[str, str]:
    """Return the checksums of all files by name; ``expected``: every file that should be there, and the checksum that
    the build gave it, None for what was made for the hand-over.

    Raises UnreadableInput where a file is missing, or differs from what was built.
    """
    there = list_handed(folder)
    odd = sorted(set(there) ^ set(expected))
    if odd:
        raise UnreadableInput(f"{odd[0]}: the hand-over is not as it was planned; nothing is handed over")
    with progress.step("checksums", len(there)) as step, ThreadPoolExecutor(count_workers()) as pool:
        sums = {}
        for name, digest in zip(there, pool.map(lambda name: hash_file(folder / name), there), strict=True):
            sums[name] = digest
            step.advance()
    for name, digest in sums.items():
        if expected[name] not in (None, digest):
            raise UnreadableInput(
                f"{out / Path(name).name}: has changed since it was built (its checksum differs from manifest.json); "
                "build again with --force"
            )
    return sums


def count_workers() -> int:
    """Return how many files are read at once."""
    return min(MOST_WORKERS, usable_processors())


def check_pictures(folder: Path, names: Sequence[str], *, progress: Progress) -> dict[str, CheckedPicture]:
    """Read every EXR back, whole. Raises UnreadableInput for one that cannot be read or holds NaN or Inf."""
    pictures = [name for name in names if name.endswith(".exr")]
    with progress.step("read back", len(pictures)) as step, ThreadPoolExecutor(count_workers()) as pool:
        found = {}
        for name, picture in zip(pictures, pool.map(lambda name: read_back(folder / name), pictures), strict=True):
            if picture.bad:
                raise UnreadableInput(
                    f"{name}: {picture.bad} {'pixel is' if picture.bad == 1 else 'pixels are'} NaN or infinite; "
                    "remove the file from the build's folder and build again"
                )
            found[name] = picture
            step.advance()
    return found


def read_back(path: Path) -> CheckedPicture:
    """Read an EXR and count pixels that are no number, one part at a time."""
    parts, bad = read_exr_headers(path), 0
    for index in range(len(parts)):
        channels = read_exr(path, index)
        wrong = [~np.isfinite(plane) for plane in channels.values() if plane.dtype.kind == "f"]
        bad += int(np.any(wrong, axis=0).sum()) if wrong else 0
    return CheckedPicture(parts, bad)


def check_sequence(build: FinishedBuild, frames: FrameSet, pictures: Sequence[CheckedPicture]) -> dict[str, object]:
    """Return what is true of all pictures of a sequence.

    Raises UnreadableInput where they differ in size, channels or primaries, or from the shot's size, primaries or rate.
    """
    kinds = {
        (part.width, part.height, part.channels, part.chromaticities) for part in (one.parts[0] for one in pictures)
    }
    if len(kinds) > 1:
        raise UnreadableInput(f"{frames.stem}: its frames differ in size, channels or primaries; build again")
    width, height, channels, chromaticities = kinds.pop()
    if build.hero is not None and (height, width) != build.hero.size:
        right = f"{build.hero.size[1]} x {build.hero.size[0]}"
        raise UnreadableInput(f"{frames.stem}: is {width} x {height}, the shot is {right}; build again")
    if not are_same(chromaticities, build.primaries):
        raise UnreadableInput(f"{frames.stem}: says other primaries than the shot's, {build.primaries}; build again")
    wanted = None if build.hero is None else build.hero.rate
    rates = {as_rate(one.parts[0].attributes.get(RATE)) for one in pictures} - {None, wanted}
    if wanted is not None and rates:
        raise UnreadableInput(f"{frames.stem}: says {rates.pop()} frames a second, the shot has {wanted}; build again")
    return {
        "element": frames.element, "first": frames.frames[0], "last": frames.frames[1], "count": len(frames.names),
        "size": [width, height], "channels": list(channels), "nan_or_inf": 0,
    }  # fmt: skip


def are_same(chromaticities: tuple[float, ...] | None, primaries: str) -> bool:
    """Tell whether a header's chromaticities are those of named primaries, to the digits that a header keeps."""
    wanted = find_primaries(primaries).chromaticities
    return chromaticities is not None and bool(np.allclose(chromaticities, wanted, rtol=0, atol=5e-4))


def as_rate(value: object) -> Fraction | None:
    """Return a header's rate, None where there is none."""
    if not isinstance(value, Sequence) or len(value) != 2 or not value[1]:
        return None
    return Fraction(int(value[0]), int(value[1]))


def check_stack(name: str, picture: CheckedPicture, stills: Mapping[int, str]) -> dict[str, object]:
    """Return what is true of a light stack. Raises UnreadableInput where its stills are not the key frames."""
    held = sorted(int(part.attributes["source_frame"]) for part in picture.parts if part.name.startswith("still_"))
    if held != sorted(stills):
        raise UnreadableInput(f"{name}: holds stills of frames {held}, chosen were {sorted(stills)}; build again")
    return {"file": name, "stills": held, "parts": len(picture.parts), "nan_or_inf": 0}
