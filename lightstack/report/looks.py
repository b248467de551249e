"""How plots look and how they become bytes: grounds, inks, axes, SVG and PNG."""

from __future__ import annotations

import io
import math
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:  # matplotlib takes long to load, and only drawing needs it
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

SETTINGS: dict[Any, Any] = {
    "font.family": ["DejaVu Sans"],
    "font.size": 10.0,
    "svg.fonttype": "path",  # glyphs travel with the picture: the same look on every machine
    "svg.hashsalt": "lightstack",
    "axes.unicode_minus": True,
    "text.parse_math": False,
}
PNG_DPI = 120


@dataclass(frozen=True, slots=True)
class Ground:
    """Colours of one ground. Each ink keeps 4.5:1 or more against ``page``."""

    page: str
    ink: str
    soft: str
    rule: str
    light: str  # the lamp's curve
    key: str  # chosen frames
    channels: tuple[str, str, str]


GROUNDS = {
    "dark": Ground(
        "#151515", "#ece9e2", "#b9b5ab", "#3a3a3a", "#9fc4e8", "#f4c04e", ("#ff8f7a", "#86d68a", "#8fb4ff")
    ),
    "paper": Ground(
        "#ffffff", "#17150f", "#55524a", "#d5d2ca", "#1f5f99", "#8a5a00", ("#b3261e", "#1d6f2b", "#1f4fbf")
    ),
}


def render_figure(
    draw: Callable[[Figure, Ground], None], form: str, ground: str, inches: tuple[float, float]
) -> bytes:
    """Draw on a fresh figure and return its bytes. Raises ValueError for an unknown form or ground."""
    import matplotlib
    from matplotlib.figure import Figure

    if form not in ("svg", "png") or ground not in GROUNDS:
        raise ValueError(f"form {form!r}, ground {ground!r}; expected svg or png, {' or '.join(GROUNDS)}")
    look = GROUNDS[ground]
    with matplotlib.rc_context(SETTINGS):
        figure = Figure(figsize=inches, facecolor=look.page)
        draw(figure, look)
        out = io.BytesIO()
        if form == "png":
            figure.savefig(out, format="png", dpi=PNG_DPI, facecolor=look.page, metadata={"Software": None})
            return out.getvalue()
        bare = dict.fromkeys(("Creator", "Date", "Format", "Type"))
        figure.savefig(out, format="svg", facecolor=look.page, metadata=bare)
    return strip_svg(out.getvalue())


def repaint(svg: bytes) -> bytes:
    """Return an SVG plot that was drawn on the dark ground as it is on paper: a colour stands for one role alone.

    Notes: drawing takes the most time of a report; this takes none.
    """
    pairs = dict(zip(list_colours(GROUNDS["dark"]), list_colours(GROUNDS["paper"]), strict=True))
    known = b"|".join(re.escape(colour.encode()) for colour in pairs)
    return re.sub(known, lambda found: pairs[found[0].decode()].encode(), svg)


def list_colours(ground: Ground) -> tuple[str, ...]:
    """Return every colour of a ground, in the order of their roles."""
    return (ground.page, ground.ink, ground.soft, ground.rule, ground.light, ground.key, *ground.channels)


def strip_svg(svg: bytes) -> bytes:
    """Drop the prologue and the metadata: they name outside addresses that nobody needs."""
    svg = svg[svg.index(b"<svg") :]
    return re.sub(rb"\s*<metadata>.*?</metadata>", b"", svg, flags=re.DOTALL)


def place_axes(
    figure: Figure, *, left: float, right: float, bottom: float, top: float = 14
) -> tuple[list[float], float]:
    """Return an axes box in figure shares from margins in points, and its width in points."""
    width, height = figure.get_figwidth() * 72, figure.get_figheight() * 72
    across = width - left - right
    return [left / width, bottom / height, across / width, (height - bottom - top) / height], across


def dress_axes(axes: Axes, look: Ground) -> None:
    """Give axes the quiet look: no box, soft ticks, thin horizontal rules."""
    axes.set_facecolor(look.page)
    for side, spine in axes.spines.items():
        spine.set_visible(side == "bottom")
        spine.set_color(look.soft)
    axes.tick_params(colors=look.soft, labelcolor=look.soft, length=3)
    axes.grid(axis="y", color=look.rule, linewidth=0.8)
    axes.set_axisbelow(True)
    axes.margins(x=0)


def draw_upright(axes: Axes, frames: Sequence[float], heights: Sequence[float], **style: Any) -> None:
    """Draw a line through rows of the frame axis and shares of the axes' height; the axes' range is left as it is.

    Notes: asking for the range again, as plotting does, costs several times as much as the line.
    """
    from matplotlib.lines import Line2D

    axes.add_artist(Line2D(frames, heights, transform=axes.get_xaxis_transform(), **style))


def number_frames(axes: Axes, source_frames: NDArray, *, labels: bool = True) -> None:
    """Number the row axis by round source frames (rows, since numbers may restart in a second file)."""
    frames = np.asarray(source_frames)
    width_in = axes.get_window_extent().width / axes.figure.dpi
    step = round_step(len(frames) / max(3.0, width_in * 1.5))
    rows = np.flatnonzero(frames % step == 0)
    if not rows.size:
        rows = np.arange(len(frames))[:1]
    axes.set_xticks(rows, [str(int(frames[row])) for row in rows])
    axes.set_xlim(-0.5, max(len(frames) - 0.5, 0.5))
    if not labels:
        axes.tick_params(labelbottom=False)


def round_step(least: float) -> int:
    """The smallest of 1, 2, 5, 10, 20, 50 ... that is at least ``least``."""
    power = 10 ** max(0, math.floor(math.log10(max(least, 1.0))))
    return next(power * one for one in (1, 2, 5, 10) if power * one >= least)
