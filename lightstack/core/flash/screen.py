"""What a screen shows of a picture: light in cells of a few pixels, from signal or from linear light."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from lightstack.core.colour.light import CURVES, apply_matrix, convert_matrix, luminance_weights, rgb_to_xyz
from lightstack.core.colour.measured import curve_of
from lightstack.core.compiled import run_bands
from lightstack.core.flash.kernels import average_light, describe_light
from lightstack.core.flash.rules import SCREEN_GAMMA
from lightstack.records import Encoding, FloatArray

__all__ = ["ScreenLight", "cell_size", "describe_cells", "screen_of_light", "screen_of_signal", "show_cells"]

STEPS = 1 << 13
CELLS_WIDE = 720  # about; a picture of that many columns is taken pixel by pixel
FADE = (0.004, 0.02)  # R + G + B between which a colour fades to that of the white point, see `describe_cells`


@dataclass(frozen=True, slots=True, eq=False)
class ScreenLight:
    """How numbers of a picture become light of a screen.

    ``table`` (STEPS + 2, 2) float32: light by the sRGB definition, and by the screen's own power, at evenly spaced
    numbers up to ``top``, or at evenly spaced roots of them where ``rooted``. ``weights`` (3,): luminance of the
    screen's primaries; ``to_srgb`` (3, 3): its light in the primaries of the WCAG definition.
    """

    table: NDArray[np.float32]
    top: float
    rooted: bool
    weights: NDArray[np.float32]
    to_srgb: NDArray[np.float64]


@lru_cache(maxsize=8)
def screen_of_signal(primaries: str) -> ScreenLight:
    """Return the screen for R'G'B' signal, 0 to 1, in ``primaries``."""
    return _make_screen(np.arange(STEPS + 2) / STEPS, 1.0, False, primaries)


@lru_cache(maxsize=8)
def screen_of_light(encoding: Encoding) -> ScreenLight:
    """Return the screen for linear light (in the encoding's primaries) that is coded with ``encoding`` and shown."""
    curve = curve_of(encoding)
    top = float(curve.decode(np.array(1.0)))
    light = (np.arange(STEPS + 2) / STEPS) ** 2 * top
    return _make_screen(curve.encode(light), top, True, encoding.primaries)


def _make_screen(signal: NDArray[np.float64], top: float, rooted: bool, primaries: str) -> ScreenLight:
    signal = np.clip(signal, 0.0, 1.0)
    table = np.stack([CURVES["srgb"].decode(signal), signal**SCREEN_GAMMA], axis=1)
    weights = np.asarray(luminance_weights(primaries), np.float32)
    return ScreenLight(table.astype(np.float32), top, rooted, weights, convert_matrix(primaries, "bt709"))


def cell_size(width: int) -> int:
    """Return the side of a cell in pixels for pictures of ``width``: about 1 / 34 of a degree, a third of 0.1."""
    return max(1, round(width / CELLS_WIDE))


def show_cells(picture: FloatArray, screen: ScreenLight, *, cell: int = 1) -> NDArray[np.float32]:
    """Return what a screen shows of a picture (H, W, 3), averaged as light over cells of ``cell`` pixels a side.

    Returns (h, w, 4) float32: linear R, G, B as WCAG defines relative luminance, and the screen's luminance as a share
    of its peak. A rest at right and bottom that fills no cell is left out; a picture smaller than a cell is one cell.
    """
    height, width = picture.shape[:2]
    side = min(cell, height, width)
    out = np.empty((height // side, width // side, 4), np.float32)
    scale = STEPS / (np.sqrt(screen.top) if screen.rooted else screen.top)
    run_bands(
        average_light, len(out), width * side * 3, np.ascontiguousarray(picture, np.float32), side, screen.rooted,
        np.float32(scale), screen.table, screen.weights, out,
    )  # fmt: skip
    if not np.allclose(screen.to_srgb, np.eye(3), atol=1e-6):
        out[..., :3] = np.clip(apply_matrix(out[..., :3], screen.to_srgb), 0.0, 1.0)
    return out


def describe_cells(cells: NDArray[np.float32], peak: float) -> NDArray[np.float32]:
    """Return what the rules look at in cells (h, w, 4) of `show_cells`.

    Returns (h, w, 6) float32: relative luminance; luminance in cd/m2; max(0, R - G - B) x 320; R / (R + G + B);
    CIE 1976 u' and v'.

    Notes: black has no chromaticity, and the standard does not say what a red light out of black is to be compared
    with. Here black has that of the white point, and between R + G + B = 0.02 and 0.004 a colour fades to it, so that
    noise in the shadows cannot flash red.
    """
    looks = np.empty((*cells.shape[:2], 6), np.float32)
    run_bands(
        describe_light, len(cells), cells.shape[1] * 6, np.ascontiguousarray(cells), np.float32(peak),
        np.array(FADE, np.float32), rgb_to_xyz("bt709").astype(np.float32), looks,
    )  # fmt: skip
    return looks
