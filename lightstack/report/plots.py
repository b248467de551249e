"""Plots for the report page and for files: matplotlib's object interface, no global figure.

Every plot comes as SVG or PNG bytes, on a dark or a paper ground, wide or narrow (for a phone). The same
numbers give the same bytes.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from lightstack.records import FrameTable, KeyFrame
from lightstack.report.labels import fit_labels, spread_labels
from lightstack.report.looks import Ground, draw_upright, dress_axes, number_frames, place_axes, render_figure
from lightstack.report.panels import draw_panel, list_panels

if TYPE_CHECKING:  # matplotlib takes long to load, and only drawing needs it
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

# --- public ----------------------------------------------------------------------------------------


def plot_energy(
    table: FrameTable,
    keys: Sequence[KeyFrame],
    *,
    form: str = "svg",
    ground: str = "dark",
    narrow: bool = False,
) -> bytes:
    """Plot the lamp's energy over the sweep with the chosen frames marked and numbered.

    ``form``: "svg" or "png". Key labels are source frame numbers and never overlap; where there is no room
    for all of them the best-ranked are labelled, all are ringed.
    """

    def draw(figure: Figure, look: Ground) -> None:
        size = 9.0
        axes_box, width_pt = place_axes(figure, left=52, right=12, bottom=44)
        rows = _find_rows(table, keys)
        labelled = fit_labels([k.rank for k in keys], width_pt / (size * 1.35))
        row_count = max(1, int(np.ceil(len(labelled) * size * 1.35 / width_pt)))
        digits = max((len(str(keys[i].source_frame)) for i in labelled), default=1)
        row_pt = size * (0.68 * digits + 0.7)
        height = figure.get_figheight() * 72
        axes_box[3] = (height - 44 - 8 - row_pt * row_count - 12) / height
        axes = figure.add_axes((axes_box[0], axes_box[1], axes_box[2], axes_box[3]))
        dress_axes(axes, look)
        x = np.arange(len(table.source_frames), dtype=float)
        number_frames(axes, table.source_frames)
        axes.set_xlabel("source frame", color=look.soft)
        axes.set_ylabel("lamp light, mean of the picture\n(% of reference white)", color=look.soft)
        energy = 100.0 * np.asarray(table.lamp_energy, float)
        axes.fill_between(x, 0, energy, color=look.light, alpha=0.22, linewidth=0)
        axes.plot(x, energy, color=look.light, linewidth=1.6, gid="energy")
        _mark_stretches(axes, table, look)
        _label_keys(axes, keys, rows, labelled, energy, look, size=size, width_pt=width_pt, row_pt=row_pt)

    return render_figure(draw, form, ground, (4.1, 4.3) if narrow else (12.0, 4.0))


def plot_frames(
    table: FrameTable,
    keys: Sequence[KeyFrame] = (),
    *,
    form: str = "svg",
    ground: str = "dark",
    narrow: bool = False,
) -> bytes:
    """Plot what was measured on each frame: change, cover, clipping, drift, camera shift, smear, weight.

    Vertical lines are the chosen frames. A panel of which nothing was measured says so.
    """
    panels = list_panels(table)

    def draw(figure: Figure, look: Ground) -> None:
        box, _ = place_axes(figure, left=54, right=12, bottom=44, top=26)
        step = box[3] / len(panels)
        rows = [row for row in _find_rows(table, keys) if row is not None]
        for index, (title, lines) in enumerate(panels):
            bottom = box[1] + box[3] - (index + 1) * step
            axes = figure.add_axes((box[0], bottom, box[2], step * 0.66))
            dress_axes(axes, look)
            number_frames(axes, table.source_frames, labels=index == len(panels) - 1)
            draw_panel(axes, title, lines, rows, look)
        axes.set_xlabel("source frame", color=look.soft)

    return render_figure(draw, form, ground, (4.1, 8.6) if narrow else (12.0, 8.2))


# --- energy ----------------------------------------------------------------------------------------


def _find_rows(table: FrameTable, keys: Sequence[KeyFrame]) -> list[int | None]:
    """Return each key's row. Where a number stands twice (a second file), the row whose weight and cover are
    the key's own wins; None where the table lacks the frame."""
    found: list[int | None] = []
    for key in keys:
        rows = np.flatnonzero(np.asarray(table.source_frames) == key.source_frame)
        if rows.size == 0:
            found.append(None)
            continue
        apart = np.abs(table.weight[rows] - key.weight) + np.abs(table.blocked[rows] - key.blocked)
        found.append(int(rows[int(np.argmin(np.nan_to_num(apart, nan=2.0)))]))
    return found


def _mark_stretches(axes: Axes, table: FrameTable, look: Ground) -> None:
    """Underline each lamp-on stretch and number it where there is more than one."""
    names = [s for s in sorted(set(table.stretch.tolist())) if s >= 0]
    for name in names:
        rows = np.flatnonzero(table.stretch == name)
        axes.plot(
            [rows[0] - 0.5, rows[-1] + 0.5],
            [0, 0],
            color=look.key,
            linewidth=4,
            solid_capstyle="butt",
            zorder=4,
        )
        if len(names) > 1:
            axes.annotate(
                f"stretch {name + 1}", (rows.mean(), 0), (0, 5), textcoords="offset points",
                ha="center", va="bottom", fontsize=8, color=look.ink, zorder=7,
                bbox={"facecolor": look.page, "edgecolor": "none", "pad": 1.0, "alpha": 0.85},
            )  # fmt: skip


def _label_keys(
    axes: Axes,
    keys: Sequence[KeyFrame],
    rows: Sequence[int | None],
    labelled: Sequence[int],
    energy: NDArray,
    look: Ground,
    *,
    size: float,
    width_pt: float,
    row_pt: float,
) -> None:
    """Ring every key on the curve; lead the labelled ones to source frame numbers above the axes."""
    here = [(i, row) for i, row in enumerate(rows) if row is not None]
    axes.plot(
        [row for _, row in here], [energy[row] for _, row in here], "o", markersize=6, gid="keys",
        markerfacecolor=look.page,
        markeredgecolor=look.key, markeredgewidth=1.8, zorder=6, clip_on=False,
    )  # fmt: skip
    shown = sorted(((row, i) for i, row in here if i in set(labelled)))
    low, high = axes.get_xlim()
    per_row_pt = (high - low) / width_pt
    gap = size * 1.35
    levels = max(1, int(np.ceil(len(shown) * gap / width_pt)))
    places = spread_labels([row for row, _ in shown], gap * per_row_pt / levels, low, high)
    height_pt = axes.get_window_extent().height * 72 / axes.figure.dpi
    for order, ((row, i), place) in enumerate(zip(shown, places, strict=True)):
        foot = 1 + (12 + row_pt * (order % levels)) / height_pt
        draw_upright(
            axes, (row, row, place, place), (0, 1, 1 + 10 / height_pt, foot), color=look.key, linewidth=0.7, alpha=0.75,
            clip_on=False, zorder=3, solid_joinstyle="round",
        )  # fmt: skip
        axes.text(
            place, foot + 2 / height_pt, str(keys[i].source_frame), transform=axes.get_xaxis_transform(),
            rotation=90, ha="center", va="bottom", fontsize=size, color=look.ink, gid=f"key{keys[i].rank}",
        )  # fmt: skip
