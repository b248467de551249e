"""What the artist marked by hand: polygons over source frames that add to or clear what was found covered."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from lightstack.files.read.takes import Take
from lightstack.files.shot.schema_takes import Block, Sweep, Trim
from lightstack.jobs.takes.footage import resolve_frames

SUBPIXEL_BITS = 4


def check_frames_named(sweep: Sweep, take: Take) -> None:
    """Refuse frames that a sweep's keys name and the take does not have, before anything long begins.

    Raises SettingError.
    """
    named: dict[str, list[int | str]] = {
        "keys": list(sweep.keys),
        "exclude": [frame for ends in sweep.exclude for frame in ends],
        "group": [frame for group in sweep.group for ends in group.frames for frame in ends],
        "block": [frame for block in sweep.block for frame in (*block.frames, *(one.frame for one in block.shapes))],
        "trim": [int(written) if written.isdigit() else written for written in sweep.trim],
    }
    for what, frames in named.items():
        resolve_frames(frames, take, what=what)


def draw_marks(
    blocks: Sequence[Block],
    trims: Mapping[str, Trim],
    take: Take,
    source_frame: int,
    size: tuple[int, int],
) -> NDArray[np.int8] | None:
    """Return (H, W) int8 for one frame: +1 blocked, -1 cleared, 0 as found; None where nothing is marked.

    Later marks lie over earlier ones, a still's own trim mask over all. Corners are in pixels of the shot,
    pixel centres at .5.
    """

    def resolve(frame: int | str) -> int:
        return resolve_frames([frame], take, what="block")[0]

    marks: NDArray[np.int8] | None = None
    for block in blocks:
        first, last = resolve_frames(block.frames, take, what="block")
        if not first <= source_frame <= last:
            continue
        marks = np.zeros(size, np.int8) if marks is None else marks
        corners = block.corners_at(source_frame, resolve)
        marks[fill_polygon(corners, size)] = -1 if block.clear else 1
    trim = find_trim(trims, take, source_frame)
    if trim is not None and trim.mask is not None:
        marks = np.zeros(size, np.int8) if marks is None else marks
        marks[fill_polygon(np.asarray(trim.mask, np.float64), size)] = 1
    return marks


def find_trim(trims: Mapping[str, Trim], take: Take, source_frame: int) -> Trim | None:
    """Return what a frame of the take is trimmed by; ``"2:34"`` counts in the second file of a list.

    Raises SettingError for a trim of a frame that the take does not have.
    """
    for written, trim in trims.items():
        frame = int(written) if written.isdigit() else written
        if resolve_frames([frame], take, what="trim") == [source_frame]:
            return trim
    return None


def name_idle_trims(trims: Mapping[str, Trim], take: Take, keys: Sequence[int]) -> list[str]:
    """Return one line for every trim of a frame that is no key frame and so has no still to act on.

    ``keys``: source frames of the key frames. Raises SettingError for a trim of a frame that the take does not have.
    """
    lines = []
    for written in trims:
        frame = int(written) if written.isdigit() else written
        if resolve_frames([frame], take, what="trim")[0] not in keys:
            chosen = ", ".join(str(key) for key in sorted(keys))
            lines.append(
                f"{take.info.name}: trim of frame {written} does nothing, because the frame is no key frame; "
                f"trim one of {chosen}, or name {written} in `keys`"
            )
    return lines


def fill_polygon(corners: NDArray[np.float64], size: tuple[int, int]) -> NDArray[np.bool_]:
    """Return the pixels (H, W) of a polygon (k, 2) whose coordinates have pixel centres at .5."""
    mask = np.zeros(size, np.uint8)
    points = np.round((corners - 0.5) * 2**SUBPIXEL_BITS).astype(np.int32)
    cv2.fillPoly(mask, [points], 1, shift=SUBPIXEL_BITS)
    return mask > 0
