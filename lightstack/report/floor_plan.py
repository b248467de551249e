"""The floor plan of a sweep: where the lamp was, seen from above and as it shows in the picture."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from lightstack.core.lamp.view import show_in_picture
from lightstack.records import LampPlaces
from lightstack.report.looks import Ground, render_figure

if TYPE_CHECKING:  # matplotlib takes long to load, and only drawing needs it
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from matplotlib.patches import Rectangle

__all__ = ["plot_floor_plan"]

SIZE = (12.0, 5.6)
VIEW_BOX, PLAN_BOX = (0.05, 0.12, 0.52, 0.76), (0.64, 0.12, 0.33, 0.76)
MOST_LABELS = 28
DOT, KEY_DOT = 10.0, 60.0


def plot_floor_plan(
    places: LampPlaces,
    keys: NDArray[np.int64],
    *,
    path: NDArray[np.float64] | None = None,
    path_map: NDArray[np.float64] | None = None,
    marks: Sequence[tuple[int, int]] = (),
    form: str = "svg",
    ground: str = "dark",
) -> bytes:
    """Draw where the lamp was: left as it shows in the picture, right from above, the camera at the bottom.

    ``keys``: source frames with a lamp still, ringed and numbered. ``path`` (F, 3) x, y, near and ``path_map`` (F, 3):
    a light's way over it. ``marks``: (row of the path, shot frame) to number.
    """
    shown = show_in_picture(places.map, places.view)
    row = {int(n): k for k, n in enumerate(places.source_frames)}
    ringed = [(row[int(n)], int(n)) for n in keys if int(n) in row]

    def draw(figure: Figure, look: Ground) -> None:
        view = figure.add_axes(VIEW_BOX)
        height, width = places.view.size
        _dress(view, look, "as it shows in the picture")
        view.add_patch(_frame(width, height, look))
        _draw_places(view, shown[:, :2], shown[:, 2], ringed, look)
        seen = np.isfinite(places.in_shot).all(axis=1)
        x, y = places.in_shot[seen].T
        view.scatter(x, y, s=26, marker="+", color=look.ink, linewidth=1.0, zorder=5)
        plan = figure.add_axes(PLAN_BOX)
        _dress(plan, look, "from above")
        _draw_places(plan, places.map[:, [0, 2]], shown[:, 2], ringed, look)
        plan.scatter([0], [0], s=70, marker="^", color=look.ink, zorder=6)
        plan.annotate("camera", (0, 0), (8, -3), textcoords="offset points", color=look.ink, fontsize=9)
        if path is not None and path_map is not None:
            _draw_way(view, path[:, :2], marks, look)
            _draw_way(plan, path_map[:, [0, 2]], marks, look)
        _fit(view, np.vstack([shown[:, :2], [[0, 0], [width, height]]]), down=True)
        _fit(plan, np.vstack([places.map[:, [0, 2]], [[0, 0]]]), down=False)
        _say_what(figure, bool(seen.any()), look, path is not None)

    return render_figure(draw, form, ground, SIZE)


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
    axes: Axes, places: NDArray[np.float64], near: NDArray[np.float64], ringed: Sequence[tuple[int, int]], look: Ground
) -> None:
    """Dot every lit frame, larger the nearer, and ring and number those with a still."""
    size = DOT * (0.4 + np.clip(near, 0, 1) * 2)
    x, y = places.T
    axes.plot(x, y, color=look.rule, linewidth=0.8, zorder=1)
    axes.scatter(x, y, s=size, color=look.light, linewidth=0, zorder=2)
    rows = [k for k, _ in ringed]
    axes.scatter(x[rows], y[rows], s=KEY_DOT, facecolor="none", edgecolor=look.key, linewidth=1.4, zorder=3)
    step = max(1, -(-len(ringed) // MOST_LABELS))
    for k, number in ringed[::step]:
        axes.annotate(
            str(number), tuple(places[k]), (6, 5), textcoords="offset points", color=look.soft, fontsize=7.5, zorder=4
        )


def _draw_way(axes: Axes, way: NDArray[np.float64], marks: Sequence[tuple[int, int]], look: Ground) -> None:
    """Draw a light's way, with some of its frames numbered."""
    ink = look.channels[0]
    axes.plot(*way.T, color=ink, linewidth=2.2, zorder=7)
    for row, number in marks:
        axes.scatter(way[row, 0], way[row, 1], s=30, color=ink, zorder=8)
        axes.annotate(
            str(number), tuple(way[row]), (7, -10), textcoords="offset points", color=ink, fontsize=9, zorder=9
        )


def _fit(axes: Axes, points: NDArray[np.float64], *, down: bool) -> None:
    low, high = np.nanquantile(points, [0.0, 1.0], axis=0)
    pad = 0.08 * max(float((high - low).max()), 1e-6)
    axes.set_xlim(low[0] - pad, high[0] + pad)
    axes.set_ylim(*((high[1] + pad, low[1] - pad) if down else (low[1] - pad, high[1] + pad)))


def _say_what(figure: Figure, in_shot: bool, look: Ground, path: bool) -> None:
    parts = ["dots: every lit frame, larger is nearer", "rings: lamp stills by source frame", "frame: the picture"]
    parts += ["crosses: the lamp seen in shot"] if in_shot else []
    parts += ["thick line: the light's way, with shot frames"] if path else []
    parts.append("there is no unit of length")
    half = -(-len(parts) // 2)
    lines = [" \u00b7 ".join(row) for row in (parts[:half], parts[half:])]
    figure.text(0.05, 0.02, "\n".join(lines), color=look.soft, fontsize=9, linespacing=1.5)
