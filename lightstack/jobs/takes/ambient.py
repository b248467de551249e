"""The light that is there without the lamp, at full size, from as many frames as there are."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from lightstack.core.noise import NoiseTally
from lightstack.core.sweep.guide import crop_centre
from lightstack.core.warp import warp_picture
from lightstack.errors import UnusableTake
from lightstack.jobs.takes.footage import FittedTake
from lightstack.records import CodedFrame, NoiseModel, Progress, Registration, Stretch

MOST_FRAMES = 48  # beyond this the ambient's own noise is below 0.15 of one frame's
NOISE_PAIRS = 12
FAR_FRAMES = 24  # between the two of a pair: a codec holds most of the noise from frame to frame, and less so long
EARLY_FRAMES = 6  # of a stretch at most, held against later ones
ROWS_AT_ONCE = 64
NOISE_SIZE = 720  # rows of the part in which noise is measured; twice as many columns


@dataclass(frozen=True, slots=True)
class Ambient:
    """``light`` (H, W, 3) float32, registered; ``inside`` (H, W) where it is known; noise of one frame;
    ``sample`` the middle (see `crop_centre`) of one registered frame minus the mean, for measuring how the
    guide responds to noise."""

    light: NDArray[np.float32]
    inside: NDArray[np.bool_]
    noise: NoiseModel
    sample: NDArray[np.float32]
    frames: tuple[int, ...]
    source: str  # name of the take it came from

    @property
    def whole(self) -> bool:
        """Whether the ambient is known everywhere."""
        return bool(self.inside.all())


def pick_frames(frames: Sequence[int], first_needed: int | None, *, most: int = MOST_FRAMES) -> list[int]:
    """Pick the frames to average: those before ``first_needed`` if they are many enough, else evenly.

    Frames before the first key frame cost no second run through a take that has one sync frame only.
    """
    early = [f for f in frames if first_needed is None or f < first_needed]
    chosen = early if len(early) >= most // 2 else list(frames)
    if len(chosen) <= most:
        return list(chosen)
    return [chosen[round(i * (len(chosen) - 1) / (most - 1))] for i in range(most)]


def average_ambient(
    fitted: FittedTake,
    frames: Sequence[int],
    registration: Registration,
    *,
    passers: dict[int, NDArray[np.bool_]],
    assume: NoiseModel | None = None,
    progress: Progress,
) -> Ambient:
    """Average frames of a take in linear light, each stretch put back to the registration origin.

    Parameters
    ----------
    frames : source frames, ascending, at least one.
    registration : of this take.
    passers : for frames that somebody walks through, where, (h, w) bool at any size; left out of the mean.
    assume : noise of one frame where no two frames differ; without it that is an error.

    Notes
    -----
    Warping is linear, so each stretch is averaged first and resampled once. Sums are float64 in frame
    order, the same at any thread count.
    """
    sums: dict[int, StretchSum] = {}
    stretches = [registration.stretch_at(number) for number in frames]
    noise_pairs = NoisePairs(fitted, pair_frames(frames, [stretch.first for stretch in stretches], passers))
    name = fitted.take.info.name
    previous: CodedFrame | None = None
    with progress.step(f"ambient of {name}", len(frames)) as step:
        for i, frame in enumerate(fitted.take.read_frames(list(frames))):
            stretch = stretches[i]
            if stretch.first not in sums:
                sums[stretch.first] = StretchSum(stretch, fitted)
            sums[stretch.first].add(frame, passers.get(frame.number))
            noise_pairs.add(i, frame)
            previous = frame
            step.advance()
    assert previous is not None
    mean, inside = merge_stretches(sums, fitted.size)
    sums.clear()
    last, _ = warp_picture(fitted.linear(previous), registration.stretch_at(previous.number).matrix)
    noise = noise_pairs.result(assume)
    return Ambient(mean, inside, noise, crop_centre(last) - crop_centre(mean), tuple(frames), name)


class NoisePairs:
    """Noise from pairs of frames that come one by one; the earlier one of each is kept until its last pair is done."""

    def __init__(self, fitted: FittedTake, pairs: dict[int, int]) -> None:
        self._fitted, self._pairs, self._left = fitted, pairs, Counter(pairs.values())
        self._early: dict[int, NDArray[np.float32]] = {}
        self._tally = NoiseTally(scale=1)

    def add(self, index: int, frame: CodedFrame) -> None:
        """Take in the frame at an index, if it is asked for."""
        if index in self._left:
            self._early[index] = read_centre(self._fitted, frame)
        earlier = self._pairs.get(index)
        if earlier is None:
            return
        self._tally.add(self._early[earlier], read_centre(self._fitted, frame))
        self._left[earlier] -= 1
        if not self._left[earlier]:
            del self._early[earlier]

    def result(self, assume: NoiseModel | None) -> NoiseModel:
        """Return the noise; ``assume`` where no two frames differ. Raises UnusableTake without it."""
        try:
            return self._tally.result()
        except UnusableTake:
            if assume is None:
                raise
            return assume


def pair_frames(frames: Sequence[int], stretches: Sequence[int], avoid: Collection[int] = ()) -> dict[int, int]:
    """Return by which pairs noise is measured: of ``frames`` the index of a later one -> that of an earlier one.

    ``frames``: ascending source frames; ``stretches``: to which stretch each belongs: its frames show the same picture,
    so the two of a pair may lie far apart. Where a stretch is short they lie half of it apart. ``avoid``: source frames
    that somebody walks through; they are asked only where a stretch has no two others.
    """
    found: list[tuple[int, int]] = []
    for stretch in dict.fromkeys(stretches):
        all_own = [i for i, other in enumerate(stretches) if other == stretch]
        clear = [i for i in all_own if frames[i] not in avoid]
        found += pair_within(frames, clear if len(clear) > 1 else all_own)
    if len(found) <= NOISE_PAIRS:
        return dict(found)
    return dict(found[k] for k in np.linspace(0, len(found) - 1, NOISE_PAIRS).astype(int))


def pair_within(frames: Sequence[int], own: Sequence[int]) -> list[tuple[int, int]]:
    """Return pairs (later, earlier) of the frames at indices ``own``; the earlier ones are few, and spread out."""
    apart = min(FAR_FRAMES, (frames[own[-1]] - frames[own[0]] + 1) // 2)
    can_be_early = [i for i in own if frames[own[-1]] - frames[i] >= max(apart, 1)]
    spread = np.linspace(0, len(can_be_early) - 1, EARLY_FRAMES).astype(int) if can_be_early else ()
    few = sorted({can_be_early[k] for k in spread})
    pairs: list[tuple[int, int]] = []
    for later in own:
        fit = [i for i in few if frames[later] - frames[i] >= max(apart, 1)]
        if fit and later not in few:
            pairs.append((later, fit[len(pairs) % len(fit)]))
    return pairs


def read_centre(fitted: FittedTake, frame: CodedFrame) -> NDArray[np.float32]:
    """Return the linear light of the middle of a frame (see `cut_centre`), decoding no more than its rows."""
    if not fitted.reads_rows(frame):
        return cut_centre(fitted.linear(frame))
    height, width = fitted.size
    top = max(0, (height - NOISE_SIZE) // 2)
    rows = np.empty((height - 2 * top, width, 3), np.float32)
    return cut_centre(fitted.take.linear_rows(frame, top, height - top, rows))


def cut_centre(picture: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return the middle of a picture, large enough to measure noise by and no larger."""
    height, width = picture.shape[:2]
    top, left = max(0, (height - NOISE_SIZE) // 2), max(0, (width - NOISE_SIZE * 2) // 2)
    return picture[top : height - top, left : width - left]


class StretchSum:
    """The running sum of a stretch's frames, and how many of them showed the set at each pixel."""

    def __init__(self, stretch: Stretch, fitted: FittedTake) -> None:
        self.stretch = stretch
        self._fitted = fitted
        self.total = np.zeros((*fitted.size, 3), np.float64)
        self.whole = 0  # frames that nobody walks through
        self.partial: NDArray[np.float32] | None = None  # (H, W) count of the others

    def add(self, frame: CodedFrame, passer: NDArray[np.bool_] | None) -> None:
        """Add a frame, in place, leaving out where somebody stands in front of the set."""
        if passer is None:
            self.whole += 1
            if self._fitted.reads_rows(frame):
                self._fitted.take.add_linear(frame, self.total)
            else:
                cv2.accumulate(self._fitted.linear(frame), self.total)  # float64 sums of float32 light
            return
        light = self._fitted.linear(frame)
        size = (light.shape[1], light.shape[0])
        seen = cv2.resize(passer.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST) == 0
        cv2.accumulate(light * seen[..., None].astype(np.float32), self.total)
        self.partial = seen.astype(np.float32) if self.partial is None else self.partial + seen

    @property
    def count(self) -> NDArray[np.float32] | np.float32:
        """Frames that showed the set, one number or (H, W)."""
        return np.float32(self.whole) if self.partial is None else self.partial + np.float32(self.whole)

    def mean(self) -> NDArray[np.float32]:
        """Return the mean (H, W, 3); 0 where no frame showed the set."""
        count = np.maximum(np.asarray(self.count, np.float64), 1)
        total = self.total
        mean = np.empty(total.shape, np.float32)
        for top in range(0, len(mean), ROWS_AT_ONCE):  # bands of rows: the temporaries stay small
            band = slice(top, top + ROWS_AT_ONCE)
            mean[band] = total[band] / (count if count.ndim == 0 else count[band, :, None])
        return mean


def merge_stretches(
    sums: dict[int, StretchSum], size: tuple[int, int]
) -> tuple[NDArray[np.float32], NDArray[np.bool_]]:
    """Return the mean over all stretches, each resampled once, and where any of them saw the set."""
    if len(sums) == 1:
        only = next(iter(sums.values()))
        light, inside = warp_picture(only.mean(), only.stretch.matrix)
        return light, inside & (warp_count(only, size) > 0)
    total = np.zeros((*size, 3), np.float64)
    weight = np.zeros(size, np.float64)
    for part in sums.values():
        warped, inside = warp_picture(part.mean(), part.stretch.matrix)
        count = warp_count(part, size) * inside
        total += warped * count[..., None]
        weight += count
    return (total / np.maximum(weight, 1e-9)[..., None]).astype(np.float32), weight > 0


def warp_count(part: StretchSum, size: tuple[int, int]) -> NDArray[np.float32]:
    """Return how many frames of a stretch showed the set, registered, (H, W)."""
    count = np.broadcast_to(part.count, size)
    if part.partial is None:
        return np.asarray(count)
    # The least count under the interpolation's taps, so that nobody's edge gets into the mean.
    least = np.asarray(cv2.erode(np.ascontiguousarray(count), np.ones((3, 3), np.uint8)), np.float32)
    return warp_picture(least, part.stretch.matrix, interpolation="linear")[0]
