"""Grain over level, as plots: in linear light and in code values, per channel."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from lightstack.records import GrainProfile
from lightstack.report.looks import Ground, dress_axes, place_axes, render_figure

if TYPE_CHECKING:  # matplotlib takes long to load, and only drawing needs it
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["plot_grain"]

CHANNELS = ("red", "green", "blue")
STYLES = (("o", "-"), ("s", "--"), ("^", "-."))  # told apart without colour too
LEAST_SHOWN = 5e-4  # linear: darker levels stand at the left edge


def plot_grain(profile: GrainProfile, *, form: str = "png", ground: str = "paper", narrow: bool = False) -> bytes:
    """Plot sigma over level in linear light and over code value in code values.

    ``form``: "svg" or "png". Where the footage's codes are not known, only the first.
    """
    coded = any(len(codes) for codes in profile.codes)

    def draw(figure: Figure, look: Ground) -> None:
        box, _ = place_axes(figure, left=62, right=16, bottom=46, top=34)
        count = 2 if coded else 1
        gap = 0.17 if narrow else 0.085
        for k in range(count):
            if narrow:
                height = (box[3] - gap * (count - 1)) / count
                axes = figure.add_axes((box[0], box[1] + (count - 1 - k) * (height + gap), box[2], height))
            else:
                width = (box[2] - gap * (count - 1)) / count
                axes = figure.add_axes((box[0] + k * (width + gap), box[1], width, box[3]))
            dress_axes(axes, look)
            (draw_linear, draw_coded)[k](axes, profile, look)
            axes.legend(loc="upper left" if k == 0 else "best", frameon=False, labelcolor=look.ink, fontsize=9)

    return render_figure(draw, form, ground, (4.6, 7.2) if narrow else (12.0, 4.4))


def draw_linear(axes: Axes, profile: GrainProfile, look: Ground) -> None:
    """Draw sigma over level, both in percent of reference white, both logarithmic."""
    from matplotlib.ticker import FuncFormatter, LogLocator, NullFormatter

    for c, name in enumerate(CHANNELS):
        level = np.maximum(profile.levels[c], LEAST_SHOWN)
        marker, line = STYLES[c]
        axes.plot(
            100 * level, 100 * profile.sigma[c], linestyle=line, marker=marker, markersize=4.5, linewidth=1.4,
            color=look.channels[c], label=name,
        )  # fmt: skip
    axes.set_xscale("log")
    axes.set_yscale("log")
    for axis in (axes.xaxis, axes.yaxis):
        axis.set_major_locator(LogLocator(10, subs=(1.0, 2.0, 5.0)))
        axis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
        axis.set_minor_formatter(NullFormatter())
    axes.margins(x=0.04, y=0.08)
    axes.set_title("in linear light", loc="left", fontsize=10, color=look.ink)
    axes.set_xlabel("level (% of reference white)", color=look.soft)
    axes.set_ylabel("grain, one sigma (% of white)", color=look.soft)


def draw_coded(axes: Axes, profile: GrainProfile, look: Ground) -> None:
    """Draw sigma over level, both in code values."""
    for c, name in enumerate(CHANNELS):
        marker, line = STYLES[c]
        axes.plot(
            profile.codes[c], profile.sigma_codes[c], linestyle=line, marker=marker, markersize=4.5, linewidth=1.4,
            color=look.channels[c], label=name,
        )  # fmt: skip
    axes.margins(x=0.04)
    axes.set_ylim(bottom=0)
    axes.set_title("in code values, as the footage is seen", loc="left", fontsize=10, color=look.ink)
    axes.set_xlabel("R'G'B' code value", color=look.soft)
    axes.set_ylabel("grain, one sigma (codes)", color=look.soft)
