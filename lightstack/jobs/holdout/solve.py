"""Frames parted at survey size, one after the other, and solved at full size: here by threads, or by other machines."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from itertools import accumulate, islice
from typing import Any, TypeVar

import cv2
import numpy as np
from numpy.typing import NDArray

from lightstack.core.half import narrow
from lightstack.core.matte.matte import FrameMatte, HeroLearned, Mark, MatteFinder, finish_frame
from lightstack.core.warp import scale_pose
from lightstack.files.kept.packed import pack_arrays
from lightstack.files.read.takes import FoundReading, Take
from lightstack.jobs.holdout.places import PullRequest, SetPlaces
from lightstack.jobs.spread.pieces import Spread, cut_frames
from lightstack.jobs.takes.memory import plan_piece_frames
from lightstack.jobs.takes.poses import pose_of
from lightstack.records import FloatArray, NoiseModel, Registration

__all__ = ["RECORDS", "FrameMarker", "mark_frames", "solve_elsewhere", "solve_frames"]

Item = TypeVar("Item")

SIDE_FRAMES = 2  # before and after a frame: still pixels are averaged over them
GAIN_STEP = 4  # survey pixels to one of the stored gain
RECORDS = ("alpha", "corner", "doubt", "gain")  # of a frame in the packed file: (h, w) uint16 of its box,
#   (top, left) of the box, (h, w) uint8 at survey size, (h, w, 3) float16 by which the set is multiplied


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
