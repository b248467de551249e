"""Pictures for people: rings and numbers on places left dark, blockers outlined, the contact sheet.

Pictures in and out are display-encoded uint8 ``(H, W, 3)``, never changed in place. Lettering is the
DejaVu Sans that travels with matplotlib, so the same input gives the same bytes on every machine.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from functools import cache
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from lightstack.records import BoolArray, Hole, LaidFrame
from lightstack.report.phrases import say_stops

Picture = NDArray[np.uint8]
Colour = tuple[int, int, int]
Box = tuple[float, float, float, float]  # left, top, right, bottom

GROUND: Colour = (21, 21, 21)
INK: Colour = (236, 233, 226)
SOFT: Colour = (185, 181, 171)
TAPE: Colour = (232, 225, 205)
TAPE_INK: Colour = (23, 21, 15)
PENCIL: Colour = (255, 122, 89)  # the grease pencil that rings a place
SIGNAL: Colour = (244, 192, 78)  # outlines of what covered the set


# --- public ----------------------------------------------------------------------------------------


def shrink_picture(picture: Picture, longest: int) -> Picture:
    """Shrink a picture by area averaging until its longer side is at most ``longest``; never enlarge."""
    height, width = picture.shape[:2]
    scale = longest / max(height, width)
    if scale >= 1:
        return picture
    size = (max(1, round(width * scale)), max(1, round(height * scale)))
    return np.asarray(cv2.resize(picture, size, interpolation=cv2.INTER_AREA), np.uint8)


def draw_reach(
    bright: Picture,
    reach: BoolArray,
    holes: Sequence[Hole],
    *,
    full_size: tuple[int, int] | None = None,
) -> Picture:
    """Draw the reach picture: places that the lamp never reached are hatched, ringed and numbered.

    ``bright``: ``(h, w, 3)`` a bright still of the room. ``reach``: ``(h, w)`` bool, True where light
    arrived; another size is scaled. ``full_size``: (H, W) in which the holes' coordinates count; the size of
    ``bright`` when None. Returns ``(h, w, 3)`` uint8.

    Notes
    -----
    Digits are 5 % of the width high: 3.6 mm on a phone that shows the picture 70 mm wide.
    """
    height, width = bright.shape[:2]
    dark = ~_fit_mask(reach, (height, width))
    picture = _hatch(bright, dark)
    full = full_size or (height, width)
    scale_x, scale_y = width / full[1], height / full[0]
    rings = [(h.x * scale_x, h.y * scale_y, _ring_radius(h, (height, width))) for h in holes]
    for x, y, radius in rings:
        picture = _stroke_circle(picture, x, y, radius)
    image = Image.fromarray(picture)
    pen = ImageDraw.Draw(image)
    font = load_font(max(9, round(0.07 * width)))
    taken: list[Box] = []
    for hole, (x, y, radius) in zip(holes, rings, strict=True):
        tag = _size_tag(pen, str(hole.number), font)
        box = _place_tag((x, y, radius), tag, (height, width), rings, taken)
        taken.append(box)
        _lead_to_tag(pen, (x, y, radius), box)
    for hole, box in zip(holes, taken, strict=True):
        _draw_tag(pen, box, str(hole.number), font)
    return np.asarray(image, np.uint8)


def outline_mask(thumbnail: Picture, mask: BoolArray, *, fineness: int = 150) -> Picture:
    """Outline what was masked out of a frame (lamp, glow, carrier, figure); dark and light strokes show anywhere.

    ``mask``: bool, True where masked; another size than the thumbnail's is scaled. ``fineness``: lines to the width.
    """
    height, width = thumbnail.shape[:2]
    fitted = _fit_mask(mask, (height, width)).astype(np.uint8)
    # A border of zeros closes outlines at the picture's edge, so that they are drawn along it.
    ringed = cv2.copyMakeBorder(fitted, 1, 1, 1, 1, cv2.BORDER_CONSTANT, value=0)
    outlines, _ = cv2.findContours(ringed, cv2.RETR_CCOMP, cv2.CHAIN_APPROX_NONE, offset=(-1, -1))
    picture = np.ascontiguousarray(thumbnail.copy())
    line = max(2, round(width / fineness))
    cv2.drawContours(picture, outlines, -1, (0, 0, 0), line + 2, cv2.LINE_AA)
    cv2.drawContours(picture, outlines, -1, SIGNAL, line, cv2.LINE_AA)
    return picture


def make_contact_sheet(
    laid: Sequence[LaidFrame],
    *,
    cell_width: int = 640,
    say: Callable[[float], str] | None = None,
    title: str = "",
) -> Picture:
    """Make the sheet of before (above) and after (below) at chosen frames, each pair with its number and mix.

    ``say``: how a frame's gain is written, in place of the mix of a light. ``title`` stands above all, cut to fit.

    Pairs run left to right, then down, at most four in a row. Raises ValueError when there are none.
    """
    if not laid:
        raise ValueError("no laid frames; a contact sheet needs at least one")
    columns = _count_columns(len(laid), laid[0].before.shape[1] / laid[0].before.shape[0])
    rows = math.ceil(len(laid) / columns)
    cells = [_make_pair(frame, cell_width, (say or say_mix)(frame.gain)) for frame in laid]
    gap = max(8, cell_width // 26)
    cell_height = max(cell.shape[0] for cell in cells)
    width = columns * (cell_width + gap) + gap
    head = _make_title(title, width, gap, cell_width) if title else _blank(0, width)
    sheet = np.concatenate([head, _blank(rows * (cell_height + gap) + gap, width)])
    for index, cell in enumerate(cells):
        top = len(head) + gap + (index // columns) * (cell_height + gap)
        left = gap + (index % columns) * (cell_width + gap)
        sheet[top : top + cell.shape[0], left : left + cell_width] = cell
    return sheet


def _make_title(title: str, width: int, gap: int, cell_width: int) -> Picture:
    """A line above the sheet, as wide as it; what does not fit is left out and marked."""
    font = load_font(max(9, round(cell_width / 20)))
    strip = _blank(gap + round(font.size * 1.4), width)
    image = Image.fromarray(strip)
    pen = ImageDraw.Draw(image)
    shown = title
    while len(shown) > 1 and pen.textlength(shown, font=font) > width - 2 * gap:
        shown = f"{shown.rstrip('…')[:-1]}…"
    pen.text((gap, strip.shape[0] / 2 + gap / 4), shown, INK, font=font, anchor="lm")
    return np.asarray(image, np.uint8)


def say_mix(gain: float) -> str:
    """Say a mix gain in stops, as captions do: "as shot", "−1.5 stops", "off"."""
    if gain <= 0:
        return "light off"
    stops = round(math.log2(gain), 1) + 0.0
    return "light as shot" if stops == 0 else f"light {say_stops(stops)}"


@cache
def load_font(pixels: int) -> ImageFont.FreeTypeFont:
    """Load the bold lettering at a size in pixels."""
    import matplotlib  # it takes long to load

    path = Path(matplotlib.get_data_path()) / "fonts" / "ttf" / "DejaVuSans-Bold.ttf"
    return ImageFont.truetype(str(path), pixels, layout_engine=ImageFont.Layout.BASIC)


# --- pieces ----------------------------------------------------------------------------------------


def _blank(height: int, width: int) -> Picture:
    return np.full((height, width, 3), GROUND, np.uint8)


def _fit_mask(mask: BoolArray, shape: tuple[int, int]) -> BoolArray:
    """Scale a mask to a picture's (h, w) by nearest neighbour."""
    if mask.shape == shape:
        return np.asarray(mask, bool)
    size = (shape[1], shape[0])
    return cv2.resize(np.asarray(mask, np.uint8), size, interpolation=cv2.INTER_NEAREST) > 0


def _hatch(bright: Picture, dark: BoolArray) -> Picture:
    """Hatch the unreached area with diagonal pencil strokes, so that it reads on any picture."""
    height, width = dark.shape
    pitch = max(6, width // 80)
    y, x = np.mgrid[0:height, 0:width]
    stroke = dark & (((x + y) % pitch) < max(1, pitch // 6))
    picture = bright.astype(np.float32)
    picture[dark] *= 0.8
    picture[stroke] = 0.35 * picture[stroke] + 0.65 * np.array(PENCIL, np.float32)
    return np.asarray(np.round(picture), np.uint8)


def _ring_radius(hole: Hole, shape: tuple[int, int]) -> float:
    """Radius of a circle a little larger than the hole's area, at least 3 % of the width."""
    height, width = shape
    radius = 1.3 * math.sqrt(max(hole.area_share, 0.0) * height * width / math.pi)
    return min(max(radius, 0.03 * width, 3.0), 0.46 * min(height, width) + 1)


def _stroke_circle(picture: Picture, x: float, y: float, radius: float) -> Picture:
    """Draw a ring: pencil colour between dark edges. Pixel centres lie at .5."""
    line = max(2, round(picture.shape[1] / 260))
    shift, unit = 4, 16  # sixteenths of a pixel
    centre = (round((x - 0.5) * unit), round((y - 0.5) * unit))
    out = np.ascontiguousarray(picture)
    cv2.circle(out, centre, round(radius * unit), (0, 0, 0), line + 4, cv2.LINE_AA, shift)
    cv2.circle(out, centre, round(radius * unit), PENCIL, line, cv2.LINE_AA, shift)
    return out


def _size_tag(pen: ImageDraw.ImageDraw, text: str, font: ImageFont.FreeTypeFont) -> tuple[float, float]:
    """Width and height of a numbered piece of tape."""
    height = math.ceil(font.size * 1.12)
    return max(math.ceil(pen.textlength(text, font=font) + 0.5 * font.size), height), height


def _place_tag(
    ring: tuple[float, float, float],
    tag: tuple[float, float],
    shape: tuple[int, int],
    rings: Sequence[tuple[float, float, float]],
    taken: Sequence[Box],
) -> Box:
    """Find room for a tag beside its ring: inside the picture, off other tags, off other rings' centres."""
    x, y, radius = ring
    height, width = shape
    best: tuple[float, Box] | None = None
    for step in range(16):
        angle = math.pi * (-0.25 + step / 8)
        across = x + math.cos(angle) * (radius + 0.62 * tag[0])
        down = y + math.sin(angle) * (radius + 0.62 * tag[1])
        left = round(min(max(across - tag[0] / 2, 1.0), max(width - tag[0] - 2, 1.0)))
        top = round(min(max(down - tag[1] / 2, 1.0), max(height - tag[1] - 2, 1.0)))
        box = (left, top, left + tag[0], top + tag[1])
        moved = abs(left + tag[0] / 2 - across) + abs(top + tag[1] / 2 - down)
        cost = moved + 50 * sum(_overlap(box, other) for other in taken) + 0.02 * step
        cost += sum(2.0 * rr for rx, ry, rr in rings if _covers(box, (rx, ry), 0.35 * rr))
        cost += sum(0.5 * r[2] for r in rings if r != ring and _covers(box, r[:2], r[2]))
        if best is None or cost < best[0]:
            best = (cost, box)
    assert best is not None
    return best[1]


def _overlap(a: Box, b: Box) -> float:
    """Shared area of two boxes."""
    return max(0.0, min(a[2], b[2]) - max(a[0], b[0])) * max(0.0, min(a[3], b[3]) - max(a[1], b[1]))


def _covers(box: Box, centre: tuple[float, float], radius: float) -> bool:
    """Whether a box touches a disc."""
    across = max(box[0] - centre[0], 0.0, centre[0] - box[2])
    down = max(box[1] - centre[1], 0.0, centre[1] - box[3])
    return math.hypot(across, down) < radius


def _lead_to_tag(pen: ImageDraw.ImageDraw, ring: tuple[float, float, float], box: Box) -> None:
    """Draw a line from a ring to its tag; only seen where the tag had to move away."""
    x, y, radius = ring
    end = ((box[0] + box[2]) / 2, (box[1] + box[3]) / 2)
    length = max(math.hypot(end[0] - x, end[1] - y), 1e-6)
    start = (x + (end[0] - x) * radius / length, y + (end[1] - y) * radius / length)
    if length > radius:
        line = max(2, round((box[3] - box[1]) / 12))
        pen.line([start, end], fill=(0, 0, 0), width=line + 2)
        pen.line([start, end], fill=PENCIL, width=line)


def _draw_tag(pen: ImageDraw.ImageDraw, box: Box, text: str, font: ImageFont.FreeTypeFont) -> None:
    """Draw a piece of tape with a number on it."""
    pen.rectangle(box, fill=TAPE, outline=TAPE_INK, width=max(1, int(font.size) // 16))
    centre = ((box[0] + box[2]) / 2, (box[1] + box[3]) / 2)
    pen.text(centre, text, TAPE_INK, font=font, anchor="mm")


def _count_columns(count: int, aspect: float) -> int:
    """Columns that bring the sheet nearest to twice as wide as high, few empty cells."""

    def apart(columns: int) -> float:
        rows = math.ceil(count / columns)
        page = columns / (rows * (2 / aspect + 0.12))
        return abs(math.log(page / 2)) + 1.5 * (rows * columns - count) / count

    return min(range(1, min(count, 4) + 1), key=apart)


def _make_pair(frame: LaidFrame, width: int, gain: str) -> Picture:
    """One cell of the contact sheet: before, after, caption."""
    before, after = (_fit_width(picture, width) for picture in (frame.before, frame.after))
    seam = max(2, width // 160)
    font = load_font(max(9, round(width / 20)))
    strip = round(font.size * 1.7)
    cell = _blank(before.shape[0] + seam + after.shape[0] + strip, width)
    cell[: before.shape[0]] = before
    cell[before.shape[0] + seam : before.shape[0] + seam + after.shape[0]] = after
    image = Image.fromarray(cell)
    pen = ImageDraw.Draw(image)
    middle = cell.shape[0] - strip / 2
    pen.text((0, middle), str(frame.shot_frame), INK, font=font, anchor="lm")
    small = load_font(max(8, round(width / 24)))
    pen.text((width, middle), gain, SOFT, font=small, anchor="rm")
    return np.asarray(image, np.uint8)


def _fit_width(picture: Picture, width: int) -> Picture:
    """Scale a picture to a width."""
    height = max(1, round(picture.shape[0] * width / picture.shape[1]))
    if picture.shape[:2] == (height, width):
        return picture
    kind = cv2.INTER_AREA if picture.shape[1] > width else cv2.INTER_CUBIC
    return np.asarray(cv2.resize(picture, (width, height), interpolation=kind), np.uint8)
