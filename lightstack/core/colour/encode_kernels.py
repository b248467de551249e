"""The compiled loops that turn linear light into coded planes: the inverse of ``core.colour.kernels``."""

# mypy: allow-untyped-defs

from __future__ import annotations

import numpy as np

from lightstack.core.colour.kernels import fill_chroma
from lightstack.core.compiled import compile_loop

__all__ = ["encode_rows", "fold_chroma"]


@compile_loop(inline="always")
def _encode_value(bits, value, table, lowest, shift, fraction_scale, positive_count):
    """Curve value from a table whose entries are spaced evenly within each octave of ``value``."""
    magnitude = np.int64(bits & np.uint32(0x7FFFFFFF))
    start = np.int64(0) if bits < np.uint32(0x80000000) else np.int64(positive_count)
    place = (magnitude >> shift) - lowest
    if place < 1:  # below the first octave: a straight line from zero
        first = table[start + 1]
        return table[start] + (first - table[start]) * min(abs(value) * fraction_scale[1], np.float32(1.0))
    last = positive_count - 2
    if place > last:
        return table[start + last + 1]
    part = np.float32(magnitude & ((np.int64(1) << shift) - 1)) * fraction_scale[0]
    below = table[start + place]
    return below + part * (table[start + place + 1] - below)


@compile_loop(inline="always")
def _mix_channels(matrix, a, b, c, out):
    for channel in range(3):
        out[channel] = matrix[channel, 0] * a + matrix[channel, 1] * b + matrix[channel, 2] * c


@compile_loop(inline="always")
def _limit_signal(signal, limits):
    """Bring each channel down to its limit; tell whether one had to be."""
    limited = False
    for channel in range(3):
        if signal[channel] > limits[channel]:
            signal[channel] = limits[channel]
            limited = True
    return limited


@compile_loop()
def encode_rows(
    first_row, last_row, linear, changed, like_first, like_second, like_third, chroma_width, has_like,
    to_native, table, lowest, shift, fraction_scale, positive_count, weights, signal_scale, offsets, matrix,
    siting, code_limits,
    signal_limit, first, second, third, over,
):  # fmt: skip
    """Write coded luma (or R, G, B) and full-size chroma (difference) of rows of linear light.

    ``first`` takes the rounded first plane. ``second`` and ``third`` take float chroma in code units: the
    difference to the picture in ``like_*`` where there is one, else the chroma itself. ``over`` counts,
    per row, pixels that had to be limited.
    """
    width = first.shape[1]
    narrow, wide_b = np.empty(chroma_width, np.float32), np.zeros(width, np.float32)
    wide_c = np.zeros(width, np.float32)
    rows = np.empty((5, 3), np.float32)
    native, own, signal, limits, coded = rows[0], rows[1], rows[2], rows[3], rows[4]
    bits = native.view(np.uint32)
    for row in range(first_row, last_row):
        over[row] = 0
        if has_like:
            fill_chroma(like_second, like_third, row, siting, offsets, narrow, wide_b, wide_c)
        for x in range(width):
            if not changed[row, x]:
                first[row, x], second[row, x], third[row, x] = like_first[row, x], 0, 0
                continue
            _mix_channels(to_native, linear[row, x, 0], linear[row, x, 1], linear[row, x, 2], native)
            for channel in range(3):
                signal[channel] = _encode_value(
                    bits[channel], native[channel], table, lowest, shift, fraction_scale, positive_count
                )
                limits[channel] = signal_limit
            if has_like:
                a = np.float32(like_first[row, x]) - offsets[0]
                _mix_channels(matrix, a, wide_b[x], wide_c[x], own)
                for channel in range(3):
                    limits[channel] = max(signal_limit, own[channel])
            limited = _limit_signal(signal, limits)
            _mix_channels(weights, signal[0], signal[1], signal[2], coded)
            code = np.floor(coded[0] * signal_scale[0] + offsets[0] + np.float32(0.5))
            if not (code >= code_limits[0] and code <= code_limits[1]):  # also where it is not a number
                limited = True
                code = code_limits[1] if code > code_limits[1] else code_limits[0]
            first[row, x] = code
            second[row, x] = coded[1] * signal_scale[1] - wide_b[x]
            third[row, x] = coded[2] * signal_scale[2] - wide_c[x]
            over[row] += limited


@compile_loop()
def fold_chroma(
    first_row, last_row, full, changed, like, has_like, row_taps, column_taps, sub_y, sub_x, offset, limits,
    out,
):  # fmt: skip
    """Filter rows of full-size chroma down to its samples, rewriting only those over a changed pixel.

    ``row_taps``/``column_taps``: three weights at luma positions ``sub * j - 1, sub * j, sub * j + 1``.
    """
    height, width = full.shape
    columns = out.shape[1]
    for r in range(first_row, last_row):
        for q in range(columns):
            touched = False
            for row in range(r * sub_y, min((r + 1) * sub_y, height)):
                for x in range(q * sub_x, min((q + 1) * sub_x, width)):
                    touched = touched or changed[row, x]
            if not touched and has_like:
                out[r, q] = like[r, q]
                continue
            total = np.float32(0.0)
            for i in range(3):
                if row_taps[i] == 0:
                    continue
                row = min(max(r * sub_y + i - 1, 0), height - 1)
                line = np.float32(0.0)
                for k in range(3):
                    if column_taps[k] != 0:
                        line += column_taps[k] * full[row, min(max(q * sub_x + k - 1, 0), width - 1)]
                total += row_taps[i] * line
            base = np.float32(like[r, q]) if has_like else offset
            out[r, q] = min(max(np.floor(total + base + np.float32(0.5)), limits[0]), limits[1])
