"""Lamp stills made ready for being summed: without grain, and filled where lamp or carrier stood before the set."""

from __future__ import annotations

import zlib
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from lightstack.core.lamp.travel_blend import choose_fillers, fill_still, match_levels, tighten_valid
from lightstack.core.lamp.travel_shade import enlarge_stops, shift_light
from lightstack.core.sweep.grain_off import take_off_grain
from lightstack.errors import OutputError
from lightstack.files.folder import read_json, write_json
from lightstack.files.kept.stack import LightStack, StackShape, create_stack, open_stack, stack_files
from lightstack.files.processors import usable_processors
from lightstack.files.shot.schema import Sweep
from lightstack.jobs.light.lamp_places import StillPlaces
from lightstack.jobs.light.plates import find_stack, notes_of, open_working, read_unlit
from lightstack.jobs.stage.finish import Delivery
from lightstack.jobs.takes.memory import plan_workers
from lightstack.jobs.takes.options import BuildOptions
from lightstack.records import BuiltSweep, FloatArray, Progress, StillNotes

__all__ = ["FilledStills", "fill_or_recall", "read_small", "shrink", "small_size"]

SCHEMA = 2
SMALL_WIDTH = 320  # pixels; levels of neighbouring stills are compared at this size
RIM_SHARE = 4 / 320  # of the width: a dark rim that masks leave open beside a body
FILE = "filled.exr"


@dataclass(frozen=True, slots=True)
class FilledStills:
    """Stills of a sweep without grain and holes. ``filled`` (K,): share of each picture that was filled in."""

    path: Path
    filled: tuple[float, ...]
    inputs: dict[str, Any]

    def open(self) -> LightStack:
        """Open them for reading. Raises OutputError where they are gone."""
        try:
            return open_stack(self.path)
        except (OSError, ValueError) as error:
            raise OutputError(f"{self.path}: stills made ready cannot be read; build again with --force") from error


def fill_or_recall(
    delivery: Delivery,
    sweep: Sweep,
    built: BuiltSweep,
    places: StillPlaces | None,
    options: BuildOptions,
    *,
    force: bool,
    progress: Progress,
) -> FilledStills:
    """Make a sweep's stills ready, or take them from the scratch folder.

    ``places``: of the lamp in each still; neighbours in time fill them where None.
    """
    scratch = delivery.folder.scratch_folder(f"sweep_{sweep.name}")
    path, kept = scratch / FILE, scratch / "filled_shares.json"
    inputs = {
        "schema": SCHEMA,
        "stack": delivery.book.identity(delivery.folder.file(find_stack(built))),
        "places": None if places is None else np.round(places.stills, 6).tolist(),
        "smooth": sweep.smooth,
    }
    stage = f"filled stills {sweep.name}"
    if delivery.book.is_due(stage, inputs, force=force) or "filled" not in read_json(kept):
        stack = open_working(delivery, built)
        threads = plan_workers((stack.shape.height, stack.shape.width), options)
        shares = fill_stack(
            stack, path, notes_of(built), read_unlit(delivery, built),
            places=places, smooth=sweep.smooth, threads=threads, progress=progress,
        )  # fmt: skip
        write_json(kept, {"filled": shares})
        relative = [str(file.relative_to(delivery.folder.path)) for file in (*stack_files(path), kept)]
        delivery.book.record(stage, inputs, relative)
    return FilledStills(path, tuple(read_json(kept)["filled"]), inputs)


def fill_stack(
    stack: LightStack,
    path: Path,
    notes: StillNotes,
    ambient: FloatArray,
    *,
    places: StillPlaces | None,
    smooth: bool,
    threads: int,
    progress: Progress,
) -> list[float]:
    """Write every still without grain and holes into a stack of its own; return the share of each that was filled."""
    shape = StackShape(stack.shape.height, stack.shape.width, stack.shape.stills, guides=0)
    out = create_stack(path, shape)
    size, covered = small_size((shape.height, shape.width)), []
    with progress.step("stills made ready", 2 * shape.stills) as step:
        for index in range(shape.stills):
            light, valid = stack.read_still(index)
            if smooth:
                light = smooth_still(light, valid, ambient, notes, index)
            tight = tighten_valid(valid, rim_px=RIM_SHARE * shape.width)
            write_bands(out, index, light, tight)
            covered.append(PackedValid.pack(out, tight))
            step.advance()
        lights, valids = read_small(out, size)
        filler = Filler(out, lights, valids, places, threads)
        shares = []
        for index in range(shape.stills):
            shares.append(filler.fill(index, covered))
            step.advance()
    out.flush()
    return shares


def smooth_still(
    light: FloatArray, valid: FloatArray, ambient: FloatArray, notes: StillNotes, index: int
) -> FloatArray:
    """Return a still (H, W, 3) without its grain: it would stand still, or swim, under the hero's own."""
    gain = notes.gains[index : index + 1]
    plain = bool(np.all(gain == 1))
    origin = None if plain else np.zeros(valid.shape, np.int16)
    return take_off_grain(light, ambient, valid > 0, noise=notes.noise, gains=None if plain else gain, winner=origin)


def write_bands(stack: LightStack, index: int, light: FloatArray, valid: FloatArray) -> None:
    """Store a whole still: light (H, W, 3), validity (H, W)."""
    for band in range(stack.shape.bands):
        rows = stack.rows_of(band)
        stack.write_light(band, index, np.ascontiguousarray(light[rows]), np.ascontiguousarray(valid[rows]))


@dataclass(frozen=True, slots=True)
class PackedValid:
    """One still's validity, kept while others are filled: half floats by bands, packed, None where all of it is 1.

    Notes: it is 1 or 0 nearly everywhere, so all stills of a large stack take a few MB together.
    """

    bands: tuple[bytes | None, ...]

    @classmethod
    def pack(cls, stack: LightStack, valid: FloatArray) -> PackedValid:
        """Pack a validity (H, W) by the bands of a stack."""
        halves = (valid[stack.rows_of(band)].astype(np.float16) for band in range(stack.shape.bands))
        return cls(tuple(None if rows.min() >= 1 else zlib.compress(rows.tobytes(), 1) for rows in halves))

    @property
    def is_whole(self) -> bool:
        """Whether nothing is covered."""
        return all(band is None for band in self.bands)

    def rows(self, band: int, shape: tuple[int, int]) -> NDArray[np.float32]:
        """Return the validity of a band, ``shape`` (rows, W)."""
        packed = self.bands[band]
        if packed is None:
            return np.ones(shape, np.float32)
        return np.frombuffer(zlib.decompress(packed), np.float16).reshape(shape).astype(np.float32)


@dataclass(frozen=True, slots=True, eq=False)
class Filler:
    """Fills the stills of ``out`` from one another; ``lights`` (K, h, w, 3), ``valids`` (K, h, w) at a small size."""

    out: LightStack
    lights: NDArray[np.float32]
    valids: NDArray[np.float32]
    places: StillPlaces | None
    threads: int

    def fill(self, index: int, covered: Sequence[PackedValid]) -> float:
        """Fill what is covered in one still; return what share of the picture that is.

        ``covered``: validity of every still before any was filled: what was filled in others counts for nothing.
        """
        near, shares = self.find_neighbours(index)
        if not near or covered[index].is_whole:
            return 0.0
        size = self.valids.shape[1:]
        shifts = self.find_shifts(index, near)
        moved = self.lights[near] * np.exp2(np.stack([enlarge_stops(field, size) for field in shifts]))[..., None]
        floor = max(1e-6, 0.02 * float(np.abs(self.lights[index]).mean()))
        stops = match_levels(self.lights[index], self.valids[index], moved, self.valids[near], floor=floor)
        shape = self.out.shape

        def run(band: int) -> float:
            rows = self.out.rows_of(band)
            if covered[index].bands[band] is None:
                return 0.0
            light = self.out.read_light(band, index)[0]
            valid = covered[index].rows(band, light.shape[:2])
            full = (shape.height, shape.width)
            lift = np.exp2(np.stack([enlarge_stops(field, full, rows) for field in shifts]))
            others = np.stack([self.out.read_light(band, k)[0] for k in near]) * lift[..., None]
            trust = np.stack([covered[k].rows(band, valid.shape) for k in near])
            gains = enlarge_rows(stops, rows, size[0] / shape.height, shape.width)
            made, believed, share = fill_still(light, valid, others, trust, shares=shares, stops=gains)
            self.out.write_light(band, index, made, believed)
            return share * (rows.stop - rows.start)

        with ThreadPoolExecutor(self.threads or usable_processors()) as pool:
            return sum(pool.map(run, range(shape.bands))) / shape.height

    def find_neighbours(self, index: int) -> tuple[list[int], list[float]]:
        """Return the stills that fill one, the nearest first, and how much each counts: far ones where no near one is
        open."""
        count = len(self.lights)
        where = np.arange(count, dtype=np.float64)[:, None] if self.places is None else self.places.stills
        apart = np.linalg.norm(where - where[index], axis=1)
        near = choose_fillers(self.valids, apart, index)
        if not near:
            return [], []
        usual = max(float(apart[near[min(1, len(near) - 1)]]), 1e-9)
        return near, [float(np.exp(-((apart[k] / usual) ** 2)) + 1e-3) for k in near]

    def find_shifts(self, index: int, near: Sequence[int]) -> NDArray[np.float32]:
        """Return the stops (M, h, w) by which neighbours' light changes on its way to where this still's lamp was."""
        if self.places is None:
            return np.zeros((len(near), 2, 2), np.float32)
        return shift_light(self.places.places.lit_set, self.places.stills[list(near)], self.places.stills[index])


def enlarge_rows(small: NDArray[np.float32], rows: slice, scale: float, width: int) -> NDArray[np.float32]:
    """Return full-size ``rows`` of pictures (M, h, w, 3), interpolated; ``scale``: small rows per full row."""
    across = small.shape[2] / width
    u, v = np.meshgrid(
        ((np.arange(width) + 0.5) * across - 0.5).astype(np.float32),
        ((np.arange(rows.start, rows.stop) + 0.5) * scale - 0.5).astype(np.float32),
    )
    kind = {"interpolation": cv2.INTER_LINEAR, "borderMode": cv2.BORDER_REPLICATE}
    return np.stack([np.asarray(cv2.remap(picture, u, v, **kind), np.float32) for picture in small])


def small_size(size: tuple[int, int]) -> tuple[int, int]:
    """Return the size (h, w) at which stills are compared."""
    scale = min(1.0, SMALL_WIDTH / size[1])
    return max(8, round(size[0] * scale)), max(8, round(size[1] * scale))


def shrink(picture: FloatArray, small: tuple[int, int]) -> NDArray[np.float32]:
    """Bring a picture (H, W, C) to ``small`` (h, w) by averaging areas; what is no number counts as 0."""
    clean = np.nan_to_num(np.asarray(picture, np.float32))
    made = cv2.resize(clean, small[::-1], interpolation=cv2.INTER_AREA)
    return np.asarray(made.reshape(*small, -1), np.float32)


def read_small(stack: LightStack, small: tuple[int, int]) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Read every still at a small size: light (K, h, w, 3), the mean of what is valid, and validity (K, h, w)."""
    lights, valids = [], []
    for index in range(stack.shape.stills):
        light, valid = stack.read_still(index)
        share = shrink(valid[..., None], small)[..., 0]
        lights.append(shrink(light * valid[..., None], small) / np.maximum(share, 1e-6)[..., None])
        valids.append(share)
    return np.stack(lights), np.stack(valids)
