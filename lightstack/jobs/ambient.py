"""The light that is there without the lamp, at full size, from as many frames as there are."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lightstack.core.noise import NoiseTally
from lightstack.core.warp import warp_picture
from lightstack.jobs.footage import FittedTake
from lightstack.records import NoiseModel, Progress, Registration, Stretch

MOST_FRAMES = 48  # beyond this the ambient's own noise is below 0.15 of one frame's
NOISE_PAIRS = 12


@dataclass(frozen=True, slots=True)
class Ambient:
    """``light`` (H, W, 3) float32, registered; ``inside`` (H, W) where it is known; noise of one frame;
    ``sample`` one registered frame minus the mean, for measuring how the guide responds to noise."""

    light: NDArray[np.float32]
    inside: NDArray[np.bool_]
    noise: NoiseModel
    sample: NDArray[np.float32]
    frames: tuple[int, ...]
    source: str  # name of the take it came from


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
    fitted: FittedTake, frames: Sequence[int], registration: Registration, *, progress: Progress
) -> Ambient:
    """Average frames of a take in linear light, each stretch put back to the registration origin.

    Parameters
    ----------
    frames : source frames, ascending, at least one.
    registration : of this take.

    Notes
    -----
    Warping is linear, so each stretch is averaged first and resampled once. Sums are float64 in frame
    order, the same at any thread count.
    """
    sums: dict[int, tuple[Stretch, NDArray[np.float64], int]] = {}
    tally = NoiseTally(scale=1)
    previous: tuple[int, NDArray[np.float32]] | None = None
    every = max(1, len(frames) // NOISE_PAIRS)
    name = fitted.take.info.name
    with progress.step(f"ambient of {name}", len(frames)) as step:
        for i, frame in enumerate(fitted.take.read_frames(list(frames))):
            light = fitted.linear(frame)
            stretch = registration.stretch_at(frame.number)
            add_to_sum(sums, stretch, light)
            if previous is not None and frame.number == previous[0] + 1 and i % every == 0:
                tally.add(previous[1], light)
            previous = (frame.number, light)
            step.advance()
    mean, inside = merge_stretches(sums, fitted.size)
    assert previous is not None
    last, _ = warp_picture(previous[1], registration.stretch_at(previous[0]).matrix)
    return Ambient(mean, inside, tally.result(), last - mean, tuple(frames), name)


def add_to_sum(
    sums: dict[int, tuple[Stretch, NDArray[np.float64], int]], stretch: Stretch, light: NDArray[np.float32]
) -> None:
    """Add a frame to the running sum of its stretch, in place."""
    known = sums.get(stretch.first)
    if known is None:
        sums[stretch.first] = (stretch, light.astype(np.float64), 1)
    else:
        np.add(known[1], light, out=known[1])
        sums[stretch.first] = (stretch, known[1], known[2] + 1)


def merge_stretches(
    sums: dict[int, tuple[Stretch, NDArray[np.float64], int]], size: tuple[int, int]
) -> tuple[NDArray[np.float32], NDArray[np.bool_]]:
    """Return the mean over all stretches, each resampled once, and where any of them saw the set."""
    if len(sums) == 1:
        stretch, total, count = next(iter(sums.values()))
        return warp_picture((total / count).astype(np.float32), stretch.matrix)
    total = np.zeros((*size, 3), np.float64)
    weight = np.zeros(size, np.float64)
    for stretch, part, count in sums.values():
        warped, inside = warp_picture((part / count).astype(np.float32), stretch.matrix)
        total += warped * (count * inside)[..., None]
        weight += count * inside
    mean = (total / np.maximum(weight, 1)[..., None]).astype(np.float32)
    return mean, weight > 0
