"""The set behind people who stand still too long: what every place showed in its longest rest.

A *rest* is a stretch of time over which a place keeps its colour. Every place remembers its few longest rests; the
longest one wins. Then bodies are looked at whole: where a moment disagrees with the result over a patch, and the
patch's outline is drawn in the result but not in the moment, the result holds a body there (or a part of one) and the
moment's own rest takes its place. An outline that the moment draws is somebody who stands there now, and is left out.

References
----------
Cucchiara, Grana, Piccardi, Prati 2003, "Detecting moving objects, ghosts, and shadows in video streams", IEEE TPAMI
25(10): telling a ghost from a body (there by motion, here by outline, which also works for those who stand still).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from lightstack.core.compiled import compile_loop
from lightstack.core.half import HALF_VALUES
from lightstack.records import BoolArray, FloatArray, NoiseModel

__all__ = ["RestPicture", "Rests", "find_longest_rest", "find_rests", "mark_seen", "read_moment", "repair_bodies"]

SLOTS = 6  # rests that a place remembers
GAP = 1  # moments that may disagree within a rest: somebody who passes
TOLERANCE_SIGMAS = 5.0
MISMATCH = 0.025  # of the level: what a codec and a small drift may do
FLOOR = 3e-4  # linear light
REPEAT_SHARE = 0.25  # what a rest's repetitions at other times count
PIECES_PX = 11  # patches that lie closer are one
LEAST_AREA = 4e-4  # of the picture: smaller patches are no bodies
OUTLINE_RATIO = 1.15  # how much more of the outline must be drawn by the result than by the moment
OUTLINE_LENGTH_POWER = 0.3  # ... and the more so, the longer the result's rest is than the moment's
BODY_AREA = 0.005  # of the picture; a smaller patch may be a thing before which somebody stands, dressed like the wall
PIECE_RATIO = 0.9  # a patch beside what was taken out already is a piece of the same body and needs that much less
OUTLINE_FLOOR = 0.005  # log light per pixel: an outline as weak as noise
DARK = 0.01  # linear light added before the logarithm, so that noise in the dark draws no outlines
LEAST_REST_SHARE = 0.03  # of the moments; a shorter rest is a pause in somebody's walk
RESTLESS_LENGTH = 0.12  # of the moments: a place that never rests that long at a time ...
RESTLESS_SHARE = 0.6  # ... nor that long in all has somebody before it who moves and does not leave
KIN_REACH, KIN_SHARE = 30, 0.9  # pixels round a patch; of the moments
SPECK_REACH, SPECK_AREA = 10, 40  # pixels: how far from a patch, and how large, what goes with it may be
RESTING_SHARE = 0.7  # of a patch that must be at rest in the moment that replaces it


@dataclass(frozen=True, slots=True)
class Rests:
    """The longest rests of every place: ``light`` (k, h, w, 3) float32; ``longest`` (k, h, w) int32 moments in the
    longest stretch, 0 = none; ``total`` the same over all stretches of that colour; ``span`` (k, h, w, 2) int32: first
    and last moment of the longest stretch; ``moments``: how many there are."""

    light: NDArray[np.float32]
    longest: NDArray[np.int32]
    total: NDArray[np.int32]
    span: NDArray[np.int32]
    moments: int


@dataclass(frozen=True, slots=True)
class RestPicture:
    """``light`` (h, w, 3) float32, NaN where no moment saw anything; ``length`` (h, w) int32 moments of the rest that
    is shown, ``total`` with its repetitions, ``span`` (h, w, 2) its first and last moment; ``repaired`` (h, w) bool
    where a body was taken out; ``moments``: of how many.
    """

    light: NDArray[np.float32]
    length: NDArray[np.int32]
    total: NDArray[np.int32]
    span: NDArray[np.int32]
    repaired: BoolArray
    moments: int

    @property
    def restless(self) -> BoolArray:
        """Where nothing came to rest for long, (h, w) bool: whoever is there moves but does not leave."""
        least = max(least_rest(self.moments), RESTLESS_LENGTH * self.moments)
        short = (self.length < least) & (self.total < RESTLESS_SHARE * self.moments)
        return np.asarray(short & ~self.repaired)  # whoever was taken out did leave


def least_rest(moments: int) -> int:
    """Return how many moments a rest must have to be believed."""
    return max(2, round(LEAST_REST_SHARE * moments)) if moments > 2 else 1


def find_longest_rest(moments: NDArray[np.float16], noise: NoiseModel) -> RestPicture:
    """Find what every place showed in its longest rest, bodies taken whole.

    Parameters
    ----------
    moments : (m, h, w, 3) float16 linear light, registered, in the order of time, NaN where unseen; may be mapped.
        Slightly blurred pictures (3 x 3) make rests out of noisier footage.
    noise : temporal noise of one value of ``moments``.

    Notes
    -----
    Somebody who stands perfectly still from the first moment to the last cannot be told from the set. Cost: about
    0.1 microseconds per value and moment, memory a few rows of all moments.
    """
    rests = find_rests(moments, noise)
    return repair_bodies(choose_rest(rests), rests, moments, noise)


def read_moment(moments: NDArray[np.float16], k: int) -> NDArray[np.float32]:
    """Return one moment (h, w, 3) as float32."""
    return HALF_VALUES.take(np.ascontiguousarray(moments[k]).view(np.uint16))


def tolerance(level: FloatArray, noise: NoiseModel) -> NDArray[np.float32]:
    """Return how far from a level a value may lie and still show the same."""
    lit = np.maximum(level, 0)
    return (TOLERANCE_SIGMAS * noise.sigma(lit) + MISMATCH * lit + FLOOR).astype(np.float32)


def largest_of(values: FloatArray) -> NDArray[np.float32]:
    """Return the largest of three channels (..., 3); NaN where any is none."""
    return np.maximum(np.maximum(values[..., 0], values[..., 1]), values[..., 2])


def find_rests(moments: NDArray[np.float16], noise: NoiseModel) -> Rests:
    """Find the longest rests of every place, rows by rows. See `find_longest_rest` for the parameters."""
    m, h, w, _ = moments.shape
    light = np.full((SLOTS, h, w, 3), np.nan, np.float32)
    longest, total = np.zeros((2, SLOTS, h, w), np.int32)
    span = np.zeros((SLOTS, h, w, 2), np.int32)
    a, b = noise.a.astype(np.float32), noise.b.astype(np.float32)
    for row in range(h):
        line = HALF_VALUES.take(np.ascontiguousarray(moments[:, row]).view(np.uint16))
        light[:, row], longest[:, row], total[:, row], span[:, row] = _scan_row(
            line, a, b, np.float32(TOLERANCE_SIGMAS), np.float32(MISMATCH), np.float32(FLOOR), GAP, SLOTS
        )
    return Rests(light, longest, total, span, m)


@compile_loop(inline="always")
def _is_near(one, other, a, b, sigmas, mismatch, floor):  # type: ignore[no-untyped-def]
    for c in range(3):
        level = max(other[c], np.float32(0))
        if abs(one[c] - other[c]) > sigmas * np.sqrt(a[c] * level + b[c]) + mismatch * level + floor:
            return False
    return True


@compile_loop()
def _close_run(mean, count, first, last, light, longest, total, span, a, b, sigmas, mismatch, floor):  # type: ignore[no-untyped-def]
    """Put a run that has ended into the slots of one place: with its like, or over the shortest."""
    shortest = 0
    for k in range(longest.shape[0]):
        if longest[k] > 0 and _is_near(mean, light[k], a, b, sigmas, mismatch, floor):
            share = np.float32(count) / np.float32(total[k] + count)
            for c in range(3):
                light[k, c] += share * (mean[c] - light[k, c])
            total[k] += count
            if count > longest[k]:
                longest[k], span[k, 0], span[k, 1] = count, first, last
            return
        if longest[k] < longest[shortest]:
            shortest = k
    if count > longest[shortest]:
        for c in range(3):
            light[shortest, c] = mean[c]
        longest[shortest], total[shortest] = count, count
        span[shortest, 0], span[shortest, 1] = first, last


@compile_loop()
def _scan_row(line, a, b, sigmas, mismatch, floor, gap, slots):  # type: ignore[no-untyped-def]
    """Cut every place of a row (m, w, 3) into runs of one colour; return slots of light, longest and total."""
    moments, width = line.shape[0], line.shape[1]
    light = np.full((slots, width, 3), np.nan, np.float32)
    longest, total = np.zeros((slots, width), np.int32), np.zeros((slots, width), np.int32)
    span = np.zeros((slots, width, 2), np.int32)
    mean = np.zeros(3, np.float32)
    for x in range(width):
        own, own_longest, own_total, own_span = light[:, x], longest[:, x], total[:, x], span[:, x]
        count, missed, again, first, last = 0, 0, 0, 0, 0
        t = 0
        while t < moments:
            value = line[t, x]
            if np.isnan(value[0]) or np.isnan(value[1]) or np.isnan(value[2]):
                t += 1
                continue
            if count > 0 and not _is_near(value, mean, a, b, sigmas, mismatch, floor):
                again = t if missed == 0 else again
                missed += 1
                t += 1
                if missed > gap:
                    _close_run(
                        mean, count, first, last, own, own_longest, own_total, own_span, a, b, sigmas, mismatch, floor
                    )
                    count, missed = 0, 0
                    t = again  # what broke the run begins the next one
                continue
            first = t if count == 0 else first
            last = t
            count += 1
            missed = 0
            for c in range(3):
                mean[c] = value[c] if count == 1 else mean[c] + (value[c] - mean[c]) / np.float32(count)
            t += 1
        if count > 0:
            _close_run(mean, count, first, last, own, own_longest, own_total, own_span, a, b, sigmas, mismatch, floor)
    return light, longest, total, span


def choose_rest(rests: Rests) -> RestPicture:
    """Take the longest rest at every place; its repetitions at other times count for a quarter."""
    score = rests.longest + REPEAT_SHARE * (rests.total - rests.longest)
    best = score.argmax(axis=0)
    light = np.take_along_axis(rests.light, best[None, ..., None], axis=0)[0]
    length, total = (np.take_along_axis(one, best[None], axis=0)[0] for one in (rests.longest, rests.total))
    span = np.take_along_axis(rests.span, best[None, ..., None], axis=0)[0]
    return RestPicture(light, length, total, span, np.zeros(best.shape, bool), rests.moments)


def repair_bodies(shown: RestPicture, rests: Rests, moments: NDArray[np.float16], noise: NoiseModel) -> RestPicture:
    """Replace bodies that the longest rest shows by the rest of a moment in which they are not there.

    Notes: the clearest outlines first; the second round goes over what the first one changed.
    """
    m = len(moments)
    few = np.unique(np.linspace(0, m - 1, min(m, 60)).round().astype(int))
    for strictness, order in ((2.0, few), (1.0, np.arange(m))):
        for k in order:
            moment = read_moment(moments, int(k))
            for patch in find_patches(moment, shown.light, noise):
                shown = repair_patch(shown, rests, moment, patch, noise, strictness=strictness)
    return shown


def find_patches(moment: FloatArray, picture: FloatArray, noise: NoiseModel) -> list[BoolArray]:
    """List the patches, (h, w) bool each, over which a moment disagrees with a picture."""
    with np.errstate(invalid="ignore"):
        off = largest_of(np.abs(moment - picture) / tolerance(picture, noise)) > 1
    solid = cv2.morphologyEx(off.astype(np.uint8), cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
    solid = cv2.morphologyEx(solid, cv2.MORPH_CLOSE, np.ones((PIECES_PX, PIECES_PX), np.uint8))
    count, labels, stats, _ = cv2.connectedComponentsWithStats(solid, connectivity=8)
    least = max(12, LEAST_AREA * off.size)
    return [np.asarray(labels == k) for k in range(1, count) if stats[k, cv2.CC_STAT_AREA] >= least]


def repair_patch(
    shown: RestPicture, rests: Rests, moment: FloatArray, patch: BoolArray, noise: NoiseModel, *, strictness: float
) -> RestPicture:
    """Put a moment's rest in place of a patch if the patch's outline belongs to what is shown; else change nothing."""
    place = crop_around(patch, KIN_REACH)
    part, here, old = patch[place], moment[place], crop_rest(shown, place)
    drawn = compare_outlines(old.light, here, part)
    if drawn < OUTLINE_RATIO * PIECE_RATIO * strictness:  # the least of all: most patches are somebody who is there now
        return shown
    new, near = find_rest_at(rests, here, place, noise)
    resting = part & (new.length >= least_rest(rests.moments))
    if resting.sum() < RESTING_SHARE * part.sum() or old.repaired[part].mean() > 0.5:
        return shown
    longer = max(1.0, float(np.median(old.length[part]) / max(np.median(new.length[resting]), 1)))
    needed = strictness * OUTLINE_RATIO * longer**OUTLINE_LENGTH_POWER
    if old.repaired[grow(part, SPECK_REACH)].any():
        needed *= PIECE_RATIO
    elif part.sum() < BODY_AREA * patch.size:
        return shown
    if drawn < needed:
        return shown
    area = (grow(part, 2) & (near | part)) | find_specks(part, near, old.light, here, noise)
    area |= find_kin(part, old, near & (new.length >= least_rest(rests.moments)))
    return put_rest(shown, new, area & ~old.repaired, place)  # nothing is put back again


def grow(mask: BoolArray, reach: int) -> BoolArray:
    """Widen a mask by ``reach`` pixels."""
    return np.asarray(cv2.dilate(mask.astype(np.uint8), np.ones((2 * reach + 1,) * 2, np.uint8)) > 0)


def crop_rest(shown: RestPicture, place: tuple[slice, slice]) -> RestPicture:
    """Return a part of a picture of rests."""
    return RestPicture(
        shown.light[place],
        shown.length[place],
        shown.total[place],
        shown.span[place],
        shown.repaired[place],
        shown.moments,
    )


def find_rest_at(
    rests: Rests, moment: FloatArray, place: tuple[slice, slice], noise: NoiseModel
) -> tuple[RestPicture, BoolArray]:
    """Return the rests that a moment (h', w', 3) of a part of the picture belongs to, and where there are any."""
    lights = rests.light[:, *place]
    with np.errstate(invalid="ignore"):
        gaps = largest_of(np.abs(lights - moment) / tolerance(moment, noise))
    gaps = np.where(np.isnan(gaps), np.inf, gaps)
    slot = gaps.argmin(axis=0)[None]
    near = np.take_along_axis(gaps, slot, 0)[0] <= 1.5
    light = np.where(near[..., None], np.take_along_axis(lights, slot[..., None], 0)[0], moment)
    length, total = (
        np.where(near, np.take_along_axis(one[:, *place], slot, 0)[0], 0) for one in (rests.longest, rests.total)
    )
    span = np.take_along_axis(rests.span[:, *place], slot[..., None], 0)[0]
    return RestPicture(light, length, total, span, np.zeros(near.shape, bool), rests.moments), near


def find_kin(part: BoolArray, old: RestPicture, known: BoolArray) -> BoolArray:
    """Return what came and went with a patch: places nearby whose shown rest begins and ends when the patch's does.

    Where cloth and set look alike a body falls into patches whose outlines say nothing; their times do.
    """
    begin, end = np.median(old.span[part], axis=0)
    alike = (np.abs(old.span[..., 0] - begin) <= 1) & (np.abs(old.span[..., 1] - end) <= 1)
    lasting = end - begin < KIN_SHARE * old.moments  # what rests nearly all the time is the set
    return np.asarray(alike & known) if lasting else np.zeros(part.shape, bool)


def put_rest(shown: RestPicture, new: RestPicture, area: BoolArray, place: tuple[slice, slice]) -> RestPicture:
    """Return a picture of rests with a part of it replaced."""
    light, length, total, span = shown.light.copy(), shown.length.copy(), shown.total.copy(), shown.span.copy()
    light[place][area], total[place][area], span[place][area] = new.light[area], new.total[area], new.span[area]
    length[place][area] = np.maximum(new.length, 1)[area]
    repaired = shown.repaired.copy()
    repaired[place] |= area
    return replace(shown, light=light, length=length, total=total, span=span, repaired=repaired)


def find_specks(
    part: BoolArray, near: BoolArray, result: FloatArray, moment: FloatArray, noise: NoiseModel
) -> BoolArray:
    """Return what is too small to be a patch, lies close to one, and goes with it: a hand, a strand of hair."""
    with np.errstate(invalid="ignore"):
        off = (largest_of(np.abs(moment - result) / tolerance(result, noise)) > 1) & near
    count, labels, stats, _ = cv2.connectedComponentsWithStats((off & ~part).astype(np.uint8), connectivity=8)
    small = [k for k in range(1, count) if stats[k, cv2.CC_STAT_AREA] < SPECK_AREA]
    return grow(part, SPECK_REACH) & np.isin(labels, small) if small else np.zeros(part.shape, bool)


def crop_around(mask: BoolArray, margin: int) -> tuple[slice, slice]:
    """Return rows and columns that hold a mask and ``margin`` pixels round it."""
    sides = []
    for axis, size in ((1, mask.shape[0]), (0, mask.shape[1])):
        place = np.flatnonzero(mask.any(axis=axis))
        sides.append(slice(max(int(place[0]) - margin, 0), min(int(place[-1]) + margin + 1, size)))
    return sides[0], sides[1]


def compare_outlines(picture: FloatArray, other: FloatArray, patch: BoolArray) -> float:
    """Return how much more of a patch's outline is drawn by a picture (h, w, 3) than by another: a ratio.

    Notes: only the change across the outline counts, so texture that runs through it does not draw it; and every place
    counts by how sharply the two differ there, so soft shadows and edges that both have count little.
    """
    soft = cv2.GaussianBlur(patch.astype(np.float32), (0, 0), 1.5, borderType=cv2.BORDER_REPLICATE)
    across_x, across_y = slope(soft)
    logs = [log_light(picture), log_light(other)]
    changes = [np.zeros(patch.shape, np.float32) for _ in range(3)]
    for k, log in enumerate((*logs, logs[0] - logs[1])):
        for c in range(3):
            x, y = slope(np.ascontiguousarray(log[..., c]))
            changes[k] = np.maximum(changes[k], np.abs(x * across_x + y * across_y))
    own, others, sharpness = changes
    least = OUTLINE_FLOOR * float(np.hypot(across_x, across_y).sum()) + 1e-12
    return (float(sharpness[own > others].sum()) + least) / (float(sharpness[others > own].sum()) + least)


def log_light(picture: FloatArray) -> NDArray[np.float32]:
    """Return the logarithm of light (h, w, 3), slightly blurred, dark noise held down."""
    logs = np.log(np.maximum(np.nan_to_num(picture), 0) + DARK).astype(np.float32)
    return np.asarray(cv2.GaussianBlur(logs, (0, 0), 1.0, borderType=cv2.BORDER_REPLICATE), np.float32)


def slope(picture: NDArray[np.float32]) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Return the slope of a picture (h, w) along x and y, per pixel."""
    x = cv2.Scharr(picture, cv2.CV_32F, 1, 0, scale=1 / 32, borderType=cv2.BORDER_REPLICATE)
    y = cv2.Scharr(picture, cv2.CV_32F, 0, 1, scale=1 / 32, borderType=cv2.BORDER_REPLICATE)
    return np.asarray(x, np.float32), np.asarray(y, np.float32)


def mark_seen(moment: FloatArray, picture: FloatArray, noise: NoiseModel, *, rim: int = 2) -> BoolArray:
    """Tell where a moment shows what a picture shows, (h, w) bool, with a safety rim round what does not.

    Notes: specks of a pixel or two are noise and count as seen.
    """
    with np.errstate(invalid="ignore"):
        gaps = largest_of(np.abs(moment - picture) / tolerance(picture, noise))
        off = ~(gaps <= 1)
    covered = cv2.morphologyEx(off.astype(np.uint8), cv2.MORPH_OPEN, np.ones((2, 2), np.uint8))
    if rim:
        covered = cv2.dilate(covered, np.ones((2 * rim + 1, 2 * rim + 1), np.uint8))
    return np.asarray((covered == 0) & ~np.isnan(gaps))
