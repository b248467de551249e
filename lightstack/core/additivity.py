"""Is footage linear after decoding: does the light of two lamps add up to what both together give?

Light adds, so light(A) + light(B) = light(A and B) wherever decoding is right. Where it is not, the same frames tell
the true response: the smooth, rising function of the decoded light for which the sums come out. One lamp filmed at
known stops says the same.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import isfinite, nan

import cv2
import numpy as np
from numpy.typing import NDArray

from lightstack.core.reach import name_place
from lightstack.core.response import LampSet, Response, find_usable, fit_response, list_pictures
from lightstack.records import NOT_CHECKED, Figure, Finding, FloatArray, NoiseModel

__all__ = ["Additivity", "check_additivity", "measure_additivity"]

ERROR_SHARE = (0.03, 0.15)  # of the light; common practice: 3 % is a twentieth of a stop
PLACE_SHARE = (0.01, 0.02)  # of the light, by which places of one level may differ after the best response
SIGMAS = 4.0
LEVELS = 12
BLOCKS = (6, 8)  # down, across: where tone mapping may vary


@dataclass(frozen=True, slots=True)
class Additivity:
    """How far sums miss: ``levels`` (k,) of light, ``errors`` (k,) of the sum as a share of the light there,
    ``sigmas`` (k,) their standard errors; ``places`` (rows, columns) the errors left by places after the best rising
    response, NaN not known; ``place_sigma`` their standard error; ``left`` the worst error by level
    after that response."""

    levels: NDArray[np.float64]
    errors: NDArray[np.float64]
    sigmas: NDArray[np.float64]
    places: NDArray[np.float64]
    place_sigma: float
    left: float


def measure_additivity(lamps: LampSet, *, noise: NoiseModel, response: Response | None = None) -> Additivity:
    """Measure by how much the light of two lamps misses that of both, against level and by place.

    ``noise``: of one frame at the pictures' size. ``response``: to judge after it; ``places`` are judged after the best
    response of all in any case.

    Raises ValueError for pictures of different size.
    """
    pictures = list_pictures(lamps)
    fitted = fit_response([lamps], noise=noise)
    levels, errors, sigmas = _errors_by_level(pictures, noise, lamps.averaged, response)
    places, sigma = _errors_by_place(pictures, noise, lamps.averaged, fitted)
    rest = np.abs(_errors_by_level(pictures, noise, lamps.averaged, fitted)[1])
    return Additivity(levels, errors, sigmas, places, sigma, float(rest.max(initial=0.0)))


def _miss(pictures: Sequence[FloatArray], response: Response | None) -> tuple[FloatArray, FloatArray]:
    """Light of both less the sum of each alone, and the light of both, after a response."""
    ambient, one, two, both = (p if response is None else response.apply(p) for p in pictures)
    return both + ambient - one - two, both - ambient


def _errors_by_level(
    pictures: Sequence[FloatArray], noise: NoiseModel, averaged: int, response: Response | None
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    miss, light = _miss(pictures, response)
    good = find_usable(pictures, noise, averaged) & (light > 0)
    level, share = pictures[3][good].astype(np.float64), (miss[good] / light[good]).astype(np.float64)
    if len(level) < 50:
        return np.zeros(0), np.zeros(0), np.zeros(0)
    order = np.argsort(level, kind="stable")
    bins = np.array_split(order, min(LEVELS, max(1, len(order) // 50)))
    middle = np.array([np.median(level[b]) for b in bins])
    errors = np.array([np.median(share[b]) for b in bins])
    spread = np.array([1.4826 * np.median(np.abs(share[b] - np.median(share[b]))) / np.sqrt(len(b)) for b in bins])
    return middle, errors, 1.25 * spread


def _errors_by_place(
    pictures: Sequence[FloatArray], noise: NoiseModel, averaged: int, response: Response | None
) -> tuple[NDArray[np.float64], float]:
    """Errors left in blocks of the picture, channels together, and their standard error."""
    miss, light = _miss(pictures, response)
    good = find_usable(pictures, noise, averaged) & (light > 0)
    rows, columns = BLOCKS
    out, spreads = np.full(BLOCKS, nan), []
    share = np.where(good, miss / np.where(good, light, 1), nan)
    levels, errors, _ = _errors_by_level(pictures, noise, averaged, response)
    if len(levels):  # what a response could not follow is told by level, not by place
        share = share - np.interp(pictures[3], levels, errors)
    for i, band in enumerate(np.array_split(share, rows, axis=0)):
        for j, block in enumerate(np.array_split(band, columns, axis=1)):
            known = block[np.isfinite(block)]
            if len(known) >= 60:
                out[i, j] = np.median(known)
                spreads.append(1.25 * 1.4826 * np.median(np.abs(known - out[i, j])) / np.sqrt(len(known)))
    return out, float(np.median(spreads)) if spreads else nan


def check_additivity(measured: Additivity | None) -> Finding:
    """Judge what ``measure_additivity`` found; None: there were no such frames."""
    if measured is None:
        remedy = "Film the set with no lamp, with each of two lamps and with both, camera locked, to have it checked."
        return Finding("additivity", NOT_CHECKED, "No frames lit by two lamps apart and together.", remedy)
    if not len(measured.levels):
        return Finding("additivity", NOT_CHECKED, "No place is lit by both lamps without clipping.")
    sure = np.abs(measured.errors) > SIGMAS * measured.sigmas
    worst = float(np.abs(np.where(sure, measured.errors, 0)).max())
    at = float(measured.levels[int(np.argmax(np.abs(np.where(sure, measured.errors, 0))))])
    uneven, where = _find_uneven(measured)
    figures = (
        Figure("worst error of a sum", 100 * worst, "%", 1),
        Figure("at level", at, "", 3),
        Figure("error at the brightest level", 100 * float(measured.errors[-1]), "%", 1),
        Figure("difference between places", 100 * uneven, "%", 1),
    )
    if uneven > PLACE_SHARE[0]:
        grade = "reshoot" if uneven >= PLACE_SHARE[1] else "usable"
        says = f"Equal light is rendered differently by place ({100 * uneven:.0f} % off, {where}): tone mapping varies"
        remedy = "Switch HDR, local contrast and scene modes off, or film in a log or raw mode; no curve mends this."
        return Finding("additivity", grade, f"{says} across the picture.", remedy, figures)
    if worst <= ERROR_SHARE[0]:
        return Finding("additivity", "good", f"Light adds up within {100 * worst:.1f} %.", figures=figures)
    mends = measured.left <= ERROR_SHARE[0]
    grade = "reshoot" if worst >= ERROR_SHARE[1] and not mends else "usable"
    says = f"Light does not add up: both lamps give {100 * worst:.0f} % other than their sum at level {at:.2f}"
    left = f"one smooth response explains it to {100 * measured.left:.1f} %"
    says += f"; {left if mends else 'no one response explains it'}."
    remedy = (
        "The footage is not what its encoding says: name the right `colour`; where none fits, switch knee, look and "
        "automatic exposure off in the camera and shoot again."
    )
    return Finding("additivity", grade, says, remedy, figures)


def _find_uneven(measured: Additivity) -> tuple[float, str]:
    """Largest difference of a place from the middle one that is surely there, and where."""
    places = measured.places
    if not isfinite(measured.place_sigma) or np.isfinite(places).sum() < 4:
        return 0.0, ""
    away = np.abs(places - np.nanmedian(places))
    even = cv2.blur(np.nan_to_num(away).astype(np.float32), (2, 2))  # one block alone is no tone mapping
    known = np.where(np.isfinite(away), np.minimum(away, 2 * even), 0)
    row, column = np.unravel_index(int(np.argmax(known)), known.shape)
    worst = float(known[row, column])
    if worst <= SIGMAS * measured.place_sigma:
        return 0.0, ""
    return worst, name_place((column + 0.5) / places.shape[1], (row + 0.5) / places.shape[0])
