"""Pictures of a light with another gel: where a channel is too dark for it, and the colours side by side."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from lightstack.records import BoolArray, RegelReport
from lightstack.report.markup import encode_picture

__all__ = ["RegelView", "draw_dark", "view_regel"]

MARKS = ((255, 70, 60), (70, 220, 90), (80, 140, 255))  # of red, green and blue
STRIPE = 6  # pixels of a picture 1280 wide
SWATCH = (120, 240)  # height and width on the page


@dataclass(frozen=True, slots=True)
class SwatchView:
    """A colour of the light and its picture, encoded."""

    what: str
    picture: str


@dataclass(frozen=True, slots=True)
class RegelView:
    """The section's values that the template prints."""

    name: str
    numbers: tuple[tuple[str, str], ...]
    swatches: tuple[SwatchView, ...]


def view_regel(report: RegelReport) -> RegelView:
    """Paint a light's colours side by side."""
    swatches = tuple(
        SwatchView(what, encode_picture(np.full((*SWATCH, 3), codes, np.uint8))) for what, codes in report.swatches
    )
    return RegelView(report.name, report.numbers, swatches)


def draw_dark(shown: NDArray[np.uint8], dark: BoolArray) -> NDArray[np.uint8]:
    """Stripe the places where a channel holds no colour in that channel's colour, over a grey picture.

    ``shown`` (H, W, 3) sRGB codes; ``dark`` (H, W, 3) bool. Where several are dark their stripes lie side by side.
    """
    grey = cv2.cvtColor(np.ascontiguousarray(shown), cv2.COLOR_RGB2GRAY)
    out = np.repeat((grey // 2 + 40)[..., None], 3, axis=2).astype(np.uint8)
    step = max(2, round(STRIPE * shown.shape[1] / 1280))
    rows, columns = np.mgrid[: shown.shape[0], : shown.shape[1]]
    turn = ((rows + columns) // step) % 4
    for channel, mark in enumerate(MARKS):
        out[dark[..., channel] & (turn == channel)] = mark
    return out
