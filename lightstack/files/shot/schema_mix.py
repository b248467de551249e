"""The shot file's mixes: how strong a light is over time."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BeforeValidator, Field, model_validator

from lightstack.files.shot.schema_keys import Section, key
from lightstack.files.shot.schema_modulators import Flicker, Follow, Pulse
from lightstack.files.shot.schema_types import (
    MAX_FRAME,
    MAX_STOPS,
    MixPoint,
    MixPoints,
    Text,
    check_level,
    check_luminance_range,
)

__all__ = ["Envelope", "Mix", "Response"]

Shape = Literal["hold", "linear", "smooth", "ease", "exponential"]
Length = Annotated[int, Field(ge=0, le=1_000_000)]
Level = Annotated[float | str, BeforeValidator(check_level)]
Limits = Annotated[tuple[float, float], BeforeValidator(check_luminance_range)]


class Envelope(Section):
    """``[light.mix] envelope = { start = 1010, attack = 12, hold = 24, decay = 36, peak = 1.0 }``"""

    start: Annotated[int, Field(ge=0, le=MAX_FRAME)] = key(
        ..., "Last frame at which the light is off.", kind="whole number", unit="shot frame", shown="required"
    )
    attack: Length = key(12, "Rise from off to the peak.", kind="whole number", unit="frames")
    hold: Length = key(0, "Time at the peak.", kind="whole number", unit="frames")
    decay: Length = key(24, "Fall from the peak to `sustain`.", kind="whole number", unit="frames")
    peak: Annotated[float, Field(ge=-MAX_STOPS, le=1e4)] | None = key(
        None,
        "Level at the peak, in the mix's unit.",
        kind="number",
        unit="gain or stops",
        shown="as shot: gain 1, 0 stops",
    )
    sustain: Level = key(
        "off", "Level that it falls to and stays at, in the mix's unit.", kind='number or "off"', unit="gain or stops"
    )
    stay: Length = key(0, "Time at `sustain`.", kind="whole number", unit="frames")
    release: Length = key(0, "Fall from `sustain` to off.", kind="whole number", unit="frames")
    every: Annotated[int, Field(ge=1, le=1_000_000)] | None = key(
        None,
        "It comes again after so many frames; where one run overlaps the next the brighter holds.",
        kind="whole number",
        unit="frames",
        shown="once",
    )
    times: Annotated[int, Field(ge=1, le=100_000)] | None = key(
        None, "How often it comes.", kind="whole number", shown="to the end of the shot"
    )
    attack_shape: Shape = key("smooth", "Shape of the rise.", kind="choice")
    decay_shape: Shape = key("exponential", "Shape of the fall to `sustain`.", kind="choice")
    release_shape: Shape = key("exponential", "Shape of the fall to off.", kind="choice")

    @model_validator(mode="after")
    def _check_envelope(self) -> Envelope:
        if self.sustain == "off" and (self.stay or self.release):
            raise ValueError('stay and release need a level to stay at; add sustain, or leave them out')
        if self.times is not None and self.every is None:
            raise ValueError("times needs every, the frames from one start to the next")
        return self


class Response(Section):
    """``[light.mix.response]``"""

    rise: Annotated[float, Field(ge=0, le=10)] = key(
        0.0, "Time in which the lamp comes 63 % of the way up.", kind="number", unit="seconds"
    )
    fall: Annotated[float, Field(ge=0, le=10)] = key(
        0.0, "Time in which it goes 63 % of the way down.", kind="number", unit="seconds"
    )


class Mix(Section):
    """``[light.mix]``"""

    points: MixPoints | None = key(
        None,
        "The curve by points: [frame, value] or [frame, value, shape], shape for the span that follows.",
        kind="[[frame, value, shape], ...]",
        unit="shot frame; `unit`",
        shown="1 on every frame",
    )
    envelope: Envelope | None = key(
        None,
        "The curve as attack, hold, decay, sustain and release.",
        kind="{ start, attack, hold, decay, peak, ... }",
        shown="none",
    )
    table: Text | None = key(
        None, "The curve from a table with the columns frame and gain, as a build writes it.", kind="path", shown="none"
    )
    table_offset: Annotated[int, Field(ge=-10_000_000, le=10_000_000)] = key(
        0,
        "Added to the table's frame numbers to get this shot's, so that two cameras share one mix.",
        kind="whole number",
        unit="frames",
    )
    unit: Literal["gain", "stops"] = key(
        "gain", 'Unit of the values; `"off"` is legal in both.', kind="choice"
    )
    shape: Shape = key("smooth", "Shape of the spans that name none.", kind="choice")
    shutter: Annotated[float, Field(ge=0, le=360)] = key(
        0.0,
        "Each frame takes the mean over a shutter that is open so long, centred on it; 0 takes the frame's own moment.",
        kind="number",
        unit="degrees",
    )
    clamp: Limits | None = key(
        None, "Least and greatest gain of the finished mix.", kind="[low, high]", unit="gain", shown="no limits"
    )
    response: Response | None = key(None, "How fast the lamp answers.", kind="section", shown="at once")
    pulse: tuple[Pulse, ...] = key((), "Pulses that play on the curve.", kind="list of sections", shown="none")
    flicker: tuple[Flicker, ...] = key((), "Noise that plays on it.", kind="list of sections", shown="none")
    follow: tuple[Follow, ...] = key(
        (), "Pictures or sounds whose level plays on it.", kind="list of sections", shown="none"
    )

    @model_validator(mode="after")
    def _check_mix(self) -> Mix:
        if sum(part is not None for part in (self.points, self.envelope, self.table)) > 1:
            raise ValueError("takes only one of points, envelope and table")
        if self.table is None and self.table_offset:
            raise ValueError("table_offset needs a table")
        values = [("points", point.value) for point in self.points or ()]
        if self.envelope is not None:
            values += [("envelope.peak", self.envelope.peak or 0), ("envelope.sustain", self.envelope.sustain)]
        for name, value in values:
            if isinstance(value, str):
                continue
            if self.unit == "gain" and value < 0:
                raise ValueError(f'{name}: a gain is 0 or more, not {value:g}; for stops write unit = "stops"')
            if self.unit == "stops" and abs(value) > MAX_STOPS:
                limits = f"{-MAX_STOPS:g} to {MAX_STOPS:g}"
                raise ValueError(f'{name}: stops run from {limits}, not {value:g}; for no light write "off"')
        return self

    @property
    def curve_points(self) -> tuple[tuple[int, float | str, str], ...]:
        """The points, each with its shape; one point of the plate as shot where there are none."""
        as_shot = 1.0 if self.unit == "gain" else 0.0
        points = self.points or (MixPoint(0, as_shot, None),)
        return tuple((point.frame, point.value, point.shape or self.shape) for point in points)

    @property
    def peak_level(self) -> float:
        """The envelope's peak in the mix's unit; the plate as shot where none is given."""
        as_shot = 1.0 if self.unit == "gain" else 0.0
        return as_shot if self.envelope is None or self.envelope.peak is None else self.envelope.peak

    @property
    def modulators(self) -> tuple[Pulse | Flicker | Follow, ...]:
        """Everything that plays on the curve, in the order in which it does."""
        return tuple(sorted((*self.pulse, *self.flicker, *self.follow), key=lambda one: one.order))
