"""What each take of the demo shot holds: frame counts, what moves when, and the tripod's bumps."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

WIDTH, HEIGHT, MARGIN = 640, 360, 8
SWEEP_DARK, SWEEP_LIT = 24, 92  # dark frames at each end, frames with the lamp on
HERO_FRAMES, EMPTY_FRAMES, TRY_FRAMES, TRIES = 100, 24, 24, 3
TRUTH_HERO_FRAMES = (20, 58, 84)  # hero frames (from 1) whose figure is also lit from every lamp place
FIGURE_BOXES = (
    (52, 62, 128, 50),
    (52, 94, 128, 90),
    (52, 70, 128, 72),
)  # top, left, height, width; half size
RATE = 24
SWEEP_BUMP = (82, (1.9, -1.3), 0.06)  # source frame from which on, pixels, degrees
HERO_BUMP = (63, (-2.1, 1.4), -0.05)
FRESH_LAMPS = (
    (-0.6, 1.9, 4.6),
    (0.2, 0.75, 1.0),
    (-2.3, 1.3, 3.2),
    (1.0, 2.3, 3.1),
    (2.3, 1.0, 2.2),
    (0.5, 0.7, 2.75),
)


def sweep_share(index: int) -> float:
    """Share of the lamp's way 0..1 at a lit frame (from 0)."""
    return index / (SWEEP_LIT - 1)


def hero_share(index: int) -> float:
    """Share of the hero's action 0..1 at a frame (from 0)."""
    return index / (HERO_FRAMES - 1)


def bump_pose(bump: tuple[int, tuple[float, float], float], frame: int) -> NDArray[np.float64]:
    """Pose of the camera at a source frame: 3 x 3, unmoved picture -> filmed picture, pixels."""
    first, (dx, dy), degrees = bump
    if frame < first:
        return np.eye(3)
    cos, sin = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))
    x, y = WIDTH / 2, HEIGHT / 2
    return np.array([[cos, -sin, x - cos * x + sin * y + dx], [sin, cos, y - sin * x - cos * y + dy], [0, 0, 1]])
