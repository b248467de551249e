"""The preview: the hero with the light laid over it, and a contact sheet of before and after."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from lightstack.core.display import display_srgb
from lightstack.core.encode import encode_planes
from lightstack.core.lay import lay_light
from lightstack.core.warp import warp_picture
from lightstack.files.colour import default_view, display_processor
from lightstack.files.movie_writer import MovieWriter
from lightstack.files.takes import Take
from lightstack.jobs.patch import PatchLayer, lay_patches
from lightstack.records import CodedFrame, Encoding, LaidFrame, MixCurve, Progress, Registration

SHEET_FRAMES = 6
SHEET_WIDTH = 960  # pictures in the report and on the contact sheet
VIDEO_CURVES = ("bt709", "bt2020", "srgb", "gamma22", "gamma24")  # shown as they are on any screen


@dataclass(frozen=True, slots=True)
class LaidLight:
    """A plate with its mix and laying rule: what is laid over every hero frame."""

    name: str
    light: NDArray[np.float32]  # (H, W, 3), gel already multiplied in
    mix: MixCurve
    rule: str
    white: float


def pick_sheet_frames(mixes: Sequence[MixCurve], first: int, last: int, asked: Sequence[int]) -> list[int]:
    """Return the shot frames of the contact sheet: those asked for, else spread over the sum of the mixes.

    Where any light is on, one frame before it, the peak of all together, and frames evenly through it.
    """
    if asked:
        return sorted(dict.fromkeys(asked))
    gains = np.array([sum(mix.gain_at(frame) for mix in mixes) for frame in range(first, last + 1)])
    if not np.any(gains > 0):
        return sorted({round(first + (last - first) * i / (SHEET_FRAMES - 1)) for i in range(SHEET_FRAMES)})
    lit = first + np.flatnonzero(gains > 0)
    peak = first + int(np.argmax(gains))
    picked = {int(lit[round(i * (len(lit) - 1) / (SHEET_FRAMES - 1))]) for i in range(SHEET_FRAMES)}
    return sorted(f for f in picked | {peak, max(first, int(lit[0]) - 1)} if first <= f <= last)


def preview_encoding(encoding: Encoding) -> Encoding:
    """Return how the preview is coded: as the hero, but 8 bit 4:2:0, which every player shows.

    Heroes that are not coded for a screen (logarithmic, linear) come as sRGB pictures of a view.
    """
    video = is_video(encoding)
    return replace(
        encoding,
        matrix="bt709" if encoding.matrix == "rgb" else encoding.matrix,
        range="limited" if encoding.matrix == "rgb" else encoding.range,
        bit_depth=8,
        chroma="420",
        chroma_location="left",
        transfer=encoding.transfer if video else "srgb",
        primaries=encoding.primaries if video else "bt709",
        ocio_space=None,
        is_float=False,
    )


def is_video(encoding: Encoding) -> bool:
    """Tell whether code values are meant for a screen, so that the hero can be shown as it is."""
    return encoding.transfer in VIDEO_CURVES and not encoding.is_float and encoding.ocio_space is None


def find_view(view: str, encoding: Encoding, working: str, config: Path | None) -> Callable | None:
    """Return what turns linear light into a view's signal; None shows the hero in its own encoding.

    ``view``: "hero", or "display/view" of the colour configuration. A hero that no screen shows as it is
    gets the configuration's default view.
    """
    if view == "hero" and is_video(encoding):
        return None
    display, _, name = view.partition("/")
    if view == "hero":
        display, name = default_view(config=config)
    return display_processor(display, name, working, config=config)


def lay_frame(
    hero: NDArray[np.float32], lights: Sequence[LaidLight], shot_frame: int, pose: NDArray[np.float64]
) -> NDArray[np.float32]:
    """Lay every light over one hero frame at its mix, in order; the hero itself where all are off.

    ``pose``: the frame's pose. The hero is never resampled: where it moved, the light moves with it.
    """
    for laid in lights:
        gain = laid.mix.gain_at(shot_frame)
        if gain > 0:
            light, _ = warp_picture(laid.light, np.linalg.inv(pose).astype(np.float64))
            hero = lay_light(hero, light * np.float32(gain), rule=laid.rule, white=laid.white)
    return hero


def render_preview(
    hero: Take,
    lights: Sequence[LaidLight],
    *,
    frames: tuple[int, int],
    first_frame: int,
    path: Path,
    quality: int,
    rate: Fraction | None = None,
    sheet_frames: Sequence[int],
    working: str,
    registration: Registration,
    patches: Sequence[PatchLayer] = (),
    view: str = "hero",
    config: Path | None = None,
    progress: Progress,
) -> list[LaidFrame]:
    """Write the preview movie over shot frames ``frames`` (inclusive) and return the contact sheet's frames.

    ``first_frame``: shot frame of the hero's first source frame. ``rate``: frames/s, the hero's own where it is not
    stated. ``registration``: of the hero. ``view``: as
    in `find_view`, of the colour configuration ``config``.
    """
    info = hero.info
    encoding = preview_encoding(info.encoding)
    show = find_view(view, info.encoding, working, config)
    offset = first_frame - info.first_frame
    laid: list[LaidFrame] = []
    written = frames[0] - offset - 1
    height, width = info.height - info.height % 2, info.width - info.width % 2
    with (
        MovieWriter(
            path,
            width=width,
            height=height,
            rate=rate or info.rate or Fraction(24),
            encoding=encoding,
            codec="h264",
            pixel_aspect=info.pixel_aspect,
            crf=quality,
        ) as movie,
        progress.step("preview", frames[1] - frames[0] + 1) as step,
    ):
        for frame in hero.frames(frames[0] - offset, frames[1] - offset):
            shot_frame = frame.number + offset
            before = hero.linear(frame)
            pose = registration.stretch_at(frame.number).matrix
            after = lay_frame(lay_patches(before, patches, shot_frame, pose), lights, shot_frame, pose)
            planes = code_frame(hero, frame, before, after, encoding, working, show)
            for _ in range(frame.number - written):  # a damaged frame that was left out shows the one after it
                movie.write(planes)
            if shot_frame in sheet_frames:
                laid.append(show_pair(before, after, shot_frame, lights, working))
            written = frame.number
            step.advance()
        for _ in range(frames[1] - offset - written if written >= frames[0] - offset else 0):
            movie.write(planes)
    return laid


def code_frame(
    hero: Take,
    frame: CodedFrame,
    before: NDArray[np.float32],
    after: NDArray[np.float32],
    encoding: Encoding,
    working: str,
    show: Callable | None,
) -> tuple[NDArray, ...]:
    """Return the planes of one preview frame; where the hero is coded as the preview is, its samples stay."""
    info = hero.info
    if show is None and encoding == info.encoding and info.rotation == 0 and info.height % 2 == info.width % 2 == 0:
        return hero.code(frame, after, changed=(after != before).any(axis=2)).planes
    height, width = info.height - info.height % 2, info.width - info.width % 2
    shown = np.ascontiguousarray(after[:height, :width])
    if show is None:
        return encode_planes(shown, encoding, working=working).planes
    # A view gives the screen's signal already: the planes are coded from it as it is.
    return encode_planes(show(shown), replace(encoding, transfer="linear")).planes


def show_pair(
    before: NDArray[np.float32],
    after: NDArray[np.float32],
    shot_frame: int,
    lights: Sequence[LaidLight],
    working: str,
) -> LaidFrame:
    """Return before and after of one frame, small and display-encoded."""
    gain = max((laid.mix.gain_at(shot_frame) for laid in lights), default=0.0)
    return LaidFrame(shot_frame, gain, show_small(before, working), show_small(after, working))


def show_small(picture: NDArray[np.float32], primaries: str, *, width: int = SHEET_WIDTH) -> NDArray[np.uint8]:
    """Return a picture shrunk to at most ``width`` and display-encoded."""
    import cv2

    if picture.shape[1] > width:
        height = max(1, round(picture.shape[0] * width / picture.shape[1]))
        picture = np.asarray(cv2.resize(picture, (width, height), interpolation=cv2.INTER_AREA), np.float32)
    return display_srgb(picture, primaries)
