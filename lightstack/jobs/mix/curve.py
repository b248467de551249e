"""`lightstack curve`: the mixes of a shot as tables and plots, without building anything else."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from lightstack.core.colour.names import nearest_name
from lightstack.core.mix.facts import MOST_SWINGS, MixFacts, measure_mix
from lightstack.errors import SettingError
from lightstack.files.folder import claimed_folder
from lightstack.files.kept.identity import StageBook
from lightstack.files.shot.schema import ShotSettings
from lightstack.files.shot.shotfile import read_shot
from lightstack.jobs.light.files import check_light_files
from lightstack.jobs.mix.followers import check_follow_files
from lightstack.jobs.mix.mixes import LightMix, make_mixes, rate_of, write_mixes
from lightstack.jobs.stage.finish import Delivery
from lightstack.jobs.stage.hero import open_hero
from lightstack.jobs.takes.options import BuildOptions, check_ocio
from lightstack.records import Progress

__all__ = ["CurveResult", "LightCurve", "draw_curves"]

PLAIN_RATE = 24.0  # frames a second, where neither shot nor hero tells: only for what is said by the second


@dataclass(frozen=True, slots=True)
class LightCurve:
    """What one light's mix does. ``frames``: first and last shot frame. ``full``: what each follower's level 1 is."""

    name: str
    frames: tuple[int, int]
    facts: MixFacts
    full: dict[str, float]


@dataclass(frozen=True, slots=True)
class CurveResult:
    """The mixes that were written: the folder, the files in it (relative), their figures, cautions and warnings."""

    out: Path
    files: tuple[str, ...]
    lights: tuple[LightCurve, ...]
    cautions: tuple[str, ...]
    warnings: tuple[str, ...]


def draw_curves(
    shot_path: Path, *, light: str | None, out: Path | None, options: BuildOptions, progress: Progress
) -> CurveResult:
    """Write the mix of every light, or of one, as a build would: a table and a plot each.

    ``out``: a folder in place of the shot's own.

    Raises
    ------
    LightstackError
        For a shot file, a light or footage that cannot be used.
    """
    settings = read_shot(shot_path)
    check_lights(settings, light)
    check_follow_files(settings)
    check_light_files(settings)
    check_ocio(options)
    with claimed_folder(settings.out if out is None else out, progress) as folder, open_hero(settings, options) as hero:
        if hero is None:  # check_lights has seen to it
            raise SettingError(f"{settings.path}: has no [takes.hero]")
        shot, book = settings.shot, StageBook(folder, verify=options.verify)
        mixes = make_mixes(settings, hero, book=book, options=options, progress=progress, only=light)
        delivery = Delivery(folder, shot.name, f"{shot.name}_", f"_v{shot.version:03d}", False, book)
        files = write_mixes(delivery, mixes, alone=len(settings.light) == 1)
        book.save()
        rate = rate_of(settings, hero)
        curves = tuple(describe_mix(name, mix, float(rate or PLAIN_RATE)) for name, mix in mixes.items())
        return CurveResult(
            out=folder.path,
            files=tuple(name for name, _ in files),
            lights=curves,
            cautions=tuple(line for curve in curves for line in caution(curve)),
            warnings=tuple(dict.fromkeys(line for mix in mixes.values() for line in mix.warnings)),
        )


def check_lights(settings: ShotSettings, light: str | None) -> None:
    """Refuse a shot without lights or hero, and a light that is not there. Raises SettingError."""
    names = [one.name for one in settings.light]
    if not names:
        raise SettingError(f"{settings.path}: has no [[light]], so there is no mix; add one with its [light.mix]")
    if light is not None and light not in names:
        near = nearest_name(light, names)
        hint = f"the nearest is {near}" if near else f"there are {', '.join(names)}"
        raise SettingError(f"--light {light}: {settings.path} has no such light; {hint}")


def describe_mix(name: str, mix: LightMix, rate: float) -> LightCurve:
    """Return the figures of a light's mix."""
    first = mix.curve.first_frame
    frames = (first, first + len(mix.curve.gains) - 1)
    return LightCurve(name, frames, measure_mix(mix.curve, rate), dict(mix.full))


def caution(curve: LightCurve) -> tuple[str, ...]:
    """Warn where a light rises and falls so often that it may hurt who watches."""
    if curve.facts.most_swings <= MOST_SWINGS:
        return ()
    return (
        f"light {curve.name} rises and falls up to {curve.facts.most_swings:.3g} times in a second. Flashing light can "
        "trigger seizures in photosensitive people, above all more than 3 times a second and in deep red: check the "
        "finished shot before anybody watches it, and warn who does.",
    )
