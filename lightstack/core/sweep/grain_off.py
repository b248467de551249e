"""Take the grain of single frames out of a plate where it drowns the light.

A plate takes every place from a frame or two, so it holds their noise, which would stand still under a moving picture.
Where the light's own variation is far above the noise (edges, texture) nothing changes; where it is not, a place is
drawn toward the mean of its surroundings, and most so in the channels that the gel holds back.
"""

# mypy: allow-untyped-defs

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from lightstack.core.compiled import compile_loop, run_bands
from lightstack.records import BoolArray, FloatArray, NoiseModel

__all__ = ["take_off_grain"]

RADIUS = 2  # half side of the surroundings
_LEAST_VARIANCE = np.float32(1e-12)
_LEAST = np.float32(1e-6)
_SUMS = 13  # per place: 3 values, 6 products, 3 noise variances, 1 count


def take_off_grain(
    plate: FloatArray,
    ambient: FloatArray,
    is_open: BoolArray,
    *,
    noise: NoiseModel,
    gains: FloatArray | None = None,
    winner: NDArray[np.int16] | None = None,
) -> NDArray[np.float32]:
    """Return a plate whose grain is taken off, (H, W, 3) float32 linear light.

    ``plate``: (H, W, 3) lamp light. ``ambient``: (H, W, 3), whose noise came with it. ``is_open``: (H, W), where the
    plate knows; other places stay as they are and lend nothing. ``noise``: of one full-size frame. ``gains`` (n, 3)
    and ``winner`` (H, W): what each still was multiplied by, and which one each place came from (-1 none).

    Notes: the local linear minimum mean square error estimate. In units of the noise, light varies mostly along its own
    colour (a texture or a shade multiplies all channels alike), so the variation along the local mean colour and the
    two directions across it are weighed separately, each by max(0, 1 - noise / variance). The local mean is kept.
    One pass over 25 places per pixel; the result does not depend on the number of threads.

    References: Lee, Digital image enhancement and noise filtering by use of local statistics, IEEE Transactions on
    Pattern Analysis and Machine Intelligence 2(2), 1980, eq. 6 (one channel).
    """
    plate = np.ascontiguousarray(plate, np.float32)
    height, width = plate.shape[:2]
    table = np.ones((1, 3), np.float32) if gains is None else np.ascontiguousarray(gains, np.float32)
    origin = np.zeros((1, 1), np.int16) if gains is None or winner is None else np.ascontiguousarray(winner, np.int16)
    out = np.empty_like(plate)
    run_bands(
        _smooth_rows, height, 3 * width, plate, np.ascontiguousarray(ambient, np.float32),
        np.ascontiguousarray(is_open, np.bool_), noise.a.astype(np.float32), noise.b.astype(np.float32),
        table, origin, out,
    )  # fmt: skip
    return out


@compile_loop()
def _add_place(plate, ambient, a, b, gain, sums):
    """Add one place's values, products and noise variances to ``sums``."""
    for c in range(3):
        value, g = plate[c], gain[c]
        level = g * max(ambient[c], np.float32(0)) + max(value, np.float32(0))
        sums[c] += value
        sums[9 + c] += g * (a[c] * level + g * b[c])
    sums[3] += plate[0] * plate[0]
    sums[4] += plate[1] * plate[1]
    sums[5] += plate[2] * plate[2]
    sums[6] += plate[0] * plate[1]
    sums[7] += plate[0] * plate[2]
    sums[8] += plate[1] * plate[2]
    sums[12] += np.float32(1)


@compile_loop()
def _sum_columns(y, plate, ambient, is_open, a, b, gains, winner, columns):
    """Sums over the column of places above and below each place of line ``y``, (width, 13)."""
    columns[:] = 0
    for row in range(max(y - RADIUS, 0), min(y + RADIUS + 1, plate.shape[0])):
        for x in range(plate.shape[1]):
            if is_open[row, x]:
                index = max(winner[row, x], 0) if gains.shape[0] > 1 else 0
                _add_place(plate[row, x], ambient[row, x], a, b, gains[index], columns[x])


@compile_loop()
def _estimate(value, sums, out):
    """Draw one place toward the mean of its surroundings, as far as their variation is noise."""
    share = np.float32(1) / sums[12]
    m0, m1, m2 = sums[0] * share, sums[1] * share, sums[2] * share
    n0 = max(sums[9] * share, _LEAST_VARIANCE)
    n1 = max(sums[10] * share, _LEAST_VARIANCE)
    n2 = max(sums[11] * share, _LEAST_VARIANCE)
    s0, s1, s2 = np.sqrt(n0), np.sqrt(n1), np.sqrt(n2)
    u0, u1, u2 = max(m0 / s0, _LEAST), max(m1 / s1, _LEAST), max(m2 / s2, _LEAST)
    norm = np.float32(1) / np.sqrt(u0 * u0 + u1 * u1 + u2 * u2)
    u0, u1, u2 = u0 * norm, u1 * norm, u2 * norm
    v00 = (sums[3] * share - m0 * m0) / n0
    v11 = (sums[4] * share - m1 * m1) / n1
    v22 = (sums[5] * share - m2 * m2) / n2
    v01 = (sums[6] * share - m0 * m1) / (s0 * s1)
    v02 = (sums[7] * share - m0 * m2) / (s0 * s2)
    v12 = (sums[8] * share - m1 * m2) / (s1 * s2)
    along = u0 * u0 * v00 + u1 * u1 * v11 + u2 * u2 * v22
    along += np.float32(2) * (u0 * u1 * v01 + u0 * u2 * v02 + u1 * u2 * v12)
    across = np.float32(0.5) * (v00 + v11 + v22 - along)
    keep = np.float32(1) - np.float32(1) / max(along, np.float32(1))
    keep_across = np.float32(1) - np.float32(1) / max(across, np.float32(1))
    d0, d1, d2 = (value[0] - m0) / s0, (value[1] - m1) / s1, (value[2] - m2) / s2
    length = (keep - keep_across) * (d0 * u0 + d1 * u1 + d2 * u2)
    out[0] = m0 + s0 * (length * u0 + keep_across * d0)
    out[1] = m1 + s1 * (length * u1 + keep_across * d1)
    out[2] = m2 + s2 * (length * u2 + keep_across * d2)


@compile_loop()
def _smooth_rows(first, last, plate, ambient, is_open, a, b, gains, winner, out):
    width = plate.shape[1]
    columns = np.empty((width, _SUMS), np.float32)
    sums = np.empty(_SUMS, np.float32)
    for y in range(first, last):
        _sum_columns(y, plate, ambient, is_open, a, b, gains, winner, columns)
        for x in range(width):
            if not is_open[y, x]:
                out[y, x] = plate[y, x]
                continue
            sums[:] = 0
            for near in range(max(x - RADIUS, 0), min(x + RADIUS + 1, width)):
                sums += columns[near]
            _estimate(plate[y, x], sums, out[y, x])
