"""The hold-out matte pulled from the hero, frame by frame, into one packed file.

Two looks at the hero: at survey size, mostly from what its own survey left, to learn how it is lit, what the figure
wears, and whether somebody stands in the set's picture; then at full size, in order. Memory does not grow with the
take: a handful of full-size frames are held as half floats.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from lightstack.core.clean.choice import list_places
from lightstack.core.matte.ghosts import find_ghosts, paint_ghosts
from lightstack.core.matte.matte import HeroLearned, MatteFinder, learn_hero
from lightstack.core.noise import NoiseTally
from lightstack.core.warp import scale_pose, warp_picture
from lightstack.errors import UnusableTake
from lightstack.files.kept.packed import open_packed
from lightstack.jobs.holdout.places import PullRequest, SetPlaces
from lightstack.jobs.holdout.solve import FrameMarker, mark_frames, solve_elsewhere, solve_frames
from lightstack.jobs.spread.pieces import Spread
from lightstack.jobs.takes.ambient import cut_centre
from lightstack.jobs.takes.poses import pose_of
from lightstack.jobs.takes.survey import UNKNOWN_NOISE
from lightstack.records import BoolArray, FloatArray, NoiseModel, Progress, ProxyTake, PulledMatte

__all__ = ["pull_matte"]

LEARN_FRAMES = 21
LEAST_OF_POSE = 5
NOISE_PAIRS = 6


def pull_matte(
    request: PullRequest, path: Path, *, workers: int = 1, spread: Spread | None = None, progress: Progress
) -> PulledMatte:
    """Pull the matte of every frame and write it to a packed file (see `solve.RECORDS`).

    ``spread``: who solves frames at full size elsewhere. Notes: the result does not depend on it, nor on ``workers``.
    """
    proxies, factor = request.proxies, request.proxies.factor
    noise = with_scale(proxies.noise_proxy, factor)
    full_noise = measure_full_noise(request, progress=progress)
    with progress.step("learn the figure", None):
        places, learned, ghosts, standing = learn(request, noise)
    numbers: list[int] = []
    areas: list[float] = []
    doubts: list[float] = []
    first, last = request.frames
    with progress.step("hold-out", last - first + 1) as step, open_packed(path) as writer:
        marker = FrameMarker(request, places, learned, noise)
        if spread is None:
            solved = solve_frames(mark_frames(request, marker), full_noise, workers)
        else:
            solved = solve_elsewhere(request, marker, full_noise, spread)
        for number, area, doubt, packed in solved:
            numbers.append(number)
            areas.append(area)
            doubts.append(doubt)
            writer.add(packed)
            step.advance()
    if not numbers:
        raise UnusableTake(f"the hero has no frames {first} to {last} to pull a hold-out from; check `frames`")
    where = tuple(place.where for place in list_places(ghosts))
    return PulledMatte(
        file=path.name,
        source_frames=np.array(numbers),
        places=np.array(writer.places),
        areas=np.array(areas),
        doubts=np.array(doubts),
        factor=factor,
        standing=standing,
        ghosts=where,
    )


def with_scale(noise: NoiseModel, scale: int) -> NoiseModel:
    """Return a noise model that says at which size it holds."""
    return NoiseModel(noise.a, noise.b, scale)


def measure_full_noise(request: PullRequest, *, progress: Progress) -> NoiseModel:
    """Measure the noise of one frame at full size from a few pairs spread over the frames."""
    first, last = request.frames
    if last == first:
        return UNKNOWN_NOISE
    begins = np.unique(np.linspace(first, last - 1, NOISE_PAIRS).astype(int))
    wanted = sorted({int(n) + k for n in begins for k in (0, 1)})
    tally, before = NoiseTally(scale=1), None
    with progress.step("noise of the hero", len(wanted)) as step:
        for frame in request.take.read_frames(wanted):  # type: ignore[attr-defined]
            light = cut_centre(request.take.linear(frame))  # type: ignore[attr-defined]
            if before is not None and frame.number == before[0] + 1:
                tally.add(before[1], light)
            before = (frame.number, light)
            step.advance()
    try:
        return tally.result()
    except UnusableTake:  # a render, or frames that repeat
        return UNKNOWN_NOISE


# --- at survey size ----------------------------------------------------------------------------------


def learn(
    request: PullRequest, noise: NoiseModel
) -> tuple[SetPlaces, HeroLearned, BoolArray, NDArray[np.float32]]:
    """Learn from frames spread over the hero; where somebody stands in the set's picture it is painted over first.

    Returns the set's picture as it is used, what was learned, the ghosts (h, w), and in what share of the frames each
    place counts as figure (h, w).
    """
    proxies, factor = request.proxies, request.proxies.factor
    some = pick_some(proxies)
    bare = request.bare
    frames = [np.asarray(proxies.rgb[k], np.float32) for k in some]
    poses = [pose_of(request.registration, int(proxies.source_frames[k])) for k in some]
    own = rest_by_pose(frames, poses)
    ghosts = np.zeros(frames[0].shape[:2], bool)
    for again in (False, True):
        places = SetPlaces(bare, request.inside, factor, own)
        sets = [places.at(pose)[1] for pose in poses]
        learned = learn_hero(frames, sets, noise, poses=[scale_pose(pose, factor) for pose in poses], relit=again)
        standing = count_standing(frames, sets, poses, factor, noise, learned)
        if again:
            break
        resting, pose = frames_of_one_pose(frames, poses)
        ghosts = find_ghosts(standing, places.at(pose)[1], resting, noise=noise)
        if not ghosts.any():
            continue
        shown, inside = warp_picture(np.median(np.stack(resting), axis=0).astype(np.float32), pose, factor=factor)
        bare = paint_ghosts(bare, shown, ghosts & inside)
    return places, learned, ghosts, standing


def frames_of_one_pose(
    frames: Sequence[NDArray[np.float32]], poses: Sequence[NDArray[np.float64]]
) -> tuple[list[NDArray[np.float32]], NDArray[np.float64]]:
    """Return the frames of the pose that most of them share, and that pose."""
    keys = [pose.tobytes() for pose in poses]
    most = max(dict.fromkeys(keys), key=keys.count)
    return [frame for frame, key in zip(frames, keys, strict=True) if key == most], poses[keys.index(most)]


def rest_by_pose(
    frames: Sequence[NDArray[np.float32]], poses: Sequence[NDArray[np.float64]]
) -> dict[bytes, NDArray[np.float32]]:
    """Return the median of the frames of each pose, by the pose's bytes; of poses with enough of them only."""
    groups: dict[bytes, list[NDArray[np.float32]]] = {}
    for frame, pose in zip(frames, poses, strict=True):
        groups.setdefault(pose.tobytes(), []).append(frame)
    return {
        key: np.median(np.stack(group), axis=0).astype(np.float32)
        for key, group in groups.items()
        if len(group) >= LEAST_OF_POSE
    }


def pick_some(proxies: ProxyTake) -> NDArray[np.intp]:
    """Return indices of survey pictures over the whole hero: outside of the shot's frames the set may be free."""
    return np.unique(np.linspace(0, len(proxies) - 1, LEARN_FRAMES).astype(np.intp))


def count_standing(
    frames: Sequence[FloatArray],
    sets: Sequence[FloatArray],
    poses: Sequence[NDArray[np.float64]],
    factor: int,
    noise: NoiseModel,
    learned: HeroLearned,
) -> NDArray[np.float32]:
    """Return in what share of some frames each place counts as figure, (h, w)."""
    total = np.zeros(frames[0].shape[:2], np.float32)
    finder, last = None, b""
    for frame, picture, pose in zip(frames, sets, poses, strict=True):
        if finder is None or pose.tobytes() != last:
            finder, last = MatteFinder(picture, noise, learned, pose=scale_pose(pose, factor)), pose.tobytes()
        total += finder.mark([frame], 0).figure
    return total / np.float32(len(frames))
