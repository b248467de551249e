"""A take's picture at rest, as other takes are held against it: its noise, its light, where somebody moves."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from lightstack.core.check.moved import Moved
from lightstack.core.sampling import space_evenly
from lightstack.jobs.inspect.looked import TakeLooked
from lightstack.jobs.takes.unlit import code_step
from lightstack.records import NoiseModel, ProxyTake, RestPicture

OWN_LAMPS_STOPS = 0.25  # by which some places of a hero are brighter before lamps of its own are taken to be on
UNEVEN_STOPS = 0.25  # between dimmest and brightest places: daylight and exposure scale all places alike
BLOCKS, LEAST_BLOCKS = (18, 32), 20
LIVELY_FRAMES = 24
LIVELY_SIGMA = 8.0  # a hero's place that changes by this much holds somebody
LIVELY_SHARE = 0.1
GREY = 0.18
OWN_LIGHT = ("hero", "empty_lit")  # takes that may be lit by lamps that the others lack
SAME_SET = ("hero", "empty", "empty_lit", "sweep", "clean")  # takes that show one set as it stands


def rest_of(one: TakeLooked) -> RestPicture:
    """Return a take's picture at rest with what the comparison needs of the take.

    Notes: noise of frames averages out in a mean; what a codec does to a still picture is the same in all frames of a
    take and another in the next take, and does not. One code is allowed for, at black and at mid grey.
    """
    assert one.rest is not None
    model, encoding = one.proxies.noise_proxy, one.info.encoding
    black, grey = (code_step(encoding, level) ** 2 for level in (0.0, GREY))
    codes = NoiseModel(np.full(3, max(0.0, grey - black) / GREY), np.full(3, black), one.proxies.factor)
    noise = NoiseModel(model.a / one.rest_frames, model.b / one.rest_frames, one.proxies.factor)
    lively = find_lively(one.proxies) if one.role == "hero" else None
    return RestPicture(one.name, one.role, one.rest, noise, codes, one.proxies.full_size, one.primaries, lively)


def bring_together(reference: RestPicture, other: RestPicture) -> tuple[NDArray, NDArray, NoiseModel]:
    """Return both pictures (h, w, 3) at the reference's survey size and equally fine, and the noise of the noisier.

    Notes: shrinking averages noise too. The finer picture is brought to the coarser's pixels first, or texture that
    only one of them can show would pass for something that was moved.
    """
    one, two = reference.light, other.light
    if one.shape == two.shape:
        return one, two, join_noise(reference, other)
    coarse = min(one.shape, two.shape)[1::-1]
    small = [cv2.resize(light, coarse, interpolation=cv2.INTER_AREA) for light in (one, two)]
    full = [np.asarray(cv2.resize(p, one.shape[1::-1], interpolation=cv2.INTER_LINEAR), np.float32) for p in small]
    shares = [coarse[0] * coarse[1] / (light.shape[0] * light.shape[1]) for light in (one, two)]
    return full[0], full[1], join_noise(reference, other, shares)


def join_noise(reference: RestPicture, other: RestPicture, shares: Sequence[float] = (1.0, 1.0)) -> NoiseModel:
    """Return the noise of two pictures at rest, whichever is the noisier. ``shares``: of the variance that is left of
    each when it is brought to the other's size."""
    takes = list(zip((reference, other), shares, strict=True))
    a = np.max([rest.noise.a * share for rest, share in takes], axis=0)
    b = np.max([rest.noise.b * share for rest, share in takes], axis=0)
    codes = [np.max([getattr(rest.codes, part) for rest, _ in takes], axis=0) for part in ("a", "b")]
    return NoiseModel(a + codes[0], b + codes[1], reference.noise.scale)


def say_apart(reference: RestPicture, other: RestPicture) -> str:
    """Say why only the framing of two takes can be compared, or nothing: then all of them is."""
    strange = [one.name for one in (reference, other) if one.role not in SAME_SET]
    if strange:
        return f"{strange[0]} need not show the set as it stands, so light and things moved are not compared"
    stops = measure_own_lamps(reference, other)
    if not stops:
        return ""
    lit = reference if reference.role in OWN_LIGHT else other
    return (
        f"{lit.name} has places up to {stops:.1f} stops brighter than others, as lamps of its own make them, so light "
        "and things moved are not compared"
    )


def measure_own_lamps(reference: RestPicture, other: RestPicture) -> float:
    """Return by how many stops lamps of its own brighten some places of a hero, or a lit empty take, beside others; 0
    where none can be told.

    Notes: a lamp lights some places more than others, while another exposure or daylight scales all alike.
    """
    lit, bare = (reference, other) if reference.role in OWN_LIGHT else (other, reference)
    if lit.role not in OWN_LIGHT or bare.role in OWN_LIGHT:
        return 0.0
    stops = compare_blocks(lit, bare)
    if len(stops) < LEAST_BLOCKS:
        return 0.0
    low, middle, high = np.quantile(stops, (0.1, 0.5, 0.9))
    lamps = high > OWN_LAMPS_STOPS and high - low > UNEVEN_STOPS and middle > -UNEVEN_STOPS
    return float(high - low) if lamps else 0.0


def compare_blocks(one: RestPicture, two: RestPicture) -> NDArray[np.float64]:
    """Return by how many stops the first take is brighter in each of 32 x 18 parts that both show above the noise.

    Parts in which somebody moves are left out: bright clothes are no lamp.
    """
    levels = [shrink_to_blocks(take.light.mean(axis=2)) for take in (one, two)]
    sure = np.minimum(*levels) > 4 * np.sqrt(np.max(join_noise(one, two).b))
    for take in (one, two):
        if take.lively is not None:
            sure &= shrink_to_blocks(take.lively.astype(np.float32)) <= LIVELY_SHARE
    return np.asarray(np.log2(levels[0][sure] / levels[1][sure]), np.float64)


def shrink_to_blocks(picture: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return the means of 18 x 32 parts of a picture (h, w)."""
    return np.asarray(cv2.resize(picture, BLOCKS[::-1], interpolation=cv2.INTER_AREA), np.float32)


def find_lively(proxies: ProxyTake) -> NDArray[np.bool_]:
    """Return where a take shows somebody moving (h, w): brightness that changes far beyond noise."""
    frames = [np.asarray(proxies.rgb[k], np.float32) for k in space_evenly(0, len(proxies) - 1, LIVELY_FRAMES)]
    low, high = frames[0].copy(), frames[0].copy()
    for frame in frames[1:]:
        np.minimum(low, frame, out=low)
        np.maximum(high, frame, out=high)
    sigma = proxies.noise_proxy.sigma(0.5 * (low + high)) + 0.03 * np.maximum(high, 0)
    return np.asarray(((high - low) > LIVELY_SIGMA * sigma).any(axis=2), bool)


def is_lively(thing: Moved, lively: NDArray[np.bool_], factor: int) -> bool:
    """Tell whether a place is one in which somebody moves."""
    x0, y0, x1, y1 = (round(side / factor) for side in thing.box)
    inside = lively[max(y0, 0) : max(y1, y0 + 1), max(x0, 0) : max(x1, x0 + 1)]
    return bool(inside.size and inside.mean() > LIVELY_SHARE)
