"""How a movie asks to be shown: turned, mirrored, or as two views at once.

Reference: ISO/IEC 14496-12, 8.3.2: a matrix (a b u, c d v, x y w) shows what lies at (p, q) at
(ap + cq + x, bp + dq + y).
"""

from __future__ import annotations

import math
import struct
from pathlib import Path
from typing import Any

from lightstack.errors import UnreadableInput

__all__ = ["check_turn", "find_turn", "name_side_data"]

NEAR = 0.5  # degrees from a quarter turn that are the rounding of whole numbers, and no turn


def find_turn(frame: Any) -> tuple[int, tuple[str, ...]]:
    """Return the degrees clockwise that make a frame upright, and notes on what is not undone, one sentence each.

    What is mirrored is turned so that only left and right stay exchanged. A turn that is no quarter is returned as it
    is: `check_turn` refuses it, unless something else is asked for.
    """
    parts = dict(_list_side_data(frame))
    notes = []
    if "STEREO3D" in parts:
        notes.append("is tagged as two views in one picture (stereo), which are read as the one picture that is stored")
    degrees = 0.0
    if "DISPLAYMATRIX" in parts:
        degrees, mirrored = _read_matrix(bytes(parts["DISPLAYMATRIX"]))
        if mirrored:
            notes.append("is tagged as mirrored, left and right, which is not undone")
    quarter = 90 * round(degrees / 90)
    return (quarter if abs(degrees - quarter) <= NEAR else round(degrees)) % 360, tuple(notes)


def _read_matrix(stored: bytes) -> tuple[float, bool]:
    """Return degrees clockwise, and whether left and right are exchanged besides; (1, False) for no turn at all."""
    a, b, _, c, d, *_ = struct.unpack("=9i", stored[:36])
    mirrored = a * d - b * c < 0
    if mirrored:
        a, c = -a, -c
    across, down = math.hypot(a, c), math.hypot(b, d)
    if not across or not down:
        return 1.0, False  # a matrix that shows nothing
    return math.degrees(math.atan2(b / down, a / across)), mirrored


def check_turn(path: Path, degrees: int) -> int:
    """Return a turn that pictures can be made upright by. Raises UnreadableInput unless it is a quarter turn."""
    if degrees % 90:
        raise UnreadableInput(
            f"{path}: is tagged to be shown turned by no quarter turn ({degrees} degrees); "
            "name the turn, for example rotate = 0"
        )
    return degrees


def name_side_data(frame: Any) -> list[str]:
    """Name what goes with a frame."""
    return [name for name, _ in _list_side_data(frame)]


def _list_side_data(frame: Any) -> list[tuple[str, Any]]:
    """List what goes with a frame; PyAV walks over the things themselves, from 19 on over their types."""
    found = []
    for one in frame.side_data:
        kind = getattr(one, "type", one)
        found.append((kind.name, one if kind is not one else frame.side_data[kind]))
    return found
