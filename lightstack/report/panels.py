"""The panels of the per-frame plot: one measured quantity each, with its unit in the title."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from lightstack.records import FrameTable
from lightstack.report.looks import Ground, draw_upright
from lightstack.report.phrases import say_number

if TYPE_CHECKING:  # matplotlib takes long to load, and only drawing needs it
    from matplotlib.axes import Axes

CHANNELS = (("R", "-"), ("G", "--"), ("B", ":"))  # dashes as well as colours: not everybody sees both
Line = tuple[str, NDArray, str | None, str]  # name, values, channel or None, dashes


def list_panels(table: FrameTable) -> list[tuple[str, list[Line]]]:
    """The panels of plot_frames: a title with its unit, and its lines."""

    def split(values: NDArray, scale: float) -> list[Line]:
        return [
            (name, scale * np.asarray(values, float)[:, i], name, dash)
            for i, (name, dash) in enumerate(CHANNELS)
        ]

    def one(values: NDArray, scale: float = 1.0, name: str = "", dash: str = "-") -> Line:
        return (name, scale * np.asarray(values, float), None, dash)

    return [
        ("change from the frame before (sigma)", [one(table.change_sigma)]),
        ("covered, veiled (%)",
         [one(table.blocked, 100, "covered"), one(table.flare, 100, "flare", ":")]),
        ("clipped (% of pixels)", split(table.clipped, 100)),
        ("exposure drift (stops)", split(table.drift_stops, 1)),
        ("camera shift put back (px)", [one(table.shift_px)]),
        ("light smear while the shutter is open, 180\u00b0 (px)", [one(table.smear_px)]),
        ("weight for choosing (0\u20131)", [one(table.weight)]),
    ]  # fmt: skip


def draw_panel(axes: Axes, title: str, lines: Sequence[Line], rows: Sequence[int], look: Ground) -> None:
    """Draw one panel: title above, lines, chosen frames as thin verticals."""
    from matplotlib.ticker import FuncFormatter, MaxNLocator

    axes.text(0, 1.06, title, transform=axes.transAxes, fontsize=8.5, color=look.ink, va="bottom")
    for row in rows:
        draw_upright(axes, (row, row), (0, 1), color=look.key, linewidth=0.6, alpha=0.6)
    drawn: list[NDArray] = []
    for name, values, channel, dash in lines:
        if not np.isfinite(values).any():
            continue
        colour = look.channels["RGB".index(channel)] if channel else look.light
        axes.plot(np.arange(len(values)), values, dash, color=colour, linewidth=1.3, label=name)
        drawn.append(values[np.isfinite(values)])
    if not drawn:
        axes.text(
            0.5, 0.5, "not measured", transform=axes.transAxes, ha="center", va="center", color=look.soft
        )
        axes.set_yticks([])
        return
    low, high = min(float(v.min()) for v in drawn), max(float(v.max()) for v in drawn)
    room = max(high - min(low, 0.0), 1e-6)
    axes.set_ylim(min(low - 0.08 * room, 0.0), max(high, 0.0) + 0.12 * room)
    axes.yaxis.set_major_locator(MaxNLocator(3))
    axes.yaxis.set_major_formatter(FuncFormatter(lambda value, _: say_number(value, 3)))
    if len(drawn) > 1:
        axes.legend(
            loc="lower right", bbox_to_anchor=(1.0, 1.0), ncols=3, fontsize=8, frameon=False,
            labelcolor=look.ink, handlelength=2.2, borderaxespad=0.1, columnspacing=1.2,
        )  # fmt: skip
