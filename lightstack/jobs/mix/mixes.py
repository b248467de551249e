"""Mix curves: each light's gain over the shot's frames, made and written."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from lightstack.core.mix.curve import evaluate
from lightstack.core.mix.curve_mix import MixRecipe, make_mix
from lightstack.core.mix.envelope import Envelope, evaluate_envelope
from lightstack.core.mix.flicker import SPECTRA, Flicker
from lightstack.core.mix.modulate import ALWAYS, Modulator, Pulse, Stretch
from lightstack.core.mix.response import Response
from lightstack.errors import SettingError
from lightstack.files.folder import explain_os_error, write_changed
from lightstack.files.kept.identity import StageBook
from lightstack.files.shot import schema
from lightstack.files.shot.schema import Light, Mix, ShotSettings
from lightstack.files.tables import read_mix, write_mix
from lightstack.jobs.mix.followers import FollowSource, make_follower, name_source
from lightstack.jobs.stage.finish import Delivery
from lightstack.jobs.stage.hero import HeroPart
from lightstack.jobs.takes.options import BuildOptions
from lightstack.records import MixCurve, Progress
from lightstack.report.mix_plot import plot_mix
from lightstack.report.phrases import say_ranges

__all__ = ["LightMix", "cut_mix", "drop_former", "make_mixes", "rate_of", "write_mixes"]

Base = Callable[[NDArray[np.float64]], NDArray[np.float64]]


@dataclass(frozen=True, slots=True)
class LightMix:
    """A light's mix.

    ``base``: its gains before anything plays on it, ``(n,)``. ``full``: the level that counts as 1 for each follower,
    by its source's name.
    """

    curve: MixCurve
    base: NDArray[np.float64]
    full: Mapping[str, float]
    warnings: tuple[str, ...] = ()


def make_mixes(
    settings: ShotSettings,
    hero: HeroPart | None,
    *,
    book: StageBook,
    options: BuildOptions,
    progress: Progress,
    only: str | None = None,
) -> dict[str, LightMix]:
    """Return each light's mix over the shot's frames; without a hero there is no time and no mix.

    ``only``: the one light whose mix is made. Raises SettingError for a mix that cannot be made; as readers do.
    """
    if hero is None:
        return {}
    source = FollowSource(settings, hero, rate_of(settings, hero), book, options, progress)
    return {light.name: make_light_mix(light, source) for light in settings.light if only in (None, light.name)}


def rate_of(settings: ShotSettings, hero: HeroPart) -> Fraction | None:
    """Return the shot's frame rate: its own, else the hero's, else None."""
    return settings.shot.rate or hero.take.info.rate


def make_light_mix(light: Light, source: FollowSource) -> LightMix:
    """Return one light's mix, with warnings that name the light."""
    mix, (first, last) = light.mix, source.hero.frames
    modulators: list[Modulator] = []
    full: dict[str, float] = {}
    warnings = _warn_outside(mix, first, last)
    for wish in mix.modulators:
        if isinstance(wish, schema.Follow):
            followed = make_follower(wish, source)
            full[name_source(wish)] = followed.full
            warnings += followed.warnings
            modulators.append(followed.track)
        elif isinstance(wish, schema.Pulse):
            modulators.append(_make_pulse(wish, source))
            warnings += _warn_folding(mix, wish.rate, "a pulse", source)
        else:
            modulators.append(_make_flicker(wish, source))
            warnings += _warn_folding(mix, wish.band[1], "flicker up to", source)
    recipe = MixRecipe(
        base=make_base(mix, source.settings, first, last),
        modulators=modulators,
        response=_make_response(mix, source),
        shutter=mix.shutter,
        clamp=mix.clamp,
    )
    made = make_mix(recipe, first, last)
    if made.negative:
        warnings += (
            f"the mix falls below 0 at shot frames {say_ranges(made.negative)} and is cut to 0 there; raise the "
            "curve, or add less",
        )
    return LightMix(made.curve, made.base, full, tuple(f"light {light.name}: {line}" for line in warnings))


# --- the base --------------------------------------------------------------------------------------


def make_base(mix: Mix, settings: ShotSettings, first: int, last: int) -> Base:
    """Return the curve under everything else, as a function of real-valued shot frames."""
    if mix.table is not None:
        table = read_mix(settings.locate(mix.table))
        moved = MixCurve(table.first_frame + mix.table_offset, table.gains)
        cut_mix(moved, first, last, mix.table)
        places = moved.first_frame + np.arange(len(moved.gains), dtype=np.float64)
        return lambda frames: np.interp(frames, places, moved.gains)
    if mix.envelope is not None:
        words: dict[str, Any] = {**mix.envelope.model_dump(), "peak": mix.peak_level}
        return partial(evaluate_envelope, Envelope(**words, unit=mix.unit))
    return partial(evaluate, mix.curve_points, unit=mix.unit)


def cut_mix(mix: MixCurve, first: int, last: int, name: str) -> MixCurve:
    """Return a table's mix over the shot's frames. Raises SettingError where it does not cover them."""
    start, end = mix.first_frame, mix.first_frame + len(mix.gains) - 1
    if start > first or end < last:
        raise SettingError(
            f"{name}: holds shot frames {start} to {end}, the shot needs {first} to {last}; set `table_offset`, or add "
            "the frames"
        )
    return MixCurve(first, mix.gains[first - start : last - start + 1])


def _warn_outside(mix: Mix, first: int, last: int) -> tuple[str, ...]:
    """Say where nothing of a curve lies within the shot, so that one of its ends holds all the time."""
    if mix.points is not None and len(mix.points) > 1:
        begin, end = mix.points[0].frame, mix.points[-1].frame
    elif mix.envelope is not None and mix.envelope.every is None:
        e = mix.envelope
        begin, end = e.start, e.start + e.attack + e.hold + e.decay + e.stay + e.release
    else:
        return ()
    if begin <= last and end >= first:
        return ()
    return (f"its curve runs from {begin} to {end}, outside the shot's frames {first} to {last}: nothing of it shows",)


# --- what plays on it ------------------------------------------------------------------------------


def _within(wish: schema.Pulse | schema.Flicker) -> Stretch:
    return ALWAYS if wish.frames is None else Stretch(*wish.frames)


def _make_pulse(wish: schema.Pulse, source: FollowSource) -> Pulse:
    """Return a pulse with its times in frames."""
    common: dict[str, Any] = {"depth": wish.depth, "shape": wish.shape, "how": wish.combine, "within": _within(wish)}
    if wish.at is not None:
        return Pulse(period=None, frames=wish.at, width=wish.width or 1.0, **common)
    assert wish.rate is not None  # the schema asks for one of the two
    period = float(source.need_rate("mix.pulse")) / wish.rate
    begin = float(source.settings.shot.first_frame) if wish.begin is None else wish.begin
    width = wish.width if wish.width is not None else period * (wish.duty or 0.5)
    return Pulse(period=period, begin=begin, width=width, **common)


def _make_flicker(wish: schema.Flicker, source: FollowSource) -> Flicker:
    """Return a flicker with its frequencies in cycles per frame."""
    rate, kind = float(source.need_rate("mix.flicker")), SPECTRA[wish.like]
    low, high = wish.band
    return Flicker(
        low=low / rate,
        high=high / rate,
        knee=kind.knee / rate,
        fall=kind.fall,
        depth=kind.depth if wish.depth is None else wish.depth,
        seed=wish.seed,
        how=wish.combine,
        within=_within(wish),
    )


def _make_response(mix: Mix, source: FollowSource) -> Response | None:
    if mix.response is None or not (mix.response.rise or mix.response.fall):
        return None
    rate = float(source.need_rate("mix.response"))
    return Response(mix.response.rise * rate, mix.response.fall * rate)


def _warn_folding(mix: Mix, hertz: float | None, what: str, source: FollowSource) -> tuple[str, ...]:
    """Say where something is faster than frames can show and no shutter takes its mean."""
    if hertz is None or mix.shutter > 0 or source.rate is None or hertz <= float(source.rate) / 2:
        return ()
    return (
        f"{what} {hertz:g} Hz is faster than {float(source.rate):.6g} frames a second can show, and will look slower; "
        "set `shutter` to the camera's, so that each frame takes its mean",
    )


# --- writing ---------------------------------------------------------------------------------------


def drop_misnamed(delivery: Delivery, mixes: Mapping[str, LightMix], *, single: bool) -> None:
    """Remove the files that an earlier build of this version named as for one light, or for several."""
    stems = [delivery.stem("mix", name) for name in mixes] if single else [delivery.stem("mix")]
    for stem in stems:
        for ending in (".csv", ".png"):
            with explain_os_error(delivery.folder.path):
                delivery.folder.file(f"{stem}{ending}").unlink(missing_ok=True)


def drop_former(delivery: Delivery, former: Sequence[str], kept: Sequence[str]) -> None:
    """Remove the mixes that the last build of this version wrote and this one did not: of lights that are no more."""
    begin, endings = f"{delivery.prefix}mix", (f"{delivery.suffix}.csv", f"{delivery.suffix}.png")
    for name in set(former) - set(kept):
        if name.startswith(begin) and name.endswith(endings):
            with explain_os_error(delivery.folder.path):
                delivery.folder.file(name).unlink(missing_ok=True)


def write_mixes(
    delivery: Delivery, mixes: Mapping[str, LightMix], *, alone: bool | None = None
) -> list[tuple[str, str]]:
    """Write each light's mix as table and plot; return names and what they are.

    ``alone``: whether the shot has no other light, so that files need not name it; by default, whether ``mixes`` has
    none.
    """
    files = []
    single = len(mixes) == 1 if alone is None else alone
    drop_misnamed(delivery, mixes, single=single)
    for name, mix in mixes.items():
        stem = delivery.stem("mix", None if single else name)
        write_mix(delivery.folder.file(f"{stem}.csv"), mix.curve)
        picture = plot_mix(mix.curve, base=mix.base, extremes=True, form="png", ground="paper")
        write_changed(delivery.folder.file(f"{stem}.png"), picture)
        files += [(f"{stem}.csv", "mix: gain and stops per shot frame"), (f"{stem}.png", "the mix drawn")]
    return files
