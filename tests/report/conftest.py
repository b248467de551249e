"""A small made shot for the report's tests: procedural pictures, plausible numbers."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable

import numpy as np
import pytest

from lightstack.records import (
    FrameTable,
    Hole,
    KeyFrame,
    LaidFrame,
    MixCurve,
    ShotReport,
    SweepPictures,
    SweepReport,
    Verdict,
)


def encode_display(linear: np.ndarray) -> np.ndarray:
    return np.uint8(np.clip(np.clip(linear, 0, 1) ** (1 / 2.2) * 255 + 0.5, 0, 255))


def make_room(height: int, width: int, rng: np.random.Generator) -> np.ndarray:
    """Reflectance of an invented room: wall, floor, shelves, a cupboard, some boxes."""
    y, x = np.mgrid[0:height, 0:width] / height
    room = np.empty((height, width, 3))
    room[:] = (0.42, 0.38, 0.33)
    room *= (1 + 0.05 * np.sin(60 * x))[..., None]
    room[y > 0.72] = (0.25, 0.17, 0.11)
    for left, top, right, bottom in rng.uniform([0, 0.15, 0.1, 0.1], [1.5, 0.6, 0.3, 0.35], (9, 4)):
        box = (x > left) & (x < left + right) & (y > top) & (y < top + bottom)
        room[box] = rng.uniform(0.05, 0.7, 3)
    return room


def make_light(shape: tuple[int, int], x: float, y: float, size: float) -> np.ndarray:
    height, width = shape
    gy, gx = np.mgrid[0:height, 0:width] / height
    return 1 / (1 + ((gx - x) ** 2 + (gy - y) ** 2) / size**2)


def build_table(count: int = 140, seed: int = 3) -> FrameTable:
    rng = np.random.default_rng(seed)
    row = np.arange(count)
    on = (row >= 18) & (row < count - 16) & ~((row > 70) & (row < 84))
    energy = np.where(on, 0.03 + 0.025 * np.sin(row / 7) + 0.02 * np.exp(-(((row - 50) / 5) ** 2)), 0)
    energy = np.maximum(energy + rng.normal(0, 2e-4, count), 0)
    zeros = np.zeros(count)
    return FrameTable(
        source_frames=row + 1,
        seconds=row / 24,
        lamp_energy=energy,
        lamp_sigma=energy / 2e-4,
        change_sigma=np.abs(np.gradient(energy)) * 400 + 0.8,
        lamp_on=on,
        stretch=np.where(on, np.where(row > 77, 1, 0), -1),
        clipped=np.outer(on * 0.002, (0.4, 0.1, 1.0)),
        smear_px=np.where(on, 2 + np.sin(row / 9), np.nan),
        drift_stops=rng.normal(0, 0.01, (count, 3)),
        sharpness=zeros + 1,
        blocked=np.where(on, 0.05 + 0.04 * np.sin(row / 11) ** 2, 0),
        flare=np.where(on, 0.02, 0),
        shift_px=np.where(row > 90, 1.2, 0),
        weight=np.where(on, 0.9, 0),
    )


def build_keys(table: FrameTable, count: int = 12) -> tuple[KeyFrame, ...]:
    rows = np.flatnonzero(table.lamp_on)
    picks = rows[np.linspace(0, len(rows) - 1, count).round().astype(int)]
    order = np.random.default_rng(1).permutation(count)
    return tuple(
        KeyFrame(
            rank=rank + 1,
            take="sweep_violet.mov",
            source_frame=int(table.source_frames[picks[pick]]),
            timecode=f"10:00:{picks[pick] // 24:02d}:{picks[pick] % 24:02d}",
            gain=0.4 / (rank + 1),
            weight=0.9,
            clipped=0.0021,
            blocked=float(table.blocked[picks[pick]]),
            level_stops=-0.25,
        )
        for rank, pick in enumerate(order)
    )


def build_pictures(height: int, width: int, key_count: int, *, evened: bool = False) -> SweepPictures:
    rng = np.random.default_rng(11)
    room, gel = make_room(height, width, rng), np.array((0.62, 0.3, 1.0))
    shape, aspect = (height, width), width / height
    spots = [(aspect * (k + 0.5) / key_count, 0.35 + 0.2 * np.sin(k)) for k in range(key_count)]
    stills = [make_light(shape, x, y, 0.16)[..., None] * room * gel for x, y in spots]
    plate = np.max(stills, axis=0)
    dark = make_light(shape, 0.12 * aspect, 0.9, 0.1) > 0.62
    dark |= make_light(shape, 0.93 * aspect, 0.1, 0.08) > 0.55
    plate[dark] *= 0.02
    naive = plate + 0.02 + np.abs(rng.normal(0, 0.015, plate.shape))
    for x, y in spots:
        naive[make_light(shape, x, y, 0.02) > 0.6] = 1
    thumb = (max(2, height // 3), max(2, width // 3))
    near = (np.arange(thumb[0])[:, None] * height // thumb[0], np.arange(thumb[1]) * width // thumb[1])
    masks = [make_light(thumb, x, y + 0.2, 0.12) > 0.55 for x, y in spots]
    thumbs = [encode_display(s[near] + 0.05 * room[near]) for s in stills]
    for picture, mask in zip(thumbs, masks, strict=True):
        picture[mask] = picture[mask] // 4
    holes = (
        Hole(1, 0.12 * width, 0.9 * height, 0.011, "bottom left"),
        Hole(2, 0.93 * width, 0.1 * height, 0.009, "top right"),
    )
    return SweepPictures(
        plate=encode_display(plate),
        naive=encode_display(naive),
        bright=encode_display(room * 0.9),
        reach=~dark,
        holes=holes,
        thumbnails=thumbs,
        thumbnail_blocked=masks,
        evened=encode_display(plate**0.8) if evened else None,
    )


def build_laid(height: int, width: int, count: int = 3) -> tuple[LaidFrame, ...]:
    room = make_room(height, width, np.random.default_rng(11))
    base = room * 0.15 * np.array((1.0, 0.7, 0.4))
    light = make_light((height, width), 0.9, 0.5, 0.3)[..., None] * room * np.array((0.62, 0.3, 1.0))
    gains = np.linspace(0, 1, count)
    return tuple(
        LaidFrame(1010 + 20 * i, float(g), encode_display(base), encode_display(base + g * light))
        for i, g in enumerate(gains)
    )


def build_report(
    *, height: int = 90, width: int = 160, key_count: int = 12, name: str = "violet", evened: bool = True
) -> ShotReport:
    table = build_table()
    sweep = SweepReport(
        name=name,
        table=table,
        keys=build_keys(table, key_count),
        coverage=0.9953,
        pictures=build_pictures(height, width, key_count, evened=evened),
        numbers=(
            ("plate residue where nothing was lit", "0.02 sigma"),
            ("ambient from", "34 frames, 2 left out"),
            ("filled area", "0.4 % of the picture"),
            ("exposure drift", "0.03 stops, not corrected"),
        ),
    )
    return ShotReport(
        shot="attic_020",
        version="v003",
        verdicts=(
            Verdict("hero", "good", ("The camera stood still.",)),
            Verdict(
                "sweep_violet",
                "usable",
                ("2 places were never lit: bottom left and top right.", "Bumped by 1.2 px at frame 92."),
            ),
        ),
        warnings=("The sweep carries no colour tags; BT.709 limited range is assumed.",),
        sweeps=(sweep,),
        mixes=(("wisp", MixCurve(1001, np.interp(np.arange(96), [10, 30, 60, 90], [0, 1, 0.35, 0]))),),
        laid=build_laid(height, width),
        settings=(("sweep.coverage", "0.995"), ("sweep.combine", "max")),
        files=(("plate.exr", "the relight plate"), ("mix.csv", "gain per shot frame")),
        cautions=("Flashing light: check the mix before showing it to people.",),
    )


@pytest.fixture(scope="session")
def make_report() -> Callable[..., ShotReport]:
    """Build the made report; keywords replace the builder's sizes, then fields of the record."""

    def make(fields: dict | None = None, **sizes: object) -> ShotReport:
        return dataclasses.replace(build_report(**sizes), **(fields or {}))  # type: ignore[arg-type]

    return make


@pytest.fixture
def table() -> FrameTable:
    return build_table()


@pytest.fixture
def keys(table: FrameTable) -> tuple[KeyFrame, ...]:
    return build_keys(table)
