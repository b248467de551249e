"""Light on whoever stands in the hero: what he reflects, times the lamp's light around him.

Plate and hero show the same set, so smooth levels of both, divided, tell how much lamp light there was for the light
that is already there, free of the set's own colours. The hero's picture of the figure, times that, is the figure
in the lamp's light. What cannot be known is held: nothing reflects much more than half of the light, and where the
light already there leaves a channel to noise, the figure counts as grey in it.

References
----------
Knutsson & Westin, Normalized and differential convolution, CVPR 1993. He, Sun & Tang, Guided Image Filtering, IEEE
TPAMI 35(6), 2013.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from lightstack.records import FloatArray, NoiseModel

__all__ = ["SetLevels", "light_figure", "measure_levels", "range_share"]

FACTOR = 8  # of the size at which surfaces are told from lamps
COARSE = 96  # pixels across at which levels are smoothed
SPREAD = 0.2  # standard deviation of the smoothing, of the picture's width
LAMP_LEVEL = 0.9  # of the hero, from which a pixel is a lamp or a window rather than a lit surface
SET_REFLECTS = 0.35  # a furnished room in the mean (estimate); of the figure only the ratio to it counts
MOST_REFLECTS = 0.4  # what a figure's level is bent towards: brighter is light already there, rather than cloth or skin
NEARER = 1.6  # a lamp that is carried round a room comes nearer to who stands in it than to its walls (made rooms)
LEAST_HELD = 0.02  # coverage below which a pixel's own colour cannot be told
NOISE_STEPS = 2.0  # standard deviations of luminance that count as no detail
WIDER = 4  # times the cell, over which what drowns in noise is averaged
CLEAR_SQUARE = 25.0  # squared standard errors of an average at which it is half believed: five of them
AVERAGED = 25.0  # cells whose noise goes into one colour: three by three, twice
LAMP_WHOLE, PRESENT_WHOLE = 0.3, 0.5  # how far levels are drawn to the whole room's (made rooms 501 to 506)


@dataclass(frozen=True, slots=True, eq=False)
class SetLevels:
    """Smooth levels around the figure, small, ``(h, w, 3)`` linear: of the ``lamp``'s light at full mix, and of
    the light ``present`` in the hero, both as the set reflects them. ``size`` (H, W) in full."""

    lamp: NDArray[np.float32]
    present: NDArray[np.float32]
    size: tuple[int, int]


def measure_levels(plate: FloatArray, hero: FloatArray, held: FloatArray) -> SetLevels:
    """Smooth the lamp's light and the light that is already there over everything but the figure.

    Parameters
    ----------
    plate, hero : (H, W, 3) linear light in the frame's place: the lamp's light on the set, and the frame.
    held : (H, W) 0..1, the figure's matte.

    Notes: where a figure fills the whole picture, the levels are those of what stands behind it. Who stands in a room
    is lit by more of it than the walls behind him, so levels are drawn towards the whole room's: the lamp's by its
    mean, that two lamps add up; that of the light already there by its geometric mean, that no window decides.
    """
    size = (held.shape[0], held.shape[1])
    small = small_size(size, FACTOR)
    lamp, present, cover = (shrink(picture, small) for picture in (plate, hero, held))
    weight = (1 - np.clip(cover, 0, 1)) * (present < LAMP_LEVEL).all(axis=-1) + 1e-4
    weight = weight * np.isfinite(present).all(-1) * np.isfinite(lamp).all(-1) + 1e-12
    coarse = small_size(size, max(FACTOR, round(size[1] / COARSE)))
    mass = shrink(weight.astype(np.float32), coarse)
    spread = blur(mass, SPREAD * coarse[1])[..., None]
    parts = [shrink(np.nan_to_num(one) * weight.astype(np.float32)[..., None], coarse) for one in (lamp, present)]
    levels = [np.maximum(blur(part, SPREAD * coarse[1]) / spread, 0) for part in parts]
    share = mass[..., None] / mass.sum()
    lamp = levels[0] + LAMP_WHOLE * ((levels[0] * share).sum(axis=(0, 1)) - levels[0])
    floor = np.maximum(levels[1], 1e-3 * levels[1].max() + 1e-9)
    whole = np.exp((np.log(floor) * share).sum(axis=(0, 1)))
    present = levels[1] * (whole / floor) ** np.float32(PRESENT_WHOLE)
    return SetLevels(np.asarray(lamp, np.float32), np.asarray(present, np.float32), size)


def light_figure(
    figure: FloatArray, held: FloatArray, levels: SetLevels, *, noise: NoiseModel, weights: NDArray[np.float64]
) -> FloatArray:
    """Return the lamp's light on the figure at full mix, (H, W, 3) float32; 0 where nobody stands.

    Parameters
    ----------
    figure : (H, W, 3) linear, whoever stands before the set: colour times matte.
    held : (H, W) 0..1, the matte.
    levels : of the frame, `measure_levels`.
    noise : of one pixel of the hero.
    weights : (3,) of luminance.

    Notes: proportional to the lamp's light. Fails where the figure stands in a light of its own that the set does not
    get: a figure in the dark before a lit wall stays dark.
    """
    lit = np.zeros((*held.shape, 3), np.float32)
    box = find_box(held, margin=3 * WIDER * cell_size(held.shape[1]))
    if box is None:
        return lit
    cover = np.asarray(np.clip(held[box], 0, 1), np.float32)
    colour = find_colour(figure[box], cover, noise=noise, weights=weights, cell=cell_size(held.shape[1]))
    present, lamp = (enlarge(level, levels.size, box) for level in (levels.present, levels.lamp))
    reflects = bend(reflectance(colour, present, noise=noise, weights=weights), weights)
    lit[box] = reflects * lamp * (cover * np.float32(NEARER / SET_REFLECTS))[..., None]
    return lit


def reflectance(
    colour: FloatArray, present: FloatArray, *, noise: NoiseModel, weights: NDArray[np.float64]
) -> FloatArray:
    """Divide the figure's colour (h, w, 3) by the light on it; where a channel is noise, by what the others say."""
    light = present / np.float32(SET_REFLECTS)
    known = present**2 / (present**2 + find_variance(noise, colour))  # 1 where the light is well above the noise
    share = np.maximum(colour, 0) / np.maximum(light, 1e-6) * known
    grey = find_tone(share, weights) / np.maximum(find_tone(known, weights), 1e-3)
    return np.asarray(share + (1 - known) * grey[..., None], np.float32)


def bend(reflects: FloatArray, weights: NDArray[np.float64]) -> FloatArray:
    """Bend the level of reflectances (h, w, 3) towards `MOST_REFLECTS`; dark ones stay, and so do colours."""
    level = find_tone(reflects, weights)
    return np.asarray(reflects / np.sqrt(1 + (level / MOST_REFLECTS) ** 2)[..., None], np.float32)


def find_colour(
    figure: FloatArray, cover: FloatArray, *, noise: NoiseModel, weights: NDArray[np.float64], cell: int
) -> FloatArray:
    """Return the figure's colour (h, w, 3) without its grain: near by where it stands clear of noise, else from wider
    around; so that grain of dark cloth neither shows as blotches nor counts as light. Parameters as of `keep_edges`.
    """
    near, wide = (keep_edges(figure, cover, noise=noise, weights=weights, cell=cell * by) for by in (1, WIDER))
    error = find_variance(noise, wide) * np.float32(CLEAR_SQUARE / (AVERAGED * cell**2))
    clear = np.maximum(wide, 0) ** 2
    return np.asarray(wide + (near - wide) * (clear / (clear + error)), np.float32)


def keep_edges(
    figure: FloatArray, cover: FloatArray, *, noise: NoiseModel, weights: NDArray[np.float64], cell: int
) -> FloatArray:
    """Smooth the figure's colour (h, w, 3) of its grain, along with its own luminance, under its matte only.

    ``figure``: colour times matte. ``cell``: pixels; detail is told from grain within three cells. Returns the colour,
    without the matte.
    """
    mass = np.where(cover > LEAST_HELD, cover, 0).astype(np.float32)
    colour = np.asarray(figure * np.where(mass > 0, 1 / np.maximum(cover, LEAST_HELD), 0)[..., None], np.float32)
    guide = find_tone(colour, weights)
    means = average_cells([colour, colour * guide[..., None], guide, guide * guide], mass, cell)
    middle, along, level, square = means
    limit = NOISE_STEPS**2 * find_tone(find_variance(noise, middle), weights**2)
    slope = (along - middle * level[..., None]) / (np.maximum(square - level**2, 0) + limit)[..., None]
    held = shrink(mass, small_size(mass.shape, cell))
    smooth = average_cells([slope, middle - slope * level[..., None]], held, 1)
    size, whole = mass.shape, (slice(0, mass.shape[0]), slice(0, mass.shape[1]))
    return enlarge(smooth[0], size, whole) * guide[..., None] + enlarge(smooth[1], size, whole)


def average_cells(pictures: list[FloatArray], mass: FloatArray, cell: int) -> list[FloatArray]:
    """Average pictures (h, w, ...) under a weight (h, w) over 3 x 3 cells; one pixel a cell is returned."""
    small = small_size(mass.shape, cell)
    total = box_mean(shrink(mass, small), 3) + np.float32(1e-6)
    parts = [one * (mass if one.ndim == 2 else mass[..., None]) for one in pictures]
    sums = [box_mean(shrink(part, small), 3) for part in parts]
    return [one / (total if one.ndim == 2 else total[..., None]) for one in sums]


def range_share(picture: FloatArray, low: float, high: float, *, weights: NDArray[np.float64]) -> FloatArray:
    """Return how much of each pixel of a hero lies within a range of luminance, (H, W) 0..1, with soft ends.

    The ends are as wide as a stop: at ``low`` and ``high`` half of the light falls. ``low`` 0 has no lower end.
    """
    luminance = np.maximum(box_mean(find_tone(picture, weights), 2 * cell_size(picture.shape[1]) + 1), 0)
    stops = np.log2(luminance + np.float32(1e-6))
    share = smooth_step(np.log2(high) + 0.5 - stops)
    return share if low <= 0 else share * smooth_step(stops - np.log2(low) + 0.5)


def smooth_step(x: FloatArray) -> FloatArray:
    """Return 0 below 0, 1 above 1, and a smooth rise between."""
    t = np.clip(x, 0, 1)
    return np.asarray(t * t * (3 - 2 * t), np.float32)


def small_size(size: tuple[int, ...], factor: int) -> tuple[int, int]:
    """Return height and width of a picture that is smaller by a factor."""
    return max(1, -(-size[0] // factor)), max(1, -(-size[1] // factor))


def shrink(picture: FloatArray, small: tuple[int, int]) -> NDArray[np.float32]:
    """Average a picture down to (h, w); one of that size is taken as it is."""
    if picture.shape[:2] == small:
        return np.asarray(picture, np.float32)
    light = np.asarray(picture, np.float32)
    return np.asarray(cv2.resize(light, small[::-1], interpolation=cv2.INTER_AREA), np.float32)


def enlarge(level: FloatArray, size: tuple[int, int], box: tuple[slice, slice]) -> FloatArray:
    """Return a box of a small picture at full size, between its pixels linearly."""
    scale = level.shape[1] / size[1], level.shape[0] / size[0]
    corner = [(box[1].start + 0.5) * scale[0] - 0.5, (box[0].start + 0.5) * scale[1] - 0.5]
    back = np.array([[scale[0], 0, corner[0]], [0, scale[1], corner[1]]])
    wanted = (box[1].stop - box[1].start, box[0].stop - box[0].start)
    kind = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    return np.asarray(cv2.warpAffine(level, back, wanted, flags=kind, borderMode=cv2.BORDER_REPLICATE), np.float32)


def find_box(held: FloatArray, *, margin: int) -> tuple[slice, slice] | None:
    """Return the rows and columns that hold a figure, with a margin; None where nobody stands."""
    rows, columns = np.flatnonzero(held.max(axis=1) > 0), np.flatnonzero(held.max(axis=0) > 0)
    if not rows.size:
        return None
    ends = [
        slice(max(0, int(line[0]) - margin), min(side, int(line[-1]) + 1 + margin))
        for line, side in zip((rows, columns), held.shape, strict=True)
    ]
    return ends[0], ends[1]


def cell_size(width: int) -> int:
    """Return the side of a cell for a picture of that width, in pixels."""
    return max(1, round(width / 640))


def find_variance(noise: NoiseModel, level: FloatArray) -> NDArray[np.float32]:
    """Return the variance of one pixel at a level (..., 3), in single precision."""
    slope, offset = np.asarray(noise.a, np.float32), np.asarray(noise.b, np.float32)
    return np.asarray(np.maximum(np.maximum(level, 0) * slope + offset, 1e-12), np.float32)


def find_tone(picture: FloatArray, weights: NDArray[np.float64]) -> NDArray[np.float32]:
    """Return the weighted sum of a picture's channels, (h, w)."""
    return np.asarray(cv2.transform(np.ascontiguousarray(picture, np.float32), weights.reshape(1, 3)), np.float32)


def blur(picture: FloatArray, sigma: float) -> NDArray[np.float32]:
    """Blur by a Gaussian; the border goes on."""
    return np.asarray(cv2.GaussianBlur(picture, (0, 0), sigma, borderType=cv2.BORDER_REPLICATE), np.float32)


def box_mean(picture: FloatArray, side: int) -> NDArray[np.float32]:
    """Average over a square window; the border goes on."""
    return np.asarray(cv2.blur(picture, (side, side), borderType=cv2.BORDER_REPLICATE), np.float32)
