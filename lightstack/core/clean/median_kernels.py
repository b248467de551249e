"""The compiled loops behind the reductions over time.

All frames of a row segment are brought into a small buffer as whole numbers that sort as the light does (*keys*), and a
fixed list of compare-exchange steps runs over the buffer, many pixels at a time: no branch, no partition, no
pixel-by-pixel sorting. A key of all ones means "not seen" and sorts last. ``core.clean.median`` wraps these loops.
"""

# mypy: allow-untyped-defs

from __future__ import annotations

import numpy as np

from lightstack.core.compiled import compile_loop

__all__ = ["CODES", "FLOATS", "HALVES", "clip_segments", "mean_segments", "middle_segments"]

CODES, HALVES, FLOATS = 0, 1, 2  # kinds of values: unsigned codes, bits of half floats, bits of 32-bit floats
BUFFER_VALUES = 32768  # of all frames together: 64 KiB of 16-bit keys stay in the second cache
VECTOR_VALUES = 32  # of the smallest keys in a vector of 256 bits
UNSEEN16 = 0xFFFF
UNSEEN32 = 0xFFFFFFFF
SIGMA_PER_MAD = 1.482602218505602  # of a normal distribution: 1 / inverse normal of 3/4


@compile_loop(inline="always")
def cut_part(frame, first, keys):
    """Return the values of a frame that are brought into ``keys``.

    Notes: a sum as an index may be negative for all that the compiler knows, and such loops are not vectorised.
    """
    return frame[first : first + keys.shape[0]]


@compile_loop()
def load_codes(frame, first, keys):
    """Copy unsigned codes of one frame as they are."""
    part = cut_part(frame, first, keys)
    for x in range(keys.shape[0]):
        keys[x] = part[x]


@compile_loop()
def load_half(frame, first, keys):
    """Turn bits of half floats into keys: the sign's bit flipped, negative numbers turned round; NaN is unseen.

    Returns the largest key.
    """
    part = cut_part(frame, first, keys)
    largest = np.uint16(0)
    for x in range(keys.shape[0]):
        bits = part[x]
        turned = np.uint16(~bits) if bits & np.uint16(0x8000) else np.uint16(bits | np.uint16(0x8000))
        key = np.uint16(UNSEEN16) if (bits & np.uint16(0x7FFF)) > np.uint16(0x7C00) else turned
        keys[x] = key
        largest = max(largest, key)
    return largest


@compile_loop()
def load_float(frame, first, keys):
    """Turn bits of 32-bit floats into keys as `load_half` does."""
    part = cut_part(frame, first, keys)
    largest = np.uint32(0)
    for x in range(keys.shape[0]):
        bits = part[x]
        turned = np.uint32(~bits) if bits & np.uint32(0x80000000) else np.uint32(bits | np.uint32(0x80000000))
        key = np.uint32(UNSEEN32) if (bits & np.uint32(0x7FFFFFFF)) > np.uint32(0x7F800000) else turned
        keys[x] = key
        largest = max(largest, key)
    return largest


@compile_loop()
def exchange(low, high):
    """Put the smaller of each pair into ``low``, the larger into ``high``."""
    for x in range(low.shape[0]):
        a, b = low[x], high[x]
        low[x] = min(a, b)
        high[x] = max(a, b)


@compile_loop()
def keep_low(low, high):
    """Put the smaller of each pair into ``low``; ``high`` is not needed any more."""
    for x in range(low.shape[0]):
        low[x] = min(low[x], high[x])


@compile_loop()
def keep_high(low, high):
    """Put the larger of each pair into ``high``; ``low`` is not needed any more."""
    for x in range(high.shape[0]):
        high[x] = max(low[x], high[x])


@compile_loop()
def run_steps(steps, buffer):
    """Run compare-exchange steps ``(k, 3)``: rows a and b of ``buffer``, and what is kept (0 both, 1 low, 2 high)."""
    for k in range(steps.shape[0]):
        low, high, kept = buffer[steps[k, 0]], buffer[steps[k, 1]], steps[k, 2]
        if kept == 0:
            exchange(low, high)
        elif kept == 1:
            keep_low(low, high)
        else:
            keep_high(low, high)


@compile_loop()
def load_segment(frames, kind, first, buffer):
    """Load values from ``first`` on of every frame (n, values) into the rows of ``buffer`` as keys.

    Returns whether any of them is not seen.
    """
    unseen = False
    for k in range(frames.shape[0]):
        if kind == CODES:
            load_codes(frames[k], first, buffer[k])
        elif kind == HALVES:
            unseen |= load_half(frames[k], first, buffer[k]) == np.uint16(UNSEEN16)
        else:
            unseen |= load_float(frames[k], first, buffer[k]) == np.uint32(UNSEEN32)
    return unseen


@compile_loop()
def read_keys(keys, kind, table, values, bits):
    """Turn keys back into light; ``bits`` is ``values`` seen as whole numbers, ``table`` light by 16-bit key."""
    if kind == FLOATS:
        for x in range(keys.shape[0]):
            key = np.uint32(keys[x])
            bits[x] = key & np.uint32(0x7FFFFFFF) if key & np.uint32(0x80000000) else np.uint32(~key)
    else:
        for x in range(keys.shape[0]):
            values[x] = table[keys[x]]


@compile_loop(inline="always")
def segment_length(frames, first, last):
    """Return how many values are worked on side by side: whole vectors, so that every row begins where one does."""
    wanted = max(BUFFER_VALUES // frames.shape[0] // VECTOR_VALUES, 2) * VECTOR_VALUES
    return min(wanted, last - first)


@compile_loop()
def count_seen(buffer, unseen, seen):
    """Count per value in how many rows it is seen."""
    rows = buffer.shape[0]
    for x in range(seen.shape[0]):
        seen[x] = 0
    for k in range(rows):
        row = buffer[k]
        for x in range(seen.shape[0]):
            seen[x] += np.uint16(row[x] != unseen)


@compile_loop()
def pick_ranks(buffer, seen, low, high):
    """Pick the two middle keys of the seen ones from sorted rows; nothing seen leaves "not seen"."""
    for x in range(seen.shape[0]):
        count = np.int64(seen[x])
        low[x] = buffer[(count - 1) // 2 if count > 0 else 0, x]
        high[x] = buffer[count // 2 if count > 0 else 0, x]


@compile_loop()
def middle_segments(first, last, offset, frames, kind, unseen, steps, sort_steps, table, out, seen):
    """Write the median of values ``first`` to ``last`` (excluded), and how many it is of.

    Values are counted from ``offset`` on in each of ``frames`` (n, all values).
    ``steps`` bring the middle rows into place where all values are seen, ``sort_steps`` sort whole columns.
    """
    rows = frames.shape[0]
    count = segment_length(frames, first, last)
    buffer = np.empty((rows, count), frames.dtype)  # whole lines only: strided ones would not be vectorised
    low_keys, high_keys = np.empty(count, frames.dtype), np.empty(count, frames.dtype)
    low, high = np.empty(count, np.float32), np.empty(count, np.float32)
    low_bits, high_bits, out_bits = low.view(np.uint32), high.view(np.uint32), out.view(np.uint32)
    for begin in range(first, last, count):
        start = min(begin, last - count)
        end = start + count
        partial = load_segment(frames, kind, offset + start, buffer)
        if partial:
            count_seen(buffer, unseen, seen[start:end])
            run_steps(sort_steps, buffer)
            pick_ranks(buffer, seen[start:end], low_keys, high_keys)
            read_keys(low_keys, kind, table, low, low_bits)
            read_keys(high_keys, kind, table, high, high_bits)
        else:
            for x in range(start, end):
                seen[x] = rows
            run_steps(steps, buffer)
            if rows % 2:
                read_keys(buffer[rows // 2], kind, table, out[start:end], out_bits[start:end])
                continue
            read_keys(buffer[rows // 2 - 1], kind, table, low, low_bits)
            read_keys(buffer[rows // 2], kind, table, high, high_bits)
        for x in range(count):
            out[start + x] = low[x] if low[x] == high[x] else (low[x] + high[x]) / np.float32(2)


@compile_loop()
def mean_segments(first, last, offset, frames, kind, unseen, table, out, seen):
    """Write the mean of what is seen of values ``first`` to ``last`` (excluded); sums are float64 in frame order."""
    count = segment_length(frames, first, last)
    keys = np.empty((1, count), frames.dtype)
    value = np.empty(count, np.float32)
    bits = value.view(np.uint32)
    for begin in range(first, last, count):
        start = min(begin, last - count)
        total, number = np.zeros(count, np.float64), np.zeros(count, np.uint16)
        for k in range(frames.shape[0]):
            load_segment(frames[k : k + 1], kind, offset + start, keys)
            read_keys(keys[0], kind, table, value, bits)
            for x in range(count):
                if kind == CODES or keys[0, x] != unseen:
                    total[x] += value[x]
                    number[x] += np.uint16(1)
        for x in range(count):
            out[start + x] = total[x] / number[x] if number[x] > 0 else np.nan
            seen[start + x] = number[x]


@compile_loop()
def middle_of(values, first, last):
    """Return the median of sorted values ``first`` to ``last`` (excluded)."""
    return np.float64(values[first + (last - first - 1) // 2] + np.float64(values[first + (last - first) // 2])) / 2


@compile_loop()
def spread_of(values, first, last, middle, distances):
    """Return the median distance of sorted values from ``middle``; both ways out from it, nearest first."""
    right = first
    while right < last and values[right] < middle:
        right += 1
    left = right - 1
    for k in range((last - first) // 2 + 1):
        down = middle - values[left] if left >= first else np.inf
        up = values[right] - middle if right < last else np.inf
        if down < up:
            distances[k] = down
            left -= 1
        else:
            distances[k] = up
            right += 1
    half = (last - first) // 2
    return distances[half] if (last - first) % 2 else 0.5 * (distances[half - 1] + distances[half])


@compile_loop()
def clip_sorted(values, count, sigmas, least_sigma, rounds, distances):
    """Return the mean of what lies within ``sigmas`` of the median of sorted values, and how many that are."""
    first, last = 0, count
    for _ in range(rounds):
        middle = middle_of(values, first, last)
        limit = sigmas * max(SIGMA_PER_MAD * spread_of(values, first, last, middle, distances), least_sigma)
        start, end = first, last
        while first < end and values[first] < middle - limit:
            first += 1
        while last > first and values[last - 1] > middle + limit:
            last -= 1
        if first == start and last == end:
            break
    total = 0.0
    for k in range(first, last):
        total += values[k]
    return total / (last - first), last - first


@compile_loop()
def clip_segments(
    first, last, offset, frames, kind, unseen, sort_steps, table, sigmas, least_sigma, rounds, out, seen
):  # fmt: skip
    """Write the sigma-clipped mean of values ``first`` to ``last`` (excluded), and of how many it is."""
    rows = frames.shape[0]
    count = segment_length(frames, first, last)
    buffer = np.empty((rows, count), frames.dtype)
    light = np.empty((rows, count), np.float32)
    column, distances = np.empty(rows, np.float32), np.empty(rows + 1, np.float64)
    for begin in range(first, last, count):
        start = min(begin, last - count)
        load_segment(frames, kind, offset + start, buffer)
        if kind != CODES:
            count_seen(buffer, unseen, seen[start : start + count])
        else:
            seen[start : start + count] = rows
        run_steps(sort_steps, buffer)
        for k in range(rows):
            read_keys(buffer[k], kind, table, light[k], light[k].view(np.uint32))
        for x in range(count):
            number = np.int64(seen[start + x])
            if number == 0:
                out[start + x] = np.nan
                continue
            for k in range(number):
                column[k] = light[k, x]
            mean, kept = clip_sorted(column, number, sigmas, least_sigma, rounds, distances)
            out[start + x] = mean
            seen[start + x] = kept
