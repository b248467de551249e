"""Tables that lights name: weights of stills and tracks, looked at before anything long begins."""

from __future__ import annotations

from lightstack.files.shot.schema import ShotSettings
from lightstack.files.travel_tables import read_track, read_weights

__all__ = ["check_light_files"]


def check_light_files(settings: ShotSettings) -> None:
    """Refuse tables that cannot be read. Raises MissingInput, UnreadableInput."""
    for light in settings.light:
        if light.weights is not None:
            read_weights(settings.locate(light.weights))
        if light.path is not None and light.path.track is not None:
            read_track(settings.locate(light.path.track))
