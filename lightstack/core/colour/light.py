"""Code values and linear light: curves, primaries, matrices, luminance, stops.

Curves live in ``curves.py`` and ``encodings.py`` and are offered here under the same names. Matrices are
float64 and multiply column vectors: ``out = matrix @ rgb``, for arrays ``pixels @ matrix.T``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from lightstack.core.colour.curves import Curve
from lightstack.core.colour.encodings import CURVES
from lightstack.core.colour.names import suggest_name
from lightstack.errors import SettingError
from lightstack.records import FloatArray

__all__ = [
    "CURVES",
    "CURVE_PRIMARIES",
    "PRIMARIES",
    "Curve",
    "Primaries",
    "apply_matrix",
    "convert_matrix",
    "custom_primaries",
    "find_curve",
    "find_primaries",
    "gain_to_stops",
    "luminance_weights",
    "match_primaries",
    "relative_luminance",
    "rgb_to_xyz",
    "stops_to_gain",
    "ycbcr_weights",
]

_D65 = (0.3127, 0.3290)  # CIE 15 daylight 6500 K, as rounded by ITU-R BT.709-6 item 1.4
_ACES_WHITE = (0.32168, 0.33767)  # SMPTE ST 2065-1:2012, section 4.1.1


@dataclass(frozen=True, slots=True)
class Primaries:
    """CIE 1931 xy chromaticities of red, green, blue and white."""

    name: str
    red: tuple[float, float]
    green: tuple[float, float]
    blue: tuple[float, float]
    white: tuple[float, float]
    citation: str

    @property
    def chromaticities(self) -> tuple[float, ...]:
        """Eight numbers in the order of OpenEXR's attribute: red, green, blue, white x and y."""
        return (*self.red, *self.green, *self.blue, *self.white)


_CUSTOM = "xy:"
_XY = tuple[float, float]
_SGAMUT3 = "Technical Summary for S-Gamut3.Cine/S-Log3 and S-Gamut3/S-Log3, primaries table"

_TABLE: tuple[tuple[str, _XY, _XY, _XY, _XY, str], ...] = (
    ("bt709", (0.64, 0.33), (0.30, 0.60), (0.15, 0.06), _D65, "ITU-R BT.709-6 item 1.3"),
    ("bt2020", (0.708, 0.292), (0.170, 0.797), (0.131, 0.046), _D65, "ITU-R BT.2020-2 table 3"),
    ("p3d65", (0.680, 0.320), (0.265, 0.690), (0.150, 0.060), _D65, "SMPTE EG 432-1, white D65"),
    ("bt601_525", (0.630, 0.340), (0.310, 0.595), (0.155, 0.070), _D65, "ITU-R BT.601-7, 525 lines"),
    ("bt601_625", (0.64, 0.33), (0.29, 0.60), (0.15, 0.06), _D65, "ITU-R BT.601-7, 625 lines"),
    ("ap0", (0.7347, 0.2653), (0.0, 1.0), (0.0001, -0.0770), _ACES_WHITE, "SMPTE ST 2065-1:2012 table 1"),
    ("ap1", (0.713, 0.293), (0.165, 0.830), (0.128, 0.044), _ACES_WHITE, "AMPAS S-2014-004, ACEScg"),
    ("awg3", (0.6840, 0.3130), (0.2210, 0.8480), (0.0861, -0.1020), _D65, "ALEXA Log C Curve, Usage in VFX"),
    ("awg4", (0.7347, 0.2653), (0.1424, 0.8576), (0.0991, -0.0308), _D65, "LogC4 Specification, section 3"),
    ("sgamut", (0.730, 0.280), (0.140, 0.855), (0.100, -0.050), _D65, "S-Log2 Technical Paper V1.0"),
    ("sgamut3", (0.730, 0.280), (0.140, 0.855), (0.100, -0.050), _D65, _SGAMUT3),
    ("sgamut3cine", (0.766, 0.275), (0.225, 0.800), (0.089, -0.087), _D65, _SGAMUT3),
    ("vgamut", (0.730, 0.280), (0.165, 0.840), (0.100, -0.030), _D65, "V-Log/V-Gamut Reference Manual 1.0"),
    ("cinemagamut", (0.74, 0.27), (0.17, 1.14), (0.08, -0.10), _D65, "Canon Log Gamma Curves (2018)"),
    ("fgamut", (0.708, 0.292), (0.170, 0.797), (0.131, 0.046), _D65, "F-Log Data Sheet Ver. 1.0"),
    ("ngamut", (0.708, 0.292), (0.170, 0.797), (0.131, 0.046), _D65, "N-Log Specification v1.0.0"),
    (
        "rwg",
        (0.780308, 0.304253),
        (0.121595, 1.493994),
        (0.095612, -0.084589),
        _D65,
        "White Paper on REDWideGamutRGB and Log3G10",
    ),
    ("dgamut", (0.71, 0.31), (0.21, 0.88), (0.09, -0.08), _D65, "White Paper on D-Log and D-Gamut 1.0"),
)

PRIMARIES: dict[str, Primaries] = {row[0]: Primaries(*row) for row in _TABLE}

# What a curve is recorded in unless told otherwise. Where a camera offers several, this is a guess to report.
CURVE_PRIMARIES: dict[str, str] = {
    **dict.fromkeys(("linear", "srgb", "bt709", "gamma22", "gamma24", "bt1886", "cineon"), "bt709"),
    **dict.fromkeys(("bt2020", "bt2020_12", "hlg", "pq", "applelog"), "bt2020"),
    **{name: "awg3" for name in CURVES if name.startswith("logc3")},
    **dict.fromkeys(("clog", "clog2", "clog3"), "cinemagamut"),
    "logc4": "awg4",
    "slog2": "sgamut",
    "slog3": "sgamut3cine",
    "vlog": "vgamut",
    "flog": "fgamut",
    "flog2": "fgamut",
    "nlog": "ngamut",
    "log3g10": "rwg",
    "dlog": "dgamut",
    "acescct": "ap1",
    "acescc": "ap1",
}

# Kr, Kb of Y' = Kr R' + (1 - Kr - Kb) G' + Kb B', as rounded by each standard.
_YCBCR = {
    "bt601": (0.299, 0.114),  # ITU-R BT.601-7 item 2.5.1
    "bt709": (0.2126, 0.0722),  # ITU-R BT.709-6 item 3.2
    "bt2020": (0.2627, 0.0593),  # ITU-R BT.2020-2 table 4, non-constant luminance
}

# Cone responses of Lam 1985 as used by ICC.1:2010 annex E ("Bradford").
_BRADFORD = np.array([[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]])


def find_curve(name: str) -> Curve:
    """Return the curve called ``name``. Raises SettingError naming the nearest."""
    if name not in CURVES:
        raise SettingError(f"unknown transfer curve {name!r}{suggest_name(name, CURVES)}")
    return CURVES[name]


def find_primaries(name: str) -> Primaries:
    """Return the primaries called ``name``, or those that a name of `custom_primaries` spells out.

    Raises SettingError naming the nearest.
    """
    if name in PRIMARIES:
        return PRIMARIES[name]
    if name.startswith(_CUSTOM):
        numbers = name.removeprefix(_CUSTOM).split(",")
        if len(numbers) == 8:
            return custom_primaries([float(number) for number in numbers])
    raise SettingError(f"unknown primaries {name!r}{suggest_name(name, PRIMARIES)}")


def custom_primaries(chromaticities: ArrayLike) -> Primaries:
    """Return primaries from eight numbers (R, G, B, white; x, y), under a name that spells them out.

    Raises SettingError where they are no usable set (y of zero, not finite, R, G, B on one line).
    """
    numbers = [float(number) for number in np.asarray(chromaticities, np.float64).ravel()]
    pairs = list(zip(numbers[::2], numbers[1::2], strict=False))
    usable = len(numbers) == 8 and all(math.isfinite(number) for number in numbers)
    if (
        not usable
        or abs(np.linalg.det(np.array([(*xy, 1.0) for xy in pairs[:3]]))) < 1e-6
        or pairs[3][1] <= 0
    ):
        raise SettingError(f"chromaticities {numbers} are no set of primaries; name the primaries instead")
    name = _CUSTOM + ",".join(f"{number:.6g}" for number in numbers)
    return Primaries(name, pairs[0], pairs[1], pairs[2], pairs[3], "as stored in the file")


def match_primaries(chromaticities: ArrayLike, *, tolerance: float = 5e-4) -> str | None:
    """Return the name of the primaries with these eight numbers (R, G, B, white; x, y), or None.

    Of equal sets (S-Gamut and S-Gamut3; BT.2020 and others) the first in ``PRIMARIES`` is returned.
    """
    numbers = np.asarray(chromaticities, np.float64).ravel()
    if numbers.shape != (8,):
        return None
    for name, primaries in PRIMARIES.items():
        if np.abs(numbers - primaries.chromaticities).max() <= tolerance:
            return name
    return None


def rgb_to_xyz(primaries: str | Primaries) -> NDArray[np.float64]:
    """Return the 3 x 3 matrix from linear RGB to CIE XYZ, white at Y = 1.

    References: SMPTE RP 177-1993, section 3.3 (normalised primary matrix).
    """
    found = find_primaries(primaries) if isinstance(primaries, str) else primaries
    columns = np.array([(x, y, 1.0 - x - y) for x, y in (found.red, found.green, found.blue)]).T
    return columns * np.linalg.solve(columns, _xy_to_xyz(found.white))


@lru_cache(maxsize=256)
def _convert_matrix(source: Primaries, target: Primaries) -> NDArray[np.float64]:
    if source.chromaticities == target.chromaticities:
        matrix: NDArray[np.float64] = np.eye(3)
    else:
        adapt = _adaptation(source.white, target.white)
        matrix = np.asarray(np.linalg.solve(rgb_to_xyz(target), adapt @ rgb_to_xyz(source)), np.float64)
    matrix.setflags(write=False)
    return matrix


def convert_matrix(source: str | Primaries, target: str | Primaries) -> NDArray[np.float64]:
    """Return the 3 x 3 matrix from linear ``source`` RGB to linear ``target`` RGB (read-only, exact identity
    for equal primaries). Whites that differ are adapted by Bradford: white stays (1, 1, 1).

    References: ICC.1:2010 annex E for the adaptation.
    """
    found = [find_primaries(item) if isinstance(item, str) else item for item in (source, target)]
    return _convert_matrix(found[0], found[1])


def apply_matrix(pixels: FloatArray, matrix: NDArray[np.float64]) -> FloatArray:
    """Return ``pixels`` ``(..., 3)`` times ``matrix``, dtype kept; an identity returns a plain copy.

    Notes: three products and two sums in a fixed order, so the bytes do not depend on a BLAS's threads.
    """
    if np.array_equal(matrix, np.eye(3)):
        return pixels.copy()
    rows = matrix.astype(pixels.dtype)
    red, green, blue = pixels[..., 0], pixels[..., 1], pixels[..., 2]
    out = np.empty_like(pixels)
    for channel, (r, g, b) in enumerate(rows):
        out[..., channel] = red * r + green * g + blue * b
    return out


def luminance_weights(primaries: str | Primaries) -> NDArray[np.float64]:
    """Return the Y row of ``rgb_to_xyz``: exact weights from the chromaticities, summing to 1.

    Notes: for "bt709" 0.2126390, 0.7151687, 0.0721923, not the rounded 0.2126, 0.7152, 0.0722.
    """
    return rgb_to_xyz(primaries)[1]


def relative_luminance(rgb: FloatArray, primaries: str | Primaries) -> FloatArray:
    """Return the luminance of linear ``rgb`` ``(..., 3)`` as ``(...)``, same dtype; white is 1."""
    weights = luminance_weights(primaries).astype(rgb.dtype)
    return rgb[..., 0] * weights[0] + rgb[..., 1] * weights[1] + rgb[..., 2] * weights[2]


def ycbcr_weights(matrix: str) -> tuple[float, float]:
    """Return (Kr, Kb) of "bt601", "bt709" or "bt2020" as rounded by the standard. Raises SettingError."""
    if matrix not in _YCBCR:
        raise SettingError(f"unknown Y'CbCr matrix {matrix!r}: one of {', '.join(_YCBCR)}")
    return _YCBCR[matrix]


def stops_to_gain(stops: ArrayLike) -> NDArray[np.float64]:
    """Return 2 ** stops in float64; -inf gives 0."""
    return np.exp2(np.asarray(stops, np.float64))


def gain_to_stops(gain: ArrayLike) -> NDArray[np.float64]:
    """Return log2(gain) in float64; 0 gives -inf. Raises SettingError for a gain below zero or NaN."""
    gains = np.asarray(gain, np.float64)
    if not np.all(gains >= 0):
        raise SettingError("a gain must be zero or more")
    with np.errstate(divide="ignore"):
        return np.log2(gains)


def _xy_to_xyz(xy: tuple[float, float]) -> NDArray[np.float64]:
    x, y = xy
    return np.array([x / y, 1.0, (1.0 - x - y) / y])


def _adaptation(source: tuple[float, float], target: tuple[float, float]) -> NDArray[np.float64]:
    if source == target:
        return np.eye(3)
    gains = (_BRADFORD @ _xy_to_xyz(target)) / (_BRADFORD @ _xy_to_xyz(source))
    return np.linalg.solve(_BRADFORD, gains[:, None] * _BRADFORD)
