"""Where the lamp was on every frame of a sweep, and what a light that travels is made of."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lightstack.records.measured import BoolArray, FloatArray

__all__ = ["LampPlaces", "LampShades", "LampView", "LitSet", "TargetMatch", "TravelPlan"]


@dataclass(frozen=True, slots=True)
class LampView:
    """How places of the map show in the picture.

    ``size``: (H, W) full-size pixels. ``tangent``: of half the horizontal angle of view, assumed. ``near_depth`` and
    ``far_depth``: how far ahead of the camera, in units of the map, nearness is 1 and 0.
    """

    size: tuple[int, int]
    tangent: float
    near_depth: float
    far_depth: float


@dataclass(frozen=True, slots=True)
class LampShades:
    """What tells where the lamp was: ``level`` (n, h, w) of lamp light on a few hundred patches and the ``share``
    (n, h, w) of each that is open; ``sigma``: noise of a patch. ``source_frames`` (n,) lit frames, rising. ``spots``
    (n, c, 3): x, y and radius of what may be the lamp itself, full-size pixels, NaN where there is nothing. ``size``:
    (H, W) of the full picture."""

    level: NDArray[np.float32]
    share: NDArray[np.float32]
    sigma: float
    source_frames: NDArray[np.int64]
    spots: NDArray[np.float64]
    size: tuple[int, int]


@dataclass(frozen=True, slots=True)
class LitSet:
    """The set as the lamp's light has it: ``used`` (h, w) which of the small picture's patches are known; of these P,
    ``rays`` (P, 3) from the camera, ``depth`` (P,) along them in units of the map, ``facing`` (P, 3) normal times
    albedo, ``bounce`` (P,) light by way of other walls; ``floor``: light that is mostly noise."""

    used: BoolArray
    rays: NDArray[np.float64]
    depth: NDArray[np.float64]
    facing: NDArray[np.float64]
    bounce: NDArray[np.float64]
    floor: float


@dataclass(frozen=True, slots=True)
class LampPlaces:
    """Where the lamp was, frame by frame.

    ``source_frames`` (n,) lit frames in order of time. ``in_shot`` (n, 2) full-size pixels of the origin's place where
    the lamp itself shows, else NaN. ``map`` (n, 3): x right, y down, z ahead of the camera, which stands at 0; the
    unit is about the mean distance of the lit set. ``near`` (n,) 0 farthest to 1 nearest of the places visited.
    ``spread`` (n,) 0..1: how evenly the light lies over the picture. ``misfit`` (n,): by which factor (natural
    logarithm, root mean square) the light on the set differs from that of a lamp at this place. ``anchored``: lamps in
    shot took part. ``view``: how the map shows in the picture. ``lit_set``: what the
    light falls on.
    """

    source_frames: NDArray[np.int64]
    in_shot: NDArray[np.float64]
    map: NDArray[np.float64]
    near: NDArray[np.float64]
    spread: NDArray[np.float64]
    misfit: NDArray[np.float64]
    anchored: bool
    view: LampView
    lit_set: LitSet


@dataclass(frozen=True, slots=True)
class TravelPlan:
    """``weights`` (F, K) >= 0 of K lamp stills on F frames, rows sum to 1. ``clamped`` (F,): how far the path was moved
    to come back to where the lamp has been, in units of the map, 0 = not."""

    weights: NDArray[np.float64]
    clamped: NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class TargetMatch:
    """``weights`` (K,) or (K, 3) >= 0 of the stills; ``reached`` (h, w, 3) what they give, without the ambient;
    ``missed_stops`` (h, w): target over what was reached, log2 of luminance, NaN where neither holds light; ``error``:
    root mean square of what is missed over that of the target, weighted; ``lit``: the target asks for any light."""

    weights: NDArray[np.float64]
    reached: FloatArray
    missed_stops: FloatArray
    error: float
    lit: bool
    used: BoolArray


@dataclass(frozen=True, slots=True, eq=False)
class LightWay:
    """A light's way over the floor plan: ``path`` (F, 3) in the map of ``places`` from shot frame ``first_frame`` on;
    ``stills`` (K,): source frames that have a lamp still."""

    places: LampPlaces
    stills: NDArray[np.int64]
    path: NDArray[np.float64]
    first_frame: int


@dataclass(frozen=True, slots=True, eq=False)
class LightReport:
    """The report's section of a light that is more than its sweep's plate: ``numbers`` (label, value with unit), and
    either its own plate ``picture``, display-encoded uint8 ``(h, w, 3)``, or its ``way``."""

    name: str
    numbers: tuple[tuple[str, str], ...]
    picture: NDArray[np.uint8] | None = None
    way: LightWay | None = None
