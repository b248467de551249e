"""The guide: one lamp still, denoised, in standard deviations of one frame.

A maximum over noisy stills picks the luckiest noise. So who wins at a pixel is decided by a fixed
denoising of each still alone, and the value then comes from the stills themselves. The guide is

1. each channel's lamp light in stabilised units: z = 2 l / (s0 + sqrt(v0 + a l)), v0 = a ambient + b,
   s0 = sqrt(v0). Its noise is 1 everywhere, whatever the brightness, and z rises with l, so comparing z
   compares l;
2. ``by = "brightest"``: the channels projected onto the lamp's own colour in those units, the direction in
   which lamp light stands out most from noise; ``by = "channel"``: every channel for itself;
3. a small Gaussian. It is linear and the same for every still on purpose: an edge-preserving filter
   smooths the dim still of a pair more than the bright one, and so lets the wrong one win on every dark
   speck of the texture.

What remains of noise in the guide still favours lucky stills a little. That is put right exactly on average
in ``accumulate`` from the *pull*: the covariance of the guide with the noise of the value itself.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numba import njit
from numpy.typing import NDArray

from lightstack.errors import SettingError
from lightstack.records import NoiseModel

__all__ = ["GuideRecipe", "make_guide", "measure_guide_noise", "plan_guide"]

BY = ("brightest", "channel")
REFERENCE_WIDTH = 1920  # up to this width the filter has RADIUS_PX; it grows with wider pictures
RADIUS_PX = 2.0  # standard deviation of the Gaussian
MOST_SPREAD = 0.25  # a guide noisier than this (in sigma of one frame) asks for a wider filter
RADIUS_STEPS = (1.0, 1.5, 2.0, 3.0)
HALF_FROM_PX = 1.8  # from this radius on the filter runs at half size: its outcome differs by < 0.03 sigma


@dataclass(frozen=True, slots=True)
class GuideRecipe:
    """How a guide is made, and how noisy it comes out.

    ``a``, ``b``: the noise model (3,). ``projection``: (G, 3), stabilised channels to guide channels, G = 1
    or 3. ``radius_px``: standard deviation of the Gaussian, full-size pixels. ``spread``: (G,) noise of the
    guide in sigma of one frame. ``pull``: (G, 3) covariance of guide g with the noise of channel c at the
    same pixel, the latter in its own sigma.
    """

    a: NDArray[np.float32]
    b: NDArray[np.float32]
    projection: NDArray[np.float32]
    radius_px: float
    spread: NDArray[np.float32]
    pull: NDArray[np.float32]

    @property
    def by(self) -> str:
        return "brightest" if len(self.projection) == 1 else "channel"


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
    projection = np.eye(3) if by == "channel" else _point_along(colour, b)[None]
    radius = RADIUS_PX * max(1.0, width / REFERENCE_WIDTH)
    groups = len(projection)
    centre = 1 / (4 * np.pi * radius**2)  # sum of the squares of a Gaussian of that radius
    return GuideRecipe(
        a=a,
        b=b,
        projection=projection.astype(np.float32),
        radius_px=radius,
        spread=np.full(groups, np.sqrt(centre), np.float32),
        pull=(2 * centre * projection).astype(np.float32),  # the Gaussian's own peak is twice that sum
    )


def _point_along(colour: NDArray | None, b: NDArray) -> NDArray[np.float64]:
    """Give the unit vector of the lamp's colour in stabilised units; no channel is left out wholly."""
    light = np.ones(3) if colour is None else np.maximum(np.asarray(colour, np.float64), 0)
    direction = light / np.sqrt(b)
    direction = np.maximum(direction, 0.1 * direction.max()) if direction.max() > 0 else np.ones(3)
    return np.asarray(direction / np.linalg.norm(direction))


def make_guide(light: NDArray, ambient: NDArray, recipe: GuideRecipe) -> NDArray[np.float32]:
    """Make the guide of one lamp still.

    ``light``, ``ambient``: ``(H, W, 3)`` float32 linear. Returns ``(H, W, G)`` float32 in sigma of one frame,
    G = 1 by brightest, 3 by channel. Light that is not finite counts as none.

    Notes: each pixel depends on a neighbourhood of about 4 x ``recipe.radius_px``, so a band of rows needs
    that many rows more on both sides to come out as in the whole picture. A UHD still costs about 50 ms on
    one core by brightest: the filter runs at half size.
    """
    half = recipe.radius_px >= HALF_FROM_PX and min(light.shape[:2]) >= 16
    shrink = 2 if half else 1
    level = _stabilise(
        np.ascontiguousarray(light, np.float32),
        np.ascontiguousarray(ambient, np.float32),
        recipe.a,
        recipe.b,
        recipe.projection,
        shrink,
    )
    smooth = cv2.GaussianBlur(level, (0, 0), _filter_radius(recipe.radius_px, half), borderType=cv2.BORDER_REFLECT)
    if half:
        smooth = _grow(smooth, light.shape[0], light.shape[1])
    return np.asarray(smooth, np.float32).reshape(*light.shape[:2], len(recipe.projection))


def _filter_radius(radius_px: float, half: bool) -> float:
    """Give the Gaussian's deviation in pixels of the picture it runs on.

    Averaging 2 x 2 and growing back linearly blur by themselves: variances 1/4 and 4/6 of a full-size pixel.
    """
    return ((radius_px**2 - 1 / 4 - 4 / 6) / 4) ** 0.5 if half else radius_px


def _grow(small: NDArray, height: int, width: int) -> NDArray:
    """Double a picture, sample positions kept (pixel centres at .5), an odd last row or column dropped."""
    full = cv2.resize(small, (small.shape[1] * 2, small.shape[0] * 2), interpolation=cv2.INTER_LINEAR)
    return full[:height, :width]


@njit(
    "float32[:, :, ::1](float32[:, :, ::1], float32[:, :, ::1], float32[::1], float32[::1], float32[:, ::1], int64)",
    cache=True,
    nogil=True,
)
def _stabilise(light, ambient, a, b, projection, shrink):  # type: ignore[no-untyped-def]
    """Project stabilised channels and average boxes of ``shrink`` x ``shrink`` pixels."""
    height, width = light.shape[:2]
    groups = projection.shape[0]
    rows, columns = (height + shrink - 1) // shrink, (width + shrink - 1) // shrink
    out = np.zeros((rows, columns, groups), np.float32)
    for y in range(height):
        for x in range(width):
            for c in range(3):
                value = light[y, x, c]
                if not np.isfinite(value):
                    continue
                floor = a[c] * max(ambient[y, x, c], np.float32(0)) + b[c]
                above = max(floor + a[c] * value, np.float32(0.25) * floor)
                z = np.float32(2) * value / (np.sqrt(floor) + np.sqrt(above))
                for g in range(groups):
                    out[y // shrink, x // shrink, g] += projection[g, c] * z
    if shrink > 1:
        for y in range(rows):
            high = min(shrink, height - y * shrink)
            for x in range(columns):
                share = np.float32(1) / np.float32(high * min(shrink, width - x * shrink))
                for g in range(groups):
                    out[y, x, g] *= share
    return out


def measure_guide_noise(
    dark_light: NDArray, ambient: NDArray, recipe: GuideRecipe, *, valid: NDArray | None = None
) -> GuideRecipe:
    """Give the recipe as the noise of this footage really is.

    ``dark_light``: ``(H, W, 3)`` an unlit frame minus the ambient, ``ambient`` the same shape. ``valid``:
    ``(H, W)`` bool, pixels to look at. Returns the recipe with its filter widened where the noise hangs
    together over so many pixels (chroma that was stored at half size, compression) that the guide would
    stay noisy, and with ``projection``, ``spread`` and ``pull`` measured, so that the levels of
    ``make_guide`` are in sigma of one frame as filmed.

    Notes: one unlit HD frame gives the pull within 3 %. Slow unevenness (an ambient that has drifted) is
    taken out with a mean over 32 px before anything is measured.
    """
    mask = np.ones(ambient.shape[:2], bool) if valid is None else np.asarray(valid, bool)
    flat = _flatten(dark_light)
    own = flat / np.sqrt(recipe.a * np.maximum(ambient, 0) + recipe.b)
    size = _measure_spread(own @ recipe.projection.T, mask)
    scaled = replace(recipe, projection=(recipe.projection / size[:, None]).astype(np.float32))
    for step in RADIUS_STEPS:
        wider = replace(scaled, radius_px=recipe.radius_px * step)
        guide = make_guide(flat, ambient, wider)
        spread = _measure_spread(guide, mask)
        if spread.max() <= MOST_SPREAD:
            break
    pull = guide[mask].astype(np.float64).T @ own[mask] / mask.sum()
    return replace(wider, spread=spread.astype(np.float32), pull=pull.astype(np.float32))


def _flatten(picture: NDArray) -> NDArray[np.float32]:
    clean = np.where(np.isfinite(picture), picture, 0).astype(np.float32)
    return np.asarray(clean - cv2.blur(clean, (65, 65), borderType=cv2.BORDER_REFLECT), np.float32)


def _measure_spread(picture: NDArray, mask: NDArray) -> NDArray[np.float64]:
    """Give the standard deviation per channel, ``(G,)``, deaf to 1 % of outliers."""
    values = np.abs(picture[mask])
    limit = np.maximum(np.percentile(values, 99, axis=0) * 1.5, 1e-6)
    return np.asarray(np.sqrt(np.mean(np.minimum(values, limit).astype(np.float64) ** 2, axis=0)) + 1e-6)
