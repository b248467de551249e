"""The true response of footage, fitted to frames whose light is known to add up.

Light adds: light(A) + light(B) = light(A and B), and a lamp dimmed by a stop gives half. The response is the smooth,
rising function of the decoded light for which that comes out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.optimize import lsq_linear

from lightstack.core.colour.decoder import code_scales
from lightstack.core.colour.measured import curve_of
from lightstack.records import BoolArray, Encoding, FloatArray, MeasuredResponse, NoiseModel

__all__ = ["LampSet", "Response", "bound_lift", "fit_response", "write_codes"]

GREY = 0.18  # linear light that a fitted response leaves as it is
KNOTS = 20
CLIPPED = 0.97
HELD = 1e3  # weight of what is fixed by convention
MOST = 20000  # values that a response is fitted to
END_SLOPE = 0.25  # of the outermost step, at least, with which a response goes on beyond it
POINTS = 121  # from black to the last code, through which a response is handed on
POINTS_BELOW = 9  # from code 0 to black


@dataclass(frozen=True, slots=True)
class LampSet:
    """Pictures ``(h, w, 3)``, linear as decoded, of one set from one place: ``ambient`` with no lamp, ``one`` and
    ``two`` with one lamp each, ``both`` with both; each a mean of ``averaged`` frames. ``ceiling``: the decoded light
    at which the camera clips."""

    ambient: FloatArray
    one: FloatArray
    two: FloatArray
    both: FloatArray
    averaged: int = 1
    ceiling: float = 1.0


@dataclass(frozen=True, slots=True)
class Response:
    """A rising function from decoded light to true light: through ``decoded`` -> ``light`` (k,), smooth and rising
    between (PCHIP), straight beyond. ``apply`` takes any array. ``lowest``: decoded light of the darkest places that
    it was fitted to; the brightest are at the last of ``decoded``."""

    decoded: NDArray[np.float64]
    light: NDArray[np.float64]
    lowest: float = 0.0

    def apply(self, values: FloatArray) -> FloatArray:
        """Turn decoded light into true light; float32 stays float32."""
        from scipy.interpolate import PchipInterpolator  # it takes long to load, and few takes need it

        given = np.asarray(values)
        x = given.astype(np.float64)
        curve = PchipInterpolator(self.decoded, self.light)
        low, high = self.decoded[0], self.decoded[-1]
        steps = np.diff(self.light) / np.diff(self.decoded)
        slopes = [max(float(curve(end, 1)), END_SLOPE * step) for end, step in ((low, steps[0]), (high, steps[-1]))]
        out = curve(np.clip(x, low, high)) + slopes[0] * np.minimum(x - low, 0) + slopes[1] * np.maximum(x - high, 0)
        return np.asarray(out, given.dtype if given.dtype == np.float32 else np.float64)


def fit_response(
    lamps: Sequence[LampSet] = (),
    *,
    noise: NoiseModel,
    known_stops: Sequence[tuple[FloatArray, float]] = (),
    ambient: FloatArray | None = None,
    averaged: int = 1,
    smooth: float = 0.5,
) -> Response | None:
    """Fit the smooth rising response for which the light of lamps adds up.

    ``lamps``: sets of four pictures. ``known_stops``: pictures of one lamp with the stops by which its light differs
    from the first of them, e.g. ``[(full, 0), (half, -1)]``; ``ambient`` is the same place without it. Returns a
    Response with black kept at 0 and 18 % grey where it is, or None with too few usable pixels.

    Notes: ``smooth`` weighs how little the slope may change from knot to knot; known stops need it most, since they
    alone cannot tell a response from one that repeats itself every stop. What pictures at known ratios cannot tell is
    a gain and an offset; both are fixed by convention. Solved as bounded least squares for the rises between knots,
    spaced evenly in the cube root of light.

    References: Grossberg and Nayar 2003, "Determining the camera response from images: what is knowable?", IEEE TPAMI
    25(11):1455 (ambiguities); Fritsch and Carlson 1980, SIAM J. Numer. Anal. 17(2):238 (the rising interpolant).
    """
    equations = [_sum_equations(one, noise) for one in lamps]
    if known_stops and ambient is not None:
        equations += _stop_equations(known_stops, np.asarray(ambient, np.float32), noise, averaged)
    equations = [part for part in equations if len(part[0])]
    if not equations or sum(len(part[0]) for part in equations) < 200:
        return None
    values = np.concatenate([part[0] for part in equations])  # (m, 4) decoded light
    factors = np.concatenate([part[1] for part in equations])  # (m, 4) of an equation that is to be 0
    weights = np.concatenate([part[2] for part in equations])
    top = float(max(np.quantile(values, 0.9995), 1.2 * GREY))
    knots = np.linspace(0, np.cbrt(top), KNOTS) ** 3
    rows = _knot_rows(values, factors, knots) * weights[:, None]
    span = (float(np.quantile(values, 0.02)), float(np.quantile(values, 0.98)))
    found = _solve_rises(rows, knots, span, smooth)
    return None if found is None else replace(found, lowest=float(np.quantile(values, 0.0005)))


def _thin(*arrays: NDArray) -> tuple[NDArray, ...]:
    step = max(1, len(arrays[0]) // MOST)
    return tuple(array[::step] for array in arrays)


def _sum_equations(
    lamps: LampSet, noise: NoiseModel
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Equations g(both) + g(ambient) - g(one) - g(two) = 0, weighted by the inverse of what noise does to them."""
    pictures = list_pictures(lamps)
    good = find_usable(pictures, noise, lamps.averaged, lamps.ceiling)
    values = np.stack([pictures[k][good] for k in (3, 0, 1, 2)], -1).astype(np.float64)
    (values,) = _thin(values)
    factors = np.broadcast_to([1.0, 1.0, -1.0, -1.0], values.shape)
    return values, factors, _weigh(values, noise, lamps.averaged)


def _stop_equations(
    known: Sequence[tuple[FloatArray, float]], ambient: NDArray[np.float32], noise: NoiseModel, averaged: int
) -> list[tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]]:
    """Equations g(picture) - g(ambient) - ratio (g(first) - g(ambient)) = 0."""
    first = np.asarray(known[0][0], np.float32)
    parts = []
    for picture, stops in known[1:]:
        ratio = 2.0 ** (stops - known[0][1])
        here = np.asarray(picture, np.float32)
        sigma = noise.sigma(np.maximum(here, first)) / np.sqrt(np.float32(averaged))
        good = (here - ambient > 6 * sigma) & (first - ambient > 6 * sigma) & (np.maximum(here, first) < CLIPPED)
        values = np.stack([here[good], ambient[good], first[good], ambient[good]], -1).astype(np.float64)
        (values,) = _thin(values)
        factors = np.broadcast_to([1.0, -1.0, -ratio, ratio], values.shape)
        parts.append((values, factors, _weigh(values, noise, averaged)))
    return parts


def _weigh(values: NDArray[np.float64], noise: NoiseModel, averaged: int) -> NDArray[np.float64]:
    """Inverse standard deviation of an equation (m,): noise of the four values, what cut blacks may have lifted them
    by, and a percent of the light."""
    a, b = float(np.mean(noise.a)), float(np.mean(noise.b))
    variance = (a * np.maximum(values, 0) + b).sum(axis=1) / averaged
    lifted = bound_lift(values, np.sqrt(a * np.maximum(values, 0) + b)).sum(axis=1)
    return np.asarray(1 / np.sqrt(variance + lifted**2 + (0.01 * np.abs(values).max(axis=1)) ** 2 + 1e-12))


def _knot_rows(
    values: NDArray[np.float64], factors: NDArray[np.float64], knots: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Rows of the equations in the rises between knots (m, k - 1); between knots the function is straight in the
    cube root's cells, beyond the last it goes on."""
    rises = np.zeros((len(values), len(knots) - 1))
    widths = np.diff(knots)
    for column in range(values.shape[1]):
        x = values[:, column : column + 1]
        share = np.clip((x - knots[:-1]) / widths, 0, 1)
        share[:, 0] = np.minimum((x[:, 0] - knots[0]) / widths[0], 1)  # below black the first rise runs on
        share[:, -1] = np.maximum((x[:, 0] - knots[-2]) / widths[-1], 0)
        rises += factors[:, column : column + 1] * share
    return rises


def _solve_rises(
    rows: NDArray[np.float64], knots: NDArray[np.float64], span: tuple[float, float], smooth: float
) -> Response | None:
    """Find rises >= 0 that make all equations 0, smoothly; ``span`` of decoded light keeps its extent meanwhile.

    Notes: a constant satisfies every sum, so it is the extent between two levels that must be held, not a level.
    """
    from scipy.interpolate import PchipInterpolator  # it takes long to load, and few takes need it

    widths = np.diff(knots)
    slopes = np.diag(1 / widths)
    bends = np.diff(slopes, axis=0)
    one = np.ones((1, 1))
    extent = _knot_rows(np.array([[span[1]]]), one, knots) - _knot_rows(np.array([[span[0]]]), one, knots)
    system = np.vstack([rows / np.sqrt(len(rows)), smooth * bends, HELD * extent])
    right = np.r_[np.zeros(len(rows) + len(bends)), HELD * (span[1] - span[0])]
    solved = lsq_linear(system, right, bounds=(1e-6 * widths, np.inf))
    light = np.r_[0.0, np.cumsum(solved.x)]
    grey = float(PchipInterpolator(knots, light)(GREY))
    if not np.isfinite(light).all() or not grey > 0:
        return None
    return Response(knots, light * (GREY / grey))


def list_pictures(lamps: LampSet) -> list[NDArray[np.float32]]:
    """Return ambient, one, two and both; raises ValueError where their sizes differ."""
    pictures = [np.asarray(p, np.float32) for p in (lamps.ambient, lamps.one, lamps.two, lamps.both)]
    if len({picture.shape for picture in pictures}) > 1:
        raise ValueError(f"pictures of {', '.join(str(p.shape) for p in pictures)} do not fit each other")
    return pictures


def find_usable(
    pictures: Sequence[FloatArray], noise: NoiseModel, averaged: int, ceiling: float = 1.0
) -> BoolArray:
    """Where nothing clips and both lamps bring light above the noise, (h, w, 3) bool.

    Notes: light is judged on pictures averaged over 5 x 5 pixels. Judged pixel by pixel, those whose own noise lifts
    them past the limit would be chosen, and their sums would miss by just that noise.
    """
    sigma = noise.sigma(pictures[3]) / np.sqrt(np.float32(averaged))
    bare, one, two = (cv2.blur(np.asarray(picture, np.float32), (5, 5)) for picture in pictures[:3])
    lit = [picture - bare > 6 * sigma for picture in (one, two)]
    return np.asarray(lit[0] & lit[1] & (pictures[3] < CLIPPED * ceiling) & (bare > -3 * sigma))


def bound_lift(light: FloatArray, sigma: FloatArray) -> FloatArray:
    """Return by how much a mean may be too bright because the noise of its frames, ``sigma``, is cut off at black.

    Notes: noise about 0 that is cut there has the mean sigma / sqrt(2 pi), however many frames are averaged; what a
    steep toe makes of it looks brighter still, so the bound holds for whatever lies within 3 sigma of black. Cameras
    that keep noise below black lift nothing.
    """
    z = np.maximum(light, 0) / np.maximum(sigma, 1e-12)
    return np.asarray(sigma * np.clip(4 - z, 0, 1) / np.sqrt(2 * np.pi), np.result_type(light))


def write_codes(response: Response, encoding: Encoding) -> MeasuredResponse:
    """Put a response that was fitted to decoded light on the code values of the footage, from the first to the last.

    ``encoding``: as the footage was decoded when the response was fitted, by a published curve or a measured one.

    Notes: what lies past the brightest places that were measured goes on straight against the light as decoded, so it
    keeps the shape of that curve.
    """
    (black, codes), _ = code_scales(encoding)
    curve = curve_of(encoding)
    below = np.linspace(0, black, POINTS_BELOW)[:-1] if black > 0 else np.zeros(0)
    signals = (np.r_[below, np.linspace(black, 2.0**encoding.bit_depth - 1, POINTS)] - black) / codes
    light = response.apply(np.asarray(curve.decode(signals), np.float64))
    rises = np.diff(light)
    light = light[0] + np.r_[0.0, np.cumsum(np.maximum(rises, 1e-6 * rises.max()))]  # a published curve may pause
    zero = response.apply(np.asarray(curve.decode(np.zeros(1)), np.float64))[0]
    light += zero - light[len(below)]
    ends = curve.encode(np.array([response.lowest, response.decoded[-1]]))
    return MeasuredResponse(
        signals=tuple(float(value) for value in signals),
        light=tuple(float(value) for value in light),
        seen=(float(ends[0]), float(ends[1])),
        bit_depth=encoding.bit_depth,
        range=encoding.range,
    )
