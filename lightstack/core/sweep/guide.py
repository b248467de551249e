"""The guide: one lamp still, denoised, in standard deviations of one frame.

A maximum over noisy stills picks the luckiest noise. So who wins at a pixel is decided by a fixed
denoising of each still alone, and the value then comes from the stills themselves. The guide is

1. each channel's lamp light in stabilised units: z = 2 l / (s0 + sqrt(v0 + a l)), v0 = a ambient + b,
   s0 = sqrt(v0). Its noise is 1 everywhere, whatever the brightness, and z rises with l, so comparing z
   compares l;
2. ``by = "brightest"``: the channels projected onto the lamp's own colour in those units, the direction in
   which lamp light stands out most from noise; ``by = "channel"``: every channel for itself;
3. a Gaussian whose width follows the light: wide where the lamp hardly shows, because there only an average
   over many pixels can tell light from luck; narrow where it shows well, because there shadow edges and
   glints must not be smeared. The width depends on the level alone, never on texture: a filter that keeps
   edges smooths the dim still of a pair more than the bright one, and so lets the wrong one win on every
   dark speck of the set.

What remains of noise in the guide still favours lucky stills a little. That is put right on average in
``accumulate`` from the *pull*: the covariance of the guide with the noise of the value itself.
"""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from lightstack.core.sweep.blend import mix_levels, share_levels, stabilise, stabilise_into
from lightstack.errors import SettingError
from lightstack.records import GuideRecipe, NoiseModel

__all__ = ["GuideMaker", "GuideRecipe", "crop_centre", "find_pull", "make_guide", "measure_guide_noise", "plan_guide"]

BY = ("brightest", "channel")
REFERENCE_WIDTH = 1920  # up to this width the filters have these widths; they grow with wider pictures
WIDE_PX = 2.0  # standard deviation of the Gaussian where the light is faint
FINE_PX = 0.6  # and where it is strong
FAINT_SIGMA, STRONG_SIGMA = 2.0, 5.0  # light below is faint, above strong, between it changes over
MOST_SPREAD = 0.17  # a wide guide noisier than this (in sigma of one frame) asks for a wider filter
WIDENINGS = (1.0, 1.5, 2.0, 3.0)
HALF_FROM_WIDTH = 2560  # wider pictures are filtered at half size: growing back is their fine filter
MEASURED_PX = 768  # side of the piece of an unlit frame on which noise is measured
LEAST_SHARE = np.float32(1e-3)  # of a filter that must fall on valid pixels
TINY = 16  # pictures with a side below this are never halved


def find_pull(recipe: GuideRecipe, level: NDArray) -> NDArray[np.float32]:
    """Give how far a guide of this level, ``(H, W, G)`` in sigma, flatters each channel's own noise.

    Where light is strong, a noisy guide also errs the other way: near a border between two winners it
    now and then takes the darker one. Over a whole crossing of two levels that costs (spread^2 / 2) x
    projection against a gain of the pull, however steep they are; so much less is to be taken off there.
    """
    fine = recipe.pull_fine - 0.5 * recipe.spread_fine[:, None] ** 2 * recipe.projection
    wide, fine = (p[0] if len(p) == 1 else np.diag(p) for p in (recipe.pull_wide, fine))
    return np.asarray(wide + (fine - wide) * _share_of_fine(level), np.float32)


def plan_guide(
    noise: NoiseModel, *, width: int, colour: NDArray | None = None, by: str = "brightest"
) -> GuideRecipe:
    """Plan the guide of one sweep, for noise that is independent from pixel to pixel.

    ``noise``: of one frame at full size. ``width``: of the full picture, px. ``colour``: ``(3,)`` mean
    lamp light over lit pixels, linear, all channels alike where None. ``by``: "brightest" | "channel".

    Raises SettingError for an unknown ``by``.
    """
    if by not in BY:
        raise SettingError(f"by is {by!r}; use one of {', '.join(BY)}")
    a, b = np.maximum(noise.a, 0).astype(np.float32), np.maximum(noise.b, 1e-12).astype(np.float32)
    projection = (np.eye(3) if by == "channel" else _point_along(colour, b)[None]).astype(np.float32)
    scale = max(1.0, width / REFERENCE_WIDTH)
    wide, fine = WIDE_PX * scale, FINE_PX * scale
    return GuideRecipe(
        a=a,
        b=b,
        projection=projection,
        wide_px=wide,
        fine_px=fine,
        half=width >= HALF_FROM_WIDTH,
        spread=np.full(len(projection), _gaussian_centre(wide * np.sqrt(2)) ** 0.5, np.float32),
        pull_wide=_gaussian_centre(wide) * projection,
        pull_fine=_gaussian_centre(fine) * projection,
        spread_fine=np.full(len(projection), _gaussian_centre(fine * np.sqrt(2)) ** 0.5, np.float32),
    )


def _gaussian_centre(radius_px: float) -> float:
    """Give the weight of a Gaussian's own pixel; at sqrt(2) times the radius, the sum of its squares."""
    x = np.arange(-int(5 * radius_px) - 1, int(5 * radius_px) + 2)
    return float(1 / np.exp(-0.5 * (x / radius_px) ** 2).sum() ** 2)


def _share_of_fine(level: NDArray) -> NDArray:
    t = np.clip((level - FAINT_SIGMA) * np.float32(1 / (STRONG_SIGMA - FAINT_SIGMA)), 0, 1)
    return t * t * (3 - 2 * t)


def _point_along(colour: NDArray | None, b: NDArray) -> NDArray[np.float64]:
    """Give the unit vector of the lamp's colour in stabilised units; no channel is left out wholly."""
    light = np.ones(3) if colour is None else np.maximum(np.asarray(colour, np.float64), 0)
    direction = light / np.sqrt(b)
    direction = np.maximum(direction, 0.1 * direction.max()) if direction.max() > 0 else np.ones(3)
    return np.asarray(direction / np.linalg.norm(direction))


def make_guide(
    light: NDArray, ambient: NDArray, recipe: GuideRecipe, *, valid: NDArray | None = None
) -> NDArray[np.float32]:
    """Make the guide of one lamp still.

    ``light``, ``ambient``: ``(H, W, 3)`` float32 linear. ``valid``: ``(H, W)`` 0..1, everything where None;
    what is not valid (the lamp itself) does not bleed into its surroundings. Returns ``(H, W, G)`` float32 in
    sigma of one frame, G = 1 by brightest, 3 by channel. Light that is not finite counts as none.

    Notes: each pixel depends on a neighbourhood of about 4 x ``recipe.wide_px``, so a band of rows needs
    that many rows more on both sides to come out as in the whole picture; where ``recipe.half``, bands start
    on even rows.
    """
    height, width = light.shape[:2]
    half = recipe.half and min(height, width) >= TINY
    trust = np.ones((0, 0), np.float32) if valid is None else np.ascontiguousarray(valid, np.float32)
    level, weight = stabilise(
        np.ascontiguousarray(light, np.float32),
        np.ascontiguousarray(ambient, np.float32),
        trust,
        recipe.a,
        recipe.b,
        recipe.projection,
        2 if half else 1,
    )
    wide = _filter_levels(level, weight, recipe, half, whole=valid is None)
    return _grow(wide, height, width) if half else wide


class GuideMaker:
    """Makes the guide of one still as its rows come, band by band: ``make_guide`` without the still in one piece.

    ``size``: (H, W). Where the recipe asks for it, and pictures are not tiny, the guide comes out at half size.
    """

    def __init__(self, size: tuple[int, int], recipe: GuideRecipe) -> None:
        self.recipe = recipe
        self.half = recipe.half and min(size) >= TINY
        self._step = 2 if self.half else 1
        small = tuple(-(-side // self._step) for side in size)
        self._level = np.empty((*small, len(recipe.projection)), np.float32)
        self._weight = np.empty(small, np.float32)
        self._whole = True

    def add(self, first: int, light: NDArray, ambient: NDArray, valid: NDArray | None) -> None:
        """Take rows from ``first``, which is even, on; ``valid`` None where all of them is."""
        self._whole &= valid is None
        rows = slice(first // self._step, first // self._step - (-len(light) // self._step))
        trust = np.ones((0, 0), np.float32) if valid is None else valid
        r = self.recipe
        stabilise_into(
            light, ambient, trust, r.a, r.b, r.projection, self._step, self._level[rows], self._weight[rows]
        )

    def finish(self) -> NDArray[np.float32]:
        """Give the guide, (H, W, G), or at half size (ceil(H / 2), ceil(W / 2), G)."""
        return _filter_levels(self._level, self._weight, self.recipe, self.half, whole=self._whole)


def _filter_levels(
    level: NDArray, weight: NDArray, recipe: GuideRecipe, half: bool, *, whole: bool
) -> NDArray[np.float32]:
    """Filter stabilised levels, wide where they are faint; ``whole``: all of them are valid."""
    wide_radius, fine_radius = (_filter_radius(r, half) for r in (recipe.wide_px, recipe.fine_px))
    if whole or weight.min() >= 1:
        wide, fine = _blur(level, wide_radius), _blur(level, fine_radius)
    else:
        wide = _blur_valid(level, weight, wide_radius, np.zeros((1, 1, level.shape[2]), np.float32))
        fine = _blur_valid(level, weight, fine_radius, wide)
    per_sigma = np.float32(1 / (STRONG_SIGMA - FAINT_SIGMA))
    mix_levels(wide.reshape(-1), fine.reshape(-1), np.float32(FAINT_SIGMA), per_sigma)
    return wide


def _blur_valid(level: NDArray, weight: NDArray, radius: float, otherwise: NDArray) -> NDArray[np.float32]:
    """Blur what is valid; ``level`` already carries its weight. Where hardly anything is, ``otherwise``."""
    smooth = _blur(level, radius)
    share_levels(smooth, _blur(weight, radius), LEAST_SHARE, np.broadcast_to(otherwise, smooth.shape))
    return smooth


def _blur(picture: NDArray, radius: float) -> NDArray[np.float32]:
    if radius <= 0:
        return np.array(picture, np.float32)
    smooth = cv2.GaussianBlur(picture, (0, 0), radius, borderType=cv2.BORDER_REFLECT)
    return np.ascontiguousarray(smooth, np.float32).reshape(picture.shape)


def _filter_radius(radius_px: float, half: bool) -> float:
    """Give the Gaussian's deviation in pixels of the picture it runs on.

    Averaging 2 x 2 and growing back linearly blur by themselves: variances 1/4 and 2/3 of a full-size pixel.
    """
    return max((radius_px**2 - 1 / 4 - 2 / 3) / 4, 0.0) ** 0.5 if half else radius_px


def _grow(small: NDArray, height: int, width: int) -> NDArray[np.float32]:
    """Double a picture, sample positions kept (pixel centres at .5), an odd last row or column dropped."""
    size = (small.shape[1] * 2, small.shape[0] * 2)
    full = cv2.resize(small, size, interpolation=cv2.INTER_LINEAR).reshape(size[1], size[0], -1)
    return np.ascontiguousarray(full[:height, :width])


def measure_guide_noise(
    dark_light: NDArray, ambient: NDArray, recipe: GuideRecipe, *, valid: NDArray | None = None
) -> GuideRecipe:
    """Give the recipe as the noise of this footage really is.

    ``dark_light``: ``(H, W, 3)`` an unlit frame minus the ambient, ``ambient`` the same shape. ``valid``:
    ``(H, W)`` bool, pixels to look at. Returns the recipe with its filter widened where the noise hangs
    together over so many pixels (chroma that was stored at half size, compression) that the guide would
    stay noisy, and with ``projection``, ``spread`` and ``pull`` measured, so that the levels of
    ``make_guide`` are in sigma of one frame as filmed.

    Notes: looks at the middle of the picture, which gives the pull within 5 %. Slow unevenness (an
    ambient that has drifted) is taken out with a mean over 129 px before anything is measured.
    """
    mask = np.ones(ambient.shape[:2], bool) if valid is None else np.asarray(valid, bool)
    dark_light, ambient, mask = (crop_centre(picture) for picture in (dark_light, ambient, mask))
    flat = _flatten(dark_light, mask)
    own = flat / np.sqrt(recipe.a * np.maximum(ambient, 0) + recipe.b)
    size = _measure_spread(own @ recipe.projection.T, mask)
    recipe = replace(recipe, projection=(recipe.projection / size[:, None]).astype(np.float32))
    half = recipe.half and min(mask.shape) >= TINY
    trust = np.ones((0, 0), np.float32)
    dark = np.asarray(ambient, np.float32)
    level, _ = stabilise(flat, dark, trust, recipe.a, recipe.b, recipe.projection, 2 if half else 1)

    def filter_to(radius: float) -> NDArray[np.float32]:
        smooth = _blur(level, _filter_radius(radius, half))
        return _grow(smooth, *mask.shape) if half else smooth

    for step in WIDENINGS:
        wide = filter_to(recipe.wide_px * step)
        spread = _measure_spread(wide, mask)
        if spread.max() <= MOST_SPREAD:
            break
    fine = filter_to(recipe.fine_px)
    return replace(
        recipe,
        wide_px=recipe.wide_px * step,
        spread=spread.astype(np.float32),
        pull_wide=_measure_pull(wide, own, mask),
        pull_fine=_measure_pull(fine, own, mask),
        spread_fine=_measure_spread(fine, mask).astype(np.float32),
    )


def _measure_pull(guide: NDArray, own: NDArray, mask: NDArray) -> NDArray[np.float32]:
    return np.asarray(guide[mask].astype(np.float64).T @ own[mask] / mask.sum(), np.float32)


def crop_centre(picture: NDArray) -> NDArray:
    """Cut out the middle, at most MEASURED_PX each way: enough pixels to measure noise by, at any size."""
    top, left = (max(0, (side - MEASURED_PX) // 4 * 2) for side in picture.shape[:2])
    return np.ascontiguousarray(picture[top : top + MEASURED_PX, left : left + MEASURED_PX])


def _flatten(picture: NDArray, mask: NDArray) -> NDArray[np.float32]:
    """Take the slow unevenness out of a picture (H, W, 3) where ``mask`` holds; 0 elsewhere."""
    seen = (mask & np.isfinite(picture).all(axis=2)).astype(np.float32)[..., None]
    clean = np.where(seen > 0, picture, 0).astype(np.float32)
    share = cv2.blur(seen, (129, 129), borderType=cv2.BORDER_REFLECT).reshape(seen.shape)
    mean = cv2.blur(clean, (129, 129), borderType=cv2.BORDER_REFLECT) / np.maximum(share, 1e-6)
    return np.asarray((clean - mean) * seen, np.float32)


def _measure_spread(picture: NDArray, mask: NDArray) -> NDArray[np.float64]:
    """Give the standard deviation per channel, ``(G,)``, deaf to 1 % of outliers."""
    values = np.abs(picture[mask])
    limit = np.maximum(np.percentile(values, 99, axis=0) * 1.5, 1e-6)
    return np.asarray(np.sqrt(np.mean(np.minimum(values, limit).astype(np.float64) ** 2, axis=0)) + 1e-6)
