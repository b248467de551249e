"""Shapes of transfer functions: what published curves are made of, continued beyond the published domain.

Nothing is clipped: every curve is defined for every finite number. Below black a straight line runs on; a
power, square root or mirrored logarithm is continued point-symmetrically; a bare logarithm by its tangent.
Decoding inverts the published *encoding* formula exactly (makers' decode constants are rounded separately and
would not round-trip). The published constants themselves are in ``encodings.py``.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = [
    "Branch",
    "Curve",
    "join_branches",
    "line_branch",
    "line_log",
    "line_power",
    "make_curve",
    "mirror_log",
    "pure_power",
    "straight",
    "tangent_log",
]

Function = Callable[[ArrayLike], NDArray]
Branch = Callable[[NDArray[np.float64]], NDArray[np.float64]]


@dataclass(frozen=True, slots=True)
class Curve:
    """One transfer function.

    ``decode(signal)`` -> linear light and ``encode(linear)`` -> signal take any float array or number;
    float32 stays float32, everything else becomes float64 (the arithmetic is float64 throughout).
    ``signal_max`` is the linear light of the full-scale code, decode(1.0). ``citation`` names the published
    source and the policy.
    """

    name: str
    decode: Function
    encode: Function
    signal_max: float
    citation: str


def _keep_dtype(function: Branch) -> Function:
    def apply(values: ArrayLike) -> NDArray:
        array = np.asarray(values)
        dtype = array.dtype if array.dtype in (np.float32, np.float64) else np.dtype(np.float64)
        # Branches are chosen by np.where, so the branch not taken may overflow without meaning anything.
        with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
            result = function(array.astype(np.float64, copy=False))
        return np.asarray(result).astype(dtype, copy=False)[()]

    return apply


def make_curve(name: str, decode: Branch, encode: Branch, citation: str) -> Curve:
    """Wrap a float64 (decode, encode) pair as a ``Curve`` that keeps float32."""
    kept = _keep_dtype(decode)
    return Curve(name, kept, _keep_dtype(encode), float(kept(1.0)), citation)


def join_branches(
    low: tuple[Branch, Branch], high: tuple[Branch, Branch], *, cut: float
) -> tuple[Branch, Branch]:
    """Join two increasing (decode, encode) pairs at linear ``cut`` into one that round-trips.

    Published constants are rounded, so the branches rarely meet. Where they leave a gap, signals in it
    decode to the nearer side of ``cut``; where they overlap, a straight bridge spans the overlap (F-Log: a
    tenth of a 10-bit code), or two amounts of light would share a signal.
    """
    (low_decode, low_encode), (high_decode, high_encode) = low, high
    low_end, high_start = (float(encode(np.array(cut))) for encode in (low_encode, high_encode))
    v1, v2 = min(low_end, high_start), max(low_end, high_start)
    overlap = low_end > high_start + 1e-9
    x1 = float(low_decode(np.array(v1))) if overlap else cut
    x2 = float(high_decode(np.array(v2))) if overlap else cut
    slope = (v2 - v1) / (x2 - x1) if overlap else 0.0
    aside = 1e-6 * max(abs(cut), 1e-3)  # far enough to stay on its side of the cut in float32

    def decode(v: NDArray[np.float64]) -> NDArray[np.float64]:
        between = x1 + (v - v1) / slope if overlap else cut + aside * np.sign(2.0 * v - v1 - v2)
        return np.where(v <= v1, low_decode(v), np.where(v >= v2, high_decode(v), between))

    def encode(x: NDArray[np.float64]) -> NDArray[np.float64]:
        upper = high_encode(np.maximum(x, x2))
        return np.where(x <= x1, low_encode(x), np.where(x >= x2, upper, v1 + slope * (x - x1)))

    return decode, encode


def line_branch(slope: float, offset: float) -> tuple[Branch, Branch]:
    """Return V = slope x + offset as a (decode, encode) pair."""
    return lambda v: (v - offset) / slope, lambda x: slope * x + offset


# --- families --------------------------------------------------------------------------------------


def straight(name: str, citation: str) -> Curve:
    """Make V = L."""
    return make_curve(name, lambda v: v.copy(), lambda x: x.copy(), citation)


def pure_power(name: str, gamma: float, citation: str) -> Curve:
    """Make V = sign(L) |L| ** (1 / gamma)."""
    return make_curve(
        name,
        lambda v: np.sign(v) * np.abs(v) ** gamma,
        lambda x: np.sign(x) * np.abs(x) ** (1.0 / gamma),
        citation,
    )


def line_power(name: str, *, slope: float, cut: float, alpha: float, gamma: float, citation: str) -> Curve:
    """Make V = slope L up to ``cut``, else alpha L ** (1 / gamma) - (alpha - 1); point-symmetric about 0."""
    curved = (
        lambda v: (np.maximum(v + (alpha - 1.0), 0.0) / alpha) ** gamma,
        lambda x: alpha * x ** (1.0 / gamma) - (alpha - 1.0),
    )
    decode, encode = join_branches(line_branch(slope, 0.0), curved, cut=cut)
    return make_curve(
        name,
        lambda v: np.sign(v) * decode(np.abs(v)),
        lambda x: np.sign(x) * encode(np.abs(x)),
        citation,
    )


def line_log(
    name: str,
    *,
    cut: float,
    slope: float,
    offset: float,
    a: float,
    b: float,
    c: float,
    d: float,
    citation: str,
) -> Curve:
    """Make V = slope x + offset up to ``cut``, else c log10(a x + b) + d."""
    curved = (
        lambda v: (10.0 ** ((v - d) / c) - b) / a,
        lambda x: c * np.log10(a * x + b) + d,
    )
    return make_curve(name, *join_branches(line_branch(slope, offset), curved, cut=cut), citation)


def tangent_log(name: str, *, a: float, b: float, c: float, d: float, citation: str) -> Curve:
    """Make V = c log10(a x + b) + d, continued below V = 0 by its tangent there."""
    cut = (10.0 ** (-d / c) - b) / a
    slope = c * a / ((a * cut + b) * math.log(10.0))
    return line_log(name, cut=cut, slope=slope, offset=-slope * cut, a=a, b=b, c=c, d=d, citation=citation)


def mirror_log(name: str, *, a: float, c: float, black: float, citation: str) -> Curve:
    """Make V = black + sign(x) c log10(a |x| + 1)."""

    def decode(v: NDArray[np.float64]) -> NDArray[np.float64]:
        above = v - black
        return np.sign(above) * (10.0 ** (np.abs(above) / c) - 1.0) / a

    def encode(x: NDArray[np.float64]) -> NDArray[np.float64]:
        return black + np.sign(x) * c * np.log10(a * np.abs(x) + 1.0)

    return make_curve(name, decode, encode, citation)
