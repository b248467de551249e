"""Did focus stay put: the picture's growth as focus is pulled, and how sharp its edges are.

Sharpness is the share of fine texture that a frame keeps beside the coarse texture of the same place. Both are read
by comparison with a mean of many frames, so noise adds nothing to either, and the lamp's light, which changes both
alike, drops out.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import nan

import cv2
import numpy as np
from numpy.typing import NDArray

from lightstack.core.half import to_float
from lightstack.core.register.align import align_texture, texture_of
from lightstack.core.register.poses import cut_grid, read_move
from lightstack.core.register.texture import luma_noise, mean_luma
from lightstack.core.warp import corner_shift_px, warp_picture
from lightstack.records import NOT_CHECKED, BoolArray, Figure, Finding, FloatArray, NoiseModel, ProxyTake, Registration

__all__ = ["FocusPath", "check_focus", "measure_blur", "measure_focus"]

FINE_PX, COARSE_PX = 0.7, 2.0  # sigma of the two smoothings whose differences are fine and coarse texture
LEAST_CONTRAST = 0.02  # natural log units of coarse texture at which a place tells something
LEAST_PLACES = 200  # pixels
CLIPPED = 0.97  # linear light at which a place tells nothing
BLUR_PX = (0.7, 2.5)  # full-size pixels of added blur (sigma); common practice: a sharp edge spreads over about one
GROWTH_PX = (0.5, 8.0)  # full-size pixels at the corner; common practice
SIGMAS = 4.0


@dataclass(frozen=True, slots=True)
class FocusPath:
    """Focus over time at ``frames`` (indices): ``blur_px`` (k,) added to the sharpest of them, sigma in full-size
    pixels; ``growth`` (k,) of the picture against the first, 1 = same size; ``growth_px`` at the corner; ``keeps``
    (k,) share of the fine texture; ``blur_error_px``, ``growth_error_px`` standard errors; NaN not known."""

    frames: NDArray[np.int64]
    blur_px: NDArray[np.float64]
    growth: NDArray[np.float64]
    growth_px: NDArray[np.float64]
    keeps: NDArray[np.float64]
    blur_error_px: float
    growth_error_px: float


def measure_focus(proxies: ProxyTake, registration: Registration, *, windows: int = 16) -> FocusPath:
    """Follow focus over a take in up to ``windows`` places of up to four frames each.

    Notes: judged at survey size: a blur of much less than a survey pixel is told from many edges, not seen. Costs about
    40 ms a place at 640 x 360.
    """
    groups = _pick_groups(proxies, registration, windows)
    if len(groups) < 2:
        nothing = np.full(len(groups), nan)
        return FocusPath(np.arange(len(groups)), nothing, nothing, nothing, nothing, nan, nan)
    lumas = [mean_luma(_mean_registered(proxies, registration, group)) for group in groups]
    lost = _list_losses(lumas[0], registration, proxies, groups)
    noise, counts = proxies.noise_proxy, [len(group) for group in groups]
    like = list(range(len(groups)))  # first against the mean of all places, then against that of the sharpest third
    for _ in range(2):
        reference: FloatArray = np.asarray(np.mean([lumas[i] for i in like], axis=0), np.float32)
        many = sum(counts[i] for i in like)
        scale = _scale_of_blur(reference, noise, many)
        blurs = np.array([_read_blur(scale, luma, part) for luma, part in zip(lumas, lost, strict=True)])
        known = blurs[np.isfinite(blurs).all(axis=1)]
        if len(known) < 2 or np.ptp(known[:, 0]) < SIGMAS**2 * 2 * _middle(known[:, 2]):
            break  # one sharpness throughout; to choose among equals would only choose their noise
        order = np.argsort(np.where(np.isfinite(blurs[:, 0]), blurs[:, 0], np.inf), kind="stable")
        like = sorted(int(i) for i in order[: max(1, len(groups) // 3)])
    texture = texture_of(reference, noise=noise, averaged=many)
    growth = np.array([_measure_growth(texture, luma, noise, n) for luma, n in zip(lumas, counts, strict=True)])
    half = 0.5 * float(np.hypot(*proxies.full_size))
    first = growth[np.isfinite(growth[:, 0]), 0]
    size = growth[:, 0] / (first[0] if len(first) else 1.0)
    squares = blurs[:, 0] - (np.nanmin(blurs[:, 0]) if np.isfinite(blurs[:, 0]).any() else 0.0)
    return FocusPath(
        frames=np.array([group[len(group) // 2] for group in groups], np.int64),
        blur_px=np.sqrt(np.maximum(squares, 0)) * proxies.factor,
        growth=size,
        growth_px=(size - 1) * half,
        keeps=blurs[:, 1],
        blur_error_px=float(np.sqrt(2 * _middle(blurs[:, 2]))) * proxies.factor,
        growth_error_px=float(np.sqrt(2) * _middle(growth[:, 1])) * proxies.factor,
    )


def _list_losses(
    luma: FloatArray, registration: Registration, proxies: ProxyTake, groups: list[list[int]]
) -> list[float]:
    """Share of fine texture that putting each place's frames back to the origin costs by itself."""
    known: dict[int, float] = {}  # by the first frame of the stretch
    losses = []
    for group in groups:
        stretch = registration.stretch_at(int(proxies.source_frames[group[len(group) // 2]]))
        if stretch.first not in known:
            known[stretch.first] = 1.0 if stretch.identity else _resampling_loss(luma, stretch.matrix, proxies.factor)
        losses.append(known[stretch.first])
    return losses


def _resampling_loss(luma: FloatArray, matrix: NDArray[np.float64], factor: int) -> float:
    there, _ = warp_picture(luma, np.asarray(np.linalg.inv(matrix), np.float64), factor=factor)
    back, seen = warp_picture(there, matrix, factor=factor)
    inside = cv2.erode(seen.astype(np.uint8), np.ones((31, 31), np.uint8), borderValue=0) > 0
    floor = np.float32(max(float(np.median(luma)) * 0.05, 1e-6))
    log = np.log(np.maximum(luma, 0) + floor)
    told = inside & (luma < CLIPPED)
    keeps, _ = _keep_of_fine(*split_texture(log), np.log(np.maximum(np.where(seen, back, luma), 0) + floor), told)
    return float(np.sqrt(keeps)) if keeps > 0 else 1.0


def _middle(values: NDArray[np.float64]) -> float:
    known = values[np.isfinite(values)]
    return float(np.median(known)) if len(known) else nan


def _pick_groups(proxies: ProxyTake, registration: Registration, windows: int) -> list[list[int]]:
    """Up to four neighbouring frames at places spread over the take."""
    left_out = set(registration.left_out)
    sound = [k for k, number in enumerate(proxies.source_frames) if int(number) not in left_out]
    if not sound:
        return []
    length = max(1, min(4, len(sound) // 8))
    starts = np.unique(np.linspace(0, len(sound) - length, min(windows, max(2, len(sound) // length))).astype(int))
    return [sound[start : start + length] for start in starts.tolist()]


def _mean_registered(proxies: ProxyTake, registration: Registration, group: list[int]) -> FloatArray:
    """Mean of some frames, put back to the origin; frames of one stretch together."""
    total = np.zeros((*proxies.rgb.shape[1:3], 3), np.float32)
    stretches = [registration.stretch_at(int(proxies.source_frames[k])) for k in group]
    for stretch in {one.first: one for one in stretches}.values():
        own = [k for k, one in zip(group, stretches, strict=True) if one.first == stretch.first]
        filmed = np.asarray(np.mean([to_float(proxies.rgb[k]) for k in own], axis=0), np.float32)
        picture = filmed
        if not stretch.identity:
            warped, seen = warp_picture(filmed, stretch.matrix, factor=proxies.factor)
            picture = np.where(seen[..., None], warped, filmed)
        total += picture * np.float32(len(own) / len(group))
    return total


def _measure_growth(
    reference: FloatArray, luma: FloatArray, noise: NoiseModel, averaged: int
) -> tuple[float, float]:
    """Growth of a picture against the reference's texture, and its standard error in pixels at the corner; NaN not
    known."""
    grid = cut_grid(reference.shape)
    if grid.rows < 3 or grid.columns < 3:
        return nan, nan
    found = align_texture(reference, texture_of(luma, noise=noise, averaged=averaged), model="affine")
    if not found.converged or corner_shift_px(found.pose, grid.size) > 0.1 * min(grid.size):
        return nan, nan
    growth = read_move(found.pose, grid, count=4)[3] / grid.half_diagonal
    return 1 + float(growth), float(np.sqrt(found.fit.covariance[3, 3]))


def measure_blur(
    reference: FloatArray, luma: FloatArray, *, noise: NoiseModel, averaged: int = 1, lost: float = 1.0
) -> tuple[float, float, float]:
    """Measure how much more blurred a picture is than a reference of the same place in any light.

    ``reference``, ``luma``: ``(h, w)`` linear light. ``averaged``: frames in the reference. ``lost``: share of
    the fine texture that was kept when ``luma`` was resampled, made good here. Returns the added variance of
    blur in square pixels (negative: sharper), the share of fine texture kept, and the variance's standard error;
    NaN with too little texture.

    Notes: within a tenth for Gaussian blurs up to one and a half pixels; noise of ``luma`` averages out over the
    picture.
    """
    return _read_blur(_scale_of_blur(reference, noise, averaged), luma, lost)


@dataclass(frozen=True, slots=True)
class _BlurScale:
    """What blurs of known size do to a reference: ``known`` shares of fine texture kept at ``sizes`` (survey pixels).

    ``foot``: of the logarithm; ``told`` (h, w): where there is texture enough; ``known`` is empty without any.
    """

    foot: np.float32
    fine: FloatArray
    coarse: FloatArray
    told: BoolArray
    sizes: NDArray[np.float64]
    known: NDArray[np.float64]


def _scale_of_blur(reference: FloatArray, noise: NoiseModel, averaged: int) -> _BlurScale:
    foot = np.float32(3 * luma_noise(noise, reference[:1, :1])[0])
    log = np.log(np.maximum(reference, 0) + foot)
    fine, coarse = split_texture(log)
    grain = luma_noise(noise, reference)[1] / np.sqrt(np.float32(averaged)) / (np.maximum(reference, 0) + foot)
    told = cv2.blur(coarse**2, (15, 15)) > LEAST_CONTRAST**2 + 2 * cv2.blur(grain**2, (15, 15))
    told &= reference < CLIPPED
    sizes = np.array([0.0, 0.35, 0.6, 0.9, 1.3, 1.8])
    if told.sum() < LEAST_PLACES:
        return _BlurScale(foot, fine, coarse, told, sizes, np.zeros(0))
    blurred = (np.log(np.maximum(_blur(reference, size), 0) + foot) for size in sizes[1:])
    known = np.array([1.0, *(_keep_of_fine(fine, coarse, other, told)[0] for other in blurred)])
    return _BlurScale(foot, fine, coarse, told, sizes, known)


def _read_blur(scale: _BlurScale, luma: FloatArray, lost: float) -> tuple[float, float, float]:
    """``measure_blur`` against a scale."""
    if not len(scale.known):
        return nan, nan, nan
    other = np.log(np.maximum(luma, 0) + scale.foot)
    keeps, error = _keep_of_fine(scale.fine, scale.coarse, other, scale.told)
    keeps = keeps / lost
    slope = (1 - scale.known[1]) / scale.sizes[1] ** 2
    if not slope > 0:
        return nan, nan, nan
    if keeps >= 1:
        return float((1 - keeps) / slope), float(keeps), float(error / slope)
    falling = np.minimum.accumulate(scale.known)
    square = float(np.interp(-keeps, -falling, scale.sizes**2))
    return square, float(keeps), float(error / slope)


def split_texture(log: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Part log luminance ``(h, w)`` into fine and coarse texture by differences of Gaussians."""
    one, two, three = (_blur(log, s) for s in (FINE_PX, COARSE_PX, 2 * COARSE_PX))
    return _blur(log, 0.35) - one, two - three


def _blur(image: FloatArray, sigma: float) -> FloatArray:
    return np.asarray(cv2.GaussianBlur(image, (0, 0), sigma, borderType=cv2.BORDER_REFLECT), np.float32)


def _keep_of_fine(fine: FloatArray, coarse: FloatArray, other: FloatArray, told: BoolArray) -> tuple[float, float]:
    """How much of the fine texture another picture keeps beside the coarse one: median over cells, and its error."""
    now_fine, now_coarse = split_texture(other)
    pieces = [_cells(a * told, b) for a, b in ((fine, fine), (fine, now_fine), (coarse, coarse), (coarse, now_coarse))]
    ff, fn, cc, cn = pieces
    held = (ff > np.quantile(ff, 0.3)) & (cc > 0) & (cn > 0.2 * cc)
    if held.sum() < 6:
        return nan, nan
    # one gain each of fine and coarse texture a cell: their ratio knows nothing of the light
    ratio = (fn[held] / ff[held]) / (cn[held] / cc[held])
    middle = float(np.median(ratio))
    spread = 1.4826 * float(np.median(np.abs(ratio - middle)))
    return middle, 1.25 * spread / float(np.sqrt(held.sum()))


def _cells(one: FloatArray, two: FloatArray, *, across: int = 16, down: int = 9) -> NDArray[np.float64]:
    """Sums of a product over cells of the picture, flat."""
    product = (one * two).astype(np.float64)
    tops, lefts = (
        [part[0] for part in np.array_split(np.arange(side), min(parts, side))]
        for side, parts in zip(product.shape, (down, across), strict=True)
    )
    return np.asarray(np.add.reduceat(np.add.reduceat(product, tops, axis=0), lefts, axis=1).ravel())


def check_focus(path: FocusPath, *, source_frames: NDArray[np.int64] | None = None) -> Finding:
    """Judge what ``measure_focus`` found. ``source_frames``: of the whole take, (n,)."""
    known = np.isfinite(path.blur_px)
    if known.sum() < 2:
        return Finding("focus", NOT_CHECKED, "The picture holds too little texture to tell whether focus drifts.")
    blur = float(np.nanmax(path.blur_px))
    growth = path.growth_px[np.isfinite(path.growth_px)]
    grown = float(np.ptp(growth)) if len(growth) > 1 else 0.0
    sure_blur = blur > SIGMAS * path.blur_error_px
    sure_growth = grown > SIGMAS * path.growth_error_px
    levels = (_level(blur, BLUR_PX) * sure_blur, _level(grown, GROWTH_PX) * sure_growth)
    figures = (
        Figure("added blur", blur, "px"),
        Figure("blur error", path.blur_error_px, "px"),
        Figure("growth of the picture", 100 * grown / _half(path), "%", 3),
        Figure("growth at the corner", grown, "px"),
        Figure("growth error", path.growth_error_px, "px"),
        Figure("fine texture kept", 100 * float(np.nanmin(path.keeps)), "%", 0),
    )
    if not max(levels):
        limit = max(blur, path.blur_error_px)
        says = f"Focus holds: edges spread by no more than {limit:.2f} px, the picture grows by {grown:.2f} px."
        return Finding("focus", "good", says, figures=figures)
    numbers = np.arange(1, int(path.frames.max()) + 2) if source_frames is None else np.asarray(source_frames)
    soft = int(numbers[path.frames[int(np.nanargmax(path.blur_px))]])
    told = [f"edges spread by {blur:.2f} px more at frame {soft}"] if levels[0] else []
    if levels[1]:
        told.append(f"the picture grows by {grown:.2f} px at its corners ({100 * grown / _half(path):.2f} %)")
    says = f"Focus drifts: {' and '.join(told)}."
    remedy = "Switch autofocus off, set focus on the set before anybody walks in, and tape the ring."
    return Finding("focus", ("good", "usable", "reshoot")[max(levels)], says, remedy, figures, ((soft, soft),))


def _half(path: FocusPath) -> float:
    """Half diagonal that growth was measured at, full-size pixels."""
    moved = np.abs(path.growth - 1) > 1e-9
    return float(np.median(path.growth_px[moved] / (path.growth[moved] - 1))) if moved.any() else 1.0


def _level(value: float, limits: tuple[float, float]) -> int:
    return int(value > limits[0]) + int(value >= limits[1])
