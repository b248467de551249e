"""The files that a shot file names, beside its takes: what a build reads, and what it depends on."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from lightstack.errors import SettingError
from lightstack.files.shot.schema import Patch, ShotSettings, TakeSettings

__all__ = [
    "find_source",
    "list_figure_files",
    "list_follow_files",
    "list_hand_files",
    "list_light_files",
    "list_patch_files",
    "takes_clean_plate",
]


def list_follow_files(settings: ShotSettings) -> list[Path]:
    """Return the files that followers name by themselves: passes, mattes and sounds."""
    wishes = [wish for light in settings.light for wish in light.mix.follow]
    named = [path for wish in wishes for path in (wish.path, wish.matte, wish.sound) if path is not None]
    return [settings.locate(path) for path in named]


def list_hand_files(settings: ShotSettings) -> list[Path]:
    """Return the files, or patterns of files, that a shot's hold-out names by itself."""
    wish = settings.holdout
    if wish is None:
        return []
    named = [None if wish.matte is None else wish.matte.path, wish.include, wish.exclude]
    return [settings.locate(path) for path in named if path is not None]


def list_figure_files(settings: ShotSettings) -> list[Path]:
    """Return the files, or patterns of files, that the lights' figure masks are."""
    return [settings.locate(light.figure_mask) for light in settings.light if light.figure_mask is not None]


def list_light_files(settings: ShotSettings) -> list[Path]:
    """List the tables that the lights of a shot name."""
    named = [light.weights for light in settings.light]
    named += [light.path.track for light in settings.light if light.path is not None]
    return [settings.locate(path) for path in named if path is not None]


def takes_clean_plate(patch: Patch, settings: ShotSettings) -> bool:
    """Tell whether a patch comes from the clean plate that the shot itself asks for, not from a take as filmed."""
    return patch.source == "clean" and getattr(settings, "clean", None) is not None


def find_source(
    patch: Patch, settings: ShotSettings, plates: Mapping[str, Path] | None = None
) -> tuple[TakeSettings, tuple[Path, ...]] | None:
    """Return the settings and files of the take that a patch names; None where it names a sweep's unlit frames.

    ``plates``: plates that this build made, by name ("clean").

    Raises SettingError where `use` is missing or of no use.
    """
    if plates and takes_clean_plate(patch, settings):
        return TakeSettings(path=(str(plates[patch.source]),)), (plates[patch.source],)
    take = getattr(settings.takes, patch.source, None) if patch.source.isidentifier() else None
    if isinstance(take, TakeSettings):
        if patch.source == "hero" and patch.use is None:
            raise SettingError(
                f"{settings.path}: patch {patch.name} comes from the hero itself and needs `use`, the source frames "
                "that show the set free"
            )
        take = take if patch.use is None else take.model_copy(update={"use": patch.use})
        return take, settings.take_paths(take)
    if patch.source in [sweep.name for sweep in settings.sweep]:
        if patch.use is not None:
            raise SettingError(
                f"{settings.path}: patch {patch.name} takes the unlit frames of {patch.source}; leave `use` out"
            )
        return None
    return TakeSettings(path=(patch.source,), use=patch.use), (settings.locate(patch.source),)


def list_patch_files(settings: ShotSettings) -> list[Path]:
    """Return the files that patches name by themselves: masks, and plates that are no take of the shot."""
    masks = [settings.locate(patch.mask) for patch in settings.patch if patch.mask is not None]
    named = [find_source(patch, settings) for patch in settings.patch if not takes_clean_plate(patch, settings)]
    return [*masks, *(path for found in named if found is not None for path in found[1])]
