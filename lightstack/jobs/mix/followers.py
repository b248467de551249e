"""Followers: the level of a picture or a sound, as a modulator of a mix."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import numpy as np

from lightstack.core.mix.follow import LevelShape, find_full, settle_level, shape_level, window_rms
from lightstack.core.mix.modulate import Stretch, Track
from lightstack.errors import MissingInput, SettingError
from lightstack.files.kept.identity import StageBook
from lightstack.files.read.sound import read_sound_power
from lightstack.files.shot.schema import Follow, ShotSettings
from lightstack.jobs.mix.follow_pictures import find_take, follow_pictures
from lightstack.jobs.stage.hero import HeroPart
from lightstack.jobs.stage.named_files import list_follow_files
from lightstack.jobs.takes.options import BuildOptions
from lightstack.records import FollowedLevel, Progress

__all__ = ["FollowSource", "Followed", "check_follow_files", "list_follow_files", "make_follower"]

STEPS_PER_FRAME = 8  # how finely a sound's level is taken
SILENT = 1e-4  # RMS of full scale 1, -80 dB: below it lies what a converter hisses by itself
BLACK = 1e-6  # linear light
SETTLED = 6  # time constants, or standard deviations, after which what came before does not count any more


@dataclass(frozen=True, slots=True)
class FollowSource:
    """What followers need of a shot: its settings, the open hero, its rate, and where levels are kept."""

    settings: ShotSettings
    hero: HeroPart
    rate: Fraction | None
    book: StageBook
    options: BuildOptions
    progress: Progress

    def need_rate(self, what: str) -> Fraction:
        """Return the frame rate. Raises SettingError where neither the shot nor the hero tells one."""
        if self.rate is None:
            raise SettingError(f"{self.settings.path}: {what} needs a frame rate and the hero has none; set shot.rate")
        return self.rate


@dataclass(frozen=True, slots=True)
class Followed:
    """A follower ready to play, the level that counts as 1, and warnings."""

    track: Track
    full: float
    warnings: tuple[str, ...]


def make_follower(wish: Follow, source: FollowSource) -> Followed:
    """Measure, or recall, the level that a follower names and make it a modulator.

    Raises SettingError where there is nothing to follow: silent, black, or none of the shot's frames; as readers do.
    """
    first, last = source.hero.frames
    second = 1.0
    if wish.attack or wish.release or wish.sound is not None:
        second = float(source.need_rate("mix.follow"))
    level = follow_sound(wish, source) if wish.sound is not None else _follow_take(wish, source, second)
    levels = settle_level(
        level.levels,
        step=level.step,
        attack=wish.attack * second,
        release=wish.release * second,
        smoothing=wish.smoothing,
    )
    begin = level.begin + wish.delay
    places = begin + level.step * np.arange(len(levels), dtype=np.float64)
    full = find_full(places, levels, first, last) if wish.full is None else wish.full
    name = name_source(wish)
    what, least = ("silent", SILENT) if wish.sound is not None else ("black", BLACK)
    if wish.full is None and not full > least:
        raise SettingError(
            f"{name}: is {what} wherever shot frames {first} to {last} look; name another one, set `delay`, or say "
            "with `full` which level counts as 1"
        )
    shape = LevelShape(full=full, gain=wish.gain, offset=wish.offset, floor=wish.floor, ceiling=wish.ceiling)
    stretch = Stretch() if wish.frames is None else Stretch(*wish.frames)
    track = Track(begin=begin, step=level.step, values=shape_level(levels, shape), how=wish.combine, within=stretch)
    short = () if wish.sound is not None else _warn_short(name, places, first, last)
    return Followed(track, full, (*level.warnings, *short))


def name_source(wish: Follow) -> str:
    """Return how a follower's source is called in the shot file."""
    return str(wish.take or wish.path or wish.sound)


def _follow_take(wish: Follow, source: FollowSource, second: float) -> FollowedLevel:
    """Follow pictures, with so many frames on both sides as have a say in the shot's first and last."""
    first, last = source.hero.frames
    around = math.ceil(SETTLED * wish.smoothing) + 1
    before = math.ceil(SETTLED * max(wish.attack, wish.release) * second)
    wanted = (math.floor(first - wish.delay) - around - before, math.ceil(last - wish.delay) + around)
    return follow_pictures(
        wish,
        source.settings,
        source.hero,
        wanted=wanted,
        book=source.book,
        options=source.options,
        progress=source.progress,
    )


def _warn_short(name: str, places: np.ndarray, first: int, last: int) -> tuple[str, ...]:
    """Say over which shot frames a follower that is too short holds its first or last level."""
    begin, end = math.ceil(places[0] - 1e-9), math.floor(places[-1] + 1e-9)
    spans = [(first, min(begin - 1, last), "first"), (max(end + 1, first), last, "last")]
    said = [f"its {which} level holds over shot frames {a}-{b}" for a, b, which in spans if a <= b]
    return (f"{name}: does not cover the shot; {' and '.join(said)}",) if said else ()


def follow_sound(wish: Follow, source: FollowSource) -> FollowedLevel:
    """Return a sound's level over shot frames, RMS in windows; beyond its ends there is silence."""
    rate = source.need_rate("a sound that is followed")
    sound = read_sound_power(source.settings.locate(str(wish.sound)), rate * STEPS_PER_FRAME)
    first, last = source.hero.frames
    step = 1 / STEPS_PER_FRAME
    window = 1.0 if wish.window is None else wish.window * float(rate)
    quiet = math.ceil(window / step) + 1  # silence on both sides, so that the level dies out there and does not hold
    power = np.pad(sound.power, quiet)
    counts = np.pad(sound.counts, quiet, constant_values=float(np.median(sound.counts)))
    levels = window_rms(power, counts, step=step, window=window)
    begin = source.settings.shot.first_frame + (0.5 - quiet) * step
    end = begin + wish.delay + step * (len(levels) - 1)
    name = name_source(wish)
    if end < first or begin + wish.delay > last:
        raise SettingError(
            f"{name}: sounds from shot frame {begin + wish.delay:.0f} to {end:.0f}, the shot has {first} to {last}; "
            "set the follower's `delay`"
        )
    held = source.settings.shot.first_frame + len(sound.power) * step + wish.delay
    short = (f"{name}: ends at shot frame {math.floor(held)}; behind it there is silence",) if held < last else ()
    return FollowedLevel(begin, step, levels, short)


def check_follow_files(settings: ShotSettings) -> None:
    """Refuse followers of takes or files that are not there. Raises SettingError, MissingInput."""
    for light in settings.light:
        for wish in light.mix.follow:
            if wish.sound is None:
                find_take(wish, settings)
    _check_there(list_follow_files(settings), settings)


def _check_there(paths: Sequence[Path], settings: ShotSettings) -> None:
    for path in paths:
        if not path.exists() and "#" not in path.name and "%" not in path.name:
            raise MissingInput(f"{path}: nothing is there; check the path in {settings.path.name}")
