"""Which stills of a sweep a light is made of: its groups by hand, and the stretches between dark gaps."""

from __future__ import annotations

import numpy as np

from lightstack.errors import SettingError
from lightstack.files.shot.schema import Light, Sweep
from lightstack.files.shot.schema_types import split_source_frame
from lightstack.records import StillNotes

__all__ = ["find_stills", "list_groups"]


def find_stills(light: Light, sweep: Sweep, notes: StillNotes) -> list[int] | None:
    """Return the stills of a light's group by their place in the stack; None: it takes them all.

    Raises SettingError where there is no such group, or no still is in it.
    """
    if light.group is None:
        return None
    groups = list_groups(sweep, notes)
    if light.group not in groups:
        raise SettingError(
            f'light {light.name}: group "{light.group}" is none of {sweep.name}; it has {", ".join(groups) or "none"}'
        )
    if not groups[light.group]:
        chosen = ", ".join(str(frame) for frame in notes.source_frames)
        raise SettingError(
            f'light {light.name}: no still is in group "{light.group}" of {sweep.name}; its key frames are {chosen}: '
            "widen the group, or name frames of it in `keys`"
        )
    return groups[light.group]


def list_groups(sweep: Sweep, notes: StillNotes) -> dict[str, list[int]]:
    """Return every group of a sweep with the places of its stills: stretches first, then those by hand.

    A group by hand takes the place of a stretch of the same name.
    """
    found = {
        f"stretch_{number}": np.flatnonzero(notes.stretch == number).tolist()
        for number in np.unique(notes.stretch[notes.stretch > 0]).tolist()
    }
    for group in sweep.group:
        ends = [(place_frame(first, notes), place_frame(last, notes)) for first, last in group.frames]
        inside = [any(a <= frame <= b for a, b in ends) for frame in notes.source_frames.tolist()]
        found[group.name] = np.flatnonzero(inside).tolist()
    return found


def place_frame(frame: int | str, notes: StillNotes) -> int:
    """Return a source frame, ``34`` or ``"2:34"``, as the whole take counts. Raises SettingError for no such file."""
    file, number = split_source_frame(frame)
    if file is None:
        return number
    if file > len(notes.file_starts):
        raise SettingError(f'a group names "{frame}", but the sweep has {len(notes.file_starts)} files')
    return notes.file_starts[file - 1] + number - 1
