"""The plot of a mix: its base, what came of it, where it peaks and where it changes fastest."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from lightstack.records import MixCurve
from lightstack.report.labels import spread_labels
from lightstack.report.looks import Ground, dress_axes, place_axes, render_figure
from lightstack.report.phrases import MINUS

if TYPE_CHECKING:  # matplotlib takes long to load, and only drawing needs it
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["plot_mix"]


def plot_mix(
    mix: MixCurve,
    marks: Sequence[int] = (),
    *,
    base: NDArray[np.float64] | None = None,
    extremes: bool = False,
    form: str = "svg",
    ground: str = "dark",
    narrow: bool = False,
) -> bytes:
    """Plot the mix over shot frames: gain on the left, stops on the right; ``marks`` are frames to dot.

    ``base``: gains ``(n,)`` of the curve that everything else played on, drawn under the mix where it differs.
    ``extremes``: name the peak and the steepest change.
    """

    def draw(figure: Figure, look: Ground) -> None:
        from matplotlib.ticker import MaxNLocator

        box, width_pt = place_axes(figure, left=44, right=52, bottom=44, top=30)
        axes = figure.add_axes((box[0], box[1], box[2], box[3]))
        dress_axes(axes, look)
        gains = np.asarray(mix.gains, float)
        frames = mix.first_frame + np.arange(len(gains))
        style = "o" if len(gains) == 1 else ""
        axes.fill_between(frames, 0, gains, color=look.key, alpha=0.2, linewidth=0)
        axes.plot(frames, gains, color=look.key, linewidth=1.8, marker=style, gid="mix")
        highest = float(np.max(gains, initial=0.0))
        if base is not None and not np.allclose(base, gains, atol=1e-9):
            highest = max(highest, float(np.max(base)))
            axes.plot(frames, base, color=look.light, linewidth=1.2, linestyle=(0, (4, 2)), gid="base", zorder=1.9)
            _name_lines(axes, look)
        highest = max(highest * 1.12, 0.05)
        axes.set_ylim(0, highest)
        first, last = frames[0] if len(frames) else 0, frames[-1] if len(frames) else 1
        axes.set_xlim(first - 0.5, last + 0.5)
        axes.set_xlabel("shot frame", color=look.soft)
        axes.set_ylabel("gain (1 = plate as shot)", color=look.soft)
        axes.xaxis.set_major_locator(MaxNLocator(5 if narrow else 12, integer=True, steps=[1, 2, 5, 10]))
        _add_stops(axes, highest, look)
        _mark_frames(axes, mix, marks, look, width_pt)
        if extremes:
            _mark_extremes(axes, mix, look, width_pt)

    return render_figure(draw, form, ground, (4.1, 3.4) if narrow else (12.0, 3.2))


def _name_lines(axes: Axes, look: Ground) -> None:
    """Say under the axes, at their left, which line is which."""
    for left, name, ink in ((0, "\u2014 mix", look.key), (52, "- - base", look.light)):
        axes.annotate(
            name, (0, 0), (left, -41), xycoords="axes fraction", textcoords="offset points", fontsize=9, color=ink,
            annotation_clip=False,
        )  # fmt: skip


def _mark_extremes(axes: Axes, mix: MixCurve, look: Ground, width_pt: float) -> None:
    """Ring the peak, draw over the steepest change, and name both above the axes."""
    gains = np.asarray(mix.gains, float)
    if not np.any(gains > 0):
        return
    top = int(np.argmax(gains))
    named = [(mix.first_frame + float(top), gains[top], f"peak {gains[top]:.3g}")]
    axes.plot(
        [mix.first_frame + top], [gains[top]], "o", markersize=7, markerfacecolor=look.page, markeredgecolor=look.ink,
        markeredgewidth=1.6, clip_on=False, zorder=6, gid="peak",
    )  # fmt: skip
    steps = np.diff(gains)
    if np.any(steps):
        steep = int(np.argmax(np.abs(steps)))
        ends = [mix.first_frame + steep, mix.first_frame + steep + 1]
        axes.plot(ends, gains[steep : steep + 2], color=look.ink, linewidth=3.2, zorder=5, gid="steepest")
        change = f"{steps[steep]:+.2g}".replace("-", MINUS)
        named.append((ends[0] + 0.5, gains[steep : steep + 2].mean(), f"steepest {change} a frame"))
    named.sort()
    low, high = axes.get_xlim()
    across = axes.get_xaxis_transform()
    places = spread_labels([place for place, _, _ in named], 118 * (high - low) / width_pt, low, high)
    for (frame, gain, text), place in zip(named, places, strict=True):
        foot = gain / axes.get_ylim()[1]
        axes.plot(
            [frame, frame, place], [foot, 1, 1.05], transform=across, color=look.soft, linewidth=0.7, alpha=0.7,
            clip_on=False, zorder=3,
        )  # fmt: skip
        axes.text(place, 1.07, text, transform=across, ha="center", va="bottom", fontsize=9, color=look.ink)


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
