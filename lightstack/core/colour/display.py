"""Linear light as a person sees it on an ordinary screen: 8-bit sRGB."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from lightstack.core.colour.light import CURVES, Primaries, convert_matrix
from lightstack.core.compiled import compile_loop, run_bands
from lightstack.records import FloatArray

__all__ = ["display_srgb"]

# sRGB is needed only to 1/255, so the curve is tabulated once: 2**14 steps in the square root of light keep
# every code within 0.02 of the exact curve, also in the shadows, at a fraction of the cost of a power.
_STEPS = 1 << 14


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
    picture = np.ascontiguousarray(linear, np.float32)
    out = np.empty(picture.shape, np.uint8)
    run_bands(
        _encode_rows, len(picture), picture.shape[1] * 3, picture, matrix.astype(np.float32),
        np.array_equal(matrix, np.eye(3)), _CODES, out,
    )  # fmt: skip
    return out


@compile_loop()
def _encode_rows(first_row, last_row, linear, matrix, plain, codes, out):  # type: ignore[no-untyped-def]
    """Write the codes of rows of ``linear`` (H, W, 3) float32 to ``out``; ``codes`` by the root of light."""
    m00, m01, m02 = matrix[0, 0], matrix[0, 1], matrix[0, 2]
    m10, m11, m12 = matrix[1, 0], matrix[1, 1], matrix[1, 2]
    m20, m21, m22 = matrix[2, 0], matrix[2, 1], matrix[2, 2]
    width = linear.shape[1]
    steps = np.float32(codes.shape[0] - 1)
    light = np.empty((3, width), np.float32)
    for y in range(first_row, last_row):
        for x in range(width):
            if plain:  # infinite light must not meet a factor of zero
                light[0, x], light[1, x], light[2, x] = linear[y, x, 0], linear[y, x, 1], linear[y, x, 2]
                continue
            red, green, blue = linear[y, x, 0], linear[y, x, 1], linear[y, x, 2]
            light[0, x] = red * m00 + green * m01 + blue * m02
            light[1, x] = red * m10 + green * m11 + blue * m12
            light[2, x] = red * m20 + green * m21 + blue * m22
        for c in range(3):
            for x in range(width):
                value = light[c, x]
                value = value if value > np.float32(0) else np.float32(0)  # no number becomes black
                value = value if value < np.float32(1) else np.float32(1)
                light[c, x] = np.sqrt(value) * steps + np.float32(0.5)
            for x in range(width):
                out[y, x, c] = codes[np.uint32(light[c, x])]
