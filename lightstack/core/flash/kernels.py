"""Flashes at every place of a picture, in compiled loops: light averaged, changes followed, counts kept, windows slid.

A place changes where it has gone from a low to a high, or back, by what a rule asks for. What comes between is
followed and not counted, so many small steps in one direction are one change.
"""

# mypy: allow-untyped-defs

from __future__ import annotations

import numpy as np

from lightstack.core.compiled import compile_loop

__all__ = [
    "HELD",
    "LUMINANCE",
    "RED",
    "RED_EARLIER",
    "SCREEN_LUMINANCE",
    "TRACKS",
    "average_light",
    "count_places",
    "describe_light",
    "fill_window",
    "follow_light",
    "follow_red",
    "tally_changes",
]

LUMINANCE, RED, RED_EARLIER, SCREEN_LUMINANCE = range(4)  # the tracks that every place is followed on
TRACKS = 4
HELD = 5  # numbers kept of each end of a red track: value, mean around, share of red, u', v'
RED_WEIGHT, GREEN_WEIGHT, BLUE_WEIGHT = np.float32(0.2126), np.float32(0.7152), np.float32(0.0722)  # WCAG 2.2
EARLIER_SCALE = np.float32(320)  # WCAG 2.x before: of max(0, R - G - B)
LUMINANCE_STEP = np.float32(0.1 - 1e-6)  # WCAG 2.2: 10 % of the maximum relative luminance, or more
LUMINANCE_TOP = np.float32(0.8)  # WCAG 2.2: of the darker image
RED_SHARE = np.float32(0.8 - 1e-6)  # WCAG 2.2: R / (R + G + B) of a saturated red
RED_APART = np.float32(0.2)  # WCAG 2.2: more than that in CIE 1976 u'v'
RED_STEP = np.float32(20)  # WCAG 2.x before: more than that in max(0, R - G - B) x 320
SCREEN_STEP = np.float32(20 - 1e-4)  # BT.1702: cd/m2, where the darker is below 160
SCREEN_RATIO = np.float32(1 / 8 - 1e-6)  # BT.1702: a Michelson contrast of 1/17 is a step of an eighth of the darker
AROUND = np.float32(0.4)  # of its own change a place must share with those around it; patterns that balance do not


@compile_loop()
def average_light(first_row, last_row, picture, side, rooted, scale, table, weights, out):
    """Average what a screen shows of ``picture`` (H, W, 3) over cells of ``side`` pixels into ``out`` (h, w, 4)."""
    last = table.shape[0] - 2
    share = np.float32(1.0 / (side * side))
    light = np.zeros(4, np.float32)
    for y in range(first_row, last_row):
        for x in range(out.shape[1]):
            light[:] = np.float32(0)
            for j in range(y * side, (y + 1) * side):
                for i in range(x * side, (x + 1) * side):
                    for c in range(3):
                        value = picture[j, i, c]
                        value = value if value > np.float32(0) else np.float32(0)  # no number becomes black
                        place = (np.sqrt(value) if rooted else value) * scale
                        place = place if place < np.float32(last) else np.float32(last)
                        k = np.uint32(place)
                        part = place - np.float32(k)
                        light[c] += table[k, 0] + part * (table[k + 1, 0] - table[k, 0])
                        light[3] += (table[k, 1] + part * (table[k + 1, 1] - table[k, 1])) * weights[c]
            for c in range(4):
                out[y, x, c] = light[c] * share


@compile_loop()
def describe_light(first_row, last_row, cells, peak, fade, to_xyz, looks):
    """Write what the rules look at of ``cells`` (h, w, 4) to ``looks`` (h, w, 6); below ``fade`` colour fades."""
    third, tiny, one = np.float32(1 / 3), np.float32(1e-9), np.float32(1)
    for y in range(first_row, last_row):
        for x in range(cells.shape[1]):
            red, green, blue = cells[y, x, 0], cells[y, x, 1], cells[y, x, 2]
            total = red + green + blue
            sure = min(max((total - fade[0]) / (fade[1] - fade[0]), np.float32(0)), one)
            grey = (total * third + tiny) * (one - sure)
            looks[y, x, 0] = RED_WEIGHT * red + GREEN_WEIGHT * green + BLUE_WEIGHT * blue
            looks[y, x, 1] = cells[y, x, 3] * peak
            looks[y, x, 2] = max(red - green - blue, np.float32(0)) * EARLIER_SCALE
            red, green, blue = red * sure + grey, green * sure + grey, blue * sure + grey
            across = to_xyz[0, 0] * red + to_xyz[0, 1] * green + to_xyz[0, 2] * blue
            up = to_xyz[1, 0] * red + to_xyz[1, 1] * green + to_xyz[1, 2] * blue
            deep = to_xyz[2, 0] * red + to_xyz[2, 1] * green + to_xyz[2, 2] * blue
            below = one / (across + np.float32(15) * up + np.float32(3) * deep)
            looks[y, x, 3] = red / (red + green + blue)
            looks[y, x, 4] = np.float32(4) * across * below
            looks[y, x, 5] = np.float32(9) * up * below


@compile_loop()
def is_step(track, low, high):
    """Tell whether going between two luminances is a change by a track's rule."""
    step = high - low
    if track == LUMINANCE:
        return step >= LUMINANCE_STEP and low < LUMINANCE_TOP
    return step >= SCREEN_STEP and step >= low * SCREEN_RATIO


@compile_loop()
def is_red_step(track, low, high):
    """Tell whether going between two colours, each as `follow_red` keeps them, is a change by a track's rule."""
    if low[2] < RED_SHARE and high[2] < RED_SHARE:
        return False
    if track == RED_EARLIER:
        return high[0] - low[0] > RED_STEP
    across, up = high[3] - low[3], high[4] - low[4]
    return across * across + up * up > RED_APART * RED_APART


@compile_loop()
def follow_light(first_row, last_row, looks, around, ends, direction, bits):
    """Follow the luminance of every place of rows by one frame; set the bits of the tracks that changed.

    ``looks`` (h, w, 6) and its means ``around`` every place; ``ends`` (h, w, TRACKS, 4) float32: low, mean around it,
    high, mean around it; ``direction`` (h, w, TRACKS) int8: of the last change, 0 before the first. ``bits`` (h, w).
    """
    for y in range(first_row, last_row):
        for x in range(looks.shape[1]):
            for track in (LUMINANCE, SCREEN_LUMINANCE):
                source = 0 if track == LUMINANCE else 1
                now, mean = looks[y, x, source], around[y, x, source]
                low, low_mean = ends[y, x, track, 0], ends[y, x, track, 1]
                high, high_mean = ends[y, x, track, 2], ends[y, x, track, 3]
                way = direction[y, x, track]
                rises = way <= 0 and is_step(track, low, now) and mean - low_mean >= AROUND * (now - low)
                falls = way >= 0 and not rises and is_step(track, now, high)
                falls = falls and high_mean - mean >= AROUND * (high - now)
                if rises or falls:
                    direction[y, x, track] = 1 if rises else -1
                    bits[y, x] |= np.uint8(1 << track)
                if rises or (way >= 0 and not falls and now > high):
                    ends[y, x, track, 2], ends[y, x, track, 3] = now, mean
                if falls or (way <= 0 and not rises and now < low):
                    ends[y, x, track, 0], ends[y, x, track, 1] = now, mean


@compile_loop()
def follow_red(first_row, last_row, looks, around, ends, direction, bits):
    """Follow the red of every place of rows by one frame, as `follow_light`.

    ``ends`` (h, w, 2, 2, HELD) float32: the low and the high of each track as value, mean around, share of red, u', v'.
    """
    now = np.empty(HELD, np.float32)
    for y in range(first_row, last_row):
        for x in range(looks.shape[1]):
            now[2], now[3], now[4] = looks[y, x, 3], looks[y, x, 4], looks[y, x, 5]
            for track in (RED, RED_EARLIER):
                source = 3 if track == RED else 2
                now[0], now[1] = looks[y, x, source], around[y, x, source]
                low, high = ends[y, x, track - RED, 0], ends[y, x, track - RED, 1]
                way = direction[y, x, track]
                rises = way <= 0 and now[0] > low[0] and is_red_step(track, low, now)
                rises = rises and now[1] - low[1] >= AROUND * (now[0] - low[0])
                falls = way >= 0 and not rises and now[0] < high[0] and is_red_step(track, now, high)
                falls = falls and high[1] - now[1] >= AROUND * (high[0] - now[0])
                if rises or falls:
                    direction[y, x, track] = 1 if rises else -1
                    bits[y, x] |= np.uint8(1 << track)
                if rises or (way >= 0 and not falls and now[0] > high[0]):
                    for k in range(HELD):
                        high[k] = now[k]
                if falls or (way <= 0 and not rises and now[0] < low[0]):
                    for k in range(HELD):
                        low[k] = now[k]


@compile_loop()
def tally_changes(counts, bits, sign):
    """Add ``sign`` to ``counts`` (TRACKS, h, w) int16 wherever ``bits`` (h, w) says that a track changed."""
    for y in range(bits.shape[0]):
        for x in range(bits.shape[1]):
            if bits[y, x]:
                for track in range(TRACKS):
                    if bits[y, x] & (1 << track):
                        counts[track, y, x] += sign


@compile_loop()
def count_places(counts, having):
    """Write how many places of ``counts`` (h, w) have 0, 1, 2 ... or more to ``having`` (n,) int64."""
    having[:] = 0
    for y in range(counts.shape[0]):
        for x in range(counts.shape[1]):
            having[min(max(counts[y, x], 0), having.shape[0] - 1)] += 1
    for k in range(having.shape[0] - 2, -1, -1):
        having[k] += having[k + 1]


@compile_loop()
def fill_window(counts, least, height, width):
    """Return how many places of the fullest window have ``least`` or more in ``counts`` (h, w), its top and left."""
    rows, columns = counts.shape
    down = np.zeros(columns, np.int32)  # places in the window's rows of each column
    best, top, left = -1, 0, 0
    for y in range(rows):
        for x in range(columns):
            down[x] += counts[y, x] >= least
            if y >= height:
                down[x] -= counts[y - height, x] >= least
        if y < height - 1:
            continue
        inside = 0
        for x in range(columns):
            inside += down[x]
            if x >= width:
                inside -= down[x - width]
            if x >= width - 1 and inside > best:
                best, top, left = inside, y - height + 1, x - width + 1
    return best, top, left
