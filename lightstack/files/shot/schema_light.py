"""The shot file's lights."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BeforeValidator, Field, model_validator

from lightstack.files.shot.schema_keys import Section, key
from lightstack.files.shot.schema_mix import Mix
from lightstack.files.shot.schema_travel import LightPath
from lightstack.files.shot.schema_types import Gains, Name, Text, check_luminance_range

__all__ = ["Light", "Regel"]

LuminanceRange = Annotated[tuple[float, float], BeforeValidator(check_luminance_range)]


class Regel(Section):
    """``[light.regel]``"""

    rgb: Gains | None = key(
        None, "New colour of the lamp, linear; its level does not count.", kind="[r, g, b]", shown="none"
    )
    kelvin: Annotated[float, Field(ge=1000, le=25_000)] | None = key(
        None, "New correlated colour temperature.", kind="number", unit="kelvin", shown="none"
    )
    locus: Literal["planck", "daylight"] = key(
        "planck", "Locus that `kelvin` lies on: of black bodies, or daylight (from 4000 K).", kind="choice"
    )
    mired: Annotated[float, Field(ge=-1000, le=1000)] | None = key(
        None,
        "Shift of the lamp's own colour temperature as correction gels are marked; above 0 is warmer.",
        kind="number",
        unit="mired",
        shown="none",
    )
    green: Annotated[float, Field(ge=-4, le=4)] = key(
        0.0, "Plus green on top, below 0 minus green; 0.125 is an eighth.", kind="number", unit="full gels"
    )
    keep: Literal["luminance", "energy"] = key(
        "luminance", "What the new colour keeps: luminance, or the sum of the linear channels.", kind="choice"
    )
    most_gain: Annotated[float, Field(ge=1, le=1000)] = key(
        8.0,
        "Most that a channel is raised; beyond it the colour is reached in part.",
        kind="number",
        unit="linear gain",
    )
    lamp: Gains | None = key(
        None,
        "The lamp's colour as filmed, linear, as a grey card under it shows.",
        kind="[r, g, b]",
        shown="from `takes.grey`, else measured on the set",
    )
    balanced: bool = key(
        False,
        "The camera was balanced to the light that is there without the lamp: then the lamp's colour is measured "
        "against it, free of the set's own colours.",
        kind="yes/no",
    )

    @model_validator(mode="after")
    def _check_regel(self) -> Regel:
        named = [name for name in ("rgb", "kelvin", "mired") if getattr(self, name) is not None]
        if len(named) > 1:
            raise ValueError(f"takes only one of rgb, kelvin and mired, not {' and '.join(named)}")
        if not named and self.green == 0:
            raise ValueError("needs a colour: rgb, kelvin, mired or green")
        for name in ("rgb", "lamp"):
            colour = getattr(self, name)
            if colour is not None and (max(colour) <= 0 or (name == "lamp" and min(colour) <= 0)):
                raise ValueError(f"{name} {list(colour)} holds no light{' in every channel' if name == 'lamp' else ''}")
        if self.locus == "daylight" and self.kelvin is not None and self.kelvin < 4000:
            raise ValueError(f"the daylight locus begins at 4000 K, kelvin is {self.kelvin:g}")
        return self


class Light(Section):
    """``[[light]]``"""

    name: Name = key("light", "Name of the light.", kind="text", shown="its sweep's name")
    source: str = key(
        "", "The sweep that the light comes from.", kind="name", alias="from", shown="the first sweep"
    )
    using: Literal["plate", "stills", "path"] = key(
        "plate",
        "What of the sweep is laid: its plate, a sum of single stills (`weights`), or the stills as a light that "
        "travels (`[light.path]`).",
        kind="choice",
    )
    group: Name | None = key(
        None, "Only these stills of the sweep: one of its groups or stretches.", kind="name", shown="all stills"
    )
    weights: Text | None = key(
        None,
        'How much of each still, for `using = "stills"`: a table with the columns still,weight, as `lightstack match` '
        "writes it.",
        kind="path",
        shown="none",
    )
    path: LightPath | None = key(
        None, 'Where the light is over time, for `using = "path"`.', kind="section", shown="none"
    )
    gel: Gains = key((1.0, 1.0, 1.0), "Colour laid over the light.", kind="[r, g, b]", unit="linear gain")
    lay: Literal["plus", "screen"] = key(
        "plus", "Laying rule: light adds; `screen` is a look and does not follow real light.", kind="choice"
    )
    screen_white: Annotated[float, Field(gt=0, le=1e4)] = key(
        1.0, 'White that `lay = "screen"` works against.', kind="number", unit="linear light"
    )
    figure_light: Annotated[float, Field(ge=0, le=2)] = key(
        1.0,
        "How much of the light falls on whoever stands in the hero, through the hold-out matte; 1 is a guess by "
        "physics, 0 none.",
        kind="number",
        unit="share",
    )
    figure_range: LuminanceRange | None = key(
        None,
        "Luminance of the hero between which the light falls on the figure; the ends are a stop wide.",
        kind="[low, high]",
        unit="linear light",
        shown="all",
    )
    figure_mask: Text | None = key(
        None,
        "Where the light may fall on the figure: PNG, TIFF or EXR of the hero's size, white is light. `name.####.png` "
        "is a sequence by shot frames; in its gaps the nearest picture holds.",
        kind="path",
        shown="everywhere",
    )
    regel: Regel | None = key(None, "Another gel in front of the lamp, after the fact.", kind="section", shown="none")
    mix: Mix = key(Mix(), "How strong the light is over time.", kind="section", shown="1 on every frame")

    @model_validator(mode="after")
    def _check_using(self) -> Light:
        for using, name in (("stills", "weights"), ("path", "path")):
            given = getattr(self, name) is not None
            if given and self.using != using:
                raise ValueError(f'{name} belongs to using = "{using}", but using is "{self.using}"')
            if self.using == using and not given:
                raise ValueError(f'using = "{using}" needs {"[light.path]" if name == "path" else name}')
        if self.using == "stills" and self.group is not None:
            raise ValueError('group belongs to using = "plate" or "path"; in weights, leave the other stills out')
        return self
