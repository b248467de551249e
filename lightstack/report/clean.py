"""A clean plate's section of the page, and its pictures: where it is to be trusted, and what noise is left."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lightstack.records import BoolArray, CleanReport, Hole
from lightstack.report.markup import encode_picture
from lightstack.report.phrases import say_share
from lightstack.report.pictures import SIGNAL, draw_reach, shrink_picture

__all__ = ["CleanView", "draw_noise", "draw_trust", "view_clean"]

LARGE = 1920  # longest side of the plate and the confidence picture, pixels
MIDDLE = 960  # of the noise
TINT = 0.75  # of the signal colour where a place was hardly seen
LEAST_RANGE = 0.1  # shares of one frame's noise between black and white, so that evenness looks even


@dataclass(frozen=True, slots=True)
class CleanView:
    """A clean plate's section in values that the template prints."""

    plate: str
    confidence: str
    noise: str
    least: str
    most: str
    places: tuple[tuple[int, str], ...]
    numbers: tuple[tuple[str, str], ...]


def view_clean(report: CleanReport) -> CleanView:
    """Encode a clean plate's pictures and put its figures into words."""
    least, most = report.noise_range
    return CleanView(
        plate=encode_picture(shrink_picture(report.plate, LARGE)),
        confidence=encode_picture(shrink_picture(report.confidence, LARGE)),
        noise=encode_picture(shrink_picture(report.noise, MIDDLE)),
        least=say_share(least),
        most=say_share(most),
        places=report.places,
        numbers=report.numbers,
    )


def draw_trust(
    bright: NDArray[np.uint8],
    seen: NDArray[np.float32],
    sound: BoolArray,
    places: Sequence[Hole],
    *,
    full_size: tuple[int, int],
) -> NDArray[np.uint8]:
    """Draw how often each place was really seen over a picture (h, w, 3) of the set: tinted where seldom.

    ``seen`` (h, w) 0..1; what is not ``sound`` (h, w) is hatched; ``places`` are ringed and numbered, they count in
    pixels of ``full_size``.
    """
    share = TINT * (1 - np.clip(seen[..., None], 0, 1))
    tinted = bright * (1 - share) + np.array(SIGNAL, np.float32) * share
    return draw_reach(np.rint(tinted).astype(np.uint8), sound, places, full_size=full_size)


def draw_noise(share: NDArray[np.float32], sound: BoolArray) -> tuple[NDArray[np.uint8], tuple[float, float]]:
    """Draw the noise left, (h, w) in shares of one frame's, as greys; return it and what black and white stand for.

    Notes: NaN, where nothing was seen, is white, and hatched like all that is not ``sound``.
    """
    known = share[np.isfinite(share)]
    least, most = (float(np.min(known)), float(np.max(known))) if known.size else (0.0, 1.0)
    most = min(max(most, least + LEAST_RANGE), max(1.0, most))
    grey = np.clip((np.nan_to_num(share, nan=most) - least) / max(most - least, 1e-6), 0, 1)
    picture = np.repeat(np.rint(255 * grey).astype(np.uint8)[..., None], 3, axis=2)
    return draw_reach(picture, sound, (), full_size=None), (least, most)
