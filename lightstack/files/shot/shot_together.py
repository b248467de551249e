"""What no key of a shot file can know by itself: names used twice, references to what is not there, frames outside."""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path

from lightstack.core.colour.names import nearest_name
from lightstack.files.shot.schema import ShotSettings
from lightstack.files.shot.schema_render import ELEMENTS
from lightstack.files.shot.shot_errors import Place, make_error, show_value

__all__ = ["check_together"]

_STRETCH = re.compile(r"^stretch_[1-9]\d*\Z")  # how many there are is known when the sweep was looked at
MOST_LISTED = 12  # names in an error


def check_together(settings: ShotSettings, path: Path, text: str) -> None:
    """Check a shot file's sections against each other. Raises SettingError."""
    names = (_check_names, _check_names_apart, _check_element_names)
    checks = (_check_lights, _check_screens, _check_followers, _check_patches, _check_holdout)
    for check in (*names, *checks, _check_frames, _check_camera):
        check(settings, path, text)


def _check_names(settings: ShotSettings, path: Path, text: str) -> None:
    """Refuse a name that is used twice. Raises SettingError."""
    for section in ("sweep", "light", "patch", "element"):
        names: Sequence[str] = [item.name for item in getattr(settings, section)]
        for number, name in enumerate(names):
            same = next((other for other in names[:number] if other.lower() == name.lower()), None)
            if same is not None:  # names go into file names, and not every disk tells capitals apart
                said = "is used twice" if same == name else f'differs from "{same}" by capitals only'
                raise make_error(path, text, (section, number, "name"), f'= "{name}": {said}; rename one')


def _check_names_apart(settings: ShotSettings, path: Path, text: str) -> None:
    """Refuse a sweep called as a take, and names that differ between sections by capitals only. Raises SettingError.

    Notes: a light is called as its sweep by default, so names of several sections may be the same.
    """
    known = {name.lower(): (name, "the take") for name in _with_clean(settings, _list_takes(settings))}
    for section in ("sweep", "light", "patch", "element"):
        for number, item in enumerate(getattr(settings, section)):
            other, where = known.setdefault(item.name.lower(), (item.name, f"[[{section}]]"))
            if other != item.name:
                remedy = "rename one" if where == "the take" else "write both alike, or rename one"
                said = f'differs from {where} "{other}" by capitals only; {remedy}'
            elif section == "sweep" and where == "the take":
                said = "is the name of a take too; rename the sweep"
            else:
                continue
            raise make_error(path, text, (section, number, "name"), f'= "{item.name}": {said}')


def _check_element_names(settings: ShotSettings, path: Path, text: str) -> None:
    """Refuse a tossed thing whose numbered pictures would be called as others are. Raises SettingError."""
    taken = dict.fromkeys(ELEMENTS, "the shot's own")
    for number, element in enumerate(settings.element):
        mine = [element.name.lower(), f"{element.name.lower()}_shadow"]
        for name in mine[: 1 + element.shadow]:
            if name in taken:
                said = f'= "{element.name}": its pictures would be called as {taken[name]}, {name}; rename it'
                raise make_error(path, text, ("element", number, "name"), said)
        taken |= dict.fromkeys(mine[: 1 + element.shadow], f"those of {element.name}")


def _check_lights(settings: ShotSettings, path: Path, text: str) -> None:
    """Check what lights come from, and that there is something to lay them on. Raises SettingError."""
    sweeps = {sweep.name: sweep for sweep in settings.sweep}
    for number, light in enumerate(settings.light):
        if light.source not in sweeps:
            _refuse_name(light.source, "sweep", list(sweeps), ("light", number, "from"), path, text)
        groups = [group.name for group in sweeps[light.source].group]
        if light.group is not None and light.group not in groups and not _STRETCH.match(light.group):
            what, known = f"group of {light.source}", [*groups, "stretch_1, stretch_2 ..."]
            _refuse_name(light.group, what, known, ("light", number, "group"), path, text)
    if settings.light and settings.takes.hero is None:
        raise make_error(path, text, ("light", 0), "needs [takes.hero], the take that the light is laid on")


def _check_screens(settings: ShotSettings, path: Path, text: str) -> None:
    """Refuse screened lights of different whites: they are joined into one light under one. Raises SettingError."""
    screened = [(number, light) for number, light in enumerate(settings.light) if light.lay == "screen"]
    for number, light in screened:
        if light.screen_white != screened[0][1].screen_white:
            first = f"{screened[0][1].screen_white:g} of light {screened[0][1].name}"
            said = f"= {light.screen_white:g} differs from {first}; screened lights share one"
            raise make_error(path, text, ("light", number, "screen_white"), said)


def _check_followers(settings: ShotSettings, path: Path, text: str) -> None:
    """Check that followers name takes that are there. Raises SettingError."""
    known = [*_list_takes(settings), *(sweep.name for sweep in settings.sweep)]
    for number, light in enumerate(settings.light):
        for place, wish in enumerate(light.mix.follow):
            if wish.take is not None and wish.take not in known:
                where = ("light", number, "mix", "follow", place, "take")
                _refuse_name(wish.take, "take or sweep", known, where, path, text)


def _check_camera(settings: ShotSettings, path: Path, text: str) -> None:
    """Check that there is a light that was taped. Raises SettingError."""
    if settings.camera is None:
        return
    names = [light.name for light in settings.light]
    if not names:
        raise make_error(path, text, ("camera",), "tells where the lamp of a [[light]] was, and there is none")
    if settings.camera.light is not None and settings.camera.light not in names:
        _refuse_name(settings.camera.light, "light", names, ("camera", "light"), path, text)


def _check_patches(settings: ShotSettings, path: Path, text: str) -> None:
    """Check where patches come from, and that the shot has their frames. Raises SettingError."""
    if settings.patch and settings.takes.hero is None:
        raise make_error(path, text, ("patch", 0), "needs [takes.hero], the take that it is laid on")
    known = [*_with_clean(settings, _list_takes(settings)), *(sweep.name for sweep in settings.sweep)]
    for number, patch in enumerate(settings.patch):
        if patch.source not in known and not patch.is_path:
            _refuse_name(patch.source, "take or sweep", known, ("patch", number, "from"), path, text)
        frames, have = patch.frames, settings.shot.frames
        if frames is not None and have is not None and (frames[1] < have[0] or frames[0] > have[1]):
            message = f"= [{frames[0]}, {frames[1]}]: none of them is among the shot's frames {have[0]} to {have[1]}"
            raise make_error(path, text, ("patch", number, "frames"), message)


def _check_holdout(settings: ShotSettings, path: Path, text: str) -> None:
    """Check what the hold-out is told from. Raises SettingError."""
    wish = settings.holdout
    if wish is None:
        return
    if settings.takes.hero is None:
        raise make_error(path, text, ("holdout",), "needs [takes.hero], in which the figure stands")
    takes = [name for name in ("empty_lit", "empty", "clean") if getattr(settings.takes, name) is not None]
    known = ["auto", "none", *_with_clean(settings, takes), *(sweep.name for sweep in settings.sweep)]
    if wish.source not in known:
        _refuse_name(wish.source, "take or sweep", known, ("holdout", "from"), path, text)


def _check_frames(settings: ShotSettings, path: Path, text: str) -> None:
    """Check the frames of shot and preview. Raises SettingError."""
    shot = settings.shot
    if shot.frames is None:
        return
    first, last = shot.frames
    if first < shot.first_frame:
        message = f"begins at {first}, before the hero's first frame {shot.first_frame}"
        raise make_error(path, text, ("shot", "frames"), message)
    for frame in settings.preview.frames:
        if not first <= frame <= last:
            message = f"names {frame}, outside the shot's frames {first} to {last}"
            raise make_error(path, text, ("preview", "frames"), message)


def _list_takes(settings: ShotSettings) -> list[str]:
    return [name for name in type(settings.takes).model_fields if getattr(settings.takes, name) is not None]


def _with_clean(settings: ShotSettings, takes: list[str]) -> list[str]:
    """Return the takes and, where the shot makes one, the clean plate."""
    return [*takes, "clean"] if settings.clean is not None and "clean" not in takes else takes


def _refuse_name(name: str, what: str, known: Sequence[str], place: Place, path: Path, text: str) -> None:
    """Raise SettingError for a reference to what is not there: with the nearest, or with what there is."""
    near = nearest_name(name, known)
    listed = ", ".join(known[:MOST_LISTED]) + (f" and {len(known) - MOST_LISTED} more" if known[MOST_LISTED:] else "")
    hint = f"the nearest is {near}" if near else f"there are {listed or 'none'}"
    raise make_error(path, text, place, f"{show_value(name)}there is no such {what}; {hint}")
