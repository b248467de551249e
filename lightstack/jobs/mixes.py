"""Mix curves: each light's gain over the shot's frames, made and written."""

from __future__ import annotations

from lightstack.core.curve import make_curve, make_envelope
from lightstack.errors import SettingError
from lightstack.files.folder import write_whole
from lightstack.files.schema import Mix, ShotSettings
from lightstack.files.tables import read_mix, write_mix
from lightstack.jobs.finish import Delivery
from lightstack.jobs.hero import HeroPart
from lightstack.records import MixCurve
from lightstack.report.plots import plot_mix


def make_mixes(settings: ShotSettings, hero: HeroPart | None) -> dict[str, MixCurve]:
    """Return each light's mix over the shot's frames; without a hero there is no time and no mix."""
    if hero is None:
        return {}
    first, last = hero.frames
    return {light.name: make_mix(light.mix, first, last, settings) for light in settings.light}


def make_mix(mix: Mix, first: int, last: int, settings: ShotSettings) -> MixCurve:
    """Return one mix curve over shot frames ``first`` to ``last``."""
    if mix.file is not None:
        return cut_mix(read_mix(settings.locate(mix.file)), first, last, mix.file)
    if mix.envelope is not None:
        e = mix.envelope
        return make_envelope(
            e.start,
            attack=e.attack,
            hold=e.hold,
            decay=e.decay,
            peak=mix.peak_level,
            first=first,
            last=last,
            unit=mix.unit,
        )
    return make_curve(mix.curve_points, first=first, last=last, unit=mix.unit)


def cut_mix(mix: MixCurve, first: int, last: int, name: str) -> MixCurve:
    """Return a table's mix over the shot's frames. Raises SettingError where it does not cover them."""
    start, end = mix.first_frame, mix.first_frame + len(mix.gains) - 1
    if start > first or end < last:
        raise SettingError(f"{name}: holds frames {start} to {end}, the shot needs {first} to {last}")
    return MixCurve(first, mix.gains[first - start : last - start + 1])


def write_mixes(delivery: Delivery, mixes: dict[str, MixCurve]) -> list[tuple[str, str]]:
    """Write each light's mix as table and plot; return names and what they are."""
    files = []
    for name, mix in mixes.items():
        stem = delivery.stem("mix", None if len(mixes) == 1 else name)
        write_mix(delivery.folder.file(f"{stem}.csv"), mix)
        write_whole(delivery.folder.file(f"{stem}.png"), plot_mix(mix, form="png", ground="paper"))
        files += [(f"{stem}.csv", "mix: gain and stops per shot frame"), (f"{stem}.png", "the mix drawn")]
    return files
