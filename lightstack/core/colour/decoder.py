"""The numbers behind a decode: range, chroma position, matrix, curve and primaries of one encoding.

References
----------
ITU-T H.273 (2016-12), 8.3: equations for limited and full range luma, chroma and R'G'B' codes.
ITU-R BT.601-7, BT.709-6, BT.2020-2: luma weights (held by ``core.colour.light``).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from lightstack.core.colour.light import convert_matrix, ycbcr_weights
from lightstack.core.colour.measured import curve_of
from lightstack.errors import SettingError
from lightstack.records import Encoding

__all__ = ["Decoder", "build_decoder", "chroma_siting", "code_scales", "signal_bounds", "signal_matrix"]

STEPS_PER_UNIT = 8192  # table entries per 1.0 of signal: interpolated, under 0.01 of a 12-bit code off
CLIP_SHARE = 0.995  # of the ceiling: what counts as clipped

FloatArray = NDArray[np.float32]


@dataclass(frozen=True, slots=True, eq=False)
class Decoder:
    """Everything that the compiled pass needs to know of one encoding.

    ``matrix`` ``(3, 3)``: codes less ``offsets`` -> signal. ``siting`` ``(6,)``: horizontal subsampling and
    the far sample's share at even and odd positions, then the same vertically. ``table``: linear light at
    signals ``low + i / per_unit``. ``primaries`` ``(3, 3)``: into the working space. ``ceiling``: signal
    from which a channel counts as clipped.
    """

    encoding: Encoding
    offsets: FloatArray
    matrix: FloatArray
    siting: FloatArray
    table: FloatArray
    low: np.float32
    per_unit: np.float32
    primaries: FloatArray
    ceiling: np.float32


def code_scales(encoding: Encoding) -> tuple[tuple[float, float], tuple[float, float]]:
    """Give (zero code, codes per 1.0 of signal) of luma or R'G'B', and of chroma.

    References: ITU-T H.273, equations 20-31 (limited range scales by 2^(depth - 8), full by 2^depth - 1).
    """
    step = 2.0 ** (encoding.bit_depth - 8)
    middle = 2.0 ** (encoding.bit_depth - 1)
    if encoding.range == "limited":
        return (16 * step, 219 * step), (middle, 224 * step)
    full = 2.0**encoding.bit_depth - 1
    return (0.0, full), (middle, full)


def signal_matrix(encoding: Encoding) -> NDArray[np.float64]:
    """Matrix from luma and chroma signals (Y', Cb, Cr) to R'G'B', ``(3, 3)``; identity for R'G'B'."""
    if encoding.chroma == "grey":
        return np.array([[1.0, 0, 0]] * 3)
    if encoding.matrix == "rgb":
        return np.eye(3)
    kr, kb = ycbcr_weights(encoding.matrix)
    kg = 1 - kr - kb
    red, blue = 2 * (1 - kr), 2 * (1 - kb)
    return np.array([[1, 0, red], [1, -blue * kb / kg, -red * kr / kg], [1, blue, 0]])


def chroma_siting(encoding: Encoding) -> FloatArray:
    """Subsampling and interpolation shares, ``(6,)``: see ``Decoder.siting``.

    Raises SettingError for a subsampling or location that is not known.
    """
    beside = np.array([0.0, 0.5])  # chroma lies on every second luma sample
    between = np.array([0.25, 0.25])  # chroma lies midway between two luma samples
    layouts = {"444": (1, 1), "grey": (1, 1), "422": (2, 1), "420": (2, 2)}
    if encoding.chroma not in layouts or encoding.chroma_location not in ("left", "center", "topleft"):
        raise SettingError(
            f"chroma {encoding.chroma} at {encoding.chroma_location!r} is not known; "
            "expected 444, 422, 420 or grey at left, center or topleft"
        )
    sub_x, sub_y = layouts[encoding.chroma]
    across = between if encoding.chroma_location == "center" else beside
    down = beside if encoding.chroma_location == "topleft" else between
    return np.array([sub_x, *across, sub_y, *down], np.float32)


def signal_bounds(offsets: NDArray, matrix: NDArray, depth: int) -> tuple[float, float]:
    ends = np.stack([0 - offsets, 2.0**depth - 1 - offsets])
    low = np.minimum(matrix * ends[0], matrix * ends[1]).sum(axis=1).min()
    high = np.maximum(matrix * ends[0], matrix * ends[1]).sum(axis=1).max()
    return float(low), float(high)


def _curve_table(encoding: Encoding, low: float, high: float) -> FloatArray:
    signal = low + np.arange(int((high - low) * STEPS_PER_UNIT) + 3) / STEPS_PER_UNIT
    if encoding.ocio_space is not None:
        return signal.astype(np.float32)
    # Logarithms grow past float32 at signals that only a broken matrix reaches; infinities would spread.
    return np.clip(curve_of(encoding).decode(signal), -1e30, 1e30).astype(np.float32)


@lru_cache(maxsize=64)
def build_decoder(encoding: Encoding, working: str | None = None) -> Decoder:
    """Tabulate an encoding for ``decode_linear``; ``working`` names primaries to convert into.

    Where ``ocio_space`` is set, "linear" is the R'G'B' signal itself: a colour processor comes after.
    """
    (black, luma_codes), (middle, chroma_codes) = code_scales(encoding)
    rgb = encoding.matrix == "rgb" or encoding.chroma == "grey"
    offsets = np.array([black, black, black] if rgb else [black, middle, middle])
    codes = np.array([luma_codes] * 3 if rgb else [luma_codes, chroma_codes, chroma_codes])
    matrix = signal_matrix(encoding) / codes
    low, high = signal_bounds(offsets, matrix, encoding.bit_depth)
    low = np.floor(low * STEPS_PER_UNIT) / STEPS_PER_UNIT
    convert = np.eye(3)
    if working is not None and working != encoding.primaries and encoding.ocio_space is None:
        convert = convert_matrix(encoding.primaries, working)
    return Decoder(
        encoding=encoding,
        offsets=offsets.astype(np.float32),
        matrix=matrix.astype(np.float32),
        siting=chroma_siting(encoding),
        table=_curve_table(encoding, low, high),
        low=np.float32(low),
        per_unit=np.float32(STEPS_PER_UNIT),
        primaries=np.ascontiguousarray(convert, np.float32),
        ceiling=np.float32(CLIP_SHARE * encoding.ceiling),
    )
