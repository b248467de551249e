"""Linear light as a person sees it on an ordinary screen: 8-bit sRGB."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from lightstack.core.light import CURVES, Primaries, apply_matrix, convert_matrix
from lightstack.records import FloatArray

__all__ = ["display_srgb"]

# sRGB is needed only to 1/255, so the curve is tabulated once: 2**14 steps in the square root of light keep
# every code within 0.02 of the exact curve, also in the shadows, at a fraction of the cost of a power.
_STEPS = 1 << 14
_ROWS = 256


def _tabulate_codes() -> NDArray[np.uint8]:
    roots = (np.arange(_STEPS + 1) / _STEPS).astype(np.float64)
    return np.rint(255.0 * CURVES["srgb"].encode(roots**2)).astype(np.uint8)


_CODES = _tabulate_codes()


def display_srgb(
    linear: FloatArray, primaries: str | Primaries = "bt709", *, exposure_stops: float = 0.0
) -> NDArray[np.uint8]:
    """Return linear light as 8-bit sRGB codes.

    Parameters: ``linear`` ``(H, W, 3)`` float, in ``primaries``, 1.0 = reference white; ``exposure_stops``
    brightens or darkens before the curve. Returns ``(H, W, 3)`` uint8: matrix to BT.709 primaries (whites
    that differ adapted), clipped to 0..1, plain sRGB curve, no tone mapping, rounded. NaN becomes black.
    Notes: codes differ from the exact curve by at most one, and only next to a rounding border.
    References: IEC 61966-2-1:1999, section 5.2.
    """
    matrix = convert_matrix(primaries, "bt709") * 2.0**exposure_stops
    out = np.empty(linear.shape, np.uint8)
    for first in range(0, linear.shape[0], _ROWS):  # bands keep the temporaries small at UHD
        band = linear[first : first + _ROWS].astype(np.float32, copy=False)
        out[first : first + _ROWS] = _encode_band(band, matrix)
    return out


def _encode_band(band: FloatArray, matrix: NDArray[np.float64]) -> NDArray[np.uint8]:
    with np.errstate(invalid="ignore", over="ignore"):
        light = np.nan_to_num(apply_matrix(band, matrix), nan=0.0, posinf=1.0, neginf=0.0)
    roots = np.sqrt(np.clip(light, 0.0, 1.0))
    return _CODES[(roots * _STEPS + np.float32(0.5)).astype(np.int32)]
