"""What tells where the lamp was, noted while a sweep is built: its light on a few hundred places of every frame."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from lightstack.core.lamp.lamps import find_in_shot
from lightstack.core.lamp.shade import note_shades
from lightstack.errors import OutputError
from lightstack.files.kept.keep import keep_record, recall_record
from lightstack.jobs.takes.lamp_light import Picked
from lightstack.jobs.takes.look import SweepLook
from lightstack.records import LampShades

__all__ = ["SHADES", "keep_shades", "recall_shades"]

SHADES = "shades.npz"


def keep_shades(folder: Path, look: SweepLook, size: tuple[int, int]) -> None:
    """Note in a sweep's scratch folder what tells where the lamp was; ``size`` (H, W) of the full picture."""
    lit = np.flatnonzero(look.table.lamp_on)
    light, flags = Picked(look.light, lit), Picked(look.blocked, lit)
    spots = find_in_shot(light, flags, look.small_ambient, factor=look.factor)  # type: ignore[arg-type]
    shades = note_shades(
        light,  # type: ignore[arg-type]
        flags,  # type: ignore[arg-type]
        noise=look.small_noise,
        source_frames=look.table.source_frames[lit],
        spots=spots,
        size=size,
    )
    keep_record(folder / SHADES, shades)


def recall_shades(folder: Path) -> LampShades:
    """Read what was noted of a sweep. Raises OutputError where it cannot be read."""
    try:
        return recall_record(folder / SHADES, LampShades)
    except (OSError, ValueError) as error:
        raise OutputError(f"{folder / SHADES}: cannot be read; build again with --force") from error
