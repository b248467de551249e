"""The floor plan of a sweep: where the lamp was, seen from above and as it shows in the picture."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from lightstack.core.lamp.view import show_in_picture
from lightstack.records import LampPlaces
from lightstack.report.labels import Box, place_beside
from lightstack.report.looks import Ground, render_figure

if TYPE_CHECKING:  # matplotlib takes long to load, and only drawing needs it
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from matplotlib.patches import Rectangle

__all__ = ["plot_floor_plan"]

WIDE, NARROW = (12.0, 5.6), (4.1, 7.6)  # inches
BOXES = {  # of the view and of the plan, in shares of the figure
    False: ((0.05, 0.12, 0.52, 0.76), (0.64, 0.12, 0.33, 0.76)),
    True: ((0.04, 0.62, 0.92, 0.32), (0.04, 0.2, 0.92, 0.36)),
}
MOST_LABELS = 28  # that choose their place first
DOT, KEY_DOT = 10.0, 60.0
NUMBER_PT, MARK_PT, GAP_PT = 7.5, 9.0, 4.5  # sizes of numbers, and room beside a ring
RING_PT, DOT_PT, LINE_PT = 4.0, 1.0, 1.5  # half the widths of what no number may cover
DIGIT = 0.64  # width of a digit over the size of the letters


def plot_floor_plan(
    places: LampPlaces,
    keys: NDArray[np.int64],
    *,
    path: NDArray[np.float64] | None = None,
    path_map: NDArray[np.float64] | None = None,
    marks: Sequence[tuple[int, int]] = (),
    form: str = "svg",
    ground: str = "dark",
    narrow: bool = False,
) -> bytes:
    """Draw where the lamp was: left as it shows in the picture, right from above, the camera at the bottom.

    ``keys``: source frames with a lamp still, ringed, and numbered where there is room. ``path`` (F, 3) x, y, near and
    ``path_map`` (F, 3): a light's way over it. ``marks``: (row of the path, shot frame) to number. ``narrow``: the two
    lie one below the other.
    """
    shown = show_in_picture(places.map, places.view)
    row = {int(n): k for k, n in enumerate(places.source_frames)}
    ringed = [(row[int(n)], int(n)) for n in keys if int(n) in row]

    def draw(figure: Figure, look: Ground) -> None:
        height, width = places.view.size
        view, plan = (figure.add_axes(box) for box in BOXES[narrow])
        _dress(view, look, "as it shows in the picture")
        view.add_patch(_frame(width, height, look))
        seen = np.isfinite(places.in_shot).all(axis=1)
        x, y = places.in_shot[seen].T
        view.scatter(x, y, s=26, marker="+", color=look.ink, linewidth=1.0, zorder=5)
        _fit(view, np.vstack([shown[:, :2], [[0, 0], [width, height]]]), down=True)
        _dress(plan, look, "from above")
        plan.scatter([0], [0], s=70, marker="^", color=look.ink, zorder=6)
        plan.annotate("camera", (0, 0), (8, -3), textcoords="offset points", color=look.ink, fontsize=9)
        _fit(plan, np.vstack([places.map[:, [0, 2]], [[0, 0]]]), down=False)
        for axes, spots, way in ((view, shown[:, :2], path), (plan, places.map[:, [0, 2]], path_map)):
            flat = None if way is None else way[:, :2] if axes is view else way[:, [0, 2]]
            _draw_places(axes, spots, shown[:, 2], [k for k, _ in ringed], look)
            if flat is not None:
                _draw_way(axes, flat, [k for k, _ in marks], look)
            _number(axes, spots, ringed, flat, marks, look)
        _say_what(figure, bool(seen.any()), look, path is not None, narrow)

    return render_figure(draw, form, ground, NARROW if narrow else WIDE)


def _frame(width: int, height: int, look: Ground) -> Rectangle:
    from matplotlib.patches import Rectangle

    return Rectangle((0, 0), width, height, fill=False, edgecolor=look.soft, linewidth=1.2)


def _dress(axes: Axes, look: Ground, title: str) -> None:
    axes.set_facecolor(look.page)
    axes.set_title(title, color=look.ink, fontsize=11, loc="left", pad=8)
    axes.set_xticks([])
    axes.set_yticks([])
    axes.set_aspect("equal")
    for spine in axes.spines.values():
        spine.set_color(look.rule)


def _draw_places(
    axes: Axes, places: NDArray[np.float64], near: NDArray[np.float64], ringed: Sequence[int], look: Ground
) -> None:
    """Dot every lit frame, larger the nearer, and ring those with a still."""
    size = DOT * (0.4 + np.clip(near, 0, 1) * 2)
    x, y = places.T
    axes.plot(x, y, color=look.rule, linewidth=0.8, zorder=1)
    axes.scatter(x, y, s=size, color=look.light, linewidth=0, zorder=2)
    rows = list(ringed)
    axes.scatter(x[rows], y[rows], s=KEY_DOT, facecolor="none", edgecolor=look.key, linewidth=1.4, zorder=3)


def _draw_way(axes: Axes, way: NDArray[np.float64], marked: Sequence[int], look: Ground) -> None:
    """Draw a light's way, and dot the rows that are numbered."""
    ink, rows = look.channels[0], list(marked)
    axes.plot(*way.T, color=ink, linewidth=2.2, zorder=7)
    axes.scatter(way[rows, 0], way[rows, 1], s=30, color=ink, zorder=8)


def _number(
    axes: Axes,
    places: NDArray[np.float64],
    ringed: Sequence[tuple[int, int]],
    way: NDArray[np.float64] | None,
    marks: Sequence[tuple[int, int]],
    look: Ground,
) -> None:
    """Write numbers beside a way's frames, then beside rings, where none covers another."""
    step = max(1, -(-len(ringed) // MOST_LABELS))
    first = [*ringed[::step], *(one for k, one in enumerate(ringed) if k % step)]
    wanted = [(way[k], number, MARK_PT, look.channels[0]) for k, number in marks] if way is not None else []
    wanted += [(places[k], number, NUMBER_PT, look.soft) for k, number in first]
    if not wanted:
        return
    per_point = axes.figure.dpi / 72
    points = axes.transData.transform([spot for spot, *_ in wanted]) / per_point
    sizes = [(DIGIT * size * len(str(number)), size) for _, number, size, _ in wanted]
    taken = [*square(points, RING_PT), *square(axes.transData.transform(places) / per_point, DOT_PT)]
    if way is not None:
        taken += square(walk_line(axes.transData.transform(way) / per_point, LINE_PT), LINE_PT)
    left, bottom, right, top = (float(edge) / per_point for edge in axes.bbox.extents)
    room, own = (left, bottom, right, top), 0 if way is None else len(marks)
    boxes = place_beside(points.tolist(), sizes, gap=GAP_PT, taken=taken, within=room, needed=own)
    for (spot, number, size, ink), (x, y), box in zip(wanted, points, boxes, strict=True):
        if box is not None:
            beside = (box[0] - x, box[1] - y)
            axes.annotate(str(number), spot, beside, textcoords="offset points", color=ink, fontsize=size, zorder=9)


def square(points: NDArray[np.float64], half: float) -> list[Box]:
    """Return boxes round points (n, 2)."""
    return [(x - half, y - half, x + half, y + half) for x, y in np.asarray(points).tolist()]


def walk_line(corners: NDArray[np.float64], step: float) -> NDArray[np.float64]:
    """Return places (m, 2) along a line through ``corners`` (n, 2), no farther apart than ``step``."""
    far = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(corners, axis=0).T))])
    at = np.linspace(0, far[-1], 2 + int(far[-1] / step))
    return np.stack([np.interp(at, far, axis) for axis in corners.T], axis=1)


def _fit(axes: Axes, points: NDArray[np.float64], *, down: bool) -> None:
    low, high = np.nanquantile(points, [0.0, 1.0], axis=0)
    pad = 0.08 * max(float((high - low).max()), 1e-6)
    axes.set_xlim(low[0] - pad, high[0] + pad)
    axes.set_ylim(*((high[1] + pad, low[1] - pad) if down else (low[1] - pad, high[1] + pad)))
    axes.apply_aspect()  # so that places are known before anything is drawn


def _say_what(figure: Figure, in_shot: bool, look: Ground, path: bool, narrow: bool) -> None:
    parts = ["dots: every lit frame, larger is nearer", "rings: lamp stills by source frame", "frame: the picture"]
    parts += ["crosses: the lamp seen in shot"] if in_shot else []
    parts += ["thick line: the light's way, with shot frames"] if path else []
    parts.append("there is no unit of length")
    a_row = 1 if narrow else -(-len(parts) // 2)
    lines = [" \u00b7 ".join(parts[k : k + a_row]) for k in range(0, len(parts), a_row)]
    figure.text(0.05, 0.02, "\n".join(lines), color=look.soft, fontsize=9, linespacing=1.5)
