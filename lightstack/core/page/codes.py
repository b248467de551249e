"""Linear light as 10-bit codes of a table that a page decodes by: the hero's own curve, or a logarithmic one."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from lightstack.core.colour.measured import curve_of
from lightstack.records import Encoding, FloatArray

__all__ = ["CODES", "decode_table", "encode_codes", "pack_codes", "wide_table"]

CODES = 1024
_STEPS = 1 << 16  # by the root of light: within a tenth of a code everywhere, borders apart
_BEND = 1000.0  # of reference white is 1: below a thousandth the wide table runs straight


def decode_table(encoding: Encoding) -> NDArray[np.float64]:
    """Return the light (1024,) of every code of an encoding's own curve from black to white.

    Below black there is no light. Raises KeyError for an encoding without a known curve.
    """
    light = np.asarray(curve_of(encoding).decode(np.arange(CODES) / (CODES - 1)), np.float64)
    return np.asarray(np.maximum.accumulate(np.maximum(light, 0)))


def wide_table(most: float) -> NDArray[np.float64]:
    """Return the light (1024,) of codes that reach to ``most`` in steps of about a hundredth of each level."""
    return np.asarray(np.expm1(np.arange(CODES) / (CODES - 1) * np.log1p(_BEND * most)) / _BEND)


def encode_codes(light: FloatArray, table: NDArray[np.float64]) -> NDArray[np.uint16]:
    """Return the nearest codes of light (h, w, 3); what lies beyond the table's ends is limited, no number is black."""
    most = float(table[-1])
    middles = np.interp(np.arange(CODES - 1) + 0.5, np.arange(CODES), table)
    lookup = np.searchsorted(middles, (np.arange(_STEPS + 1) / _STEPS) ** 2 * most).astype(np.uint16)
    share = np.clip(np.nan_to_num(np.asarray(light, np.float32)) * np.float32(1 / most), 0, 1)
    return lookup[(np.sqrt(share) * np.float32(_STEPS) + np.float32(0.5)).astype(np.uint32)]


def pack_codes(codes: NDArray[np.uint16]) -> NDArray[np.uint32]:
    """Return codes (h, w, 3) as one word for each pixel, red << 20 | green << 10 | blue."""
    wide = codes.astype("<u4")
    return np.asarray(wide[..., 0] << 20 | wide[..., 1] << 10 | wide[..., 2])
