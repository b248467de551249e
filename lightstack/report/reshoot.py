"""The reshoot picture: what the light never reached, to be read on a phone held at arm's length."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from lightstack.records import BoolArray, Hole
from lightstack.report.phrases import say_share
from lightstack.report.pictures import GROUND, INK, SOFT, TAPE, TAPE_INK, draw_reach, load_font

WIDTH = 1080  # px: what a phone shows across, upright
# A phone's picture is about 70 mm wide: 15 px to the millimetre. Letters 3 mm high are read at 60 cm (common
# practice for signs and labels: height = distance / 200), and capitals are 0.73 of the lettering's size.
BODY, HEAD, FOOT = 64, 76, 44
MARGIN = 40
MOST_LINES = 9


def draw_reshoot(
    bright: NDArray[np.uint8],
    reach: BoolArray,
    holes: Sequence[Hole],
    *,
    title: str,
    full_size: tuple[int, int] | None = None,
    foot: str = "",
) -> NDArray[np.uint8]:
    """Draw the reshoot picture: a bright still with unreached places ringed and numbered, and a line for each.

    Parameters
    ----------
    bright : (h, w, 3) uint8, a bright still of the room.
    reach : (h, w) bool, True where light arrived.
    holes : places that the light never reached, largest first; past nine they are counted in one line.
    title : whose reach it is.
    full_size : (H, W) in which the holes' coordinates count; that of ``bright`` when None.
    foot : one sentence under the list, in small letters.

    Returns
    -------
    (H', 1080, 3) uint8.
    """
    full = full_size or bright.shape[:2]
    shown = list(holes[:MOST_LINES])
    height = max(1, round(bright.shape[0] * WIDTH / bright.shape[1]))
    kind = cv2.INTER_AREA if bright.shape[1] > WIDTH else cv2.INTER_CUBIC
    still = np.asarray(cv2.resize(bright, (WIDTH, height), interpolation=kind), np.uint8)
    top = draw_reach(still, reach, shown, full_size=full)
    heading = "Light these too" if holes else "Everything was reached"
    lines = [(str(hole.number), f"{hole.where}, {say_share(hole.area_share)}") for hole in shown]
    if len(holes) > len(shown):
        lines.append(("", f"and {len(holes) - len(shown)} smaller places"))
    return np.concatenate([top, _write_list(title, heading, lines, foot)])


def _write_list(title: str, heading: str, lines: Sequence[tuple[str, str]], foot: str) -> NDArray[np.uint8]:
    """Set heading, numbered lines and foot on the page's ground, (h, 1080, 3)."""
    head, body, small = load_font(HEAD), load_font(BODY), load_font(FOOT)
    room = WIDTH - 2 * MARGIN
    heads = wrap_words(heading, head, room)
    names, feet = wrap_words(title, small, room), wrap_words(foot, small, room)
    tag = round(BODY * 1.5)
    told = [(number, wrap_words(text, body, room - tag - 24)) for number, text in lines]
    step, rise, drop = round(BODY * 1.55), round(HEAD * 1.3), round(FOOT * 1.4)
    body_lines = sum(len(words) for _, words in told)
    height = 2 * MARGIN + rise * len(heads) + drop * (len(names) + len(feet)) + step * body_lines + MARGIN
    image = Image.new("RGB", (WIDTH, height), GROUND)
    pen = ImageDraw.Draw(image)
    y = MARGIN
    for words in names:
        pen.text((MARGIN, y), words, SOFT, font=small)
        y += drop
    for words in heads:
        pen.text((MARGIN, y), words, INK, font=head)
        y += rise
    for number, wrapped in told:
        if number:
            pen.rectangle((MARGIN, y, MARGIN + tag, y + round(BODY * 1.3)), fill=TAPE)
            pen.text((MARGIN + tag / 2, y + BODY * 0.65), number, TAPE_INK, font=body, anchor="mm")
        for words in wrapped:
            pen.text((MARGIN + tag + 24, y + BODY * 0.65), words, INK, font=body, anchor="lm")
            y += step
    y += MARGIN // 2
    for words in feet:
        pen.text((MARGIN, y), words, SOFT, font=small)
        y += drop
    return np.asarray(image, np.uint8)


def wrap_words(text: str, font: ImageFont.FreeTypeFont, width: float) -> list[str]:
    """Break a text into lines that are no wider than ``width`` pixels, as far as single words allow."""
    lines: list[str] = []
    for word in text.split():
        longer = f"{lines[-1]} {word}" if lines else word
        if lines and font.getlength(longer) <= width:
            lines[-1] = longer
        else:
            lines.append(word)
    return lines
