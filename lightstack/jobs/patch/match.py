"""How patches are matched to the hero: measured at survey size, on a ring around each mask."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from lightstack.core.lay.patch import (
    RingRatio,
    find_ring,
    find_usable,
    hold_changes,
    measure_change,
    measure_ratio,
    say_even,
)
from lightstack.core.warp import warp_picture
from lightstack.errors import UnusableTake
from lightstack.jobs.patch.masks import MaskMaker
from lightstack.jobs.patch.source import PatchSource
from lightstack.records import NoiseModel, PatchMatch, ProxyTake, Registration

MOST_SAMPLES = 48  # frames of the hero that its still part is told by
RING_SHARE = 0.012  # of the picture's longer side; at least RING_LEAST pixels at survey size
RING_LEAST = 4
EMPTY_MASK = 1e-3


@dataclass(frozen=True, slots=True)
class HeroFrames:
    """The hero at survey size over the frames that are patched. ``offset``: shot frame minus source frame."""

    proxies: ProxyTake
    registration: Registration
    offset: int

    def index_of(self, shot_frame: int) -> int | None:
        """Return the index of a shot frame; None where the frame was damaged and left out."""
        place = np.flatnonzero(self.proxies.source_frames == shot_frame - self.offset)
        return int(place[0]) if len(place) else None

    def frame(self, index: int) -> tuple[NDArray[np.float32], NDArray[np.bool_]]:
        """Return a frame's light (h, w, 3) in the origin's place and where it is known and unclipped (h, w)."""
        picture = np.asarray(self.proxies.rgb[index], np.float32)
        good = np.asarray(self.proxies.clipped[index]) == 0
        stretch = self.registration.stretch_at(int(self.proxies.source_frames[index]))
        if stretch.identity:
            return picture, good
        light, inside = warp_picture(picture, stretch.matrix, factor=self.proxies.factor)
        open_share, _ = warp_picture(
            good.astype(np.float32), stretch.matrix, factor=self.proxies.factor, interpolation="linear"
        )
        return light, inside & (open_share > 0.99)


@dataclass(frozen=True, slots=True)
class MatchNumbers:
    """What is told of a match: ``even`` stops (3,), ``low`` and ``high`` stops round the ring (mean of the
    channels), ``step_sigma``: mean step across the mask's edge in noise of one full-size pixel."""

    even: NDArray[np.float64]
    low: float
    high: float
    step_sigma: float


def match_patch(
    maker: MaskMaker, hero: HeroFrames, source: PatchSource, *, index: int
) -> tuple[PatchMatch, MatchNumbers]:
    """Measure how a patch is matched. ``index``: of the source among the shot's.

    Raises SettingError where the mask is empty on every frame: all black, or wholly outside of the picture;
    UnusableTake where none of its frames can be read.
    """
    proxies = hero.proxies
    patch = shrink_to(source.light.light, proxies.rgb.shape[1:3])
    inside = shrink_to(source.light.inside.astype(np.float32), proxies.rgb.shape[1:3]) > 0.99
    noise = proxies.noise_proxy
    frames = [(frame, k) for frame in maker.frames if (k := hero.index_of(frame)) is not None]
    if not frames:
        raise UnusableTake(
            f"patch {maker.patch.name}: every frame of the hero that it covers is damaged; copy the hero again, or "
            "patch other frames"
        )
    told_by = min(len(frames), source.told_by)
    usable = find_usable(patch, noise=noise, frames=told_by, inside=inside, clipped=source.clipped)
    still, open_share = find_still_part(hero, [k for _, k in frames])
    ratio = measure_ratio(still, patch, usable & (open_share > 0.5))
    rings = list(draw_rings(maker, [frame for frame, _ in frames], proxies.factor))
    if not any(drawn for _, _, drawn in rings):
        raise maker.empty_error()
    weight = (np.maximum(patch, 0) / noise.sigma(np.maximum(patch, 0))).mean(axis=2).astype(np.float32)
    changes, errors = follow_frames(hero, frames, [ring for _, ring, _ in rings], patch, ratio, noise)
    held = hold_changes(changes, errors) if maker.patch.match != "off" else np.zeros_like(changes)
    evens = np.array([say_even(ratio, ring, weight) for ring in distinct(rings)])
    matched = maker.patch.match != "off" and bool(np.isfinite(evens).any())
    first, last = maker.frames[0], maker.frames[-1]
    places = [frame for frame, _ in frames]
    every = np.stack([np.interp(np.arange(first, last + 1), places, column) for column in held.T], axis=-1)
    match = PatchMatch(maker.patch.name, index, ratio.stops, ratio.known, weight, first, every, matched)
    steps = measure_steps(hero, frames, [ring for _, ring, _ in rings], patch, ratio, held)
    return match, tell_match(evens, ratio, distinct(rings), steps, held)


def tell_match(
    evens: NDArray[np.float64],
    ratio: RingRatio,
    rings: Sequence[NDArray[np.bool_]],
    steps: NDArray[np.float64],
    held: NDArray[np.float64],
) -> MatchNumbers:
    """Return what the report says of a match."""
    joined = np.logical_or.reduce(list(rings)) & ratio.known
    around = ratio.stops[joined].mean(axis=1) if joined.any() else np.full(1, np.nan)
    low, high = (float(v) for v in np.percentile(around, (5, 95)))
    known = np.isfinite(evens).all(axis=1)
    even = np.median(evens[known], axis=0) if known.any() else np.full(3, np.nan)
    change = np.median(held, axis=0) if len(held) else np.zeros(3)
    finite = steps[np.isfinite(steps)]
    return MatchNumbers(even + change, low, high, float(np.mean(np.abs(finite))) if len(finite) else float("nan"))


def distinct(rings: Sequence[tuple[object, NDArray[np.bool_], bool]]) -> list[NDArray[np.bool_]]:
    """Return each ring once."""
    return list({id(ring): ring for _, ring, _ in rings}.values())


def draw_rings(
    maker: MaskMaker, frames: Sequence[int], factor: int
) -> Iterator[tuple[object, NDArray[np.bool_], bool]]:
    """Give for every frame its mask's key, the ring (h, w), and whether the mask covers anything."""
    key: object = None
    ring, drawn = np.zeros((0, 0), bool), False
    for frame in frames:
        now = maker.key_of(frame)
        if key is None or now != key:
            mask = maker.draw_small(frame, factor)
            ring, drawn, key = find_ring(mask, width_px=ring_width(mask.shape)), bool((mask > EMPTY_MASK).any()), now
        yield key, ring, drawn


def ring_width(size: tuple[int, ...]) -> int:
    """Return how wide the ring is at survey size (h, w), pixels."""
    return max(RING_LEAST, round(RING_SHARE * max(size)))


def find_still_part(hero: HeroFrames, indices: Sequence[int]) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Return the median of the hero over frames spread over the patched ones, and the share of them that was open.

    Whoever moves drops out of it where the set shows more than half of the time.
    """
    some = [indices[i] for i in np.unique(np.linspace(0, len(indices) - 1, MOST_SAMPLES).astype(int))]
    height, width = hero.proxies.rgb.shape[1:3]
    pictures = np.empty((len(some), height, width, 3), np.float16)
    share = np.zeros((height, width), np.float32)
    for row, k in enumerate(some):
        light, good = hero.frame(k)
        pictures[row] = light
        share += good
    still = np.empty((height, width, 3), np.float32)
    for top in range(0, height, 16):  # bands of rows: the median makes copies
        still[top : top + 16] = np.median(pictures[:, top : top + 16].astype(np.float32), axis=0)
    return still, share / np.float32(len(some))


def follow_frames(
    hero: HeroFrames,
    frames: Sequence[tuple[int, int]],
    rings: Sequence[NDArray[np.bool_]],
    patch: NDArray[np.float32],
    ratio: RingRatio,
    noise: NoiseModel,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return how the frames differ from the still part, (n, 3) stops, and the standard error (n,) of that."""
    changes, errors = np.full((len(frames), 3), np.nan), np.full(len(frames), np.inf)
    for row, ((_, k), ring) in enumerate(zip(frames, rings, strict=True)):
        light, good = hero.frame(k)
        changes[row], errors[row] = measure_change(light, patch, ratio, ring & good, noise=noise)
    return changes, errors


def measure_steps(
    hero: HeroFrames,
    frames: Sequence[tuple[int, int]],
    rings: Sequence[NDArray[np.bool_]],
    patch: NDArray[np.float32],
    ratio: RingRatio,
    held: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Return the median step (n,) that the matched patch leaves on each frame's ring, in noise of a full-size pixel."""
    noise, steps = hero.proxies.noise_proxy, np.full(len(frames), np.nan)
    for row, ((_, k), ring) in enumerate(zip(frames, rings, strict=True)):
        light, good = hero.frame(k)
        near = ring & good & ratio.known
        if near.any():
            expected = patch[near] * 2.0 ** (ratio.stops[near] + held[row])
            sigma = noise.sigma(expected) * hero.proxies.factor  # pixels taken to be independent
            steps[row] = float(np.median((light[near] - expected) / sigma))
    return steps


def shrink_to(picture: NDArray[np.float32], size: tuple[int, int]) -> NDArray[np.float32]:
    """Box-average a full-size picture to survey size (h, w), the rest at right and bottom left out."""
    factor = max(1, picture.shape[0] // size[0])
    cut = picture[: size[0] * factor, : size[1] * factor]
    return np.asarray(cv2.resize(cut, size[::-1], interpolation=cv2.INTER_AREA), np.float32)
