"""Every sweep frame's registered lamp light at a small size, kept in the scratch folder."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from lightstack.core.half import subtract_halves, to_float, to_half
from lightstack.core.sweep.blockers import CLOSED
from lightstack.core.warp import warp_picture
from lightstack.files.folder import explain_os_error, scratch_name
from lightstack.records import Progress, ProxyTake, Registration, Stretch

ALL_CHANNELS = 7
BEYOND_WHITE = 1.2  # linear: reference white is 1
SMALL_LONG_SIDE = 400  # blockers and choice need shapes, not detail


def is_blocked(flags: NDArray[np.uint8]) -> NDArray[np.bool_]:
    """Tell where blocker flags say that the set must be kept out of a plate."""
    return (flags & np.uint8(CLOSED)) > 0


def shrink_by(proxies: ProxyTake) -> int:
    """Return by how much survey pictures are averaged once more."""
    return max(1, round(max(proxies.rgb.shape[1:3]) / SMALL_LONG_SIDE))


def shrink_mean(picture: NDArray, by: int) -> NDArray[np.float32]:
    """Box-average a picture (h, w[, C]) by a whole factor, dropping what does not fill a box."""
    if by == 1:
        return np.asarray(picture, np.float32)
    h, w = picture.shape[0] // by, picture.shape[1] // by
    cut = np.ascontiguousarray(picture[: h * by, : w * by], np.float32)
    return np.asarray(cv2.resize(cut, (w, h), interpolation=cv2.INTER_AREA), np.float32)


def shrink_any(bits: NDArray[np.uint8], by: int) -> NDArray[np.uint8]:
    """Join bit flags (h, w) over boxes of ``by`` x ``by``."""
    h, w = bits.shape[0] // by, bits.shape[1] // by
    joined = np.zeros((h, w), np.uint8)
    for row in range(by):
        for column in range(by):
            joined |= bits[row : h * by : by, column : w * by : by]
    return joined


@dataclass(frozen=True, slots=True)
class LampLight:
    """Registered frame minus ambient at small size, made frame by frame as it is asked for.

    ``rgb``: (n, h', w', 3) float16, NaN outside the picture. ``ambient``: (h', w', 3). ``drift``: (n, 3) exposure and
    white of each frame against the ambient, divided out; None = not held.
    """

    rgb: NDArray[np.float16]
    ambient: NDArray[np.float32]
    drift: NDArray[np.float64] | None = None

    @property
    def shape(self) -> tuple[int, ...]:
        return self.rgb.shape

    def __len__(self) -> int:
        return len(self.rgb)

    def __getitem__(self, k: int) -> NDArray[np.float32]:
        halves = np.ascontiguousarray(self.rgb[k])
        drift = np.ones(3, np.float32) if self.drift is None else self.drift[k].astype(np.float32)
        out = np.empty(halves.shape, np.float32)
        subtract_halves(halves.view(np.uint16), np.ascontiguousarray(self.ambient), drift, out)
        return out

    def pick(self, frames: Sequence[int]) -> NDArray[np.float32]:
        """Return several frames, (k, h', w', 3)."""
        return np.stack([self[int(k)] for k in frames])


@dataclass(frozen=True, slots=True, eq=False)
class Picked:
    """Some frames of a sequence, read one by one as they are asked for."""

    frames: Any
    chosen: NDArray[np.int64]

    def __len__(self) -> int:
        return len(self.chosen)

    def __getitem__(self, index: int) -> NDArray:
        return np.asarray(self.frames[int(self.chosen[index])])

    @property
    def shape(self) -> tuple[int, ...]:
        """As an array of them would have it."""
        return (len(self.chosen), *self.frames.shape[1:])


def mark_brightest(small: ProxyTake, *, beyond_white: bool = False) -> NDArray[np.uint8]:
    """Return clipping flags (n, h', w') that hold the lamp also where its encoding does not clip it.

    Logarithmic footage holds a lamp many times brighter than white without a code at the ceiling, or with only its
    core there. Where no frame has a pixel clipped in all channels, or the curve goes on ``beyond_white``, what is
    beyond white in all of them stands for the lamp: a gelled lamp's light on a wall leaves at least one channel dark.
    """
    if not beyond_white and any((np.asarray(flags) == ALL_CHANNELS).any() for flags in small.clipped):
        return small.clipped
    flags = np.array(small.clipped)
    for k, frame in enumerate(small.rgb):
        picture = np.nan_to_num(np.asarray(frame, np.float32))
        flags[k][(picture > BEYOND_WHITE).all(axis=2)] = ALL_CHANNELS
    return flags


def keep_flags(flags: NDArray[np.uint8], path: Path) -> NDArray[np.uint8]:
    """Move flags (n, h, w) to a file, so that a long take does not hold memory; return them memory-mapped."""
    path.unlink(missing_ok=True)  # whoever still has an older one mapped keeps it whole
    with explain_os_error(path), path.open("wb") as file:
        file.write(np.ascontiguousarray(flags).data)
    return np.memmap(path, np.uint8, "r", shape=flags.shape)


def _place(proxies: ProxyTake, k: int, stretch: Stretch, by: int) -> NDArray:
    """Return frame ``k`` put back to the origin and shrunk by ``by``, as half floats; NaN outside the picture."""
    if stretch.identity and by == 1:
        return np.ascontiguousarray(proxies.rgb[k], np.float16)
    picture = to_float(proxies.rgb[k])
    if not stretch.identity:
        picture, inside = warp_picture(picture, stretch.matrix, factor=proxies.factor, interpolation="linear")
        picture[~inside] = np.nan
    return to_half(shrink_mean(picture, by))


def keep_small(proxies: ProxyTake, registration: Registration, folder: Path, *, progress: Progress) -> ProxyTake:
    """Put every surveyed frame back to the origin, shrink it once more and keep it; NaN outside the picture."""
    by = shrink_by(proxies)
    rgb_path, flags_path = (folder / f"{scratch_name(proxies.name)}.{end}" for end in ("small", "flags"))
    for path in (rgb_path, flags_path):
        path.unlink(missing_ok=True)  # whoever still has an older one mapped keeps it whole
    height, width = (side // by for side in proxies.rgb.shape[1:3])
    shape = (len(proxies), height, width, 3)
    with (
        explain_os_error(rgb_path),
        rgb_path.open("wb") as rgb_file,
        flags_path.open("wb") as flags_file,
        progress.step(f"shrink {proxies.name}", len(proxies)) as step,
    ):
        for k, number in enumerate(proxies.source_frames):
            rgb_file.write(_place(proxies, k, registration.stretch_at(int(number)), by).data)
            flags_file.write(np.ascontiguousarray(shrink_any(proxies.clipped[k], by)).data)
            step.advance()
    return replace(
        proxies,
        rgb=np.memmap(rgb_path, np.float16, "r", shape=shape),
        clipped=np.memmap(flags_path, np.uint8, "r", shape=shape[:3]),
        factor=proxies.factor * by,
    )
