"""The second pass of a clean plate: the chosen frames at full size, registered, stored once, reduced band by band."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from lightstack.core.clean.median import Reduced, reduce_frames
from lightstack.core.colour.decoder import Decoder
from lightstack.core.colour.encode import turn_upright
from lightstack.core.colour.planes import decode_linear, is_packed
from lightstack.core.half import narrow
from lightstack.core.noise import NoiseTally
from lightstack.core.warp import warp_picture
from lightstack.errors import UnusableTake
from lightstack.files.kept.frame_store import FrameStore, frames_bytes, put_frame
from lightstack.files.processors import usable_processors
from lightstack.files.read.takes import FoundReading
from lightstack.jobs.clean.look import Material
from lightstack.jobs.spread.pieces import Spread, cut_frames
from lightstack.jobs.sweep.stills import run_ahead
from lightstack.jobs.takes.ambient import cut_centre
from lightstack.jobs.takes.memory import floor_bytes, run_budget
from lightstack.jobs.takes.options import BuildOptions
from lightstack.records import CodedFrame, Encoding, NoiseModel, Progress

__all__ = ["FullPass", "reduce_full_size"]

IN_MEMORY_BYTES = 2**30  # kept in memory where no budget is named ...
USUAL_BYTES = 2**31  # ... or less, so that all together stays within this
STORE = "frames"  # the file of kept frames
ROWS_AT_ONCE = 64
PAIRS = 8
FLOOR_SIGMA_SHARE = 0.5  # of a frame's noise in black: the least that a clipped mean takes for noise


@dataclass(frozen=True, slots=True)
class FullPass:
    """``light`` (H, W, 3), NaN where nothing was seen; ``count`` (H, W): of how many frames; ``noise`` of one frame;
    ``values``: what was reduced, in words."""

    light: NDArray[np.float32]
    count: NDArray[np.uint16]
    noise: NoiseModel
    values: str


@dataclass(frozen=True, slots=True)
class Keeping:
    """How frames are stored: ``kind`` of numbers, light by code where they are codes, and that in words."""

    kind: np.dtype
    table: NDArray[np.float32] | None
    words: str


def reduce_full_size(
    material: Sequence[Material],
    chosen: Sequence[tuple[int, int]],
    masks: NDArray[np.bool_] | None,
    *,
    method: str,
    folder: Path,
    options: BuildOptions,
    progress: Progress,
) -> FullPass:
    """Decode the chosen frames (take, index), put each back to the origin, and reduce them.

    ``masks``: (n, h, w) at small size, where each does not count; None: everywhere it does.

    Notes: frames that fit are kept in memory, else they go once to a file in ``folder``, whose size is announced.
    """
    size = material[0].fitted.size
    keeping = choose_keeping(material, chosen, masks is not None)
    spread = options.spread
    path = plan_place(len(chosen), size, keeping.kind, folder, options, progress=progress)
    if spread is not None:
        path = folder / STORE  # where others see it
    store = FrameStore(len(chosen), size, keeping.kind, path)
    try:
        fill_store(store, material, chosen, masks, options, progress=progress)
        noise = measure_noise(store, keeping, material)
        light, count = np.empty((*size, 3), np.float32), np.empty(size, np.uint16)
        least = FLOOR_SIGMA_SHARE * float(np.sqrt(noise.b.min()))
        job = RowsJob(store.frames, "median" if method == "longest_rest" else method, keeping.table, least)
        with progress.step(f"{method} of {len(chosen)} frames", size[0]) as step:
            for rows, part in reduce_rows(job, options):
                light[slice(*rows)], count[slice(*rows)] = part.light, part.seen
                step.advance(rows[1] - rows[0])
    finally:
        store.close()
    return FullPass(light, count, noise, keeping.words)


@dataclass(frozen=True, slots=True, eq=False)
class RowsJob:
    """What is reduced, and how; see `reduce_frames`."""

    frames: NDArray
    method: str
    table: NDArray[np.float32] | None
    least_sigma: float


def reduce_rows(job: RowsJob, options: BuildOptions) -> Iterator[tuple[tuple[int, int], Reduced]]:
    """Give every band of rows, first and behind its last, reduced; here, or by others."""
    height = job.frames.shape[1]
    bands = [(top, min(top + ROWS_AT_ONCE, height)) for top in range(0, height, ROWS_AT_ONCE)]
    if options.spread is not None:
        yield from zip(bands, options.spread.run(reduce_band, job, bands), strict=True)
        return
    for rows in bands:
        yield rows, reduce_band(job, rows, threads=options.threads)


def reduce_band(job: RowsJob, rows: tuple[int, int], *, threads: int = 1) -> Reduced:
    """Reduce one band of rows."""
    return reduce_frames(
        job.frames, method=job.method, rows=rows, table=job.table, least_sigma=job.least_sigma, threads=threads
    )


def choose_keeping(material: Sequence[Material], chosen: Sequence[tuple[int, int]], masked: bool) -> Keeping:
    """Decide whether code values can be reduced as they are, or light has to be.

    Codes will do where nothing is masked or resampled, all frames have one encoding, and each channel's light depends
    on its own code alone: R'G'B' footage in its own primaries.
    """
    encodings = [one.fitted.take.info.encoding for one in material]
    if not masked and len(set(encodings)) == 1:
        t, k = chosen[0]  # of whichever take: nothing need be chosen of the first one
        take = material[t].fitted.take
        frame = next(take.read_frames([int(material[t].proxies.source_frames[k])]))
        decoder = take.decoder_of(frame)
        codes = read_codes(frame, encodings[0])
        unchanged = encodings[0].ocio_space is None and np.array_equal(decoder.primaries, np.eye(3))
        if codes is not None and unchanged and all(is_plain(one) for one in material):
            table = tabulate_codes(decoder, frame)
            if np.all(np.diff(table) >= 0):
                return Keeping(codes.dtype, table, "code values")
    if any(encoding.is_float and encoding.bit_depth > 16 for encoding in encodings):
        return Keeping(np.dtype(np.float32), None, "linear light, 32-bit floats")
    return Keeping(np.dtype(np.float16), None, "linear light, half floats")


def is_plain(one: Material) -> bool:
    """Tell whether a take's pictures come out as they were recorded, pixel for pixel."""
    still = all(stretch.identity for stretch in one.registration.stretches)
    return still and not one.fitted.scaled and bool(np.all(one.fitted.gain == 1))


def read_codes(frame: CodedFrame, encoding: Encoding) -> NDArray | None:
    """Return a frame of R'G'B' codes as (H, W, 3), not turned; None where its channels are something else."""
    planes = frame.planes
    if planes[0].dtype.kind != "u":
        return None
    if is_packed(planes):
        return planes[0]
    if len(planes) == 3 and encoding.matrix == "rgb" and encoding.chroma == "444":
        return np.stack(planes, axis=2)
    return None


def tabulate_codes(decoder: Decoder, frame: CodedFrame) -> NDArray[np.float32]:
    """Return the light of every code that numbers of the frame's kind can hold, as a frame like it is decoded."""
    kind = frame.planes[0].dtype
    codes = np.arange(2 ** (8 * kind.itemsize), dtype=np.int64).astype(kind)[None]
    like = (np.repeat(codes[..., None], 3, axis=2),) if is_packed(frame.planes) else (codes,) * 3
    return np.ascontiguousarray(decode_linear(decoder, like)[0, :, 0])


def plan_place(
    count: int, size: tuple[int, int], kind: np.dtype, folder: Path, options: BuildOptions, *, progress: Progress
) -> Path | None:
    """Decide where frames are kept: None for memory, or the file, after saying how large it gets."""
    needed = frames_bytes(count, size, kind)
    spare = run_budget(options) - floor_bytes(size)
    if options.memory_bytes is None:
        spare = min(IN_MEMORY_BYTES, spare, USUAL_BYTES - floor_bytes(size))
    if needed <= spare:
        return None
    path = folder / STORE
    progress.say(f"{count} frames are kept on disk meanwhile: {needed / 2**20:,.0f} MiB in {folder}")
    return path


def fill_store(
    store: FrameStore,
    material: Sequence[Material],
    chosen: Sequence[tuple[int, int]],
    masks: NDArray[np.bool_] | None,
    options: BuildOptions,
    *,
    progress: Progress,
) -> None:
    """Decode the chosen frames and store them, in order, several at a time."""
    places = {(t, int(material[t].proxies.source_frames[k])): i for i, (t, k) in enumerate(chosen)}
    if options.spread is not None:
        job = FillJob(tuple(material), places, masks, store.path, store.frames.dtype)
        with progress.step("frames at full size", len(chosen)) as step:
            for done in fill_elsewhere(job, options.spread):
                step.advance(done)
        store.open()
        return

    def frames() -> Iterator[tuple[int, CodedFrame]]:
        for t, one in enumerate(material):
            numbers = sorted(number for take, number in places if take == t)
            if numbers:
                for frame in one.fitted.take.read_frames(numbers):
                    yield t, frame

    def work(item: tuple[int, CodedFrame]) -> None:
        t, frame = item
        index = places[t, frame.number]
        store_frame(store, index, material[t], frame, None if masks is None else masks[index])

    workers = max(1, min(options.threads or usable_processors(), 4))
    with progress.step("frames at full size", len(chosen)) as step:
        for _ in run_ahead(work, frames(), workers):  # type: ignore[arg-type]
            step.advance()


@dataclass(frozen=True, slots=True, eq=False)
class FillJob:
    """What frames are stored from, and where; ``places``: by take and source frame. See `fill_store`."""

    material: tuple[Material, ...]
    places: dict[tuple[int, int], int]
    masks: NDArray[np.bool_] | None
    path: Path | None
    kind: np.dtype


def fill_elsewhere(job: FillJob, spread: Spread) -> Iterator[int]:
    """Have frames stored by others, and give how many each piece was."""
    pieces: list[tuple[int, list[int]]] = []
    for t, one in enumerate(job.material):
        numbers = sorted(number for take, number in job.places if take == t)
        pieces += [(t, piece) for piece in cut_frames(numbers, one.fitted.take.list_sync(), spread.hands)]
    before: tuple[int, int] | None = None
    for (t, numbers), found in zip(pieces, spread.run(store_some, job, pieces), strict=True):
        take = job.material[t].fitted.take
        goes_on = before is not None and before[0] == t
        take.add_found(found, again=take.count_again(before[1], numbers[0]) if goes_on and before else 0)
        before = (t, numbers[-1])
        yield len(numbers)


def store_some(job: FillJob, piece: tuple[int, list[int]]) -> FoundReading:
    """Store some frames of a take, with a reader of one's own."""
    t, numbers = piece
    assert job.path is not None
    with job.material[t].fitted.take.opened_again() as take:
        one = replace(job.material[t], fitted=replace(job.material[t].fitted, take=take))
        for frame in take.read_frames(numbers):
            index = job.places[t, frame.number]
            alone = FrameStore(1, one.fitted.size, job.kind)
            store_frame(alone, 0, one, frame, None if job.masks is None else job.masks[index])
            put_frame(job.path, index, alone.frames[0])
        return take.found()


def store_frame(
    store: FrameStore, index: int, one: Material, frame: CodedFrame, mask: NDArray[np.bool_] | None
) -> None:
    """Turn one frame into what the store holds and write it."""
    fitted = one.fitted
    if store.frames.dtype.kind == "u":
        codes = read_codes(frame, fitted.take.encoding_of(frame))
        assert codes is not None  # the first frame was, and a take keeps its kind
        store.write(index, turn_upright(codes, fitted.take.info.rotation))
        return
    light, inside = warp_picture(fitted.linear(frame), one.registration.stretch_at(frame.number).matrix)
    unseen = ~inside
    if mask is not None:
        unseen |= grow_mask(mask, fitted.size)
    if store.frames.dtype == np.float16:  # the compiled conversion is several times as fast as numpy's
        light = light.copy() if unseen.any() else light
        light[unseen] = np.nan
        flat = np.ascontiguousarray(light, np.float32).reshape(-1)
        narrow(flat, np.empty_like(flat), store.frames[index].view(np.uint16).reshape(-1))
        return
    store.write(index, light, unseen)


def grow_mask(mask: NDArray[np.bool_], size: tuple[int, int]) -> NDArray[np.bool_]:
    """Bring a small mask (h, w) to full size (H, W) by whole boxes; the rest at right and bottom repeats its edge."""
    factor = max(1, size[1] // mask.shape[1])
    grown = cv2.resize(
        mask.astype(np.uint8), (mask.shape[1] * factor, mask.shape[0] * factor), interpolation=cv2.INTER_NEAREST
    )
    rest = (max(0, size[0] - grown.shape[0]), max(0, size[1] - grown.shape[1]))
    return np.pad(grown, ((0, rest[0]), (0, rest[1])), mode="edge")[: size[0], : size[1]] > 0


def measure_noise(store: FrameStore, keeping: Keeping, material: Sequence[Material]) -> NoiseModel:
    """Measure the noise of one full-size frame from stored ones; from the survey where no two of them differ."""
    tally = NoiseTally(scale=1)
    for k in range(0, len(store) - 1, max(1, len(store) // PAIRS)):
        pair = []
        for i in (k, k + 1):
            part = cut_centre(store.frames[i])
            pair.append(part.astype(np.float32) if keeping.table is None else keeping.table[part])
        unseen = np.isnan(pair[0]) | np.isnan(pair[1])
        pair = [np.where(unseen, 0, one) for one in pair]  # patches without noise are passed over
        tally.add(*pair)
    try:
        return tally.result()
    except UnusableTake:
        proxies = material[0].proxies
        boxes = proxies.factor**2
        return NoiseModel(proxies.noise_proxy.a * boxes, proxies.noise_proxy.b * boxes)
