"""What plays on a mix in the shot file: pulses, flicker, and levels that are followed."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BeforeValidator, Field, model_validator

from lightstack.core.mix.flicker import SPECTRA
from lightstack.files.shot.schema_keys import Section, key
from lightstack.files.shot.schema_types import FrameRange, Polygon, Text, check_moments

__all__ = ["Flicker", "Follow", "Modulator", "Pulse"]

Moments = Annotated[tuple[float, ...], BeforeValidator(check_moments)]
Hertz = Annotated[float, Field(gt=0, le=1000)]
Seconds = Annotated[float, Field(ge=0, le=10)]
Depth = Annotated[float, Field(ge=-1e4, le=1e4)]


class Modulator(Section):
    """What pulses, flicker and followers have in common."""

    combine: Literal["multiply", "add", "max"] = key(
        "multiply", "How it joins what is there: as a factor, as gain on top, or where it is brighter.", kind="choice"
    )
    order: Annotated[int, Field(ge=-1000, le=1000)] = key(
        0,
        "Lower ones play first; among equals pulses, then flicker, then followers, each as written.",
        kind="whole number",
    )
    frames: FrameRange | None = key(
        None, "Frames in which it plays, inclusive.", kind="[first, last]", unit="shot frame", shown="all"
    )


class Pulse(Modulator):
    """``[[light.mix.pulse]]``"""

    rate: Hertz | None = key(None, "Pulses in a second.", kind="number", unit="Hz", shown="none")
    at: Moments | None = key(
        None, "Frames at which single pulses begin; parts of a frame are legal.", kind="list", unit="shot frame",
        shown="none",
    )  # fmt: skip
    begin: Annotated[float, Field(ge=0, le=1e7)] | None = key(
        None, "Frame at which a pulse of `rate` begins.", kind="number", unit="shot frame", shown="`shot.first_frame`"
    )
    duty: Annotated[float, Field(gt=0, le=1)] | None = key(
        None, "How much of the time pulses of `rate` last.", kind="number", unit="share", shown="0.5"
    )
    width: Annotated[float, Field(gt=0, le=1e6)] | None = key(
        None, "How long one pulse lasts.", kind="number", unit="frames", shown="by `duty`; with `at` 1"
    )
    shape: Literal["square", "triangle", "round", "fall"] = key(
        "square", "On and off, straight up and down, a soft hump, or at once up and exponentially down.", kind="choice"
    )
    depth: Depth = key(
        1.0,
        "`multiply`: how much darker it is between pulses, 0 to 1; else the gain at a pulse's top.",
        kind="number",
        unit="share; gain",
    )

    @model_validator(mode="after")
    def _check_pulse(self) -> Pulse:
        if (self.rate is None) == (self.at is None):
            raise ValueError("needs either rate, pulses in a second, or at, the frames at which they begin")
        if self.at is not None and (self.duty is not None or self.begin is not None):
            raise ValueError("takes duty and begin only with rate; with at give the width in frames")
        if self.duty is not None and self.width is not None:
            raise ValueError("takes only one of duty and width")
        if self.combine == "multiply" and not 0 <= self.depth <= 1:
            raise ValueError(f'depth runs from 0 to 1 with combine = "multiply", not {self.depth:g}')
        return self


class Flicker(Modulator):
    """``[[light.mix.flicker]]``"""

    like: Literal["flat", "candle", "spark"] = key(
        "flat", "What the noise is made of; the README gives each in numbers.", kind="choice"
    )
    low: Annotated[float, Field(ge=0, le=1000)] | None = key(
        None, "Lower end of the band.", kind="number", unit="Hz", shown="by `like`"
    )
    high: Hertz | None = key(None, "Upper end of the band.", kind="number", unit="Hz", shown="by `like`")
    depth: Annotated[float, Field(ge=0, le=1e4)] | None = key(
        None,
        "Standard deviation: of the factor about 1 (`multiply`), else of the gain about 0.",
        kind="number",
        unit="share; gain",
        shown="by `like`",
    )
    seed: Annotated[int, Field(ge=0, le=2**31 - 1)] = key(
        1, "Another seed, another flicker; lights of the same seed and band flicker together.", kind="whole number"
    )

    @property
    def band(self) -> tuple[float, float]:
        """Lower and upper end in Hz: as written, else the kind's own."""
        kind = SPECTRA[self.like]
        return (kind.low if self.low is None else self.low), (kind.high if self.high is None else self.high)

    @model_validator(mode="after")
    def _check_flicker(self) -> Flicker:
        low, high = self.band
        if not low < high:
            raise ValueError(f"runs from {low:g} to {high:g} Hz; write low below high")
        return self


class Follow(Modulator):
    """``[[light.mix.follow]]``"""

    take: Text | None = key(
        None, "A take or sweep of this shot, by name; its colour settings hold.", kind="name", shown="none"
    )
    path: Text | None = key(
        None,
        "A movie, or numbered stills such as a rendered pass; stills are numbered by shot frames.",
        kind="path",
        shown="none",
    )
    colour: Text = key("auto", "Encoding of `path`, as in `takes.*.colour`.", kind="name")
    sound: Text | None = key(
        None, "A sound file, or a movie with sound; it begins with the shot's first frame.", kind="path", shown="none"
    )
    channel: Literal["luminance", "r", "g", "b"] = key("luminance", "Which light is measured.", kind="choice")
    region: Polygon | None = key(
        None, "Corners of the area whose mean is followed.", kind="[[x, y], ...]", unit="pixels of what is followed",
        shown="the whole picture",
    )  # fmt: skip
    matte: Text | None = key(
        None,
        "The area as a picture of the same size: white counts. `name.####.png` is a sequence by shot frames; in its "
        "gaps the nearest picture holds.",
        kind="path",
        shown="the whole picture",
    )
    window: Annotated[float, Field(gt=0, le=10)] | None = key(
        None, "Length over which a sound's level (RMS) is taken.", kind="number", unit="seconds", shown="one frame"
    )
    attack: Seconds = key(0.0, "The level comes 63 % of the way up in this time.", kind="number", unit="seconds")
    release: Seconds = key(0.0, "The level goes 63 % of the way down in this time.", kind="number", unit="seconds")
    smoothing: Annotated[float, Field(ge=0, le=1000)] = key(
        0.0,
        "Standard deviation of a Gaussian in time by which the level is smoothed; it looks both ways, so nothing comes "
        "late.",
        kind="number",
        unit="frames",
    )
    delay: Annotated[float, Field(ge=-1e6, le=1e6)] = key(
        0.0, "The light comes so much later; below 0 earlier.", kind="number", unit="frames"
    )
    full: Annotated[float, Field(gt=0, le=1e6)] | None = key(
        None,
        "Level that counts as 1: linear light of reference white 1, or a sound's RMS of full scale 1.",
        kind="number",
        unit="level",
        shown="the highest level in the shot",
    )
    gain: Annotated[float, Field(ge=-1e4, le=1e4)] = key(1.0, "Factor on the level.", kind="number")
    offset: Annotated[float, Field(ge=-1e4, le=1e4)] = key(
        0.0, "Added to the level after `gain`.", kind="number", unit="gain"
    )
    floor: Annotated[float, Field(ge=-1e4, le=1e4)] = key(0.0, "Least that it gives.", kind="number", unit="gain")
    ceiling: Annotated[float, Field(ge=-1e4, le=1e4)] | None = key(
        None, "Most that it gives.", kind="number", unit="gain", shown="no limit"
    )

    @model_validator(mode="after")
    def _check_follow(self) -> Follow:
        if sum(part is not None for part in (self.take, self.path, self.sound)) != 1:
            raise ValueError("needs one of take, path and sound, and no more")
        if self.region is not None and self.matte is not None:
            raise ValueError("takes only one of region and matte")
        if self.sound is not None and (self.region or self.matte or self.channel != "luminance"):
            raise ValueError("takes no region, matte or channel with a sound")
        if self.sound is None and self.window is not None:
            raise ValueError("takes a window only with a sound")
        if self.path is None and self.colour != "auto":
            raise ValueError("takes a colour only with path; a take has its own")
        if self.ceiling is not None and self.ceiling <= self.floor:
            raise ValueError(f"ceiling {self.ceiling:g} must lie above floor {self.floor:g}")
        return self
