"""The hold-out matte pulled from the hero, frame by frame, into one packed file.

Two looks at the hero: at survey size, mostly from what its own survey left, to learn how it is lit, what the figure
wears, and whether somebody stands in the set's picture; then at full size, in order. Memory does not grow with the
take: a handful of full-size frames are held as half floats.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from itertools import accumulate, islice
from pathlib import Path
from typing import Any, TypeVar

import cv2
import numpy as np
from numpy.typing import NDArray

from lightstack.core.clean.choice import list_places
from lightstack.core.half import narrow
from lightstack.core.matte.carry import carry_nearest, find_nearest
from lightstack.core.matte.ghosts import find_ghosts, paint_ghosts
from lightstack.core.matte.matte import FrameMatte, HeroLearned, Mark, MatteFinder, finish_frame, learn_hero
from lightstack.core.noise import NoiseTally
from lightstack.core.regions import disc
from lightstack.core.warp import is_identity, scale_pose, warp_picture
from lightstack.errors import UnusableTake
from lightstack.files.kept.packed import open_packed, pack_arrays
from lightstack.files.read.takes import FoundReading, Take
from lightstack.jobs.patch.placed_masks import shrink_mask
from lightstack.jobs.spread.pieces import Spread, cut_frames
from lightstack.jobs.takes.ambient import cut_centre
from lightstack.jobs.takes.memory import plan_piece_frames
from lightstack.jobs.takes.poses import pose_of
from lightstack.jobs.takes.survey import UNKNOWN_NOISE
from lightstack.records import BoolArray, FloatArray, NoiseModel, Progress, ProxyTake, PulledMatte, Registration

__all__ = ["RECORDS", "PullRequest", "pull_matte"]

Item = TypeVar("Item")

LEARN_FRAMES = 21
LEAST_OF_POSE = 5
EDGE_REACH = 5  # survey pixels beside a place that was not seen, over which the parting leans on it
NOISE_PAIRS = 6
SIDE_FRAMES = 2  # before and after a frame: still pixels are averaged over them
GAIN_STEP = 4  # survey pixels to one of the stored gain
RECORDS = ("alpha", "corner", "doubt", "gain")  # of a frame in the packed file: (h, w) uint16 of its box,
#   (top, left) of the box, (h, w) uint8 at survey size, (h, w, 3) float16 by which the set is multiplied


@dataclass(frozen=True, slots=True, eq=False)
class PullRequest:
    """What a matte is pulled from. ``frames``: source frames, inclusive. ``bare`` (H, W, 3), ``inside`` (H, W): the
    set's picture in the origin's place, and where it is known."""

    take: object  # lightstack.files.read.takes.Take, or whatever gives frames and their light
    proxies: ProxyTake
    registration: Registration
    frames: tuple[int, int]
    bare: FloatArray
    inside: BoolArray


class SetPlaces:
    """The set's picture where frames of a pose show it, at both sizes; the last pose is remembered.

    ``own``: by pose, the hero's median at survey size over frames of that pose. It stands in where the set was not
    seen, as at the edge of a bumped frame; where there is none, what stands beside such a place goes on.
    """

    def __init__(
        self, bare: FloatArray, inside: BoolArray, factor: int, own: Mapping[bytes, NDArray[np.float32]]
    ) -> None:
        self._bare, self._inside, self._factor, self._own = bare, inside, factor, own
        self._last: tuple[bytes, tuple[FloatArray, FloatArray, NDArray[np.int32] | None]] | None = None

    def at(self, pose: NDArray[np.float64]) -> tuple[FloatArray, FloatArray, NDArray[np.int32] | None]:
        """Return the picture (H, W, 3), the same at survey size, and for each pixel the nearest that can be told from
        it (None where all can)."""
        if self._last is None or self._last[0] != pose.tobytes():
            bare, inside = self._move(pose)
            nearest = None
            if not inside.all():
                bare, nearest = self._fill(bare, inside, self._own.get(pose.tobytes()))
            self._last = (pose.tobytes(), (bare, shrink_picture(bare, self._factor), nearest))
        return self._last[1]

    def _move(self, pose: NDArray[np.float64]) -> tuple[FloatArray, BoolArray]:
        if is_identity(pose):
            return self._bare, self._inside
        back = np.asarray(np.linalg.inv(pose), np.float64)
        whole = warp_picture(self._inside.astype(np.float32), back, interpolation="linear")[0] > 0.999
        bare, seen = warp_picture(self._bare, back)
        return bare, seen & whole

    def _fill(
        self, bare: FloatArray, inside: BoolArray, own: NDArray[np.float32] | None
    ) -> tuple[FloatArray, NDArray[np.int32] | None]:
        if own is None:
            reach = disc(EDGE_REACH * self._factor)
            told = cv2.erode(inside.astype(np.uint8), reach, borderType=cv2.BORDER_REPLICATE) > 0
            return carry_nearest(bare, inside), find_nearest(np.asarray(told))
        large = cv2.resize(own, inside.shape[::-1], interpolation=cv2.INTER_LINEAR)
        return np.where(inside[..., None], bare, large), None


def shrink_picture(picture: FloatArray, factor: int) -> NDArray[np.float32]:
    """Average a picture (H, W, 3) down to survey size."""
    return np.stack([shrink_mask(np.ascontiguousarray(picture[..., c]), factor) for c in range(3)], axis=-1)


def pull_matte(
    request: PullRequest, path: Path, *, workers: int = 1, spread: Spread | None = None, progress: Progress
) -> PulledMatte:
    """Pull the matte of every frame and write it to a packed file (see `RECORDS`).

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


# --- at full size ------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class MarkedFrame:
    """A frame with its neighbours of the same pose, the set in its place, and how it was parted at survey size."""

    number: int
    window: tuple[NDArray[np.float16], ...]
    centre: int
    bare: FloatArray
    nearest: NDArray[np.int32] | None
    mark: Mark


class FrameMarker:
    """Parts frames at survey size, one after the other: each leans on the one before."""

    def __init__(self, request: PullRequest, places: SetPlaces, learned: HeroLearned, noise: NoiseModel) -> None:
        self._request, self.places, self._learned, self._noise = request, places, learned, noise
        self.place = {int(number): k for k, number in enumerate(request.proxies.source_frames)}
        self._finder: MatteFinder | None = None
        self._last = b""

    def mark(self, near: Sequence[int], centre: int) -> tuple[list[int], Mark]:
        """Return which of the frames ``near`` share the pose of the one at ``centre``, and how that is parted."""
        proxies, registration = self._request.proxies, self._request.registration
        pose = pose_of(registration, near[centre])
        if self._finder is None or pose.tobytes() != self._last:
            small, self._last = self.places.at(pose)[1], pose.tobytes()
            place = scale_pose(pose, proxies.factor)
            self._finder = MatteFinder(small, self._noise, self._learned, pose=place)
        same = [k for k, n in enumerate(near) if pose_of(registration, n).tobytes() == self._last]
        little = [np.asarray(proxies.rgb[self.place[near[k]]], np.float32) for k in same]
        return same, self._finder.mark(little, same.index(centre))


def mark_frames(request: PullRequest, marker: FrameMarker) -> Iterator[MarkedFrame]:
    """Give every frame parted at survey size, in order; frames ahead are decoded as they are needed."""
    for centre, near in windows(decode_half(request, marker.place), SIDE_FRAMES):
        same, mark = marker.mark([n for n, _ in near], centre)
        number = near[centre][0]
        bare, _, nearest = marker.places.at(pose_of(request.registration, number))
        window = tuple(near[k][1] for k in same)
        yield MarkedFrame(number, window, same.index(centre), bare, nearest, mark)


def decode_half(request: PullRequest, place: dict[int, int]) -> Iterator[tuple[int, NDArray[np.float16]]]:
    """Give the shot's frames in linear light as half floats."""
    for frame in request.take.frames(*request.frames):  # type: ignore[attr-defined]
        if frame.number in place:
            yield frame.number, to_half(request.take.linear(frame))  # type: ignore[attr-defined]


def to_half(light: FloatArray) -> NDArray[np.float16]:
    """Return light (H, W, 3) as half floats."""
    values = np.ascontiguousarray(light, np.float32).ravel()
    out = np.empty(values.shape, np.uint16)
    narrow(values, np.empty_like(values), out)
    return out.view(np.float16).reshape(light.shape)


def windows(items: Iterator[Item], side: int) -> Iterator[tuple[int, list[Item]]]:
    """Give for each item the list of it and its neighbours, up to ``side`` on either side, and its index in there."""
    held: deque[Item] = deque()
    begin = centre = 0  # of the whole: which item the held ones begin with, which one is next
    for count, item in enumerate(items, start=1):
        held.append(item)
        if count - 1 - centre == side:
            yield centre - begin, list(held)
            centre += 1
            if begin < centre - side:
                held.popleft()
                begin += 1
    while centre < begin + len(held):
        if begin < centre - side:
            held.popleft()
            begin += 1
        yield centre - begin, list(held)
        centre += 1


def solve_frames(
    frames: Iterator[MarkedFrame], noise: NoiseModel, workers: int
) -> Iterator[tuple[int, float, float, bytes]]:
    """Solve marked frames at full size, several at a time, and give each frame's number, figure area, area
    in doubt and record."""
    waiting: deque[Future[tuple[int, float, float, bytes]]] = deque()
    with ThreadPoolExecutor(max(1, workers)) as pool:
        try:
            for frame in frames:
                waiting.append(pool.submit(solve_frame, frame, noise))
                while len(waiting) > workers:
                    yield waiting.popleft().result()
            while waiting:
                yield waiting.popleft().result()
        finally:
            for one in waiting:
                one.cancel()


@dataclass(frozen=True, slots=True, eq=False)
class SolveJob:
    """What frames are solved from at full size; see `PullRequest` and `SetPlaces`."""

    take: Take
    registration: Registration
    places: SetPlaces
    noise: NoiseModel


Parted = tuple[tuple[int, ...], int, Mark]  # frames of one pose, which of them is the frame, how it was parted


def solve_elsewhere(
    request: PullRequest, marker: FrameMarker, noise: NoiseModel, spread: Spread
) -> Iterator[tuple[int, float, float, bytes]]:
    """Part frames here, where each leans on the one before, and have them solved at full size by others."""
    first, last = request.frames
    take: Any = request.take
    numbers = [n for n in marker.place if first <= n <= last]
    height, width = request.bare.shape[:2]
    cut = cut_frames(numbers, take.list_sync(), spread.hands, most=plan_piece_frames((height, width), spread.hands))

    def part() -> Iterator[list[Parted]]:
        parted = windows(iter(numbers), SIDE_FRAMES)
        for piece in cut:
            found = []
            for centre, near in islice(parted, len(piece)):
                same, mark = marker.mark(near, centre)
                found.append((tuple(near[k] for k in same), same.index(centre), mark))
            yield found

    job = SolveJob(take, request.registration, marker.places, noise)
    for solved, found in spread.run(solve_some, job, part()):
        take.add_found(found)
        yield from solved


def solve_some(
    job: SolveJob, parted: Sequence[Parted]
) -> tuple[list[tuple[int, float, float, bytes]], FoundReading]:
    """Solve some frames, with a reader of one's own; only frames that lean on each other are held."""
    held: dict[int, NDArray[np.float16]] = {}
    solved = []
    firsts = [near[0] for near, _, _ in parted]
    least = list(accumulate(reversed(firsts), min))[::-1]  # that this or a later frame leans on
    with job.take.opened_again() as take:
        frames = take.read_frames(sorted({n for near, _, _ in parted for n in near}))
        for (near, centre, mark), lowest in zip(parted, least, strict=True):
            held = {n: picture for n, picture in held.items() if n >= lowest}
            while near[-1] not in held:
                frame = next(frames)
                held[frame.number] = to_half(take.linear(frame))
            bare, _, nearest = job.places.at(pose_of(job.registration, near[centre]))
            marked = MarkedFrame(near[centre], tuple(held[n] for n in near), centre, bare, nearest, mark)
            solved.append(solve_frame(marked, job.noise))
        return solved, take.found()


def solve_frame(frame: MarkedFrame, noise: NoiseModel) -> tuple[int, float, float, bytes]:
    """Solve one frame and pack it."""
    solved = finish_frame(frame.window, frame.centre, frame.bare, mark=frame.mark, noise=noise)
    alpha = solved.alpha
    if frame.nearest is not None:
        alpha = alpha.ravel()[frame.nearest]  # the set was not seen there: what stands beside it goes on
    return frame.number, float(alpha.mean()), float(frame.mark.doubt.mean()), pack_frame(alpha, solved, frame.mark)


def pack_frame(alpha: NDArray[np.float32], solved: FrameMatte, mark: Mark) -> bytes:
    """Pack a frame's matte (only the box that holds it), doubt and gain."""
    rows, columns = np.flatnonzero(alpha.any(axis=1)), np.flatnonzero(alpha.any(axis=0))
    box = (slice(0, 0), slice(0, 0))
    if len(rows):
        box = (slice(int(rows[0]), int(rows[-1]) + 1), slice(int(columns[0]), int(columns[-1]) + 1))
    coded = np.rint(np.clip(alpha[box], 0, 1) * 65535).astype(np.uint16)
    height, width = mark.doubt.shape
    small = (max(1, width // GAIN_STEP), max(1, height // GAIN_STEP))
    gain = cv2.resize(mark.gain, small, interpolation=cv2.INTER_AREA).astype(np.float16)
    corner = np.array([box[0].start, box[1].start], np.int32)
    return pack_arrays((coded, corner, np.rint(255 * mark.doubt).astype(np.uint8), gain))
