"""What is read and measured: takes, poses, sweeps, curves over time."""

from __future__ import annotations

from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.floating]
BoolArray = NDArray[np.bool_]


# --- takes -----------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class MeasuredResponse:
    """How code values were measured to stand for light, in place of a published curve.

    The curve runs through ``signals`` (R'G'B', 1.0 = reference white code) -> ``light`` (linear), both rising.
    ``seen``: the lowest and highest signal that was measured; beyond it the curve goes on by guess. ``bit_depth`` and
    ``range`` are those of the footage that it was measured from.
    """

    signals: tuple[float, ...]
    light: tuple[float, ...]
    seen: tuple[float, float]
    bit_depth: int
    range: str


@dataclass(frozen=True, slots=True)
class Encoding:
    """How a take's code values stand for light.

    ``matrix``: "rgb", "bt601", "bt709", "bt2020". ``range``: "full" or "limited". ``chroma``: "444",
    "422", "420", "grey". ``chroma_location``: "left", "center", "topleft". ``transfer`` and
    ``primaries`` are names in ``core.colour.light.CURVES`` and ``core.colour.light.PRIMARIES``; ``ocio_space`` is set
    instead where a colour configuration's own processor decodes. ``ceiling`` is the R'G'B' signal at
    which the camera clips (1.0 = reference white code). ``assumed`` holds one plain sentence per guess.
    Where ``response`` is set it decodes in place of ``transfer``, which then says only how the file is shown.
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
    response: MeasuredResponse | None = None


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
    joins: tuple[int, ...] = ()  # source frames at which a further file of the take begins

    @property
    def last_frame(self) -> int:
        return self.first_frame + self.frame_count - 1


@dataclass(frozen=True, slots=True)
class CodedFrame:
    """One decoded frame, still in code values: native planes, not yet rotated or converted.

    ``planes``: for YUV three 2-D uint8/uint16 arrays (Y, Cb, Cr), for grey one, for RGB stills one
    ``(H, W, 3)`` array of uint8, uint16, float16 or float32. ``seconds`` is the timestamp. ``timecode``: the frame's
    own, where its file says it.
    """

    number: int
    planes: tuple[NDArray, ...]
    seconds: Fraction | None
    timecode: str | None = None


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
        variance = np.maximum(level, 0) * self.a
        variance += self.b
        np.maximum(variance, 1e-16, out=variance)
        return np.sqrt(variance, out=variance).astype(np.float32)


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
    timecodes: tuple[str | None, ...] = ()  # one per frame, or none at all

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
    lamp's light edges moved during half a frame interval (the trade's 180 degrees), full-size pixels, NaN
    where there are none to tell by. ``drift_stops``: per channel, on pixels that the lamp does not reach.
    ``blocked``: share of the picture covered. ``flare``: veiling lift
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
