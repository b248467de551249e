"""What people are told and shown, and what is kept of it between two builds."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from lightstack.records.findings import TakeFindings
from lightstack.records.flash import FlashReport
from lightstack.records.held import HoldoutReport
from lightstack.records.lamps import LightReport
from lightstack.records.measured import BoolArray, FrameTable, MixCurve, NoiseModel, Registration
from lightstack.records.regel import RegelReport
from lightstack.records.stills import StillNotes


class Step(Protocol):
    """One visible piece of work."""

    def advance(self, count: int = 1) -> None: ...


class Progress(Protocol):
    """What a job tells whoever watches. ``step`` gives a context manager; ``say`` prints one line."""

    def step(self, name: str, total: int | None) -> AbstractContextManager[Step]: ...

    def say(self, line: str, *, level: int = 0) -> None: ...


@dataclass(frozen=True, slots=True)
class Verdict:
    """What the tool thinks of a take, in plain words. ``grade``: "good" | "usable" | "reshoot"."""

    take: str
    grade: str
    sentences: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class KeyFrame:
    """One row of key_frames.csv."""

    rank: int
    take: str
    source_frame: int
    timecode: str | None
    gain: float  # share of f that it added
    weight: float
    clipped: float
    blocked: float
    level_stops: float  # brought to the common level by this much when ``even`` > 0


@dataclass(frozen=True, slots=True)
class Hole:
    """A place that the lamp never reached: centre and area in pixels of the full picture."""

    number: int
    x: float
    y: float
    area_share: float
    where: str  # "bottom left"


@dataclass(frozen=True, slots=True)
class SweepPictures:
    """What the report shows of a sweep, already display-encoded uint8 ``(h, w, 3)`` unless said."""

    plate: NDArray[np.uint8]
    naive: NDArray[np.uint8]
    bright: NDArray[np.uint8]  # a bright still of the room for the reach picture
    reach: BoolArray  # (h, w) True where the lamp's light arrived
    holes: tuple[Hole, ...]
    thumbnails: Sequence[NDArray[np.uint8]]  # one per key frame, in key-frame order
    thumbnail_blocked: Sequence[BoolArray]  # (h, w) per thumbnail
    evened: NDArray[np.uint8] | None = None
    full_size: tuple[int, int] | None = None  # (H, W) that holes count in; None = that of ``bright``


@dataclass(frozen=True, slots=True)
class SweepReport:
    """One sweep's section of the report."""

    name: str
    table: FrameTable
    keys: tuple[KeyFrame, ...]
    coverage: float
    pictures: SweepPictures
    numbers: tuple[tuple[str, str], ...]  # label, value with unit


@dataclass(frozen=True, slots=True)
class LaidFrame:
    """Before and after of one hero frame, display-encoded uint8 ``(h, w, 3)``."""

    shot_frame: int
    gain: float
    before: NDArray[np.uint8]
    after: NDArray[np.uint8]


@dataclass(frozen=True, slots=True)
class PatchReport:
    """One patch's section of the report: ``numbers`` (label, value with unit); ``laid`` before and after, the gain
    being the patch's strength."""

    name: str
    numbers: tuple[tuple[str, str], ...]
    laid: tuple[LaidFrame, ...]


@dataclass(frozen=True, slots=True)
class PatchLight:
    """What a patch is taken from, in the origin's place: ``light`` (H, W, 3) float32, ``inside`` (H, W) where it is
    known."""

    light: NDArray[np.float32]
    inside: BoolArray


@dataclass(frozen=True, slots=True)
class PatchMatch:
    """How a patch is matched to the hero, at survey size in the origin's place.

    ``source``: index of its `PatchLight`. ``stops`` (h, w, 3): the hero against the patch, where ``known`` (h, w).
    ``changes`` (n, 3): stops by which the frames from ``first_frame`` on differ from that. ``matched``: whether
    there was a ring to match to.
    """

    name: str
    source: int
    stops: NDArray[np.float32]
    known: BoolArray
    weight: NDArray[np.float32]
    first_frame: int
    changes: NDArray[np.float64]
    matched: bool


@dataclass(frozen=True, slots=True)
class BuiltPatches:
    """What is kept of a shot's patches between two builds."""

    lights: tuple[PatchLight, ...]
    matches: tuple[PatchMatch, ...]
    factor: int
    reports: tuple[PatchReport, ...]
    warnings: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class CleanReport:
    """A clean plate's section of the report.

    ``plate``, ``confidence``, ``noise``: display-encoded uint8 (h, w, 3), the latter two with what is wrong ringed and
    numbered. ``noise_range``: shares of one frame's noise that black and white stand for. ``places``: number and what
    is wrong there, a line each. ``numbers``: label, value with unit.
    """

    plate: NDArray[np.uint8]
    confidence: NDArray[np.uint8]
    noise: NDArray[np.uint8]
    noise_range: tuple[float, float]
    places: tuple[tuple[int, str], ...]
    numbers: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class BuiltClean:
    """What is kept of a shot's clean plate between two builds; ``plate``: its file; ``numbers``: figures as JSON."""

    plate: str
    files: tuple[tuple[str, str], ...]
    numbers: str
    verdict: Verdict
    warnings: tuple[str, ...]
    report: CleanReport


@dataclass(frozen=True, slots=True)
class ShotReport:
    """Everything that report.html shows.

    ``shows_frames``: the shot has frames; without ``flash`` they were not checked for flashes.
    """

    shot: str
    version: str
    verdicts: tuple[Verdict, ...]
    warnings: tuple[str, ...]
    sweeps: tuple[SweepReport, ...]
    mixes: tuple[tuple[str, MixCurve], ...]  # by light
    laid: tuple[LaidFrame, ...]
    settings: tuple[tuple[str, str], ...]
    files: tuple[tuple[str, str], ...]  # relative path, what it is
    cautions: tuple[str, ...]
    findings: tuple[TakeFindings, ...] = ()
    patches: tuple[PatchReport, ...] = ()
    clean: CleanReport | None = None
    holdout: HoldoutReport | None = None
    lights: tuple[LightReport, ...] = ()
    regels: tuple[RegelReport, ...] = ()
    flash: FlashReport | None = None
    shows_frames: bool = False


@dataclass(frozen=True, slots=True)
class BuiltSweep:
    """What is kept of a sweep between two builds: its report, verdict, files and description.

    ``timecodes``: one per frame of the table. ``take``: its description for the manifest, as JSON text.
    ``primaries``: of the plate. ``decoded``, ``run_in``: frames really decoded, and of those the run-in. ``stills``:
    what is known of the stills of its light stack.
    """

    report: SweepReport
    registration: Registration
    verdict: Verdict
    warnings: tuple[str, ...]
    files: tuple[tuple[str, str], ...]
    timecodes: tuple[str | None, ...]
    take: str
    primaries: str
    plate: str
    decoded: int
    run_in: int
    findings: tuple[TakeFindings, ...] = ()
    stills: StillNotes | None = None


@dataclass(frozen=True, slots=True)
class LaidFrames:
    """Before and after of the shot's frames, kept between two builds: ``groups`` by name, the ``frames`` of each."""

    groups: tuple[str, ...]
    frames: tuple[tuple[LaidFrame, ...], ...]


@dataclass(frozen=True, slots=True)
class RestPicture:
    """A take's picture at rest: ``light`` (h, w, 3) linear at survey size, ``noise`` of that picture and what coding it
    adds (``codes``), ``size`` (H, W) in full, ``lively`` (h, w) where somebody moves, where that matters."""

    name: str
    role: str
    light: NDArray[np.float32]
    noise: NoiseModel
    codes: NoiseModel
    size: tuple[int, int]
    primaries: str
    lively: BoolArray | None = None


@dataclass(frozen=True, slots=True)
class Origin:
    """What every take is registered to: ``picture`` (h, w, 3) float32 linear at survey size, the mean of
    ``frames`` frames of one pose; ``size`` (H, W) in full; ``primaries`` of the working space; ``rest``: the whole
    take's picture at rest, where one was made."""

    name: str
    picture: NDArray[np.float32]
    size: tuple[int, int]
    primaries: str
    frames: int = 1
    rest: RestPicture | None = None


@dataclass(frozen=True, slots=True)
class HeroLook:
    """The hero after its survey: the origin picture, where the hero itself moved, and the verdict."""

    origin: Origin
    registration: Registration
    verdict: Verdict
    findings: tuple[TakeFindings, ...] = ()
