"""The picture of a match: what was asked for, what the stills give, and what is left between both."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from lightstack.report.looks import Ground, render_figure

if TYPE_CHECKING:  # matplotlib takes long to load, and only drawing needs it
    from matplotlib.figure import Figure

__all__ = ["draw_match"]

MOST_STOPS = 3.0  # further off is drawn alike
TOO_DARK, EVEN, TOO_BRIGHT = "#e0533d", "#8a8780", "#3f8fd0"
WIDTH, LEFT, GAP, TOP, BOTTOM = 12.6, 0.1, 0.12, 0.34, 0.62  # inches


def draw_match(
    target: NDArray[np.uint8], reached: NDArray[np.uint8], missed_stops: NDArray, *, form: str = "png"
) -> bytes:
    """Draw target, what was reached, and by how many stops they differ, side by side.

    ``target``, ``reached``: (h, w, 3) uint8 sRGB of the lit room. ``missed_stops`` (h, w): target over reached, NaN
    where neither holds light.
    """
    height, width = target.shape[:2]
    wide = (WIDTH - 2 * LEFT - 2 * GAP) / 3
    tall = wide * height / width
    whole = tall + TOP + BOTTOM

    def draw(figure: Figure, look: Ground) -> None:
        from matplotlib.cm import ScalarMappable
        from matplotlib.colors import LinearSegmentedColormap, Normalize, to_rgba

        scale = LinearSegmentedColormap.from_list("missed", [TOO_BRIGHT, EVEN, TOO_DARK])
        missed = np.clip(np.asarray(missed_stops, float), -MOST_STOPS, MOST_STOPS)
        inks = np.where(np.isfinite(missed)[..., None], scale(missed / (2 * MOST_STOPS) + 0.5), to_rgba(look.page))
        shown = (("the target", target), ("the nearest that the stills give", reached),
                 ("target over reached", inks))  # fmt: skip
        for place, (title, picture) in enumerate(shown):
            left = LEFT + place * (wide + GAP)
            axes = figure.add_axes((left / WIDTH, BOTTOM / whole, wide / WIDTH, tall / whole))
            axes.imshow(picture, interpolation="nearest", aspect="auto")
            axes.set_axis_off()
            axes.set_title(title, color=look.ink, fontsize=11, loc="left", pad=6)
        bar = figure.add_axes((left / WIDTH, (BOTTOM - 0.2) / whole, wide / WIDTH, 0.12 / whole))
        figure.colorbar(ScalarMappable(Normalize(-MOST_STOPS, MOST_STOPS), scale), cax=bar, orientation="horizontal")
        bar.tick_params(colors=look.soft, labelsize=9)
        told = "stops; above 0 the stills give too little; white: no light"
        bar.set_xlabel(told, color=look.soft, fontsize=9)

    return render_figure(draw, form, "paper", (WIDTH, whole))
