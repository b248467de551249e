"""Correlated colour temperature: the loci of black bodies and daylight, mired shifts, and how far a light lies off.

References
----------
Krystek, An algorithm to calculate correlated colour temperature, Color Research & Application 10, 1985, equations for
u and v. CIE 15:2004, section 3.1 (daylight) and 9.5 (correlated colour temperature; not to be used beyond 0.05 off the
locus in the 1960 diagram).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from lightstack.core.colour.light import rgb_to_xyz
from lightstack.errors import SettingError

__all__ = [
    "COOLEST",
    "HOTTEST",
    "LOCI",
    "MOST_OFF",
    "find_temperature",
    "locus_rgb",
    "rgb_to_uv",
    "shift_mired",
]

COOLEST, HOTTEST = 1000.0, 25_000.0  # kelvin, of the black-body locus; daylight begins at 4000 K
DAYLIGHT_FROM = 4000.0
MOST_OFF = 0.05  # in u, v of 1960: beyond it a correlated colour temperature means nothing
LOCI = ("planck", "daylight")


def rgb_to_uv(rgb: NDArray[np.float64], primaries: str) -> NDArray[np.float64]:
    """Return u' and v' (CIE 1976) of a linear colour (3,). Raises SettingError for one without light."""
    x, y, z = rgb_to_xyz(primaries) @ np.asarray(rgb, np.float64)
    total = x + 15 * y + 3 * z
    if not total > 0:
        raise SettingError("a colour without light has no chromaticity")
    return np.array([4 * x / total, 9 * y / total])


def locus_rgb(kelvin: float, primaries: str, *, locus: str = "planck") -> NDArray[np.float64]:
    """Return the linear RGB (3,) of a light on a locus, its luminance 1; a channel may lie below zero.

    Raises SettingError for a locus or a temperature that does not exist.
    """
    if locus not in LOCI:
        raise SettingError(f"locus {locus!r} is unknown; use one of {', '.join(LOCI)}")
    coolest = DAYLIGHT_FROM if locus == "daylight" else COOLEST
    if not coolest <= kelvin <= HOTTEST:
        raise SettingError(f"{kelvin:g} K is not on the {locus} locus, which runs from {coolest:g} to {HOTTEST:g} K")
    x, y = _daylight_xy(kelvin) if locus == "daylight" else _uv_to_xy(_planck_uv(np.array([kelvin]))[0])
    xyz = np.array([x / y, 1.0, (1 - x - y) / y])
    return np.asarray(np.linalg.solve(rgb_to_xyz(primaries), xyz), np.float64)


def find_temperature(rgb: NDArray[np.float64], primaries: str) -> tuple[float, float]:
    """Return the correlated colour temperature of a linear colour in kelvin, and how far it lies off the locus.

    The distance is that in u, v of 1960, above zero on the green side. The nearest end is returned for colours beyond
    the ends; past `MOST_OFF` the temperature means nothing.
    """
    u, v = rgb_to_uv(rgb, primaries) * (1, 2 / 3)
    mired = np.linspace(1e6 / HOTTEST, 1e6 / COOLEST, 2001)
    for _ in range(2):
        away = np.hypot(*(_planck_uv(1e6 / mired) - (u, v)).T)
        nearest = mired[int(np.argmin(away))]
        step = mired[1] - mired[0]
        mired = np.clip(np.linspace(nearest - step, nearest + step, 201), 1e6 / HOTTEST, 1e6 / COOLEST)
    on = _planck_uv(np.array([1e6 / nearest]))[0]
    return float(1e6 / nearest), float(np.hypot(u - on[0], v - on[1]) * np.sign(v - on[1]))


def shift_mired(kelvin: float, shift: float) -> float:
    """Return a temperature moved by a shift in mired (1e6 / kelvin); above zero is warmer. Raises SettingError."""
    mired = 1e6 / kelvin + shift
    if not 1e6 / HOTTEST <= mired <= 1e6 / COOLEST:
        raise SettingError(
            f"a shift of {shift:g} mired from {kelvin:.0f} K leaves the locus, which runs from {COOLEST:g} to "
            f"{HOTTEST:g} K"
        )
    return 1e6 / mired


def _planck_uv(kelvin: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return u, v of 1960 of black bodies, (n, 2)."""
    t = np.asarray(kelvin, np.float64)
    u = (0.860117757 + 1.54118254e-4 * t + 1.28641212e-7 * t**2) / (1 + 8.42420235e-4 * t + 7.08145163e-7 * t**2)
    v = (0.317398726 + 4.22806245e-5 * t + 4.20481691e-8 * t**2) / (1 - 2.89741816e-5 * t + 1.61456053e-7 * t**2)
    return np.stack([u, v], axis=-1)


def _uv_to_xy(uv: NDArray[np.float64]) -> tuple[float, float]:
    u, v = float(uv[0]), float(uv[1])
    below = 2 * u - 8 * v + 4
    return 3 * u / below, 2 * v / below


def _daylight_xy(kelvin: float) -> tuple[float, float]:
    inverse = 1e3 / kelvin
    warm = kelvin <= 7000
    a, b, c, d = (-4.6070, 2.9678, 0.09911, 0.244063) if warm else (-2.0064, 1.9018, 0.24748, 0.237040)
    x = a * inverse**3 + b * inverse**2 + c * inverse + d
    return x, -3.000 * x**2 + 2.870 * x - 0.275
