"""How the review page shows light: as the preview movie does, by the hero's own curve or through a view."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cached_property
from threading import Lock
from typing import Any

import numpy as np
from numpy.typing import NDArray

from lightstack.core.colour.light import convert_matrix
from lightstack.core.colour.measured import curve_of, find_curve_of, name_curve
from lightstack.core.colour.view_cube import BELOW, BEND, LEAST, MOST, ViewCube, bake_view
from lightstack.core.page.codes import decode_table, wide_table
from lightstack.errors import MissingInput
from lightstack.files.read.colour import default_view
from lightstack.jobs.frame.preview_sink import find_view, is_video
from lightstack.jobs.review.open import ReviewShot

__all__ = ["PageView", "find_page_view"]

FLOAT_MOST = 64.0  # light that pictures of floats are shown up to
CUBE_PRIMARIES = "bt709"  # of screens, so that what a view limits is limited on the cube's own axes

Show = Callable[[NDArray[np.float32]], NDArray[np.float32]]


@dataclass(frozen=True)
class PageView:
    """``decode`` (1024,): the light of the hero's codes. ``matrix``: from working light to BT.709 primaries.

    ``kind``: "hero" shows by the inverse of ``decode``; behind the ``matrix``, "srgb" by that curve and "view" through
    a cube of what ``show`` makes of light.
    """

    kind: str
    transfer: str
    description: str
    decode: NDArray[np.float64]
    matrix: NDArray[np.float64]
    show: Show | None = None
    baking: Any = field(default_factory=Lock, compare=False)

    @cached_property
    def plain(self) -> dict[str, object]:
        """As JSON."""
        return {
            "kind": self.kind,
            "transfer": self.transfer,
            "description": self.description,
            "decode": [float(f"{value:.7g}") for value in self.decode],
            "encode_with": {"hero": "decode", "view": "cube"}.get(self.kind, "srgb"),
            "matrix": self.matrix.ravel().tolist(),
            "cube": None if self.show is None else {"below": BELOW, "least": LEAST, "most": MOST, "bend": BEND},
        }

    def bake(self) -> ViewCube:
        """Return the view as a cube, made once. Raises MissingInput where light is shown without one."""
        if self.show is None:
            raise MissingInput("this shot is shown without a view")
        with self.baking:
            return self._cube

    @cached_property
    def _cube(self) -> ViewCube:
        assert self.show is not None
        return bake_view(self.show)


def find_page_view(shot: ReviewShot) -> PageView:
    """Return how a shot is shown: as its preview movie. Raises SettingError as `find_view` does.

    Notes: without a hero there is no preview, and plates are shown as sRGB, as on the contact sheet.
    """
    if shot.hero is None:
        primaries = shot.built[0].primaries
        words = "no hero: the sweep's unlit set, as sRGB without tone mapping"
        return PageView("srgb", "wide", words, wide_table(FLOAT_MOST), convert_matrix(primaries, "bt709"))
    encoding, working = shot.hero.take.info.encoding, shot.hero.working
    name, config = shot.settings.preview.view, shot.options.ocio
    matrix, curve = convert_matrix(working, CUBE_PRIMARIES), name_curve(encoding)
    if find_view(name, encoding, working, config) is None:
        words = f"as filmed: the hero's own curve ({curve}), as players show it"
        return PageView("hero", curve, words, decode_table(encoding), matrix)
    asked = name if name != "hero" else "/".join(default_view(config=config))
    words = f"{encoding.ocio_space or curve} through the view {asked}, as the preview movie"
    codes = decode_table(encoding) if is_video(encoding) else wide_table(find_most(shot))
    # the cube's own axes are a screen's: what a camera sees beyond them is negative there
    show = find_view(name, encoding, CUBE_PRIMARIES, config)
    return PageView("view", curve if is_video(encoding) else "wide", words, codes, matrix, show)


def find_most(shot: ReviewShot) -> float:
    """Return the light that a hero's codes reach to, at least 1."""
    assert shot.hero is not None
    encoding = shot.hero.take.info.encoding
    known = None if encoding.is_float or encoding.ocio_space else find_curve_of(encoding)
    most = FLOAT_MOST if known is None else max(float(curve_of(encoding).signal_max), 1.0)
    return min(most, FLOAT_MOST)
