"""The compiled loops that turn coded planes into linear light, and back.

Every function works on C-contiguous planes that may be wider than the picture (decoders pad their lines);
``width`` says how much of a line is picture. Arithmetic is float32 without reordering, and no loop sums
across threads, so the bytes do not depend on how many threads ran. ``core.planes`` wraps these loops;
nothing else calls them.
"""

from __future__ import annotations

import numpy as np
from numba import njit, prange

__all__ = [
    "box_packed",
    "clip_planes",
    "decode_packed",
    "decode_planes",
    "encode_rows",
    "fold_chroma",
    "proxy_planes",
]

ROWS_PER_BAND = 16  # rows that one task decodes with the same line buffers


@njit(cache=True, nogil=True, inline="always")
def _near(index, step, last):
    return min(max(index + step, 0), last)


@njit(cache=True, nogil=True)
def _mix_lines(plane, row, tables, offset, out):
    """Interpolate one line of a subsampled plane vertically and take its zero level away."""
    count = out.shape[0]
    sub, even, odd = int(tables[3]), tables[4], tables[5]
    last = plane.shape[0] - 1
    near = min(row // sub, last)
    if sub == 1:
        for j in range(count):
            out[j] = np.float32(plane[near, j]) - offset
        return
    far = _near(near, -1, last) if row % 2 == 0 else _near(near, 1, last)
    part = even if row % 2 == 0 else odd
    if part == 0 or far == near:
        for j in range(count):
            out[j] = np.float32(plane[near, j]) - offset
        return
    rest = np.float32(1.0) - part
    for j in range(count):
        a = np.float32(plane[near, j]) - offset
        b = np.float32(plane[far, j]) - offset
        out[j] = rest * a + part * b


@njit(cache=True, nogil=True)
def _widen_line(line, tables, out):
    """Interpolate one line of chroma horizontally to the luma positions."""
    width = out.shape[0]
    sub, even, odd = int(tables[0]), tables[1], tables[2]
    count = line.shape[0]
    if count == 1:
        for x in range(width):
            out[x] = line[0]
        return
    if sub == 1:
        for x in range(width):
            out[x] = line[x]
        return
    keep_even = np.float32(1.0) - even
    keep_odd = np.float32(1.0) - odd
    out[0] = line[0]
    for j in range(1, count):
        out[2 * j] = keep_even * line[j] + even * line[j - 1]
    for j in range(count - 1):
        out[2 * j + 1] = keep_odd * line[j] + odd * line[j + 1]
    if width % 2 == 0:
        out[width - 1] = line[count - 1]


@njit(cache=True, nogil=True)
def _fill_chroma(second, third, row, siting, offsets, narrow, wide_second, wide_third):
    _mix_lines(second, row, siting, offsets[1], narrow)
    _widen_line(narrow, siting, wide_second)
    _mix_lines(third, row, siting, offsets[2], narrow)
    _widen_line(narrow, siting, wide_third)


@njit(cache=True, nogil=True, inline="always")
def _look_up(signal, table, low, per_unit, top):
    place = (signal - low) * per_unit
    place = min(max(place, np.float32(0.0)), top)
    index = np.int32(place)
    below = table[index]
    return below + (place - np.float32(index)) * (table[index + 1] - below)


@njit(cache=True, nogil=True, inline="always")
def _find_place(signal, low, per_unit, top):
    return min(max((signal - low) * per_unit, np.float32(0.0)), top)


@njit(cache=True, nogil=True)
def _read_table(places, table):
    """Replace table places by table values; an unsigned index spares the test for negative ones."""
    for x in range(places.shape[0]):
        place = places[x]
        whole = np.int32(place)
        index = np.uint32(whole)
        below = table[index]
        places[x] = below + (place - np.float32(whole)) * (table[index + np.uint32(1)] - below)


@njit(cache=True, nogil=True)
def _place_line(line, wide_b, wide_c, offset, m, low, per_unit, top, red):
    """Turn a line of codes into table places: R to ``red``, G and B over the chroma that they came from."""
    m00, m01, m02 = m[0, 0], m[0, 1], m[0, 2]
    m10, m11, m12 = m[1, 0], m[1, 1], m[1, 2]
    m20, m21, m22 = m[2, 0], m[2, 1], m[2, 2]
    for x in range(red.shape[0]):
        a = np.float32(line[x]) - offset
        b = wide_b[x]
        c = wide_c[x]
        red[x] = _find_place(m00 * a + m01 * b + m02 * c, low, per_unit, top)
        wide_b[x] = _find_place(m10 * a + m11 * b + m12 * c, low, per_unit, top)
        wide_c[x] = _find_place(m20 * a + m21 * b + m22 * c, low, per_unit, top)


@njit(cache=True, nogil=True)
def _store_line(red, green, blue, p, out):
    p00, p01, p02 = p[0, 0], p[0, 1], p[0, 2]
    p10, p11, p12 = p[1, 0], p[1, 1], p[1, 2]
    p20, p21, p22 = p[2, 0], p[2, 1], p[2, 2]
    for x in range(red.shape[0]):
        r, g, b = red[x], green[x], blue[x]
        out[x, 0] = p00 * r + p01 * g + p02 * b
        out[x, 1] = p10 * r + p11 * g + p12 * b
        out[x, 2] = p20 * r + p21 * g + p22 * b


@njit(cache=True, nogil=True, parallel=True)
def decode_planes(
    first, second, third, width, chroma_width, offsets, matrix, siting, table, low, per_unit, primaries, out
):  # fmt: skip
    """Write the linear light of three planes to ``out`` ``(H, W, 3)``."""
    height = out.shape[0]
    bands = (height + ROWS_PER_BAND - 1) // ROWS_PER_BAND
    top = np.float32(table.shape[0]) - np.float32(1.01)
    for band in prange(bands):
        narrow = np.empty(chroma_width, np.float32)
        red = np.empty(width, np.float32)
        green = np.empty(width, np.float32)  # holds Cb first
        blue = np.empty(width, np.float32)  # holds Cr first
        for row in range(band * ROWS_PER_BAND, min((band + 1) * ROWS_PER_BAND, height)):
            _fill_chroma(second, third, row, siting, offsets, narrow, green, blue)
            _place_line(first[row, :width], green, blue, offsets[0], matrix, low, per_unit, top, red)
            _read_table(red, table)
            _read_table(green, table)
            _read_table(blue, table)
            _store_line(red, green, blue, primaries, out[row])


@njit(cache=True, nogil=True, parallel=True)
def clip_planes(first, second, third, width, chroma_width, offsets, matrix, siting, ceiling, out):
    """Set bit 0/1/2 of ``out`` ``(H, W)`` where the R/G/B signal reaches ``ceiling``."""
    height = out.shape[0]
    bands = (height + ROWS_PER_BAND - 1) // ROWS_PER_BAND
    m = matrix
    for band in prange(bands):
        narrow = np.empty(chroma_width, np.float32)
        wide_b = np.empty(width, np.float32)
        wide_c = np.empty(width, np.float32)
        for row in range(band * ROWS_PER_BAND, min((band + 1) * ROWS_PER_BAND, height)):
            _fill_chroma(second, third, row, siting, offsets, narrow, wide_b, wide_c)
            for x in range(width):
                a = np.float32(first[row, x]) - offsets[0]
                b = wide_b[x]
                c = wide_c[x]
                bits = np.uint8(0)
                if m[0, 0] * a + m[0, 1] * b + m[0, 2] * c >= ceiling:
                    bits |= np.uint8(1)
                if m[1, 0] * a + m[1, 1] * b + m[1, 2] * c >= ceiling:
                    bits |= np.uint8(2)
                if m[2, 0] * a + m[2, 1] * b + m[2, 2] * c >= ceiling:
                    bits |= np.uint8(4)
                out[row, x] = bits


@njit(cache=True, nogil=True)
def _gather_column_sums(plane, row, rows, sums, highest):
    """Sum ``rows`` lines of luma column by column; return the largest value met."""
    width = sums.shape[0]
    line = plane[row, :width]
    for x in range(width):
        sums[x] = line[x]
        highest[x] = line[x]
    for r in range(row + 1, row + rows):
        line = plane[r, :width]
        for x in range(width):
            sums[x] += line[x]
            highest[x] = max(highest[x], line[x])
    peak = highest[0]
    for x in range(width):
        peak = max(peak, highest[x])
    return peak


@njit(cache=True, nogil=True)
def _gather_column_means(plane, start, weights, means, lowest, highest):
    """Weigh lines of chroma column by column; return the smallest and largest value met."""
    width = means.shape[0]
    line = plane[start, :width]
    weight = weights[0]
    for x in range(width):
        means[x] = weight * np.float32(line[x])
        lowest[x] = line[x]
        highest[x] = line[x]
    for k in range(1, weights.shape[0]):
        weight = weights[k]
        line = plane[start + k, :width]
        for x in range(width):
            means[x] += weight * np.float32(line[x])
            lowest[x] = min(lowest[x], line[x])
            highest[x] = max(highest[x], line[x])
    least, most = lowest[0], highest[0]
    for x in range(width):
        least = min(least, lowest[x])
        most = max(most, highest[x])
    return least, most


@njit(cache=True, nogil=True)
def _suspect_channels(matrix, offsets, ceiling, peak, b0, b1, c0, c1):
    """Channels that could reach the ceiling given the largest luma and the extremes of chroma."""
    suspects = np.uint8(0)
    for channel in range(3):
        m = matrix[channel]
        bound = m[0] * (np.float32(peak) - offsets[0])
        bound += max(m[1] * (np.float32(b0) - offsets[1]), m[1] * (np.float32(b1) - offsets[1]))
        bound += max(m[2] * (np.float32(c0) - offsets[2]), m[2] * (np.float32(c1) - offsets[2]))
        if bound >= ceiling - np.float32(1e-5):
            suspects |= np.uint8(1 << channel)
    return suspects


@njit(cache=True, nogil=True)
def _range_of(lowest, highest, start, taps):
    least, most = lowest[start], highest[start]
    for j in range(start + 1, start + taps):
        least = min(least, lowest[j])
        most = max(most, highest[j])
    return least, most


@njit(cache=True, nogil=True, inline="always")
def _at_luma(plane, row, x, siting, offset, last_x):
    """One chroma value at a luma position, by the arithmetic of ``_mix_lines`` and ``_widen_line``."""
    last_y = plane.shape[0] - 1
    sub_x, sub_y = int(siting[0]), int(siting[3])
    near_y = min(row // sub_y, last_y)
    far_y, part_y = near_y, np.float32(0.0)
    if sub_y == 2:
        far_y = _near(near_y, -1, last_y) if row % 2 == 0 else _near(near_y, 1, last_y)
        part_y = siting[4] if row % 2 == 0 else siting[5]
    near_x = min(x // sub_x, last_x)
    far_x, part_x = near_x, np.float32(0.0)
    if sub_x == 2:
        far_x = _near(near_x, -1, last_x) if x % 2 == 0 else _near(near_x, 1, last_x)
        part_x = siting[1] if x % 2 == 0 else siting[2]
    near = np.float32(plane[near_y, near_x]) - offset
    if part_y != 0 and far_y != near_y:
        near = (np.float32(1.0) - part_y) * near + part_y * (np.float32(plane[far_y, near_x]) - offset)
    if part_x == 0 or far_x == near_x:
        return near
    far = np.float32(plane[near_y, far_x]) - offset
    if part_y != 0 and far_y != near_y:
        far = (np.float32(1.0) - part_y) * far + part_y * (np.float32(plane[far_y, far_x]) - offset)
    return (np.float32(1.0) - part_x) * near + part_x * far


@njit(cache=True, nogil=True)
def _clip_box(first, second, third, top, left, factor, offsets, matrix, siting, last_x, ceiling, suspects):
    """Flag the channels at the ceiling in one box; stops as soon as every suspect is found."""
    m = matrix
    bits = np.uint8(0)
    for row in range(top, top + factor):
        for x in range(left, left + factor):
            a = np.float32(first[row, x]) - offsets[0]
            b = _at_luma(second, row, x, siting, offsets[1], last_x)
            c = _at_luma(third, row, x, siting, offsets[2], last_x)
            if m[0, 0] * a + m[0, 1] * b + m[0, 2] * c >= ceiling:
                bits |= np.uint8(1)
            if m[1, 0] * a + m[1, 1] * b + m[1, 2] * c >= ceiling:
                bits |= np.uint8(2)
            if m[2, 0] * a + m[2, 1] * b + m[2, 2] * c >= ceiling:
                bits |= np.uint8(4)
        if bits == suspects:
            break
    return bits


@njit(cache=True, nogil=True)
def proxy_planes(
    first, second, third, chroma_width, origin, factor, row_starts, row_weights, column_starts, column_weights,
    offsets, matrix, siting, ceiling, table, low, per_unit, primaries, out, clipped,
):  # fmt: skip
    """Write the linear light of box means to ``out`` ``(h, w, 3)`` and the boxes' clip bits to ``clipped``.

    Each plane is read once. A box is searched for clipped pixels only where the largest luma and the
    extreme chroma of its samples could reach the ceiling together.
    """
    rows, columns = clipped.shape
    left, width = origin[1], columns * factor
    sums = np.empty(width, np.uint32)
    highest = np.empty(width, first.dtype)
    mean_b, mean_c = np.empty(chroma_width, np.float32), np.empty(chroma_width, np.float32)
    low_b, high_b = np.empty(chroma_width, second.dtype), np.empty(chroma_width, second.dtype)
    low_c, high_c = np.empty(chroma_width, third.dtype), np.empty(chroma_width, third.dtype)
    luma = first[:, left:]
    top = np.float32(table.shape[0]) - np.float32(1.01)
    share = np.float32(1.0) / np.float32(factor * factor)
    taps = column_weights.shape[1]
    m = matrix
    p = primaries
    for r in range(rows):
        row = origin[0] + r * factor
        peak = _gather_column_sums(luma, row, factor, sums, highest)
        b0, b1 = _gather_column_means(second, row_starts[r], row_weights[r], mean_b, low_b, high_b)
        c0, c1 = _gather_column_means(third, row_starts[r], row_weights[r], mean_c, low_c, high_c)
        row_suspects = _suspect_channels(m, offsets, ceiling, peak, b0, b1, c0, c1)
        for q in range(columns):
            total = np.uint32(0)
            for k in range(factor):
                total += sums[q * factor + k]
            start = column_starts[q]
            b, c = np.float32(0.0), np.float32(0.0)
            for k in range(taps):
                b += column_weights[q, k] * mean_b[start + k]
                c += column_weights[q, k] * mean_c[start + k]
            a = np.float32(total) * share - offsets[0]
            b -= offsets[1]
            c -= offsets[2]
            clipped[r, q] = 0
            if row_suspects:
                peak = highest[q * factor]
                for k in range(1, factor):
                    peak = max(peak, highest[q * factor + k])
                b0, b1 = _range_of(low_b, high_b, start, taps)
                c0, c1 = _range_of(low_c, high_c, start, taps)
                suspects = _suspect_channels(m, offsets, ceiling, peak, b0, b1, c0, c1)
                if suspects:
                    clipped[r, q] = _clip_box(
                        first, second, third, row, left + q * factor, factor, offsets, m, siting, chroma_width - 1,
                        ceiling, suspects,
                    )  # fmt: skip
            red = _look_up(m[0, 0] * a + m[0, 1] * b + m[0, 2] * c, table, low, per_unit, top)
            green = _look_up(m[1, 0] * a + m[1, 1] * b + m[1, 2] * c, table, low, per_unit, top)
            blue = _look_up(m[2, 0] * a + m[2, 1] * b + m[2, 2] * c, table, low, per_unit, top)
            out[r, q, 0] = p[0, 0] * red + p[0, 1] * green + p[0, 2] * blue
            out[r, q, 1] = p[1, 0] * red + p[1, 1] * green + p[1, 2] * blue
            out[r, q, 2] = p[2, 0] * red + p[2, 1] * green + p[2, 2] * blue


@njit(cache=True, nogil=True, parallel=True)
def decode_packed(pixels, table, primaries, out):
    """Write the linear light of integer ``(H, W, 3)`` pixels: one table entry per code, then primaries."""
    p = primaries
    for row in prange(pixels.shape[0]):
        for x in range(pixels.shape[1]):
            red = table[pixels[row, x, 0]]
            green = table[pixels[row, x, 1]]
            blue = table[pixels[row, x, 2]]
            out[row, x, 0] = p[0, 0] * red + p[0, 1] * green + p[0, 2] * blue
            out[row, x, 1] = p[1, 0] * red + p[1, 1] * green + p[1, 2] * blue
            out[row, x, 2] = p[2, 0] * red + p[2, 1] * green + p[2, 2] * blue


@njit(cache=True, nogil=True)
def box_packed(pixels, origin, factor, ceiling, means, clipped):
    """Write box means of ``(H, W, 3)`` values to ``means`` and which channels reach ``ceiling`` anywhere."""
    share = 1.0 / (factor * factor)
    for r in range(clipped.shape[0]):
        for q in range(clipped.shape[1]):
            bits = np.uint8(0)
            for channel in range(3):
                total = 0.0
                for row in range(origin[0] + r * factor, origin[0] + (r + 1) * factor):
                    for x in range(origin[1] + q * factor, origin[1] + (q + 1) * factor):
                        value = pixels[row, x, channel]
                        total += value
                        if value >= ceiling:
                            bits |= np.uint8(1 << channel)
                means[r, q, channel] = total * share
            clipped[r, q] = bits


@njit(cache=True, nogil=True, inline="always")
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


@njit(cache=True, nogil=True, parallel=True)
def encode_rows(
    linear, changed, like_first, like_second, like_third, chroma_width, has_like, to_native, table, lowest, shift,
    fraction_scale, positive_count, weights, signal_scale, offsets, matrix, siting, code_limits, signal_limit,
    first, second, third, over,
):  # fmt: skip
    """Write coded luma (or R, G, B) and full-size chroma (difference) of linear light.

    ``first`` takes the rounded first plane. ``second`` and ``third`` take float chroma in code units: the
    difference to the picture in ``like_*`` where there is one, else the chroma itself. ``over`` counts,
    per row, pixels that had to be limited.
    """
    height, width = first.shape
    bands = (height + ROWS_PER_BAND - 1) // ROWS_PER_BAND
    m, w, t = matrix, weights, to_native
    half = np.float32(0.5)
    for band in prange(bands):
        narrow = np.empty(chroma_width, np.float32)
        wide_b = np.zeros(width, np.float32)
        wide_c = np.zeros(width, np.float32)
        signal = np.empty(3, np.float32)
        native = np.empty(3, np.float32)
        bits = native.view(np.uint32)
        for row in range(band * ROWS_PER_BAND, min((band + 1) * ROWS_PER_BAND, height)):
            over[row] = 0
            if has_like:
                _fill_chroma(like_second, like_third, row, siting, offsets, narrow, wide_b, wide_c)
            for x in range(width):
                if not changed[row, x]:
                    first[row, x] = like_first[row, x]
                    second[row, x] = 0
                    third[row, x] = 0
                    continue
                limited = False
                a = np.float32(0.0)
                if has_like:
                    a = np.float32(like_first[row, x]) - offsets[0]
                for channel in range(3):
                    native[channel] = (
                        t[channel, 0] * linear[row, x, 0] + t[channel, 1] * linear[row, x, 1]
                        + t[channel, 2] * linear[row, x, 2]
                    )  # fmt: skip
                for channel in range(3):
                    value = native[channel]
                    code = _encode_value(
                        bits[channel], value, table, lowest, shift, fraction_scale, positive_count
                    )
                    limit = signal_limit
                    if has_like:
                        own = m[channel, 0] * a + m[channel, 1] * wide_b[x] + m[channel, 2] * wide_c[x]
                        limit = max(limit, own)
                    if code > limit:
                        code = limit
                        limited = True
                    signal[channel] = code
                luma = w[0, 0] * signal[0] + w[0, 1] * signal[1] + w[0, 2] * signal[2]
                code = np.floor(luma * signal_scale[0] + offsets[0] + half)
                if code < code_limits[0] or code > code_limits[1]:
                    limited = True
                    code = min(max(code, code_limits[0]), code_limits[1])
                first[row, x] = code
                chroma_b = w[1, 0] * signal[0] + w[1, 1] * signal[1] + w[1, 2] * signal[2]
                chroma_c = w[2, 0] * signal[0] + w[2, 1] * signal[1] + w[2, 2] * signal[2]
                second[row, x] = chroma_b * signal_scale[1] - wide_b[x]
                third[row, x] = chroma_c * signal_scale[2] - wide_c[x]
                if limited:
                    over[row] += 1


@njit(cache=True, nogil=True, parallel=True)
def fold_chroma(full, changed, like, has_like, row_taps, column_taps, sub_y, sub_x, offset, limits, out):
    """Filter full-size chroma down to its samples, rewriting only those over a changed pixel.

    ``row_taps``/``column_taps``: three weights at luma positions ``sub * j - 1, sub * j, sub * j + 1``.
    """
    height, width = full.shape
    rows, columns = out.shape
    for r in prange(rows):
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
