"""Plots for the report page and for files: matplotlib's object interface, no global figure.

Every plot comes as SVG or PNG bytes, on a dark or a paper ground, wide or narrow (for a phone). The same
numbers give the same bytes.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator
from numpy.typing import NDArray

from lightstack.records import FrameTable, KeyFrame, MixCurve
from lightstack.report.labels import fit_labels, spread_labels
from lightstack.report.looks import Ground, dress_axes, number_frames, place_axes, render_figure
from lightstack.report.panels import draw_panel, list_panels
from lightstack.report.phrases import MINUS

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


def plot_mix(
    mix: MixCurve,
    marks: Sequence[int] = (),
    *,
    form: str = "svg",
    ground: str = "dark",
    narrow: bool = False,
) -> bytes:
    """Plot the mix over shot frames: gain on the left, stops on the right; ``marks`` are frames to dot."""

    def draw(figure: Figure, look: Ground) -> None:
        box, width_pt = place_axes(figure, left=44, right=52, bottom=44, top=30)
        axes = figure.add_axes((box[0], box[1], box[2], box[3]))
        dress_axes(axes, look)
        gains = np.asarray(mix.gains, float)
        frames = mix.first_frame + np.arange(len(gains))
        style = "o" if len(gains) == 1 else ""
        axes.fill_between(frames, 0, gains, color=look.key, alpha=0.2, linewidth=0)
        axes.plot(frames, gains, color=look.key, linewidth=1.8, marker=style, gid="mix")
        highest = max(float(np.max(gains, initial=0.0)) * 1.12, 0.05)
        axes.set_ylim(0, highest)
        first, last = frames[0] if len(frames) else 0, frames[-1] if len(frames) else 1
        axes.set_xlim(first - 0.5, last + 0.5)
        axes.set_xlabel("shot frame", color=look.soft)
        axes.set_ylabel("gain (1 = plate as shot)", color=look.soft)
        axes.xaxis.set_major_locator(MaxNLocator(5 if narrow else 12, integer=True, steps=[1, 2, 5, 10]))
        _add_stops(axes, highest, look)
        _mark_frames(axes, mix, marks, look, width_pt)

    return render_figure(draw, form, ground, (4.1, 3.4) if narrow else (12.0, 3.2))


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
        line = axes.plot(
            [row, row, place, place], [0, 1, 1 + 10 / height_pt, foot], transform=axes.get_xaxis_transform(),
            color=look.key, linewidth=0.7, alpha=0.75, clip_on=False, zorder=3,
        )[0]  # fmt: skip
        line.set_solid_joinstyle("round")
        axes.text(
            place, foot + 2 / height_pt, str(keys[i].source_frame), transform=axes.get_xaxis_transform(),
            rotation=90, ha="center", va="bottom", fontsize=size, color=look.ink, gid=f"key{keys[i].rank}",
        )  # fmt: skip


# --- mix -------------------------------------------------------------------------------------------


def _add_stops(axes: Axes, highest: float, look: Ground) -> None:
    """Write whole stops along the right edge; only those that stand apart."""
    twin = axes.twinx()
    twin.set_ylim(0, highest)
    for spine in twin.spines.values():
        spine.set_visible(False)
    top = int(np.floor(np.log2(highest)))
    stops = range(top, top - 4, -1)
    twin.set_yticks([0.0, *[2.0**s for s in stops]])
    twin.set_yticklabels(["off", *[("+" if s > 0 else "") + str(s).replace("-", MINUS) for s in stops]])
    twin.tick_params(colors=look.soft, length=3)
    twin.set_ylabel("stops", color=look.soft)


def _mark_frames(axes: Axes, mix: MixCurve, marks: Sequence[int], look: Ground, width_pt: float) -> None:
    """Dot the shown frames on the curve and number them above it."""
    last = mix.first_frame + len(mix.gains) - 1
    shown = sorted({m for m in marks if mix.first_frame <= m <= last})
    if not shown:
        return
    axes.plot(
        shown, [mix.gain_at(m) for m in shown], "o", markersize=6, markerfacecolor=look.page,
        markeredgecolor=look.ink, markeredgewidth=1.6, clip_on=False, zorder=6,
    )  # fmt: skip
    gap_pt = 7 * max(len(str(m)) for m in shown) + 6
    named = shown[:: max(1, int(np.ceil(len(shown) * gap_pt / width_pt)))]
    low, high = axes.get_xlim()
    across = axes.get_xaxis_transform()
    for mark, place in zip(
        named, spread_labels(named, gap_pt * (high - low) / width_pt, low, high), strict=True
    ):
        base = mix.gain_at(mark) / axes.get_ylim()[1]
        axes.plot(
            [mark, mark, place], [base, 1, 1.05], transform=across, color=look.soft, linewidth=0.7, alpha=0.7,
            clip_on=False, zorder=3,
        )  # fmt: skip
        axes.text(
            place, 1.07, str(mark), transform=across, ha="center", va="bottom", fontsize=9, color=look.ink
        )
