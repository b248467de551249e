"""The compiled loops that turn coded planes into linear light.

Every function works on C-contiguous planes that may be wider than the picture (decoders pad their lines);
``width`` says how much of a line is picture. Arithmetic is float32 without reordering, and no loop sums
across threads, so the bytes do not depend on how many threads ran. ``core.colour.planes`` wraps these loops;
nothing else calls them.
"""

# mypy: allow-untyped-defs

from __future__ import annotations

import numpy as np

from lightstack.core.compiled import compile_loop

__all__ = ["clip_planes", "decode_packed", "decode_planes", "decode_rows", "sum_rows"]


@compile_loop(inline="always")
def step_within(index, step, last):
    return min(max(index + step, 0), last)


@compile_loop()
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
    far = step_within(near, -1, last) if row % 2 == 0 else step_within(near, 1, last)
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


@compile_loop()
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


@compile_loop()
def fill_chroma(second, third, row, siting, offsets, narrow, wide_second, wide_third):
    _mix_lines(second, row, siting, offsets[1], narrow)
    _widen_line(narrow, siting, wide_second)
    _mix_lines(third, row, siting, offsets[2], narrow)
    _widen_line(narrow, siting, wide_third)


@compile_loop(inline="always")
def _find_place(signal, low, per_unit, top):
    return min(max((signal - low) * per_unit, np.float32(0.0)), top)


@compile_loop()
def read_table(places, table):
    """Replace table places by table values; an unsigned index spares the test for negative ones."""
    for x in range(places.shape[0]):
        place = places[x]
        whole = np.int32(place)
        index = np.uint32(whole)
        below = table[index]
        places[x] = below + (place - np.float32(whole)) * (table[index + np.uint32(1)] - below)


@compile_loop()
def place_line(line, wide_b, wide_c, offset, m, low, per_unit, top, red):
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


@compile_loop()
def store_line(red, green, blue, p, out):
    p00, p01, p02 = p[0, 0], p[0, 1], p[0, 2]
    p10, p11, p12 = p[1, 0], p[1, 1], p[1, 2]
    p20, p21, p22 = p[2, 0], p[2, 1], p[2, 2]
    for x in range(red.shape[0]):
        r, g, b = red[x], green[x], blue[x]
        out[x, 0] = p00 * r + p01 * g + p02 * b
        out[x, 1] = p10 * r + p11 * g + p12 * b
        out[x, 2] = p20 * r + p21 * g + p22 * b


@compile_loop()
def decode_rows(
    first_row, last_row, first, second, third, width, chroma_width, offsets, matrix, siting, table, low,
    per_unit, primaries, out,
):  # fmt: skip
    """Write the linear light of rows (``last_row`` excluded) of three planes to ``out`` ``(rows, W, 3)``."""
    top = np.float32(table.shape[0]) - np.float32(1.01)
    narrow = np.empty(chroma_width, np.float32)
    red = np.empty(width, np.float32)
    green = np.empty(width, np.float32)  # holds Cb first
    blue = np.empty(width, np.float32)  # holds Cr first
    for row in range(first_row, last_row):
        fill_chroma(second, third, row, siting, offsets, narrow, green, blue)
        place_line(first[row, :width], green, blue, offsets[0], matrix, low, per_unit, top, red)
        read_table(red, table)
        read_table(green, table)
        read_table(blue, table)
        store_line(red, green, blue, primaries, out[row - first_row])


@compile_loop()
def decode_planes(
    first_row, last_row, first, second, third, width, chroma_width, offsets, matrix, siting, table, low,
    per_unit, primaries, out,
):  # fmt: skip
    """Write the linear light of three planes to rows (``last_row`` excluded) of ``out`` ``(H, W, 3)``."""
    decode_rows(
        first_row, last_row, first, second, third, width, chroma_width, offsets, matrix, siting, table, low,
        per_unit, primaries, out[first_row:last_row],
    )  # fmt: skip


@compile_loop()
def sum_rows(
    first_row, last_row, first, second, third, width, chroma_width, offsets, matrix, siting, table, low,
    per_unit, primaries, total,
):  # fmt: skip
    """Add the linear light of rows of three planes to ``total`` ``(H, W, 3)`` float64, a few rows at a time."""
    light = np.empty((8, width, 3), np.float32)
    for top in range(first_row, last_row, 8):
        end = min(top + 8, last_row)
        decode_rows(
            top, end, first, second, third, width, chroma_width, offsets, matrix, siting, table, low,
            per_unit, primaries, light,
        )  # fmt: skip
        for row in range(top, end):
            sums, values = total[row].reshape(-1), light[row - top].reshape(-1)
            for i in range(sums.shape[0]):
                sums[i] += values[i]


@compile_loop()
def clip_planes(
    first_row, last_row, first, second, third, width, chroma_width, offsets, matrix, siting, ceiling, out
):  # fmt: skip
    """Set bit 0/1/2 of rows of ``out`` ``(H, W)`` where the R/G/B signal reaches ``ceiling``."""
    m = matrix
    narrow = np.empty(chroma_width, np.float32)
    wide_b = np.empty(width, np.float32)
    wide_c = np.empty(width, np.float32)
    for row in range(first_row, last_row):
        fill_chroma(second, third, row, siting, offsets, narrow, wide_b, wide_c)
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


@compile_loop()
def decode_packed(first_row, last_row, pixels, table, primaries, out):
    """Write the linear light of rows of integer ``(H, W, 3)`` pixels: one table entry per code."""
    p = primaries
    for row in range(first_row, last_row):
        for x in range(pixels.shape[1]):
            red = table[pixels[row, x, 0]]
            green = table[pixels[row, x, 1]]
            blue = table[pixels[row, x, 2]]
            out[row, x, 0] = p[0, 0] * red + p[0, 1] * green + p[0, 2] * blue
            out[row, x, 1] = p[1, 0] * red + p[1, 1] * green + p[1, 2] * blue
            out[row, x, 2] = p[2, 0] * red + p[2, 1] * green + p[2, 2] * blue
