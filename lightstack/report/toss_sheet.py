"""Contact sheet of tries: each one's path drawn over the set, with time marks and what speaks for and against it."""

from __future__ import annotations

from collections.abc import Sequence
from textwrap import fill
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from lightstack.records import TossedTry
from lightstack.report.looks import Ground, render_figure, round_step

if TYPE_CHECKING:  # matplotlib takes long to load, and only drawing needs it
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["plot_tries"]

ACROSS = 2  # pictures side by side
PATH, HAND, WISH = "#ffd23f", "#b9b5ab", "#5fd0ff"
DIM = 0.55  # of the set's picture, so that the path stands out
WORDS_ACROSS = 62


def plot_tries(
    picture: NDArray[np.uint8],
    tries: Sequence[TossedTry],
    ranks: Sequence[tuple[int, Sequence[str]]],
    *,
    size: tuple[int, int],
    picked: int,
    ends_inside: Sequence[tuple[float, float]] = (),
) -> bytes:
    """Draw the sheet as PNG.

    Parameters
    ----------
    picture : (h, w, 3) the set, display-encoded, any size. size : (H, W) that paths are measured in.
    ranks : of each try its rank (1 is best) and reasons. picked : index of the try that is pulled.
    ends_inside : corners of the place where it should end, () = anywhere.
    """
    across = min(ACROSS, len(tries))
    down = -(-len(tries) // across)
    order = sorted(range(len(tries)), key=lambda k: ranks[k][0])
    wide = 6.2 if across > 1 else 8.0
    high = wide * size[0] / size[1] + 1.05

    def draw(figure: Figure, look: Ground) -> None:
        for place, k in enumerate(order):
            row, column = divmod(place, across)
            left, bottom = column / across, 1 - (row + 1) / down
            share = (high - 1.05) / high
            box = (left + 0.008, bottom + 0.62 / high / down, 1 / across - 0.016, share / down)
            axes = figure.add_axes(box)
            draw_try(axes, picture, tries[k], size, ends_inside)
            name = f"{ranks[k][0]}. {tries[k].name}" + (" - pulled" if k == picked else "")
            axes.set_title(name, loc="left", fontsize=12, color=look.ink, fontweight="bold" if k == picked else None)
            axes.text(
                0, -0.03, fill("; ".join(ranks[k][1]), WORDS_ACROSS * (1 if across > 1 else 2)),
                transform=axes.transAxes,                va="top", fontsize=9.5, color=look.soft,
            )  # fmt: skip
            mark_frame(axes, PATH if k == picked else look.rule, 3.0 if k == picked else 1.0)

    return render_figure(draw, "png", "paper", (wide * across, high * down))


def mark_frame(axes: Axes, colour: str, width: float) -> None:
    """Draw a frame round a picture."""
    for spine in axes.spines.values():
        spine.set_visible(True)
        spine.set_color(colour)
        spine.set_linewidth(width)


def draw_try(
    axes: Axes,
    picture: NDArray[np.uint8],
    one: TossedTry,
    size: tuple[int, int],
    ends_inside: Sequence[tuple[float, float]],
) -> None:
    """Draw one try's path over the set; where a hand is in shot it is dimmed and dotted."""
    from matplotlib.patches import Polygon

    height, width = size
    axes.imshow((picture * DIM).astype(np.uint8), extent=(0, width, height, 0), interpolation="antialiased")
    axes.set_xticks([])
    axes.set_yticks([])
    if len(ends_inside):
        axes.add_patch(Polygon(np.array(ends_inside), closed=True, fill=False, edgecolor=WISH, linewidth=1.6))
    seen = np.flatnonzero(np.isfinite(one.centres[:, 0]))
    if len(seen):
        draw_way(axes, one, seen)
        mark_times(axes, one, seen)
    axes.set_xlim(0, width)
    axes.set_ylim(height, 0)


def draw_way(axes: Axes, one: TossedTry, seen: NDArray[np.intp]) -> None:
    """Draw the way from frame to frame."""
    for begin, end in zip(seen[:-1], seen[1:], strict=True):
        hand = bool(one.hand[end])
        colour, width = (HAND, 1.4) if hand else (PATH, 2.2)
        style = "dotted" if hand or end - begin > 1 else "solid"
        axes.plot(*one.centres[[begin, end]].T, color=colour, linewidth=width, linestyle=style)
    colours = [HAND if one.hand[k] else PATH for k in seen]
    axes.scatter(one.centres[seen, 0], one.centres[seen, 1], s=9, c=colours, zorder=3, linewidths=0)


def mark_times(axes: Axes, one: TossedTry, seen: NDArray[np.intp]) -> None:
    """Number the first, the last and evenly spread frames; a label that would cover another is left out."""
    span = int(one.source_frames[seen[-1]] - one.source_frames[seen[0]])
    step = round_step(max(1.0, span / 6))
    ends = [int(seen[0]), int(seen[-1])]
    between = [int(k) for k in seen[1:-1] if one.source_frames[k] % step == 0]
    room = 0.055 * axes.get_images()[0].get_extent()[1]  # type: ignore[attr-defined]
    placed: list[NDArray[np.float64]] = []
    for k in [*ends, *between]:
        place = one.centres[k]
        if any(np.hypot(*(place - other)) < room for other in placed):
            continue
        placed.append(place)
        axes.scatter([place[0]], [place[1]], s=34, facecolors="none", edgecolors="white", zorder=4, linewidths=1.2)
        axes.annotate(
            str(int(one.source_frames[k])), place, xytext=(6, 5), textcoords="offset points", color="white",
            fontsize=9.5,            zorder=5,
        )  # fmt: skip
