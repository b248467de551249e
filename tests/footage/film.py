"""From linear pictures to the takes on disk: ``python -m footage.film PICTURES FOLDER``.

``PICTURES`` is what ``footage.paint_takes`` wrote. The movies come out byte for byte the same each time.
Beside them go the truth and, in ``pictures``, a sheet of what the takes show.
"""

from __future__ import annotations

import argparse
import itertools
from collections.abc import Iterator
from pathlib import Path

import av
import cv2
import numpy as np
from numpy.typing import NDArray

from footage import takes
from footage.camera import code_frame, expose, move_picture, write_movie
from footage.pack import read_pictures
from footage.truth import write_truth

QUALITY = 14.5


def film(pictures: Iterator[NDArray], seed: int, bump: tuple | None = None) -> Iterator[list[NDArray[np.uint16]]]:
    """Film linear pictures one by one with their own noise, frames counted from 1."""
    for frame, picture in enumerate(pictures, start=1):
        matrix = takes.bump_pose(bump, frame) if bump else np.eye(3)
        rng = np.random.default_rng([seed, frame])
        yield code_frame(expose(move_picture(picture, matrix, margin=takes.MARGIN), rng))


def sweep_pictures(folder: Path, ambient: NDArray) -> Iterator[NDArray]:
    """Dark, the lamp's way round the room, dark again."""
    for _ in range(takes.SWEEP_DARK):
        yield ambient
    for lamp, cover in zip(read_pictures(folder, "lamp"), read_pictures(folder, "cover"), strict=True):
        yield ambient + lamp + cover
    for _ in range(takes.SWEEP_DARK):
        yield ambient


def hat_pictures(folder: Path, fixed: NDArray, attempt: int) -> Iterator[NDArray]:
    """One try of the falling hat, counted from 0."""
    changes = read_pictures(folder, "hat")
    for change in itertools.islice(changes, attempt * takes.TRY_FRAMES, (attempt + 1) * takes.TRY_FRAMES):
        yield fixed + change


def write_sheet(folder: Path, path: Path) -> None:
    """Write frames of the takes side by side as a JPEG: hero, empty room, three of the sweep, falling hat."""
    wanted = (("hero", 60), ("empty", 1), ("hat_2", 14), ("sweep", 52), ("sweep", 85), ("sweep", 98))
    tiles = []
    for name, number in wanted:
        with av.open(str(folder / f"{name}.mov")) as container:
            frame = next(itertools.islice(container.decode(video=0), number - 1, None))
            tiles.append(frame.to_ndarray(format="bgr24", src_colorspace="ITU709", dst_colorspace="ITU709"))
    sheet = np.concatenate([np.concatenate(tiles[:3], axis=1), np.concatenate(tiles[3:], axis=1)])
    small = cv2.resize(sheet, (1440, 540), interpolation=cv2.INTER_AREA)
    path.parent.mkdir(exist_ok=True)
    cv2.imwrite(str(path), small, [cv2.IMWRITE_JPEG_QUALITY, 88])


def main() -> None:
    """Film every take and write the truth beside them."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("pictures", type=Path)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--quality", type=float, default=QUALITY)
    parser.add_argument("--only", nargs="*", help="names of takes, truth, sheet")
    wanted = parser.parse_args()
    source, folder = wanted.pictures, wanted.folder
    still = read_pictures(source, "still")
    ambient, fixed = next(still), next(still)
    jobs = [
        ("hero", (fixed + change for change in read_pictures(source, "hero")), takes.HERO_BUMP),
        ("empty", iter([ambient] * takes.EMPTY_FRAMES), None),
        ("empty_lit", iter([fixed] * takes.EMPTY_FRAMES), None),
        ("sweep", sweep_pictures(source, ambient), takes.SWEEP_BUMP),
        *((f"hat_{n + 1}", hat_pictures(source, fixed, n), None) for n in range(takes.TRIES)),
    ]
    for seed, (name, pictures, bump) in enumerate(jobs, start=1):
        if wanted.only and name not in wanted.only:
            continue
        path = folder / f"{name}.mov"
        timecode = f"01:{seed:02d}:00:00"
        size = (takes.HEIGHT, takes.WIDTH)
        write_movie(
            path,
            film(pictures, seed, bump),
            size=size,
            rate=takes.RATE,
            quality=wanted.quality,
            timecode=timecode,
        )
        print(name, path.stat().st_size, flush=True)
    if not wanted.only or "truth" in wanted.only:
        write_truth(source, folder / "truth")
    if not wanted.only or "sheet" in wanted.only:
        write_sheet(folder, folder / "pictures" / "takes.jpg")


if __name__ == "__main__":
    main()
