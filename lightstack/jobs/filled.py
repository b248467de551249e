"""Lamp stills made ready for being summed: without grain, and filled where lamp or carrier stood before the set."""

from __future__ import annotations

import os
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from lightstack.core.grain_off import take_off_grain
from lightstack.core.travel_blend import fill_still, match_levels
from lightstack.files.folder import read_json, write_json
from lightstack.files.schema import Sweep
from lightstack.files.stack import LightStack, StackShape, create_stack, open_stack
from lightstack.jobs.finish import Delivery
from lightstack.jobs.light_plates import find_stack, notes_of, open_working, read_unlit
from lightstack.jobs.memory import plan_workers
from lightstack.jobs.options import BuildOptions
from lightstack.records import BuiltSweep, FloatArray, Progress, StillNotes

__all__ = ["FilledStills", "fill_or_recall", "read_small", "shrink", "small_size"]

SCHEMA = 1
SMALL_WIDTH = 320  # pixels; levels of neighbouring stills are compared at this size
NEIGHBOURS = 4
FILE = "filled.exr"


@dataclass(frozen=True, slots=True)
class FilledStills:
    """Stills of a sweep without grain and holes. ``filled`` (K,): share of each picture that was filled in."""

    path: Path
    filled: tuple[float, ...]
    inputs: dict[str, Any]

    def open(self) -> LightStack:
        """Open them for reading."""
        return open_stack(self.path)


def fill_or_recall(
    delivery: Delivery,
    sweep: Sweep,
    built: BuiltSweep,
    places: NDArray[np.float64] | None,
    options: BuildOptions,
    *,
    force: bool,
    progress: Progress,
) -> FilledStills:
    """Make a sweep's stills ready, or take them from the scratch folder.

    ``places`` (K, d): of the lamp in each still; neighbours in time where None.
    """
    scratch = delivery.folder.scratch_folder(f"sweep_{sweep.name}")
    path, kept = scratch / FILE, scratch / "filled_shares.json"
    inputs = {
        "schema": SCHEMA,
        "stack": delivery.book.identity(delivery.folder.file(find_stack(built))),
        "places": None if places is None else np.round(places, 6).tolist(),
        "smooth": sweep.smooth,
    }
    stage = f"filled stills {sweep.name}"
    if force or not delivery.book.is_current(stage, inputs):
        stack = open_working(delivery, built)
        threads = plan_workers((stack.shape.height, stack.shape.width), options)
        shares = fill_stack(
            stack, path, notes_of(built), read_unlit(delivery, built),
            places=places, smooth=sweep.smooth, threads=threads, progress=progress,
        )  # fmt: skip
        write_json(kept, {"filled": shares})
        relative = [str(file.relative_to(delivery.folder.path)) for file in (path, kept)]
        delivery.book.record(stage, inputs, relative)
    return FilledStills(path, tuple(read_json(kept)["filled"]), inputs)


def fill_stack(
    stack: LightStack,
    path: Path,
    notes: StillNotes,
    ambient: FloatArray,
    *,
    places: NDArray[np.float64] | None,
    smooth: bool,
    threads: int,
    progress: Progress,
) -> list[float]:
    """Write every still without grain and holes into a stack of its own; return the share of each that was filled."""
    shape = StackShape(stack.shape.height, stack.shape.width, stack.shape.stills, guides=0)
    out = create_stack(path, shape)
    size = small_size((shape.height, shape.width))
    with progress.step("stills made ready", 2 * shape.stills) as step:
        for index in range(shape.stills):
            light, valid = stack.read_still(index)
            if smooth:
                light = smooth_still(light, valid, ambient, notes, index)
            write_bands(out, index, light, valid)
            step.advance()
        lights, valids = read_small(out, size)
        shares = []
        for index in range(shape.stills):
            near = find_neighbours(index, shape.stills, places)
            shares.append(fill_one(stack, out, index, lights, valids, near, threads))
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


def find_neighbours(index: int, count: int, places: NDArray[np.float64] | None) -> list[tuple[int, float]]:
    """Return the stills nearest to one and how much each counts, the nearest first."""
    where = np.arange(count, dtype=np.float64)[:, None] if places is None else places
    apart = np.linalg.norm(where - where[index], axis=1)
    apart[index] = np.inf
    near = np.argsort(apart, kind="stable")[: min(NEIGHBOURS, count - 1)]
    least = max(float(apart[near[0]]), 1e-9) if len(near) else 1.0
    return [(int(k), float((least / max(apart[k], least)) ** 2)) for k in near]


def fill_one(
    stack: LightStack,
    out: LightStack,
    index: int,
    lights: NDArray[np.float32],
    valids: NDArray[np.float32],
    neighbours: Sequence[tuple[int, float]],
    threads: int,
) -> float:
    """Fill what is covered in one still of ``out`` and return what share of the picture that is.

    ``lights``, ``valids``: all stills at small size. ``stack`` tells what was covered to begin with, in neighbours too:
    what was filled in them counts for nothing here.
    """
    if not neighbours or float(valids[index].min()) >= 1:
        return 0.0
    who = [k for k, _ in neighbours]
    floor = max(1e-6, 0.02 * float(np.abs(lights[index]).mean()))
    stops = match_levels(lights[index], valids[index], lights[who], valids[who], floor=floor)
    rows_small = stops.shape[1] / stack.shape.height

    def run(band: int) -> float:
        rows = stack.rows_of(band)
        valid = stack.read_light(band, index)[1]
        if float(valid.min()) >= 1:
            return 0.0
        light = out.read_light(band, index)[0]
        others = np.stack([out.read_light(band, k)[0] for k in who])
        trust = np.stack([stack.read_light(band, k)[1] for k in who])
        lift = enlarge_rows(stops, rows, rows_small, stack.shape.width)
        made, believed, share = fill_still(
            light, valid, others, trust, shares=[share for _, share in neighbours], stops=lift
        )
        out.write_light(band, index, made, believed)
        return share * (rows.stop - rows.start)

    with ThreadPoolExecutor(threads or os.cpu_count() or 1) as pool:
        return sum(pool.map(run, range(stack.shape.bands))) / stack.shape.height


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
