"""How fast the lamp's light went over the set: by how far its edges lie off from one frame to the next.

An edge that moves by d pixels changes a picture by as much as shifting the picture by d does. So the change from frame
to frame is held against the change that shifts of known length make; that holds for blurred edges, for sharp ones that
jump, and for noise, which is taken off both.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from lightstack.core.noise import sigma_at
from lightstack.core.numbers import only_numbers
from lightstack.records import BoolArray, FloatArray, FrameTable, NoiseModel

__all__ = ["add_speed", "measure_shift", "measure_speed"]

LUMINANCE = np.array([0.2126, 0.7152, 0.0722], np.float32)  # ITU-R BT.709-6, item 3.2
SMOOTH_PX = 1.0
WINDOW_PX = 15  # light that changes over more than this is no edge
SHIFTS = (1, 2, 3, 4, 6, 8, 12, 16, 24)
LEAST_SHARE = 0.05  # of the picture that must show light
LEAST_CHANGE = 1e-6  # of the shade, root mean square: less is no structure
BRIGHT_SIGMA = 10.0  # of one frame: where the lamp never brings as much, its edges drown
OPEN_SHUTTER = 0.5  # share of the frame interval; the trade's 180 degrees
# Smear at which a frame's weight is halved: where a sweep had better be filmed again. A lower one gives up light for
# sharpness: at 6 px a choice of frames lost up to half as much again in made rooms whose light moves by 0.5 to 3 px.
SMEAR_HALVES_PX = 24.0


def add_speed(table: FrameTable, speed_px: FloatArray) -> FrameTable:
    """Return the table with ``smear_px`` from ``speed_px`` ``(n,)``, and weights that fall where light smears.

    Notes: speed is measured at some frames, from each to the next; between them it is interpolated within a stretch
    of light. NaN where the lamp is out or a stretch has no edges; such frames keep their weight.
    """
    frames, speed = np.arange(len(speed_px)), np.asarray(speed_px, np.float64)
    smear = np.full(len(speed), np.nan)
    for stretch in set(table.stretch[table.lamp_on].tolist()):
        lit = table.lamp_on & (table.stretch == stretch)
        known = lit & np.isfinite(speed)
        if known.any():
            smear[lit] = OPEN_SHUTTER * np.interp(frames[lit], frames[known] + 0.5, speed[known])
    weight = table.weight / (1 + (np.nan_to_num(smear) / SMEAR_HALVES_PX) ** 2)
    return replace(table, smear_px=smear, weight=weight)


def measure_speed(
    light_at: Callable[[int], FloatArray],
    lamp_on: BoolArray,
    covered_at: Callable[[int], BoolArray],
    ambient: FloatArray,
    *,
    noise: NoiseModel,
    factor: int,
    follows: BoolArray | None = None,
    most: int = 32,
) -> NDArray[np.float64]:
    """Measure how far the light's edges move from a frame to the next, full-size pixels, ``(n,)``; NaN not measured.

    ``light_at(k)``: ``(h, w, 3)`` registered lamp light of frame k, NaN off the picture; ``covered_at(k)``: ``(h, w)``
    where lamp or carrier cover the set; ``ambient``: ``(h, w, 3)``. ``noise``: of one frame at that size. ``follows``:
    ``(n,)`` whether the frame after it was its successor when filmed; all are by default. ``most``: pairs of frames
    looked at, spread over the sweep.

    Notes: edges that jump by more than 24 pixels of the pictures given count as that. Three readings of a few frames
    and one of all; about 15 ms a pair at 320 x 180.
    """
    lit = [int(k) for k in np.flatnonzero(np.asarray(lamp_on, bool))]
    out = np.full(len(lamp_on), np.nan)
    pairs = [k for k in lit if k + 1 < len(lamp_on) and lamp_on[k + 1] and (follows is None or follows[k])]
    if not pairs:
        return out
    brightest = np.zeros(ambient.shape[:2], np.float32)
    for k in lit:
        luma = only_numbers(light_at(k)) @ LUMINANCE
        np.maximum(brightest, np.where(covered_at(k), 0, luma), out=brightest)
    foot = 3 * float(np.median(noise.sigma(ambient) @ LUMINANCE))
    bright = brightest > BRIGHT_SIGMA / 3 * foot
    for k in pairs[:: max(1, -(-len(pairs) // most))]:
        shades = [_shade(light_at(i), ambient, brightest, foot, noise) for i in (k, k + 1)]
        covered = np.logical_or(covered_at(k), covered_at(k + 1))
        near = cv2.dilate(covered.astype(np.uint8), np.ones((WINDOW_PX, WINDOW_PX), np.uint8)) > 0
        out[k] = measure_shift(*shades, usable=bright & ~near) * factor
    return out


def _shade(
    light: FloatArray, ambient: FloatArray, brightest: FloatArray, foot: float, noise: NoiseModel
) -> tuple[FloatArray, FloatArray]:
    """Lamp light over the most that each pixel ever gets, without what is smooth, and the variance of its noise."""
    light = only_numbers(light)
    gain = 1 / (brightest + np.float32(foot))
    shade = cv2.GaussianBlur(np.clip((light @ LUMINANCE) * gain, -0.2, 1.2), (0, 0), SMOOTH_PX)
    kept = 1 / (4 * np.pi * SMOOTH_PX**2)  # of white noise's variance, by the smoothing
    variance = (sigma_at(noise, light + ambient) ** 2) @ LUMINANCE**2 * gain**2 * np.float32(kept)
    return shade - cv2.blur(shade, (WINDOW_PX, WINDOW_PX)), variance


def measure_shift(
    one: tuple[FloatArray, FloatArray], two: tuple[FloatArray, FloatArray], *, usable: BoolArray
) -> float:
    """Measure how far structure moved between two pictures, pixels; each is ``(h, w)`` with the variance of its noise.

    NaN with too few ``usable`` pixels or no structure.

    Notes: the shift of the picture that changes it as much as its successor does, in the mean square; directions
    across and down are averaged.
    """
    if usable.mean() < LEAST_SHARE:
        return float("nan")
    change = float(((two[0] - one[0]) ** 2)[usable].mean() - (one[1] + two[1])[usable].mean())
    moved = np.sqrt(max(change, 0.0))
    lengths, shifts = [0.0], [0]
    for shift in SHIFTS:
        made = float(np.mean([_change_by_shift(*one, usable, shift, axis) for axis in (0, 1)]))
        if (length := max(made, 0.0) ** 0.5) > max(lengths[-1], LEAST_CHANGE):
            lengths.append(length)
            shifts.append(shift)
        if lengths[-1] > moved:
            break
    if len(lengths) == 1:
        return float("nan")
    return float(np.interp(moved, lengths, shifts, right=SHIFTS[-1]))


def _change_by_shift(picture: FloatArray, variance: FloatArray, usable: BoolArray, shift: int, axis: int) -> float:
    """Mean square change that a shift makes, less the noise's part."""
    count = picture.shape[axis]
    if shift >= count:
        return 0.0
    here, there = (slice(0, count - shift), slice(shift, count))
    cut = (lambda image, part: image[part]) if axis == 0 else (lambda image, part: image[:, part])
    both = cut(usable, here) & cut(usable, there)
    if not both.any():
        return 0.0
    # smoothed noise is alike in neighbours
    apart = 2 * (1 - np.exp(-(shift**2) / (4 * SMOOTH_PX**2)))
    squares = (cut(picture, there) - cut(picture, here)) ** 2
    return float(squares[both].mean() - apart * cut(variance, here)[both].mean())
