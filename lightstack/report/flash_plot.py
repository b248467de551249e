"""The check for flashes drawn: changes and areas over time, and where a failing frame flashes. Nothing moves."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw

from lightstack.core.flash.rules import AREA_LIMIT, CHANGES_ALLOWED, RULES, find_rule
from lightstack.records import BoolArray, FlashPlace, FlashReport
from lightstack.report.looks import Ground, dress_axes, place_axes, render_figure
from lightstack.report.phrases import say_share
from lightstack.report.pictures import GROUND, INK, PENCIL, SIGNAL, load_font

if TYPE_CHECKING:  # matplotlib takes long to load, and only drawing needs it
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["draw_place", "draw_places", "plot_flash"]

STYLES = ("-", "--", ":", "-", "--")  # told apart without colour too
WIDTHS = (2.6, 2.6, 2.6, 1.3, 1.3)
TILE_WIDTH = 640
CALM = 0.5  # codes of what does not flash, against those of what does
BRIGHT, MOST_LIFT = 220.0, 4.0  # codes that the brightest hundredth of a dark frame is lifted to, and by how much


def plot_flash(report: FlashReport, *, form: str = "svg", ground: str = "dark", narrow: bool = False) -> bytes:
    """Plot changes within a second, and below it the area that has too many, over frames, a line for each rule."""

    def draw(figure: Figure, look: Ground) -> None:
        from matplotlib.ticker import MaxNLocator

        box, _ = place_axes(figure, left=62, right=14, bottom=44, top=52 if not narrow else 112)
        gap = 0.09
        height = (box[3] - gap) / 2
        upper = figure.add_axes((box[0], box[1] + height + gap, box[2], height))
        lower = figure.add_axes((box[0], box[1], box[2], height))
        for axes in (upper, lower):
            dress_axes(axes, look)
            shade_spans(axes, report, look)
        draw_changes(upper, report, look)
        draw_areas(lower, report, look)
        lower.set_xlabel(report.frame_word, color=look.soft)
        lower.xaxis.set_major_locator(MaxNLocator(5 if narrow else 12, integer=True, steps=[1, 2, 5, 10]))
        upper.tick_params(labelbottom=False)
        handles, labels = upper.get_legend_handles_labels()
        figure.legend(
            handles, labels, loc="upper left", ncols=1 if narrow else 3, frameon=False, labelcolor=look.ink, fontsize=9
        )

    return render_figure(draw, form, ground, (4.1, 6.0) if narrow else (12.0, 5.2))


def draw_changes(axes: Axes, report: FlashReport, look: Ground) -> None:
    """Draw the changes of each rule, and the number that is allowed."""
    from matplotlib.ticker import MaxNLocator

    draw_lines(axes, report, look, lambda k: report.table.changes[:, k])
    axes.axhline(CHANGES_ALLOWED, color=look.ink, linewidth=1.0)
    most = max(CHANGES_ALLOWED, int(report.table.changes.max(initial=0)))
    axes.set_ylim(-0.2, most + 1.6)
    axes.yaxis.set_major_locator(MaxNLocator(6, integer=True))
    axes.annotate(
        f"{CHANGES_ALLOWED} allowed", (0, CHANGES_ALLOWED), (4, 3), xycoords=("axes fraction", "data"),
        textcoords="offset points", fontsize=8, color=look.ink,
    )  # fmt: skip
    axes.set_ylabel("changes within\na second", color=look.soft)


def draw_areas(axes: Axes, report: FlashReport, look: Ground) -> None:
    """Draw the area with too many changes, in percent of what the rule measures by, and how much is allowed."""
    draw_lines(axes, report, look, lambda k: 100 * report.table.areas[:, k])
    axes.axhline(100 * AREA_LIMIT, color=look.ink, linewidth=1.0)
    axes.set_ylim(-2, 106)
    axes.set_yticks([0, 25, 50, 75, 100])
    axes.annotate(
        f"{say_share(AREA_LIMIT)} allowed", (0, 100 * AREA_LIMIT), (4, 3), xycoords=("axes fraction", "data"),
        textcoords="offset points", fontsize=8, color=look.ink,
    )  # fmt: skip
    axes.set_ylabel("area with more\n(% of field or screen)", color=look.soft)


def draw_lines(axes: Axes, report: FlashReport, look: Ground, values: Callable[[int], NDArray]) -> None:
    """Draw one line for each rule, the broad ones first, so that none hides another."""
    colours = (look.light, look.channels[0], look.key, look.ink, look.channels[1])
    frames = report.table.frames
    for k, rule in enumerate(RULES):
        axes.plot(
            frames, values(k), linestyle=STYLES[k], linewidth=WIDTHS[k], color=colours[k], drawstyle="steps-mid",
            label=f"{rule.title} ({rule.standard})", gid=rule.name,
        )  # fmt: skip
    if len(frames):
        axes.set_xlim(frames[0] - 0.5, frames[-1] + 0.5)


def shade_spans(axes: Axes, report: FlashReport, look: Ground) -> None:
    """Shade the frames in which any rule is broken."""
    for span in report.spans:
        axes.axvspan(span.first - 0.5, span.last + 0.5, color=look.channels[0], alpha=0.1, linewidth=0)


def draw_place(place: FlashPlace, width: int = TILE_WIDTH) -> NDArray[np.uint8]:
    """Draw a frame that breaks a rule: what flashes in its own light, outlined, the rest dimmed, the field framed."""
    height = max(1, round(place.picture.shape[0] * width / place.picture.shape[1]))
    image = Image.fromarray(place.picture).resize((width, height), Image.Resampling.BICUBIC)
    mask = np.asarray(Image.fromarray(place.flashing).resize((width, height), Image.Resampling.NEAREST), bool)
    picture = np.asarray(image, np.float32)
    picture *= np.clip(BRIGHT / max(float(np.percentile(picture, 99)), 1.0), 1.0, MOST_LIFT)  # frames are often dark
    picture = np.where(mask[..., None], picture, CALM * picture)
    hatched = mask & (np.add.outer(np.arange(height), np.arange(width)) % 10 < 2)
    picture[hatched | (mask & ~shrink_mask(mask))] = SIGNAL
    drawn = Image.fromarray(np.rint(np.clip(picture, 0, 255)).astype(np.uint8))
    left, top, wide, high = place.window
    frame = (left * width, top * height, (left + wide) * width - 1, (top + high) * height - 1)
    ImageDraw.Draw(drawn).rectangle(frame, outline=PENCIL, width=4)
    return np.asarray(drawn, np.uint8)


def shrink_mask(mask: BoolArray) -> BoolArray:
    """Return a mask (h, w) less a border of two pixels."""
    kernel = np.ones((5, 5), np.uint8)
    return np.asarray(cv2.erode(mask.astype(np.uint8), kernel), bool)


def say_place(place: FlashPlace) -> tuple[str, str]:
    """Return the two lines under a frame that breaks a rule."""
    rule = find_rule(place.rule)
    return f"frame {place.frame}: {rule.title}, {rule.standard}", f"{say_share(place.area)} of {rule.area_of} flashes"


def draw_places(places: Sequence[FlashPlace]) -> NDArray[np.uint8]:
    """Draw the frame of each broken rule's largest area, two in a row. Raises ValueError where there is none."""
    if not places:
        raise ValueError("no rule is broken; there is nothing to draw")
    columns = min(2, len(places))
    tiles = [draw_place(place) for place in places]
    font, small = load_font(24), load_font(20)
    gap, strip = 24, 76
    across, down = TILE_WIDTH + gap, tiles[0].shape[0] + strip
    rows = -(-len(places) // columns)
    sheet = Image.new("RGB", (columns * across + gap, rows * down + gap), GROUND)
    pen = ImageDraw.Draw(sheet)
    for k, (place, tile) in enumerate(zip(places, tiles, strict=True)):
        x, y = gap + (k % columns) * across, gap + (k // columns) * down
        sheet.paste(Image.fromarray(tile), (x, y))
        for line, face, offset in zip(say_place(place), (font, small), (8, 38), strict=True):
            pen.text((x, y + tile.shape[0] + offset), line, INK, font=face)
    return np.asarray(sheet, np.uint8)
