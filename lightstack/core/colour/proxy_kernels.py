"""The compiled loops that box-average coded planes and look for clipped pixels, reading each plane once."""

# mypy: allow-untyped-defs

from __future__ import annotations

import numpy as np

from lightstack.core.colour.kernels import place_line, read_table, step_within, store_line
from lightstack.core.compiled import compile_loop

__all__ = ["box_packed", "proxy_planes"]


@compile_loop()
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


@compile_loop()
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


@compile_loop()
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


@compile_loop()
def _range_of(lowest, highest, start, taps):
    least, most = lowest[start], highest[start]
    for j in range(start + 1, start + taps):
        least = min(least, lowest[j])
        most = max(most, highest[j])
    return least, most


@compile_loop(inline="always")
def _at_luma(plane, row, x, siting, offset, last_x):
    """One chroma value at a luma position, by the arithmetic of ``_mix_lines`` and ``_widen_line``."""
    last_y = plane.shape[0] - 1
    sub_x, sub_y = int(siting[0]), int(siting[3])
    near_y = min(row // sub_y, last_y)
    far_y, part_y = near_y, np.float32(0.0)
    if sub_y == 2:
        far_y = step_within(near_y, -1, last_y) if row % 2 == 0 else step_within(near_y, 1, last_y)
        part_y = siting[4] if row % 2 == 0 else siting[5]
    near_x = min(x // sub_x, last_x)
    far_x, part_x = near_x, np.float32(0.0)
    if sub_x == 2:
        far_x = step_within(near_x, -1, last_x) if x % 2 == 0 else step_within(near_x, 1, last_x)
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


@compile_loop()
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


@compile_loop()
def proxy_planes(
    first, second, third, chroma_width, origin, factor, row_starts, row_weights, column_starts,
    column_weights, offsets, matrix, siting, ceiling, table, low, per_unit, primaries, out, clipped,
):  # fmt: skip
    """Write the linear light of box means to ``out`` ``(h, w, 3)`` and the boxes' clip bits to ``clipped``.

    Each plane is read once. A box is searched for clipped pixels only where the largest luma and the
    extreme chroma of its samples could reach the ceiling together.
    """
    rows, columns = clipped.shape
    left, width = origin[1], columns * factor
    sums, highest = np.empty(width, np.uint32), np.empty(width, first.dtype)
    mean_b, mean_c = np.empty(chroma_width, np.float32), np.empty(chroma_width, np.float32)
    low_b, high_b = np.empty(chroma_width, second.dtype), np.empty(chroma_width, second.dtype)
    low_c, high_c = np.empty(chroma_width, third.dtype), np.empty(chroma_width, third.dtype)
    box_a, box_b, box_c = (
        np.empty(columns, np.float32),
        np.empty(columns, np.float32),
        np.empty(columns, np.float32),
    )
    red = np.empty(columns, np.float32)
    luma = first[:, left:]
    top = np.float32(table.shape[0]) - np.float32(1.01)
    for r in range(rows):
        row = origin[0] + r * factor
        peak = _gather_column_sums(luma, row, factor, sums, highest)
        b0, b1 = _gather_column_means(second, row_starts[r], row_weights[r], mean_b, low_b, high_b)
        c0, c1 = _gather_column_means(third, row_starts[r], row_weights[r], mean_c, low_c, high_c)
        _sum_boxes(sums, factor, box_a)
        _weigh_boxes(mean_b, column_starts, column_weights, offsets[1], box_b)
        _weigh_boxes(mean_c, column_starts, column_weights, offsets[2], box_c)
        place_line(box_a, box_b, box_c, offsets[0], matrix, low, per_unit, top, red)
        read_table(red, table)
        read_table(box_b, table)
        read_table(box_c, table)
        store_line(red, box_b, box_c, primaries, out[r])
        clipped[r, :] = 0
        if _suspect_channels(matrix, offsets, ceiling, peak, b0, b1, c0, c1):
            _clip_row(
                first, second, third, row, left, factor, column_starts, column_weights.shape[0], highest,
                low_b, high_b, low_c, high_c, offsets, matrix, siting, ceiling, clipped[r],
            )  # fmt: skip


@compile_loop()
def _sum_boxes(sums, factor, out):
    share = np.float32(1.0) / np.float32(factor * factor)
    if factor == 3:  # the usual factor of HD, written out so that it is compiled to vector code
        for q in range(out.shape[0]):
            out[q] = np.float32(sums[3 * q] + sums[3 * q + 1] + sums[3 * q + 2]) * share
        return
    for q in range(out.shape[0]):
        total = sums[q * factor]
        for k in range(1, factor):
            total += sums[q * factor + k]
        out[q] = np.float32(total) * share


@compile_loop()
def _weigh_boxes(means, starts, weights, offset, out):
    for q in range(out.shape[0]):
        out[q] = -offset
    for k in range(weights.shape[0]):
        line = weights[k]
        for q in range(out.shape[0]):
            out[q] += line[q] * means[np.uint32(starts[q] + k)]


@compile_loop()
def _clip_row(
    first, second, third, row, left, factor, starts, taps, highest, low_b, high_b, low_c, high_c, offsets,
    matrix, siting, ceiling, clipped,
):  # fmt: skip
    """Find the clipped boxes of one row, searching only those that could be."""
    for q in range(clipped.shape[0]):
        peak = highest[q * factor]
        for k in range(1, factor):
            peak = max(peak, highest[q * factor + k])
        b0, b1 = _range_of(low_b, high_b, starts[q], taps)
        c0, c1 = _range_of(low_c, high_c, starts[q], taps)
        suspects = _suspect_channels(matrix, offsets, ceiling, peak, b0, b1, c0, c1)
        if suspects:
            clipped[q] = _clip_box(
                first, second, third, row, left + q * factor, factor, offsets, matrix, siting,
                low_b.shape[0] - 1, ceiling, suspects,
            )  # fmt: skip


@compile_loop()
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
