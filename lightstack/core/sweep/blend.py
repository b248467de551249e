"""Compiled loops of the guide and of the shared maximum. Their slow twins stand in the tests."""

from __future__ import annotations

import numpy as np

from lightstack.core.compiled import compile_loop

__all__ = ["blend_in", "mix_levels", "share_levels", "stabilise", "stabilise_into"]

NEGLIGIBLE = 16.0  # a still this many blends behind has a share of 1e-7: none


@compile_loop()
def _copy_row(light, ambient, value, floor):  # type: ignore[no-untyped-def]
    for i in range(len(value)):
        value[i] = light[i]
        floor[i] = ambient[i]


@compile_loop(error_model="numpy")
def _halve_rows(light, ambient, valid, row, value, floor, weight):  # type: ignore[no-untyped-def]
    """Average the light of valid pixels, the ambient and the validity over boxes of 2 x 2."""
    height, width = light.shape[:2]
    last = min(2 * row + 1, height - 1)
    quarter = np.float32(0.25)
    for x in range(len(value) // 3):
        right = min(2 * x + 1, width - 1)
        v0, v1, v2, v3 = np.float32(1), np.float32(1), np.float32(1), np.float32(1)
        if valid.size:
            v0, v1 = valid[2 * row, 2 * x], valid[2 * row, right]
            v2, v3 = valid[last, 2 * x], valid[last, right]
        total = v0 + v1 + v2 + v3
        weight[row, x] = quarter * total
        share = np.float32(1) / total if total > 0 else np.float32(0)
        for c in range(3):
            top = v0 * light[2 * row, 2 * x, c] + v1 * light[2 * row, right, c]
            low = v2 * light[last, 2 * x, c] + v3 * light[last, right, c]
            value[3 * x + c] = share * (top + low)
            dark = ambient[2 * row, 2 * x, c] + ambient[2 * row, right, c]
            floor[3 * x + c] = quarter * (dark + ambient[last, 2 * x, c] + ambient[last, right, c])


@compile_loop(error_model="numpy")
def _stabilise_row(value, ambient, gain, offset, level):  # type: ignore[no-untyped-def]
    zero, quarter, two = np.float32(0), np.float32(0.25), np.float32(2)
    for i in range(len(value)):
        dark = ambient[i] if ambient[i] > zero else zero
        floor = gain[i] * dark + offset[i]
        above = floor + gain[i] * value[i]
        least = quarter * floor
        above = above if above > least else least
        level[i] = two * value[i] / (np.sqrt(floor) + np.sqrt(above))


@compile_loop(error_model="numpy")
def stabilise_into(light, ambient, valid, a, b, projection, shrink, out, weight):  # type: ignore[no-untyped-def]
    """Do what ``stabilise`` does for a band of rows, the first of them even, into rows of its results."""
    height, width = light.shape[:2]
    groups = projection.shape[0]
    rows, columns = out.shape[:2]
    flat_light, flat_ambient = light.reshape(height, width * 3), ambient.reshape(height, width * 3)
    value, floor = np.zeros(columns * 3, np.float32), np.zeros(columns * 3, np.float32)
    gain, level = np.zeros(columns * 3, np.float32), np.zeros(columns * 3, np.float32)
    offset = np.zeros(columns * 3, np.float32)
    for x in range(columns):
        for c in range(3):
            gain[3 * x + c], offset[3 * x + c] = a[c], b[c]
    for row in range(rows):
        if shrink == 1:
            _copy_row(flat_light[row], flat_ambient[row], value, floor)
            if valid.size:
                weight[row, :] = valid[row, :]
            else:
                weight[row, :] = 1
        else:
            _halve_rows(light, ambient, valid, row, value, floor, weight)
        _stabilise_row(value, floor, gain, offset, level)
        for g in range(groups):
            p0, p1, p2 = projection[g, 0], projection[g, 1], projection[g, 2]
            for x in range(columns):
                total = p0 * level[3 * x] + p1 * level[3 * x + 1] + p2 * level[3 * x + 2]
                out[row, x, g] = weight[row, x] * total if np.isfinite(total) and weight[row, x] > 0 else 0


@compile_loop(error_model="numpy")
def stabilise(light, ambient, valid, a, b, projection, shrink):  # type: ignore[no-untyped-def]
    """Average boxes of ``shrink`` x ``shrink`` valid pixels, stabilise and project them.

    ``light``, ``ambient`` (H, W, 3), ``valid`` (H, W) or (0, 0) for everything, ``a``, ``b`` (3,),
    ``projection`` (G, 3): float32, contiguous.

    Returns the projected picture times validity, and the validity. Each loop is so plain that the compiler
    can take several pixels at once.
    """
    height, width = light.shape[:2]
    groups = projection.shape[0]
    rows, columns = (height + shrink - 1) // shrink, (width + shrink - 1) // shrink
    out = np.zeros((rows, columns, groups), np.float32)
    weight = np.ones((rows, columns), np.float32)
    stabilise_into(light, ambient, valid, a, b, projection, shrink, out, weight)
    return out, weight


@compile_loop()
def mix_levels(wide, fine, faint, per_sigma):  # type: ignore[no-untyped-def]
    """Go from ``wide`` to ``fine`` as ``wide`` rises from ``faint`` on, smoothly, in place in ``wide``; all flat."""
    zero, one, two, three = np.float32(0), np.float32(1), np.float32(2), np.float32(3)
    for i in range(wide.shape[0]):
        level = wide[i]
        t = min(max((level - faint) * per_sigma, zero), one)
        wide[i] = level + t * t * (three - two * t) * (fine[i] - level)


@compile_loop(error_model="numpy")
def share_levels(level, share, least, otherwise):  # type: ignore[no-untyped-def]
    """Divide ``level`` (h, w, G) by ``share`` (h, w) in place; where that is not above ``least``, ``otherwise``."""
    rows, columns, groups = level.shape
    for y in range(rows):
        for x in range(columns):
            for g in range(groups):
                enough = share[y, x] > least
                level[y, x, g] = level[y, x, g] / share[y, x] if enough else otherwise[y, x, g]


@compile_loop()
def blend_in(peak, winner, best_valid, light, total, pulled, squares, still, guide, valid, index, blend):  # type: ignore[no-untyped-def]
    """Take one still into a running maximum that near-winners share.

    All arrays float32 and contiguous but ``winner``, int16; shapes as in ``state.State``.

    ``blend``: (faint, strong, knee, pull). Shares go as exp(u), u the level in blends: faint ones up to the
    level ``knee``, strong ones above. ``total`` sums the shares, ``pulled`` and ``squares`` the shares and
    their squares times this still's ``pull``.
    """
    height, width, groups = guide.shape
    per_group = 3 // groups
    one, nothing, bend = np.float32(1), np.float32(0), np.float32(blend[2])
    pull = np.float32(blend[3])
    low, high = np.float32(1 / blend[0]), np.float32(1 / blend[1])
    levels, leads = np.empty(width, np.float32), np.empty(width, np.float32)
    for y in range(height):
        for x in range(width):
            best_valid[y, x] = max(best_valid[y, x], valid[y, x])
        for g in range(groups):
            # most pixels go no further than this, and it is so plain that several are taken at once
            for x in range(width):
                level, top = valid[y, x] * guide[y, x, g], peak[y, x, g]
                levels[x] = level
                leads[x] = (min(level, bend) - min(top, bend)) * low + (max(level, bend) - max(top, bend)) * high
            for x in range(width):
                behind, level, v = leads[x], levels[x], valid[y, x]
                if not behind > np.float32(-NEGLIGIBLE) or not v > nothing:
                    continue
                if not np.isfinite(still[y, x, 0] + still[y, x, 1] + still[y, x, 2]):
                    continue
                keep, weight = one, v
                if behind > nothing:
                    peak[y, x, g] = level
                    winner[y, x, g] = index
                    keep = np.exp(-behind) if behind < np.float32(NEGLIGIBLE) else nothing
                else:
                    weight = v * np.exp(behind)
                total[y, x, g] = total[y, x, g] * keep + weight
                pulled[y, x, g] = pulled[y, x, g] * keep + pull * weight
                squares[y, x, g] = squares[y, x, g] * keep * keep + pull * weight * weight
                for c in range(g * per_group, (g + 1) * per_group):
                    light[y, x, c] = light[y, x, c] * keep + weight * v * still[y, x, c]
