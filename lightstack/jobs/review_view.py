"""How the review page shows light: by the hero's own curve, or as plain sRGB."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from lightstack.core.light import convert_matrix
from lightstack.core.measured import curve_of, find_curve_of, name_curve
from lightstack.core.proxy_codes import decode_table, wide_table
from lightstack.jobs.preview_sink import is_video
from lightstack.jobs.review_open import ReviewShot

__all__ = ["PageView", "find_page_view"]

FLOAT_MOST = 64.0  # light that pictures of floats are shown up to


@dataclass(frozen=True)
class PageView:
    """``kind``: "hero" shows by the inverse of ``decode`` (1024,), "srgb" by that curve; both behind the ``matrix``."""

    kind: str
    transfer: str
    description: str
    decode: NDArray[np.float64]
    matrix: NDArray[np.float64]

    @cached_property
    def plain(self) -> dict[str, object]:
        """As JSON."""
        return {
            "kind": self.kind,
            "transfer": self.transfer,
            "description": self.description,
            "decode": [float(f"{value:.7g}") for value in self.decode],
            "encode_with": "decode" if self.kind == "hero" else "srgb",
            "matrix": self.matrix.ravel().tolist(),
        }


def find_page_view(shot: ReviewShot) -> PageView:
    """Return how a shot is shown.

    Notes: a hero that no screen shows as it is (logarithmic, floats) is shown as sRGB without tone mapping; the preview
    movie shows it by a view of the colour configuration.
    """
    if shot.hero is None:
        primaries = shot.built[0].primaries
        words = "no hero: the sweep's unlit set, as sRGB without tone mapping"
        return PageView("srgb", "wide", words, wide_table(FLOAT_MOST), convert_matrix(primaries, "bt709"))
    encoding, working = shot.hero.take.info.encoding, shot.hero.working
    matrix = convert_matrix(working, "bt709")
    if is_video(encoding) and shot.settings.preview.view == "hero":
        words = f"as filmed: the hero's own curve ({name_curve(encoding)}), as players show it"
        return PageView("hero", name_curve(encoding), words, decode_table(encoding), matrix)
    known = None if encoding.is_float or encoding.ocio_space else find_curve_of(encoding)
    most = FLOAT_MOST if known is None else max(float(curve_of(encoding).signal_max), 1.0)
    words = f"{name_curve(encoding)} as sRGB without tone mapping; the preview movie shows it by a view"
    return PageView("srgb", "wide", words, wide_table(min(most, FLOAT_MOST)), matrix)
