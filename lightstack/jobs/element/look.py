"""A try seen whole at survey size: the set behind it, the thing followed from frame to frame, and what it measures."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from lightstack.core.half import HALF_VALUES
from lightstack.core.matte.matte import find_box
from lightstack.core.prop.alpha import measure_width, reach_of, solve_prop
from lightstack.core.prop.mend import LeftSet, find_left
from lightstack.core.prop.path import measure_centre, measure_speed
from lightstack.core.prop.shade import find_shade
from lightstack.core.prop.signs import (
    KnownSet,
    PropColours,
    Signs,
    fit_level,
    learn_colours,
    measure_signs,
    prepare_known,
)
from lightstack.core.prop.track import Followed, find_blobs, follow_prop, part_thing
from lightstack.core.regions import disc
from lightstack.core.warp import warp_picture
from lightstack.jobs.clean.look import Material
from lightstack.jobs.takes.unlit import code_step
from lightstack.records import BoolArray, FloatArray, NoiseModel, Progress, TossedTry

__all__ = ["LookedTry", "SmallSet", "look_at_try", "mend_set", "registered"]

LEARN_FRAMES = 12
MEND_FRAMES = 16
ROUND = 24  # survey pixels round the thing in which its shadow may colour its edge


@dataclass(frozen=True, slots=True, eq=False)
class SmallSet:
    """The bare set at survey size ``light`` (h, w, 3), the mean of ``frames`` frames."""

    light: NDArray[np.float32]
    frames: int


@dataclass(frozen=True, slots=True, eq=False)
class SmallMatte:
    """A matte at survey size: its ``piece`` (rows, columns) lies at ``corner`` (top, left)."""

    piece: NDArray[np.float32]
    corner: tuple[int, int]

    @property
    def box(self) -> tuple[slice, slice]:
        """The rows and columns that hold it."""
        (top, left), (high, wide) = self.corner, self.piece.shape
        return slice(top, top + high), slice(left, left + wide)


@dataclass(frozen=True, slots=True, eq=False)
class LookedTry:
    """A try after its look.

    ``followed`` is None where it cannot be used (``told.trouble`` says why); ``levels`` (n, 3) by which each frame is
    lit differently; ``colour`` (3,) the thing's usual light; ``mattes``: [n], None where it is not seen alone.
    """

    material: Material
    told: TossedTry
    followed: Followed | None
    levels: NDArray[np.float32]
    colour: NDArray[np.float32]
    mattes: tuple[SmallMatte | None, ...]


def registered(material: Material, k: int) -> tuple[NDArray[np.float32], BoolArray]:
    """Return surveyed frame ``k`` in the origin's place, (h, w, 3), and where it is known, (h, w)."""
    light = HALF_VALUES.take(np.ascontiguousarray(material.proxies.rgb[k]).view(np.uint16))
    stretch = material.registration.stretch_at(int(material.proxies.source_frames[k]))
    if stretch.identity:
        return light, np.ones(light.shape[:2], bool)
    return warp_picture(light, stretch.matrix, factor=material.proxies.factor)


def know_set(material: Material, bare: SmallSet) -> KnownSet:
    """Return the set with what a frame of a take may stray from it."""
    step = code_step(material.fitted.take.info.encoding)
    return prepare_known(bare.light, material.proxies.noise_proxy, frames=bare.frames, step=step)


def signs_of(
    material: Material, k: int, known: KnownSet, colours: PropColours | None = None
) -> tuple[Signs, NDArray[np.float32]]:
    """Return a frame's signs and by what gains it is lit differently, (3,)."""
    light, inside = registered(material, k)
    gain = fit_level(light, known)
    light = np.where(inside[..., None], light / gain, known.light)
    return measure_signs(light, known, colours), gain


def mend_set(tries: Sequence[Material], bare: SmallSet) -> tuple[LeftSet, list[tuple[int, int]]]:
    """Find where the empty picture shows the thing itself, and which (try, source frame) show the set there."""
    frames, differs, names = [], [], []
    for number, one in enumerate(tries):
        known = know_set(one, bare)
        for k in spread(one, max(4, 2 * MEND_FRAMES // len(tries))):
            light, inside = registered(one, k)
            signs, gain = signs_of(one, k, known)
            frames.append(light / gain)
            differs.append(signs.differs & inside)
            names.append((number, int(one.proxies.source_frames[k])))
    left = find_left(bare.light, frames, differs, noise=tries[0].proxies.noise_proxy)
    return left, [names[i] for i in left.without]


def spread(material: Material, most: int) -> list[int]:
    """Return indices of at most so many frames, spread over the usable ones."""
    usable = material.usable
    return [int(usable[i]) for i in np.unique(np.linspace(0, len(usable) - 1, most).astype(int))]


def look_at_try(material: Material, bare: SmallSet, *, cut: BoolArray | None, progress: Progress) -> LookedTry:
    """Follow the thing through a try and measure its way. ``cut``: (h, w) garbage, where nothing counts."""
    known = know_set(material, bare)
    frames = [int(k) for k in material.usable]
    some = spread(material, LEARN_FRAMES)
    colours: PropColours | None = None
    for _ in range(3):
        seen = [signs_of(material, k, known, colours)[0] for k in some]
        colours = learn_colours(seen)
    blobs, levels = [], []
    with progress.step(f"follow {material.proxies.name}", len(frames)) as step:
        for k in frames:
            signs, gain = signs_of(material, k, known, colours)
            blobs.append(find_blobs(part_thing(signs, known, cut=cut), signs))
            levels.append(gain)
            step.advance()
    followed = follow_prop(blobs, known.light.shape[:2])  # type: ignore[arg-type]
    gains = np.array(levels, np.float32).reshape(-1, 3)
    if followed is None:
        return give_up(material, any(b.border for one in blobs for b in one), gains)
    colour = usual_colour(material, frames, followed, gains)
    mattes = tuple(small_matte(material, k, followed, i, known, gains[i], colour, cut) for i, k in enumerate(frames))
    return LookedTry(material, describe_try(material, frames, followed, mattes), followed, gains, colour, mattes)


def give_up(material: Material, hand: bool, levels: NDArray[np.float32]) -> LookedTry:
    """Return a try in which nothing can be followed, with the reason."""
    numbers = material.proxies.source_frames[material.usable]
    count = len(numbers)
    trouble = (
        "the thing never leaves the hand, or the picture's border: let go of it in shot, or cut the hand off by garbage"
        if hand
        else "nothing moves before the set: check that it is the right take and the right empty one"
    )
    nothing = np.full(count, np.nan)
    told = TossedTry(
        material.proxies.name, numbers, np.full((count, 2), np.nan), nothing, nothing, np.zeros(count),
        np.zeros(count, bool), False, 0, 0, trouble,
    )  # fmt: skip
    return LookedTry(material, told, None, levels, np.zeros(3, np.float32), (None,) * count)


def usual_colour(
    material: Material, frames: Sequence[int], followed: Followed, levels: NDArray[np.float32]
) -> NDArray[np.float32]:
    """Return the thing's usual light, (3,): of the frames in which its inside is largest."""
    insides = [None if blob is None else cv2.erode(blob.mask.astype(np.uint8), disc(2)) > 0 for blob in followed.prop]
    areas = [0 if one is None else int(one.sum()) for one in insides]
    best = np.argsort(areas)[::-1][:7]
    means = []
    for i in best:
        blob = followed.prop[i]
        if blob is None:
            continue
        inside: BoolArray = insides[i] if areas[i] else blob.mask  # type: ignore[assignment]
        means.append(np.median((registered(material, frames[i])[0] / levels[i])[inside], axis=0))
    return np.median(means, axis=0).astype(np.float32)


def small_matte(
    material: Material,
    k: int,
    followed: Followed,
    i: int,
    known: KnownSet,
    level: NDArray[np.float32],
    colour: NDArray[np.float32],
    cut: BoolArray | None,
) -> SmallMatte | None:
    """Return a frame's matte at survey size; None where the thing is not seen alone."""
    if followed.prop[i] is None:
        return None
    light = registered(material, k)[0] / level
    alpha = solve_at(light, known, followed, i, colour=colour, noise=known.noise, scale=1.0, cut=cut, whole=False)[0]
    box = find_box(alpha > 0, margin=1)
    return None if box is None else SmallMatte(alpha[box].copy(), (box[0].start, box[1].start))


def solve_at(
    light: FloatArray,
    known: KnownSet,
    followed: Followed,
    i: int,
    *,
    colour: NDArray[np.float32],
    noise: NoiseModel,
    scale: float,
    cut: BoolArray | None,
    whole: bool = True,
) -> tuple[NDArray[np.float32], NDArray[np.float32], NDArray[np.float32]]:
    """Solve the ``i``-th followed frame at the size of ``light`` (H, W, 3), which is lit as the set.

    ``whole``: look for the shadow in the whole picture, not only beside the thing.
    Returns alpha (H, W), own light times alpha (H, W, 3), and the shadow as a ratio (H, W, 3).
    """
    blob = followed.prop[i]
    assert blob is not None
    size = (light.shape[1], light.shape[0])
    mask, hand = widen_mask(blob.mask, size), find_hand(followed, i, size)
    velocity = velocities(followed)[i] * scale
    reach = reach_of(velocity, scale)
    near = cv2.dilate(mask.astype(np.uint8), disc(reach)) > 0
    hidden = np.zeros(mask.shape, bool) if cut is None else widen_mask(cut, size)
    if hand is not None:
        hidden = hidden | (cv2.dilate(hand.astype(np.uint8), disc(max(2, round(3 * scale)))) > 0)
    box = find_box(near, margin=reach + 2)
    assert box is not None
    covered = near & ~widen_mask(blob.shade, size)
    around = find_box(near, margin=reach + round(ROUND * scale))
    assert around is not None
    # once the edge is known, the shadow is seen closer to it
    for area in (around, (slice(None), slice(None)) if whole else around):
        shade = np.ones_like(known.light)
        shade[area] = find_shade(
            light[area], known.light[area], known.variance[area], (covered | hidden)[area],
            prop=mask[area], hand=None if hand is None else hand[area], scale=scale,
        )  # fmt: skip
        solved = solve_prop(
            light[box], (known.light * shade)[box], mask[box], velocity=velocity, colour=colour, noise=noise,
            scale=scale, closed=hidden[box],
        )  # fmt: skip
        covered = np.zeros(mask.shape, bool)
        covered[box] = cv2.dilate((solved.alpha > 0).astype(np.uint8), disc(1)) > 0
    alpha, own = np.zeros(light.shape[:2], np.float32), np.zeros(light.shape, np.float32)
    alpha[box], own[box] = solved.alpha, solved.own
    if cut is not None:
        shade = np.where(widen_mask(cut, size)[..., None], np.float32(1), shade)
    return alpha, own, shade


def find_hand(followed: Followed, i: int, size: tuple[int, int]) -> BoolArray | None:
    """Return where hands are on the ``i``-th followed frame, at a size (width, height); None without one."""
    if not followed.hand[i]:
        return None
    return widen_mask(np.logical_or.reduce([one.mask for one in followed.hand[i]]), size)


def widen_mask(mask: BoolArray, size: tuple[int, int]) -> BoolArray:
    """Bring a mask (h, w) to a size (width, height)."""
    if mask.shape == size[::-1]:
        return mask
    return np.asarray(cv2.resize(mask.astype(np.float32), size, interpolation=cv2.INTER_LINEAR) > 0.5)


def velocities(followed: Followed) -> NDArray[np.float64]:
    """Return the thing's way from frame to frame, (n, 2) survey pixels."""
    centres = np.array([np.full(2, np.nan) if blob is None else blob.centre for blob in followed.prop])
    return measure_speed(centres)


def describe_try(
    material: Material,
    frames: Sequence[int],
    followed: Followed,
    mattes: Sequence[SmallMatte | None],
) -> TossedTry:
    """Measure the way and the edges of a followed try."""
    numbers, factor = material.proxies.source_frames[list(frames)], material.proxies.factor
    centres = np.array(
        [np.full(2, np.nan) if m is None else factor * (measure_centre(m.piece) + m.corner[::-1]) for m in mattes]
    )
    speeds = np.hypot(*measure_speed(centres).T)
    speeds[~np.isfinite(centres[:, 0])] = np.nan
    widths = np.array([np.nan if one is None else factor * measure_width(one.piece) for one in mattes])
    areas = np.array([0.0 if one is None else factor**2 * float(one.piece.sum()) for one in mattes])
    return TossedTry(
        material.proxies.name, numbers, centres, speeds, widths, areas,
        np.array([bool(one) for one in followed.hand]), followed.held,
        int(numbers[followed.first]), int(numbers[followed.last]),
    )  # fmt: skip
