"""Where the hero stood at a frame."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from lightstack.records import Registration

__all__ = ["pose_of"]


def pose_of(registration: Registration, source_frame: int) -> NDArray[np.float64]:
    """Return the hero's pose at a source frame, that of the nearest stretch where none holds it."""
    try:
        return registration.stretch_at(source_frame).matrix
    except KeyError:
        near = min(registration.stretches, key=lambda s: min(abs(s.first - source_frame), abs(s.last - source_frame)))
        return near.matrix
