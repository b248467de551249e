"""Is footage linear after decoding: does the light of two lamps add up to what both together give?

Light adds, so light(A) + light(B) = light(A and B) wherever decoding is right. Where it is not, the same frames tell
the true response: the smooth, rising function of the decoded light for which the sums come out. One lamp filmed at
known stops says the same.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import nan

import cv2
import numpy as np
from numpy.typing import NDArray

from lightstack.core.colour.response import LampSet, Response, bound_lift, find_usable, fit_response, list_pictures
from lightstack.core.sweep.reach import name_place
from lightstack.records import NOT_CHECKED, Figure, Finding, FloatArray, NoiseModel

__all__ = ["Additivity", "check_additivity", "is_mended", "measure_additivity", "worst_error"]

ERROR_SHARE = (0.03, 0.15)  # of the light; common practice: 3 % is a twentieth of a stop
PLACE_SHARE = (0.01, 0.02)  # of the light, by which places of one level may differ after the best response
PLACE_LIFT = 0.005  # of the light: places that cut blacks may falsify by more tell nothing of tone mapping
SIGMAS = 4.0
LEVELS = 12
BLOCKS = (6, 8)  # down, across: where tone mapping may vary
CELLS = 4  # of a block, each way: pixels of one coding block share its error, so they are no witnesses of their own
LEAST_CELLS = 4
LEAST_PIXELS = 60  # of a block
# of a code, in a place's mean: what a codec leaves, the same in all frames of a still take and another in the next
# (measured: 0.045 in blocks at H.264 CRF 16)
CODE_SIGMA = 0.05
# ITU-R BT.709; halved chroma errs by larger patches, and tone mapping is a matter of luma
LUMA = np.array([0.2126, 0.7152, 0.0722])


@dataclass(frozen=True, slots=True)
class Additivity:
    """How far sums miss: ``levels`` (k,) of light, ``errors`` (k,) of the sum as a share of the light there,
    ``sigmas`` (k,) their standard errors, ``allowed`` (k,) what blacks cut off by the camera may explain; ``places``
    (rows, columns) the errors left by places after the best rising response, NaN not known; ``place_sigmas`` their
    standard errors; ``left`` the worst error by level after that response; ``response`` itself, where one could be
    fitted."""

    levels: NDArray[np.float64]
    errors: NDArray[np.float64]
    sigmas: NDArray[np.float64]
    allowed: NDArray[np.float64]
    places: NDArray[np.float64]
    place_sigmas: NDArray[np.float64]
    left: float
    response: Response | None = None


def measure_additivity(
    lamps: LampSet, *, noise: NoiseModel, response: Response | None = None, codes: NoiseModel | None = None
) -> Additivity:
    """Measure by how much the light of two lamps misses that of both, against level and by place.

    ``noise``: of one frame at the pictures' size. ``response``: to judge after it; ``places`` are judged after the best
    response of all in any case. ``codes``: the square of one code's light against level, where the pictures are coded.

    Raises ValueError for pictures of different size.
    """
    pictures = list_pictures(lamps)
    fitted = fit_response([lamps], noise=noise)
    coded = _code_error(pictures, codes)
    levels, errors, sigmas, allowed = _errors_by_level(pictures, noise, lamps, response, coded)
    places, place_sigmas = _errors_by_place(pictures, noise, lamps, fitted, coded)
    left = float(_sure_errors(*_errors_by_level(pictures, noise, lamps, fitted, coded)[1:]).max(initial=0.0))
    return Additivity(levels, errors, sigmas, allowed, places, place_sigmas, left, fitted)


def _code_error(pictures: Sequence[FloatArray], codes: NoiseModel | None) -> FloatArray:
    """Return the standard error that coding leaves in the sum of four pictures' means, in light, (h, w, 3)."""
    if codes is None:
        return np.zeros_like(pictures[0])
    return np.asarray(CODE_SIGMA * np.sqrt(np.sum([codes.sigma(picture) ** 2 for picture in pictures], axis=0)))


def _sure_errors(
    errors: NDArray[np.float64], sigmas: NDArray[np.float64], allowed: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return the size of errors past what is allowed for, where they are surely there, else 0; (k,)."""
    past = np.abs(errors) - allowed
    return np.where(past > SIGMAS * sigmas, past, 0.0)


def _lift_share(pictures: Sequence[FloatArray], noise: NoiseModel, light: FloatArray) -> FloatArray:
    """Return by which share of the light of both lamps blacks that were cut off may falsify a sum, (h, w, 3)."""
    lifted = np.sum([bound_lift(picture, noise.sigma(picture)) for picture in pictures], axis=0)
    return np.asarray(lifted / np.maximum(light, 1e-9))


def _miss(pictures: Sequence[FloatArray], response: Response | None) -> tuple[FloatArray, FloatArray]:
    """Light of both less the sum of each alone, and the light of both, after a response."""
    ambient, one, two, both = (p if response is None else response.apply(p) for p in pictures)
    return both + ambient - one - two, both - ambient


def _errors_by_level(
    pictures: Sequence[FloatArray],
    noise: NoiseModel,
    lamps: LampSet,
    response: Response | None,
    coded: FloatArray,
    most_lift: float = np.inf,
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Levels of light, errors there, their standard errors, and what is allowed for; each (k,).

    ``coded``: from ``_code_error``.
    ``most_lift``: leave out places whose sum cut blacks may falsify by more than this share.
    """
    miss, light = _miss(pictures, response)
    lift = _lift_share(pictures, noise, pictures[3] - pictures[0])
    good = find_usable(pictures, noise, lamps.averaged, lamps.ceiling) & (light > 0) & (lift < most_lift)
    level, share = pictures[3][good].astype(np.float64), (miss[good] / light[good]).astype(np.float64)
    if len(level) < 50:
        return np.zeros(0), np.zeros(0), np.zeros(0), np.zeros(0)
    lifted, by_code = lift[good], (coded[good] / light[good]).astype(np.float64)
    order = np.argsort(level, kind="stable")
    bins = np.array_split(order, min(LEVELS, max(1, len(order) // 50)))
    middle = np.array([np.median(level[b]) for b in bins])
    errors = np.array([np.median(share[b]) for b in bins])
    spread = np.array([1.4826 * np.median(np.abs(share[b] - np.median(share[b]))) / np.sqrt(len(b)) for b in bins])
    sigmas = np.hypot(1.25 * spread, [np.median(by_code[b]) for b in bins])
    return middle, errors, sigmas, np.array([np.median(lifted[b]) for b in bins])


def _errors_by_place(
    pictures: Sequence[FloatArray], noise: NoiseModel, lamps: LampSet, response: Response | None, coded: FloatArray
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Errors of luma left in blocks of the picture, and their standard errors, NaN not known."""
    miss, light = _miss(pictures, response)
    good = find_usable(pictures, noise, lamps.averaged, lamps.ceiling) & (light > 0)
    good &= _lift_share(pictures, noise, pictures[3] - pictures[0]) < PLACE_LIFT
    levels, errors, *_ = _errors_by_level(pictures, noise, lamps, response, coded, PLACE_LIFT)
    if len(levels):  # what a response could not follow is told by level, not by place
        miss = miss - light * np.interp(pictures[3], levels, errors)
    weights = good * LUMA
    total = (weights * np.where(good, light, 0)).sum(axis=2)
    known = total > 0
    total = np.where(known, total, 1)
    share = np.where(known, (weights * np.where(good, miss, 0)).sum(axis=2) / total, nan)
    by_code = np.where(known, (weights * np.where(good, coded, 0)).sum(axis=2) / total, nan)
    out, sigmas = np.full(BLOCKS, nan), np.full(BLOCKS, nan)
    for at, error, code in zip(np.ndindex(BLOCKS), _blocks_of(share, BLOCKS), _blocks_of(by_code, BLOCKS), strict=True):
        out[at], sigmas[at] = _settle_block(error, code)
    return out, sigmas


def _blocks_of(picture: FloatArray, count: tuple[int, int]) -> list[FloatArray]:
    """Cut a picture (h, w) into blocks, row by row."""
    bands = np.array_split(picture, count[0], axis=0)
    return [block for band in bands for block in np.array_split(band, count[1], axis=1)]


def _settle_block(share: FloatArray, by_code: FloatArray) -> tuple[float, float]:
    """Median error of a block and its standard error, of pixels, of cells or of coding, whichever is larger."""
    known = share[np.isfinite(share)]
    if len(known) < LEAST_PIXELS:
        return nan, nan
    middle = float(np.median(known))
    of_pixels = 1.25 * 1.4826 * float(np.median(np.abs(known - middle))) / np.sqrt(len(known))
    cells = [cell[np.isfinite(cell)] for cell in _blocks_of(share, (CELLS, CELLS))]
    means = [float(np.median(cell)) for cell in cells if len(cell) >= LEAST_PIXELS / CELLS**2]
    if len(means) < LEAST_CELLS:
        return nan, nan
    of_cells = float(np.std(means, ddof=1)) / np.sqrt(len(means))
    return middle, max(of_pixels, of_cells, float(np.nanmedian(by_code)))


def worst_error(measured: Additivity) -> tuple[float, float]:
    """Return the largest error of a sum that is surely there, as a share of the light, and the level it is at."""
    sure = _sure_errors(measured.errors, measured.sigmas, measured.allowed)
    return float(sure.max(initial=0.0)), float(measured.levels[int(np.argmax(sure))]) if len(sure) else nan


def is_mended(measured: Additivity) -> bool:
    """Tell whether light does not add up as decoded, and does after the one response that was fitted."""
    if measured.response is None or _find_uneven(measured)[0] > PLACE_SHARE[0]:
        return False
    return worst_error(measured)[0] > ERROR_SHARE[0] >= measured.left


def check_additivity(measured: Additivity | None, *, offer: str = "") -> Finding:
    """Judge what ``measure_additivity`` found; None: there were no such frames.

    ``offer``: how to have the footage read by its measured response, said where that mends it.
    """
    if measured is None:
        remedy = "Film the set with no lamp, with each of two lamps and with both, camera locked, to have it checked."
        return Finding("additivity", NOT_CHECKED, "No frames lit by two lamps apart and together.", remedy)
    if not len(measured.levels):
        return Finding("additivity", NOT_CHECKED, "No place is lit by both lamps without clipping.")
    worst, at = worst_error(measured)
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
    told = "The footage is not what its encoding says: name the right `colour`; where none fits, "
    if offer and is_mended(measured):
        return Finding("additivity", grade, says, f"{told}{offer}", figures)
    remedy = f"{told}switch knee, look and automatic exposure off in the camera and shoot again."
    return Finding("additivity", grade, says, remedy, figures)


def _find_uneven(measured: Additivity) -> tuple[float, str]:
    """Largest difference of a place from the middle one that is surely there, and where."""
    places, sigmas = measured.places, measured.place_sigmas
    if np.isfinite(places).sum() < 4:
        return 0.0, ""
    away = np.nan_to_num(np.abs(places - np.nanmedian(places)))
    even = cv2.blur(away.astype(np.float32), (2, 2))  # one block alone is no tone mapping
    known = np.minimum(away, 2 * even)
    known = np.where(known > SIGMAS * np.nan_to_num(sigmas, nan=np.inf), known, 0)
    row, column = np.unravel_index(int(np.argmax(known)), known.shape)
    worst = float(known[row, column])
    if not worst > 0:
        return 0.0, ""
    return worst, name_place((column + 0.5) / places.shape[1], (row + 0.5) / places.shape[0])
