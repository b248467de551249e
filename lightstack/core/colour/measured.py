"""Curves that were measured in place of published ones, and which curve decodes an encoding.

A measured curve runs through points (signal, light), smooth and rising between them, straight beyond. It may go
through any response whatever, so it is inverted numerically, to the last bits of float64.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from lightstack.core.colour.curves import Curve, make_curve
from lightstack.core.colour.light import CURVES
from lightstack.core.mix.spans import find_monotone_slopes
from lightstack.records import Encoding, FloatArray, MeasuredResponse

__all__ = ["curve_of", "find_curve_of", "make_measured", "name_curve", "share_past"]

LEAST_SLOPE = 0.05  # of the outermost piece's own, kept at both ends: beyond a flat end no light has a signal
HALVINGS = 56  # of a piece, until float64 holds no more


@lru_cache(maxsize=32)
def make_measured(response: MeasuredResponse) -> Curve:
    """Return the curve through a response's points: monotone cubic pieces, straight beyond both ends.

    References: Fritsch and Butland 1984, SIAM J. Sci. Stat. Comput. 5(2):300 (slopes that keep the pieces rising).
    """
    signals, light = np.array(response.signals, np.float64), np.array(response.light, np.float64)
    slopes = find_monotone_slopes(signals, light)
    secants = np.diff(light) / np.diff(signals)
    slopes[0], slopes[-1] = max(slopes[0], LEAST_SLOPE * secants[0]), max(slopes[-1], LEAST_SLOPE * secants[-1])

    def decode(v: NDArray[np.float64]) -> NDArray[np.float64]:
        piece = _find_piece(v, signals)
        width = signals[piece + 1] - signals[piece]
        inside = _run_pieces(piece, np.clip((v - signals[piece]) / width, 0.0, 1.0), signals, light, slopes)
        below, above = np.minimum(v - signals[0], 0.0), np.maximum(v - signals[-1], 0.0)
        return np.asarray(inside + slopes[0] * below + slopes[-1] * above)

    def encode(x: NDArray[np.float64]) -> NDArray[np.float64]:
        piece = _find_piece(x, light)
        share = _find_share(piece, np.clip(x, light[0], light[-1]), signals, light, slopes)
        inside = signals[piece] + share * (signals[piece + 1] - signals[piece])
        below, above = np.minimum(x - light[0], 0.0), np.maximum(x - light[-1], 0.0)
        return np.asarray(inside + below / slopes[0] + above / slopes[-1])

    return make_curve("measured", decode, encode, "fitted to frames whose light adds up")


def _find_piece(values: NDArray[np.float64], ends: NDArray[np.float64]) -> NDArray[np.intp]:
    """Return in which piece values lie; what lies beyond belongs to the outermost."""
    return np.clip(np.searchsorted(ends, values, side="right") - 1, 0, len(ends) - 2)


def _run_pieces(
    piece: NDArray[np.intp],
    t: NDArray[np.float64],
    signals: NDArray[np.float64],
    light: NDArray[np.float64],
    slopes: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Evaluate Hermite cubics at ``t`` 0..1 along their pieces."""
    width, rise = signals[piece + 1] - signals[piece], light[piece + 1] - light[piece]
    first, last = slopes[piece] * width, slopes[piece + 1] * width
    bend = (first + last - 2 * rise) * t + (3 * rise - 2 * first - last)
    return np.asarray(light[piece] + t * (first + t * bend))


def _find_share(
    piece: NDArray[np.intp],
    wanted: NDArray[np.float64],
    signals: NDArray[np.float64],
    light: NDArray[np.float64],
    slopes: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Return how far along its piece, 0..1, each wanted light lies, by halving: the pieces rise."""
    low, high = np.zeros(np.shape(wanted)), np.ones(np.shape(wanted))
    for _ in range(HALVINGS):
        middle = 0.5 * (low + high)
        under = _run_pieces(piece, middle, signals, light, slopes) < wanted
        low, high = np.where(under, middle, low), np.where(under, high, middle)
    return np.asarray(0.5 * (low + high))


def find_curve_of(encoding: Encoding) -> Curve | None:
    """Return the curve that decodes an encoding: its measured one, else the published; None where none is known."""
    if encoding.response is not None:
        return make_measured(encoding.response)
    return CURVES.get(encoding.transfer)


def curve_of(encoding: Encoding) -> Curve:
    """Return the curve that decodes an encoding: its measured one, else the published. Raises KeyError."""
    return CURVES[encoding.transfer] if encoding.response is None else make_measured(encoding.response)


def name_curve(encoding: Encoding) -> str:
    """Name what decodes an encoding, for people: "measured", a colour configuration's space, or a published curve."""
    return "measured" if encoding.response is not None else encoding.ocio_space or encoding.transfer


def share_past(light: FloatArray, encoding: Encoding) -> float:
    """Return which share of the pixels is, in any channel, brighter than a measured curve was measured for.

    ``light`` (..., 3) in the take's own primaries. 0 where the curve is a published one.
    """
    if encoding.response is None or light.size == 0:
        return 0.0
    top = make_measured(encoding.response).decode(np.array(encoding.response.seen[1]))
    return float((np.asarray(light) > top).any(axis=-1).mean())
