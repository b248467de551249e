"""Takes read in the shot's own size, space and exposure."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from lightstack.errors import MismatchedInput, SettingError, UnusableTake
from lightstack.files.read.takes import Take, open_take
from lightstack.files.shot.schema import TakeSettings
from lightstack.files.shot.schema_types import split_source_frame
from lightstack.jobs.takes.memory import check_memory
from lightstack.jobs.takes.options import BuildOptions
from lightstack.records import CodedFrame

LEAST_SIDE = 32  # below this neither a pose nor noise can be measured
ASPECT_TOLERANCE = 0.005  # the same framing rounded to even sizes stays below this


@dataclass(frozen=True, slots=True)
class FittedTake:
    """An open take whose pictures come out at ``size`` (H, W) with ``gain`` (3,) applied."""

    take: Take
    size: tuple[int, int]
    gain: NDArray[np.float32]

    @property
    def scaled(self) -> bool:
        """Whether the take was filmed at another size than the shot's."""
        return (self.take.info.height, self.take.info.width) != self.size

    @property
    def warnings(self) -> tuple[str, ...]:
        """One line for everything that was assumed about the footage, or found out while reading it."""
        info = self.take.info
        lines = [*info.encoding.assumed, *info.notes, *self.take.reading_notes]
        if self.scaled:
            lines.append(
                f"is {info.width} x {info.height} and was scaled to {self.size[1]} x {self.size[0]}, the size of "
                "the shot; record all takes at one size where you can"
            )
        return tuple(f"{info.name}: {line}" for line in dict.fromkeys(lines))

    def linear(self, frame: CodedFrame) -> NDArray[np.float32]:
        """Return a frame as (H, W, 3) float32 linear light at the shot's size."""
        light = resize_picture(self.take.linear(frame), self.size)
        return light if np.all(self.gain == 1) else light * self.gain

    def reads_rows(self, frame: CodedFrame) -> bool:
        """Whether a frame's light can be had row by row, without a picture of the whole."""
        return not self.scaled and bool(np.all(self.gain == 1)) and self.take.reads_rows(frame)

    def proxy(
        self, frame: CodedFrame, factor: int, *, ceiling: float | None = None
    ) -> tuple[NDArray[np.float32], NDArray[np.uint8]]:
        """Return a frame at 1 / ``factor`` of the shot's size and its ceiling flags, (h, w, 3) and (h, w).

        ``ceiling``: R'G'B' signal at which a channel counts as clipped, in place of the encoding's own.
        """
        height, width = self.size[0] // factor, self.size[1] // factor
        own = max(1, round(self.take.info.width / self.size[1] * factor)) if self.scaled else factor
        small = self.take.proxy(frame, own, ceiling=ceiling)
        rgb, flags = small.rgb, small.clipped
        if rgb.shape[:2] != (height, width):
            rgb = resize_picture(rgb, (height, width))
            flags = np.asarray(cv2.resize(flags, (width, height), interpolation=cv2.INTER_NEAREST), np.uint8)
        return (rgb if np.all(self.gain == 1) else rgb * self.gain), flags

    def clipped(self, frame: CodedFrame) -> NDArray[np.uint8]:
        """Return the (H, W) channel bits of pixels at the ceiling, at the shot's size."""
        clipped = self.take.clipped(frame)
        if not self.scaled:
            return clipped
        return np.asarray(cv2.resize(clipped, self.size[::-1], interpolation=cv2.INTER_NEAREST), np.uint8)


def resize_picture(picture: NDArray[np.float32], size: tuple[int, int]) -> NDArray[np.float32]:
    """Bring a picture (h, w, 3) to ``size`` (H, W): area-averaged when shrunk, Lanczos when enlarged."""
    if picture.shape[:2] == size:
        return picture
    shrinks = picture.shape[0] >= size[0]
    kind = cv2.INTER_AREA if shrinks else cv2.INTER_LANCZOS4
    return np.asarray(cv2.resize(picture, size[::-1], interpolation=kind), np.float32)


@contextmanager
def open_fitted(
    settings: TakeSettings,
    paths: Sequence[Path],
    *,
    name: str,
    size: tuple[int, int] | None,
    working: str | None,
    options: BuildOptions,
) -> Iterator[FittedTake]:
    """Open a take as its section of the shot file says, fitted to the shot.

    Raises
    ------
    MismatchedInput
        If the take's framing has another shape than the shot's.
    UnusableTake
        If its pictures are too small for anything to be measured in them.
    """
    with open_take(
        list(paths) if len(paths) > 1 else paths[0],
        name=name,
        colour=settings.colour,
        response=settings.response_path,
        range=settings.range,
        matrix=settings.matrix,
        rotate=settings.rotate,
        working=working,
        keep_readable=options.keep_readable,
        config=options.ocio,
        threads=options.threads,
    ) as take:
        own = (take.info.height, take.info.width)
        if min(own) < LEAST_SIDE:
            raise UnusableTake(
                f"{take.info.paths[0]}: is {own[1]} x {own[0]} pixels, at least {LEAST_SIDE} x {LEAST_SIDE} "
                "were expected; name the footage as the camera recorded it"
            )
        check_aspect(take, own, size or own)
        check_memory(take.info.paths[0], size or own, options)
        yield FittedTake(take, size or own, exposure_gain(settings))


def check_aspect(take: Take, own: tuple[int, int], size: tuple[int, int]) -> None:
    """Refuse a take whose shape is not the shot's."""
    if abs(own[1] / own[0] / (size[1] / size[0]) - 1) > ASPECT_TOLERANCE:
        raise MismatchedInput(
            f"{take.info.paths[0]}: is {own[1]} x {own[0]}, the shot is {size[1]} x {size[0]}; "
            "the framing must have the same shape: film it again, or set `rotate`"
        )


def exposure_gain(settings: TakeSettings) -> NDArray[np.float32]:
    """Return the channel gains that bring a take to the hero's exposure and white, (3,) float32."""
    stops = settings.stops or 0.0
    white = np.asarray(settings.white or (1.0, 1.0, 1.0), np.float64)
    return (2.0**-stops / white).astype(np.float32)


def resolve_frames(wanted: Sequence[int | str], take: Take, *, what: str) -> list[int]:
    """Turn source frames (``34`` or ``"2:34"``) into frame numbers of the opened take.

    Raises
    ------
    SettingError
        If a frame lies outside the take or names a file that the take does not have.
    """
    numbers = [take.number_of(*split_source_frame(frame)) for frame in wanted]
    info = take.info
    for asked, number in zip(wanted, numbers, strict=True):
        if number is None or not info.first_frame <= number <= info.last_frame:
            raise SettingError(
                f"{info.paths[0]}: {what} names frame {asked}, "
                f"but the take has frames {info.first_frame} to {info.last_frame}"
            )
    return [number for number in numbers if number is not None]


def resolve_ranges(wanted: Sequence[tuple[int | str, int | str]], take: Take, *, what: str) -> list[tuple[int, int]]:
    """Turn inclusive ranges of source frames into frame numbers of the opened take."""
    ends = resolve_frames([frame for pair in wanted for frame in pair], take, what=what)
    return list(zip(ends[::2], ends[1::2], strict=True))
