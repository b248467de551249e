"""Pictures of a hold-out, for the page and beside it: the figure cut out, its outline, and where it is in doubt."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw

from lightstack.records import HeldFrame, HoldoutReport
from lightstack.report.markup import encode_picture
from lightstack.report.phrases import say_share
from lightstack.report.pictures import GROUND, INK, PENCIL, SIGNAL, SOFT, load_font, outline_mask, shrink_picture

__all__ = ["FINE", "HoldoutView", "draw_doubt", "make_doubt_sheet", "view_holdout"]

MIDDLE = 960  # longest side of the page's pictures
FINE = 400  # lines to the width: thin ones, since it is the edge itself that is judged
SHEET_WIDTH = 960  # of one frame of the doubt picture
MOST_DOUBT = 4  # frames of it
LEGEND = (("hatch", "in doubt: figure and set look alike here"), ("line", "edge of the hold-out"))


@dataclass(frozen=True, slots=True)
class HeldView:
    """One frame's pictures, encoded."""

    number: int
    doubt: str
    over_grey: str
    outline: str
    doubtful: str


@dataclass(frozen=True, slots=True)
class HoldoutView:
    """The section's values that the template prints."""

    numbers: tuple[tuple[str, str], ...]
    frames: tuple[HeldView, ...]


def view_holdout(report: HoldoutReport) -> HoldoutView:
    """Encode a hold-out's pictures and put its figures into words."""
    frames = tuple(
        HeldView(
            frame.shot_frame,
            say_doubt(frame.doubt),
            *(encode_picture(shrink_picture(p, MIDDLE)) for p in (frame.over_grey, frame.outline, frame.doubtful)),
        )
        for frame in report.frames
    )
    return HoldoutView(report.numbers, frames)


def say_doubt(share: float) -> str:
    """Say how much of the picture is in doubt."""
    return f"{say_share(share)} of the picture in doubt" if share > 0 else "nothing in doubt"


def draw_doubt(
    picture: NDArray[np.uint8], doubt: NDArray[np.floating], alpha: NDArray[np.floating]
) -> NDArray[np.uint8]:
    """Draw doubt over a frame ``(h, w, 3)``: the frame in greys, doubtful places hatched, the matte outlined.

    ``doubt`` and ``alpha``: (h, w) 0..1 at any size.
    """
    height, width = picture.shape[:2]
    size = (width, height)
    doubtful = cv2.resize(np.asarray(doubt, np.float32), size, interpolation=cv2.INTER_LINEAR) > 0.5
    held = cv2.resize(np.asarray(alpha, np.float32), size, interpolation=cv2.INTER_AREA) > 0.5
    grey = np.repeat(cv2.cvtColor(np.ascontiguousarray(picture), cv2.COLOR_RGB2GRAY)[..., None], 3, axis=2)
    drawn = 0.8 * grey.astype(np.float32)
    drawn = hatch_doubt(drawn, doubtful)
    return outline_mask(np.rint(drawn).astype(np.uint8), held, fineness=FINE)


def hatch_doubt(picture: NDArray[np.float32], doubtful: NDArray[np.bool_]) -> NDArray[np.float32]:
    """Hatch a mask (h, w) with bright strokes on dark ground, so that it reads over black cloth and white walls."""
    height, width = doubtful.shape
    pitch = max(5, round(width / 110))
    y, x = np.mgrid[0:height, 0:width]
    stroke = ((x + y) % pitch) < max(2, round(0.45 * pitch))
    out = picture.copy()
    out[doubtful & stroke] = PENCIL
    out[doubtful & ~stroke] = 0.25 * out[doubtful & ~stroke]
    return out


def make_doubt_sheet(frames: Sequence[HeldFrame]) -> NDArray[np.uint8]:
    """Make the doubt picture: the frames that most need hands, each with its number, and what the marks mean.

    Raises ValueError when there are none.
    """
    if not frames:
        raise ValueError("no frames; a doubt picture needs one at least")
    shown = list(frames)[:MOST_DOUBT]
    cells = [caption_cell(frame) for frame in shown]
    columns = 1 if len(cells) == 1 else 2
    rows = math.ceil(len(cells) / columns)
    gap = SHEET_WIDTH // 40
    height, width = cells[0].shape[:2]
    legend = draw_legend(columns * (width + gap) + gap, any(frame.doubt > 0 for frame in shown))
    sheet = np.full((rows * (height + gap) + gap, legend.shape[1], 3), GROUND, np.uint8)
    for k, cell in enumerate(cells):
        top, left = gap + (k // columns) * (height + gap), gap + (k % columns) * (width + gap)
        sheet[top : top + height, left : left + width] = cell
    return np.concatenate([sheet, legend])


def caption_cell(frame: HeldFrame) -> NDArray[np.uint8]:
    """Return a frame's doubt picture with its number and share below it."""
    picture = frame.doubtful
    height = round(picture.shape[0] * SHEET_WIDTH / picture.shape[1])
    enlarged = cv2.resize(picture, (SHEET_WIDTH, height), interpolation=cv2.INTER_AREA if height < picture.shape[0]
                          else cv2.INTER_CUBIC)  # fmt: skip
    font, small = load_font(SHEET_WIDTH // 24), load_font(SHEET_WIDTH // 30)
    cell = np.full((height + round(font.size * 1.6), SHEET_WIDTH, 3), GROUND, np.uint8)
    cell[:height] = enlarged
    image = Image.fromarray(cell)
    pen = ImageDraw.Draw(image)
    middle = (height + cell.shape[0]) / 2
    pen.text((0, middle), str(frame.shot_frame), INK, font=font, anchor="lm")
    pen.text((SHEET_WIDTH, middle), say_doubt(frame.doubt), SOFT, font=small, anchor="rm")
    return np.asarray(image, np.uint8)


def draw_legend(width: int, doubtful: bool) -> NDArray[np.uint8]:
    """Return the strip that says what hatching and line mean."""
    font = load_font(SHEET_WIDTH // 34)
    line = round(font.size * 1.7)
    entries = LEGEND if doubtful else (*LEGEND[1:], ("none", "nothing is in doubt"))
    strip = np.full((line * len(entries) + line // 2, width, 3), GROUND, np.uint8).astype(np.float32)
    left, side = SHEET_WIDTH // 40, round(font.size * 1.6)
    for k, (mark, _) in enumerate(entries):
        top = k * line + (line - round(font.size)) // 2
        box = np.zeros(strip.shape[:2], bool)
        box[top : top + round(font.size), left : left + side] = True
        if mark == "hatch":
            strip[box] = 128
            strip = hatch_doubt(strip, box)
        elif mark == "line":
            strip[top + round(font.size) // 2 - 2 : top + round(font.size) // 2 + 2, left : left + side] = SIGNAL
    image = Image.fromarray(np.rint(strip).astype(np.uint8))
    pen = ImageDraw.Draw(image)
    for k, (_, words) in enumerate(entries):
        pen.text((left + 1.3 * side, k * line + line / 2), words, INK, font=font, anchor="lm")
    return np.asarray(image, np.uint8)
