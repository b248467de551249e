"""Frozen records that travel between the rooms.

Conventions that every record follows:

* Light is linear, float32, ``(H, W, 3)``; 1.0 is reference white.
* Picture coordinates are pixels of the upright full-size hero, x right, y down, pixel centres at .5.
* A *source frame* is counted from 1 at a movie's first decoded frame (numbered stills keep their own
  number); a *shot frame* belongs to the hero. Ranges are inclusive.
* A pose is a 3 x 3 float64 matrix M in those coordinates: the registered picture at x is the take's
  picture at M x (M maps the registration origin into the take).
"""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.floating]
BoolArray = NDArray[np.bool_]


# --- takes -----------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Encoding:
    """How a take's code values stand for light.

    ``matrix``: "rgb", "bt601", "bt709", "bt2020". ``range``: "full" or "limited". ``chroma``: "444",
    "422", "420", "grey". ``chroma_location``: "left", "center", "topleft". ``transfer`` and
    ``primaries`` are names in ``core.light.CURVES`` and ``core.light.PRIMARIES``; ``ocio_space`` is set
    instead where a colour configuration's own processor decodes. ``ceiling`` is the R'G'B' signal at
    which the camera clips (1.0 = reference white code). ``assumed`` holds one plain sentence per guess.
    """

    matrix: str
    range: str
    bit_depth: int
    chroma: str
    chroma_location: str
    transfer: str
    primaries: str
    ocio_space: str | None = None
    is_float: bool = False
    ceiling: float = 1.0
    assumed: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class TakeInfo:
    """What is known of a take without decoding it. ``width``/``height`` are upright (after rotation)."""

    name: str
    paths: tuple[Path, ...]
    kind: str  # "movie" | "stills"
    width: int
    height: int
    rate: Fraction | None
    first_frame: int
    frame_count: int  # as declared by the container; the truth is known after a pass
    encoding: Encoding
    codec: str
    rotation: int = 0  # degrees clockwise, applied on reading
    pixel_aspect: Fraction = Fraction(1)
    timecode: str | None = None
    variable_rate: bool = False
    notes: tuple[str, ...] = ()

    @property
    def last_frame(self) -> int:
        return self.first_frame + self.frame_count - 1


@dataclass(frozen=True, slots=True)
class CodedFrame:
    """One decoded frame, still in code values: native planes, not yet rotated or converted.

    ``planes``: for YUV three 2-D uint8/uint16 arrays (Y, Cb, Cr), for grey one, for RGB stills one
    ``(H, W, 3)`` array of uint8, uint16, float16 or float32. ``seconds`` is the timestamp.
    """

    number: int
    planes: tuple[NDArray, ...]
    seconds: Fraction | None


@dataclass(frozen=True, slots=True)
class NoiseModel:
    """Temporal noise of one pixel in linear light: variance = a * level + b, per channel.

    ``a`` and ``b``: float64 ``(3,)``. ``scale`` is the proxy factor at which it was measured (1 = full
    size). Video is neither linear nor un-denoised, so the figures are *effective*.
    """

    a: NDArray[np.float64]
    b: NDArray[np.float64]
    scale: int = 1

    def sigma(self, level: FloatArray) -> FloatArray:
        """Standard deviation at a linear level ``(..., 3)``; levels below zero count as zero."""
        variance = np.maximum(level, 0) * self.a + self.b
        return np.sqrt(np.maximum(variance, 1e-16)).astype(np.float32)


@dataclass(frozen=True, slots=True)
class ProxyTake:
    """A whole take at survey size, one pass over the footage.

    ``rgb``: ``(n, h, w, 3)`` float16 linear light, box-averaged by ``factor`` (h = H // factor).
    ``clipped``: ``(n, h, w)`` uint8, bit 0/1/2 set where any full-size pixel of the box is at the R/G/B
    ceiling in code values. ``source_frames``: ``(n,)`` int. ``seconds``: ``(n,)`` float64, NaN unknown.
    Both big arrays may be memory-mapped; readers take one frame at a time.
    """

    name: str
    rgb: NDArray[np.float16]
    clipped: NDArray[np.uint8]
    source_frames: NDArray[np.int64]
    seconds: NDArray[np.float64]
    factor: int
    full_size: tuple[int, int]  # (H, W)
    noise_full: NoiseModel
    noise_proxy: NoiseModel
    duplicate: BoolArray  # (n,) frame equal to the one before, bit for bit

    def __len__(self) -> int:
        return len(self.source_frames)


# --- registration ----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Stretch:
    """A run of source frames that share one pose. ``identity`` frames are never resampled."""

    first: int
    last: int
    matrix: NDArray[np.float64]
    identity: bool
    shift_px: float  # largest displacement over the picture's corners, full-size pixels
    standard_error_px: float
    frames_used: int


@dataclass(frozen=True, slots=True)
class Registration:
    """Poses of a take against the registration origin, in full-size pixels."""

    take: str
    model: str  # "none" | "translation" | "euclidean" | "affine" | "homography"
    stretches: tuple[Stretch, ...]
    left_out: tuple[int, ...] = ()  # source frames whose pose is not to be believed
    agreement: NDArray[np.float32] = field(default_factory=lambda: np.zeros(0, np.float32))  # (n,) 0..1

    def stretch_at(self, source_frame: int) -> Stretch:
        """The stretch that holds ``source_frame``. Raises KeyError outside the take."""
        for stretch in self.stretches:
            if stretch.first <= source_frame <= stretch.last:
                return stretch
        raise KeyError(source_frame)


# --- the sweep -------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class FrameTable:
    """Per-frame numbers of a sweep, each ``(n,)``; channels are ``(n, 3)``.

    ``lamp_energy``: mean luminance of frame minus ambient, linear. ``lamp_sigma``: the same in standard
    errors of that mean over an unlit frame. ``change_sigma``: mean absolute frame-to-frame change in
    noise sigma. ``clipped``: share of pixels at the ceiling per channel. ``smear_px``: how far the
    lamp's light edge moved during one frame, full-size pixels. ``drift_stops``: per channel, on pixels
    that the lamp does not reach. ``blocked``: share of the picture covered. ``flare``: veiling lift
    share. ``weight``: 0..1 for choosing. ``stretch``: index of the lamp-on stretch, -1 lamp off.
    """

    source_frames: NDArray[np.int64]
    seconds: NDArray[np.float64]
    lamp_energy: NDArray[np.float64]
    lamp_sigma: NDArray[np.float64]
    change_sigma: NDArray[np.float64]
    lamp_on: BoolArray
    stretch: NDArray[np.int64]
    clipped: NDArray[np.float64]
    smear_px: NDArray[np.float64]
    drift_stops: NDArray[np.float64]
    sharpness: NDArray[np.float64]
    blocked: NDArray[np.float64]
    flare: NDArray[np.float64]
    shift_px: NDArray[np.float64]
    weight: NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Choice:
    """Key frames chosen from n candidates. ``order``: indices in the order of choosing; ``gains``: what
    each added to f; ``coverage``: f(chosen) / f(all)."""

    order: tuple[int, ...]
    gains: tuple[float, ...]
    coverage: float


@dataclass(frozen=True, slots=True)
class LampStill:
    """The lamp light of one key frame, full size: ``light`` ``(H, W, 3)`` float32, not premultiplied;
    ``valid`` ``(H, W)`` float32 0..1 (unblocked, in frame, unclipped)."""

    source_frame: int
    light: FloatArray
    valid: FloatArray


# --- time ------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class MixCurve:
    """Gain per shot frame: ``gains[i]`` belongs to ``first_frame + i``; 1 = plate as shot, 0 = off."""

    first_frame: int
    gains: NDArray[np.float64]

    def gain_at(self, shot_frame: int) -> float:
        """Gain at a shot frame. Raises IndexError outside the curve."""
        index = shot_frame - self.first_frame
        if not 0 <= index < len(self.gains):
            raise IndexError(shot_frame)
        return float(self.gains[index])

    @property
    def stops(self) -> NDArray[np.float64]:
        """log2 of the gains; off is -inf."""
        with np.errstate(divide="ignore"):
            return np.log2(self.gains)


# --- findings --------------------------------------------------------------------------------------

GRADES = ("good", "usable", "reshoot")
NOT_CHECKED = "not checked"

FrameSpan = tuple[int, int]  # source frames, inclusive


@dataclass(frozen=True, slots=True)
class Figure:
    """One measured number. ``unit``: as printed behind it ("px", "stops", "%", "Hz"); ``digits`` after the point."""

    name: str
    value: float
    unit: str = ""
    digits: int = 2


@dataclass(frozen=True, slots=True)
class Finding:
    """The result of one check of one take.

    ``check``: its name ("lock-off"). ``grade``: one of ``GRADES``, or ``NOT_CHECKED``. ``says``: one sentence for the
    artist, figures included. ``remedy``: what to do on set, "" where nothing is to be done. ``frames``: source frames
    concerned. ``boxes``: places in pixels of the full picture, (x0, y0, x1, y1).
    """

    check: str
    grade: str
    says: str
    remedy: str = ""
    figures: tuple[Figure, ...] = ()
    frames: tuple[FrameSpan, ...] = ()
    boxes: tuple[tuple[float, float, float, float], ...] = field(default=())

    def __post_init__(self) -> None:
        if self.grade not in (*GRADES, NOT_CHECKED):
            raise ValueError(f"grade {self.grade!r} is none of {', '.join((*GRADES, NOT_CHECKED))}")


@dataclass(frozen=True, slots=True)
class PanelLine:
    """One line of a plot over frames: ``values`` (n,); ``channel`` "R", "G", "B", or "" for none."""

    label: str
    values: NDArray[np.float64]
    channel: str = ""


@dataclass(frozen=True, slots=True)
class Panel:
    """One measured quantity of a take over its frames; ``title`` says its unit."""

    title: str
    lines: tuple[PanelLine, ...]


@dataclass(frozen=True, slots=True)
class PlaceView:
    """One place of a finding, cut out of two pictures of the set: uint8 ``(h, w, 3)``, display-encoded."""

    check: str
    number: int
    here: NDArray[np.uint8]
    there: NDArray[np.uint8] | None = None


@dataclass(frozen=True, slots=True)
class TakeFindings:
    """One take after its checks, with what the report draws of it.

    ``role``: "hero", "empty", "empty_lit", "sweep", "clean" ..., or "take". ``about``: size, frames, rate, codec.
    ``source_frames`` (n,) belong to ``panels``. ``picture``: a bright still, display-encoded, or None.
    """

    take: str
    role: str
    about: str
    findings: tuple[Finding, ...]
    source_frames: NDArray[np.int64]
    panels: tuple[Panel, ...] = ()
    picture: NDArray[np.uint8] | None = None
    full_size: tuple[int, int] | None = None  # (H, W) that boxes count in
    places: tuple[PlaceView, ...] = ()

    @property
    def grade(self) -> str:
        """The worst grade of its checks; what was not checked does not count."""
        return max((f.grade for f in self.findings if f.grade in GRADES), key=GRADES.index, default="good")


# --- people ----------------------------------------------------------------------------------------


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
    files: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class BuiltClean:
    """What is kept of a shot's clean plate between two builds; ``plate``: its file; ``numbers``: figures as JSON."""

    plate: str
    files: tuple[tuple[str, str], ...]
    numbers: str
    verdict: Verdict
    warnings: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class ShotReport:
    """Everything that report.html shows."""

    shot: str
    version: str
    verdicts: tuple[Verdict, ...]
    warnings: tuple[str, ...]
    sweeps: tuple[SweepReport, ...]
    mix: MixCurve | None
    laid: tuple[LaidFrame, ...]
    settings: tuple[tuple[str, str], ...]
    files: tuple[tuple[str, str], ...]  # relative path, what it is
    cautions: tuple[str, ...]
    findings: tuple[TakeFindings, ...] = ()
    patches: tuple[PatchReport, ...] = ()


@dataclass(frozen=True, slots=True)
class BuiltSweep:
    """What is kept of a sweep between two builds: its report, verdict, files and description.

    ``timecodes``: one per frame of the table. ``take``: its description for the manifest, as JSON text.
    ``primaries``: of the plate. ``decoded``, ``run_in``: frames really decoded, and of those the run-in.
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


@dataclass(frozen=True, slots=True)
class LaidFrames:
    """The contact sheet's frames, kept between two builds."""

    frames: tuple[LaidFrame, ...]


@dataclass(frozen=True, slots=True)
class Origin:
    """What every take is registered to: ``picture`` (h, w, 3) float32 linear at survey size, the mean of
    ``frames`` frames of one pose; ``size`` (H, W) in full; ``primaries`` of the working space."""

    name: str
    picture: NDArray[np.float32]
    size: tuple[int, int]
    primaries: str
    frames: int = 1


@dataclass(frozen=True, slots=True)
class HeroLook:
    """The hero after its survey: the origin picture, where the hero itself moved, and the verdict."""

    origin: Origin
    registration: Registration
    verdict: Verdict
    findings: tuple[TakeFindings, ...] = ()
