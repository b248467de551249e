"""Lights with another gel: the lamp's colour measured, the gains that change it, and what can be seen of it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from lightstack.core.colour.colour_temperature import MOST_OFF, find_temperature, rgb_to_uv
from lightstack.core.colour.display import display_srgb
from lightstack.core.lay.regel import (
    Regelled,
    find_dark,
    find_target,
    lamp_from_plate,
    lamp_over_set,
    regel_gains,
    scale_colour,
)
from lightstack.core.lay.regel import regel_light as paint
from lightstack.errors import SettingError
from lightstack.files.shot.schema import Light, Regel, ShotSettings
from lightstack.files.write.plates import read_light, write_png
from lightstack.jobs.light.plates import find_built
from lightstack.jobs.stage.finish import Delivery
from lightstack.jobs.takes.footage import open_fitted
from lightstack.jobs.takes.options import BuildOptions
from lightstack.records import BoolArray, BuiltSweep, FloatArray, NoiseModel, Progress, RegelReport
from lightstack.report.phrases import say_share
from lightstack.report.regel import draw_dark

__all__ = ["ShotRegels", "regel_lights"]

CARD_FRAMES = 8
FAR = 0.003  # u'v'; common practice: below it two lights are taken to be of one colour
CHANNELS = ("red", "green", "blue")
CARD_LEAST = 0.01  # linear light below which a card tells no colour


@dataclass(frozen=True, slots=True)
class ShotRegels:
    """What re-gelling made of a shot's lights: ``made`` by light, what the report shows, files and warnings.

    ``ceiling``: linear light at which the camera clips.
    """

    made: dict[str, Regelled] = field(default_factory=dict)
    ceiling: float = np.inf
    reports: tuple[RegelReport, ...] = ()
    files: tuple[tuple[str, str], ...] = ()
    warnings: tuple[str, ...] = ()

    @property
    def inputs(self) -> dict[str, Any]:
        """What frames depend on by it."""
        return {name: [made.gains.tolist(), made.reached.tolist(), self.ceiling] for name, made in self.made.items()}

    def apply(self, name: str, plate: FloatArray, delivery: Delivery, sweep: BuiltSweep) -> FloatArray:
        """Return a light's plate (H, W, 3) in its new colour; as it is where it keeps its own."""
        made = self.made.get(name)
        if made is None:
            return plate
        ambient = read_ambient(delivery, sweep)
        return paint(plate, made, sweep.primaries, ceiling=self.ceiling, ambient=ambient)


def regel_lights(
    delivery: Delivery,
    settings: ShotSettings,
    built: Sequence[BuiltSweep],
    noise: NoiseModel,
    options: BuildOptions,
    *,
    ceiling: float,
    plates: Mapping[str, str] | None = None,
    progress: Progress,
) -> ShotRegels:
    """Find every light's gains and write a map where a channel is too dark for its new colour.

    ``noise``: of one pixel of the footage; ``ceiling``: linear light at which it clips; ``plates``: by light, the file
    of its plate where that is not its sweep's. Raises SettingError where a colour cannot be measured or made.
    """
    made = ShotRegels(ceiling=ceiling)
    for light in settings.light:
        if light.regel is None:
            continue
        with progress.step(f"re-gel {light.name}", None):
            own = (plates or {}).get(light.name)
            made = join(made, regel_one(delivery, settings, light, light.regel, built, noise, options, plate_file=own))
    return made


def join(one: ShotRegels, other: ShotRegels) -> ShotRegels:
    """Return two sets of lights as one."""
    return ShotRegels(
        {**one.made, **other.made},
        one.ceiling,
        (*one.reports, *other.reports),
        (*one.files, *other.files),
        (*one.warnings, *other.warnings),
    )


def regel_one(
    delivery: Delivery,
    settings: ShotSettings,
    light: Light,
    wish: Regel,
    built: Sequence[BuiltSweep],
    noise: NoiseModel,
    options: BuildOptions,
    *,
    plate_file: str | None = None,
) -> ShotRegels:
    """Find one light's gains, look at what they do to its plate, and put it into words."""
    sweep = find_built(built, light)
    plate = read_light(delivery.folder.file(plate_file or sweep.plate))
    ambient = read_ambient(delivery, sweep)
    try:
        lamp, source = find_lamp(wish, settings, sweep, plate, ambient, noise, options)
        wanted = aim_at(wish, lamp, sweep.primaries)
        made = regel_gains(lamp, wanted, sweep.primaries, keep=wish.keep, most_gain=wish.most_gain)
    except SettingError as error:
        raise SettingError(f"light {light.name}: [light.regel]: {error}") from error
    dark = find_dark(plate, made.gains, noise=noise, ambient=ambient)
    files: list[tuple[str, str]] = []
    if dark.any():
        name = f"{delivery.shot}_regel_{light.name}_v{settings.shot.version:03d}.png"
        shown = display_srgb(plate * made.gains.astype(np.float32), sweep.primaries)
        write_png(delivery.folder.file(name), draw_dark(shown, dark))
        files.append((name, f"where the old gel left a channel too dark for the new colour of {light.name}"))
    report = describe(light.name, made, source, dark, sweep.primaries)
    return ShotRegels({light.name: made}, np.inf, (report,), tuple(files), warn(light.name, made, source, dark))


def aim_at(wish: Regel, lamp: NDArray[np.float64], primaries: str) -> NDArray[np.float64]:
    """Return the colour (3,) that a light is to have."""
    return find_target(
        lamp, primaries, rgb=wish.rgb, kelvin=wish.kelvin, locus=wish.locus, mired=wish.mired, green=wish.green
    )


def read_ambient(delivery: Delivery, sweep: BuiltSweep) -> FloatArray | None:
    """Read the light that was there beside the lamp, (H, W, 3), from the light stack; None where none was written."""
    stack = next((file for file, _ in sweep.files if "light_stack" in file), None)
    return None if stack is None else read_light(delivery.folder.file(stack), "ambient")


def find_lamp(
    wish: Regel,
    settings: ShotSettings,
    sweep: BuiltSweep,
    plate: FloatArray,
    ambient: FloatArray | None,
    noise: NoiseModel,
    options: BuildOptions,
) -> tuple[NDArray[np.float64], str]:
    """Return the lamp's colour (3,) as filmed and where it is known from: told, a card, the set's light, the plate."""
    if wish.lamp is not None:
        return scale_colour(np.asarray(wish.lamp, np.float64)), "the shot file"
    if settings.takes.grey is not None:
        return read_card(settings, sweep.primaries, options), "the grey card"
    if wish.balanced and ambient is not None:
        return lamp_over_set(plate, ambient, noise=noise), "the plate over the set's own light"
    return lamp_from_plate(plate, noise=noise), "the plate's mean"


def read_card(settings: ShotSettings, primaries: str, options: BuildOptions) -> NDArray[np.float64]:
    """Return the colour (3,) that a grey card shows: the median of the middle of the picture over a few frames.

    Raises SettingError where it is too dark to tell a colour, or clipped.
    """
    take = settings.takes.grey
    assert take is not None
    paths = settings.take_paths(take)
    with open_fitted(take, paths, name="grey", size=None, working=primaries, options=options) as fitted:
        frames = []
        for index, frame in enumerate(fitted.take.frames()):
            if index < CARD_FRAMES:
                height, width = fitted.size
                middle = np.s_[height // 3 : 2 * height // 3, width // 3 : 2 * width // 3]
                frames.append((fitted.linear(frame)[middle], fitted.clipped(frame)[middle]))
    light = np.stack([one for one, _ in frames])
    if np.mean([(flags > 0).mean() for _, flags in frames]) > 0.5:
        raise SettingError(f"{paths[0]}: the grey card is clipped in the middle of the picture; expose it lower")
    colour = np.median(light.reshape(-1, 3), axis=0).astype(np.float64)
    if colour.max() < CARD_LEAST:
        raise SettingError(f"{paths[0]}: the middle of the picture is too dark to be a grey card under the lamp")
    return scale_colour(colour)


def describe(name: str, made: Regelled, source: str, dark: BoolArray, primaries: str) -> RegelReport:
    """Return the light's section of the report."""
    colours = (("lamp as filmed", made.lamp), ("wanted", made.wanted), ("reached", made.reached))
    numbers = [(what, say_colour(colour, primaries)) for what, colour in colours]
    numbers += [
        ("the lamp's colour is from", source),
        ("gains", ", ".join(f"{c} {g:.3g}" for c, g in zip(CHANNELS, made.gains, strict=True))),
        ("not reached", "nothing" if made.missing < 5e-4 else f"{made.missing:.3f} u'v'"),
        ("noise of a channel is raised by at most", f"{max(1.0, float(made.gains.max())):.3g} times"),
    ]
    numbers += [
        (f"too dark in {channel}", f"{say_share(float(dark[..., c].mean()))} of the picture")
        for c, channel in enumerate(CHANNELS)
        if dark[..., c].any()
    ]
    swatches = tuple((what, swatch(colour, primaries)) for what, colour in colours)
    return RegelReport(name, tuple(numbers), swatches)


def say_colour(colour: NDArray[np.float64], primaries: str) -> str:
    """Say a colour's chromaticity, and its temperature where it has one."""
    u, v = rgb_to_uv(colour, primaries)
    kelvin, off = find_temperature(colour, primaries)
    warmth = "no colour temperature" if abs(off) > MOST_OFF else f"{kelvin:.0f} K, {off:+.4f} off the locus"
    return f"u' {u:.4f}, v' {v:.4f}; {warmth}"


def swatch(colour: NDArray[np.float64], primaries: str) -> tuple[int, int, int]:
    """Return a colour as sRGB codes at full brightness."""
    shown = display_srgb((colour / colour.max()).astype(np.float32).reshape(1, 1, 3), primaries)[0, 0]
    return int(shown[0]), int(shown[1]), int(shown[2])


def warn(name: str, made: Regelled, source: str, dark: BoolArray) -> tuple[str, ...]:
    """Return what is doubtful about a re-gelled light."""
    lines = []
    if made.missing > FAR:
        low = [c for c, g, w in zip(CHANNELS, made.gains, made.wanted / made.lamp, strict=True) if g < w * 0.999]
        lines.append(
            f"light {name}: the new gel is reached in part, {made.missing:.3f} u'v' off: the old one held back "
            f"{' and '.join(low)} more than [light.regel] most_gain makes good; film the lamp with a lighter gel"
        )
    share = float(dark.any(axis=-1).mean())
    if share > 0.01:
        lines.append(
            f"light {name}: over {say_share(share)} of the picture a channel is too dark for its new colour; the map "
            "beside the report shows where"
        )
    if source == "the plate's mean":
        lines.append(
            f"light {name}: the lamp's colour is the mean of what it lit, and coloured walls shift it; film a grey "
            "card under the lamp ([takes.grey]) or give `lamp` to be sure"
        )
    return tuple(lines)
