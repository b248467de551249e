"""Where a lamp stood, in metres: pinhole arithmetic from a place in the picture and one taped distance.

The world's origin lies on the floor below the lens; x points right as the camera sees it, y up, z towards whoever
stands behind the camera. The camera looks along -z, tilted about x.

What no taped distance tells is left to whoever uses the result: a lens that is no pinhole (its distortion, an entrance
pupil that is not where the tape was held), and a sensor or focal length that is not as stated.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["CameraView", "PlacedLamp", "card_stops", "place_path", "place_taped"]

Vectors = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class CameraView:
    """A camera on its tripod.

    ``size``: (H, W) of the upright picture. ``sensor_width_mm``: what its width shows of the sensor. ``tilt_deg``:
    above 0 it looks up. ``pixel_aspect``: width of a pixel over its height.
    """

    focal_mm: float
    sensor_width_mm: float
    size: tuple[int, int]
    height_m: float
    tilt_deg: float
    pixel_aspect: float = 1.0

    @property
    def sensor_height_mm(self) -> float:
        """What the picture's height shows of the sensor."""
        height, width = self.size
        return self.sensor_width_mm * height / width / self.pixel_aspect

    @property
    def pixel_steps(self) -> tuple[float, float]:
        """By how much a ray of depth 1 turns for a pixel to the right and for one down."""
        step = self.sensor_width_mm / self.size[1] / self.focal_mm
        return step, step / self.pixel_aspect


@dataclass(frozen=True, slots=True, eq=False)
class PlacedLamp:
    """``points`` and ``errors`` (n, 3) in metres: places and their standard errors along x, y, z of the world."""

    points: Vectors
    errors: Vectors


def place_taped(
    view: CameraView, pixel: ArrayLike, distance_m: float, *, pixel_error: float, distance_error_m: float
) -> PlacedLamp:
    """Return the place of a lamp that was seen at ``pixel`` (x, y) and ``distance_m`` from the lens.

    Notes: the errors are independent and small: first order. Along the ray the tape's counts, across it the pixel's.
    """
    at = np.asarray(pixel, np.float64).reshape(2)
    ray = cast_rays(view, at[None])[0]
    length = float(np.linalg.norm(ray))
    along = ray / length
    across = np.diag([1.0, -1.0, 0.0])[:2] * np.array(view.pixel_steps)[:, None]  # what a pixel adds to the ray
    turned = (across - (across @ along)[:, None] * along) * (distance_m / length)
    parts = np.vstack([turned * pixel_error, along[None] * distance_error_m])
    return to_world(view, (along * distance_m)[None], parts[None])


def place_path(
    view: CameraView,
    pixels: ArrayLike,
    *,
    taped_at: ArrayLike,
    distance_m: float,
    pixel_error: float,
    distance_error_m: float,
) -> PlacedLamp:
    """Return places of a lamp that moves through ``pixels`` (n, 2), as far into the picture as it was when taped.

    ``taped_at``: the pixel (x, y) at which it was ``distance_m`` from the lens.

    Notes: a picture tells a direction and no distance. The lamp is taken to move in the plane through the taped place
    that lies parallel to the picture; how far it really left that plane is in no error given here.
    """
    rays = cast_rays(view, np.asarray(pixels, np.float64).reshape(-1, 2))
    taped = cast_rays(view, np.asarray(taped_at, np.float64).reshape(1, 2))[0]
    length = float(np.linalg.norm(taped))
    depth = distance_m / length
    across = np.diag([1.0, -1.0, 0.0])[:2] * np.array(view.pixel_steps)[:, None]
    own = np.broadcast_to(across * depth * pixel_error, (len(rays), 2, 3))
    depth_parts = np.array([*(-depth / length**2 * (across @ taped) * pixel_error), distance_error_m / length])
    parts = np.concatenate([own, rays[:, None, :] * depth_parts[:, None]], axis=1)
    return to_world(view, rays * depth, parts)


def cast_rays(view: CameraView, pixels: Vectors) -> Vectors:
    """Return rays (n, 3) of depth 1 in the camera's own axes through pixels (n, 2); the axis pierces the middle."""
    height, width = view.size
    step_x, step_y = view.pixel_steps
    x, y = (pixels[:, 0] - width / 2) * step_x, (height / 2 - pixels[:, 1]) * step_y
    return np.column_stack([x, y, np.full(len(pixels), -1.0)])


def to_world(view: CameraView, points: Vectors, parts: Vectors) -> PlacedLamp:
    """Turn points (n, 3) and what each source of error moves them by, (n, k, 3), from the camera into the world."""
    tilt = np.radians(view.tilt_deg)
    turn = np.array([[1, 0, 0], [0, np.cos(tilt), -np.sin(tilt)], [0, np.sin(tilt), np.cos(tilt)]])
    placed = points @ turn.T + np.array([0.0, view.height_m, 0.0])
    return PlacedLamp(placed, np.sqrt(((parts @ turn.T) ** 2).sum(axis=1)))


def card_stops(radius_m: float) -> float:
    """Return by how many stops a ball light of radiance 1 must be raised for a card 1 m from its middle to receive 1.

    A card that faces a ball of radius r and radiance L at the distance d receives the irradiance pi L (r / d)^2;
    divided by pi, which is what a perfectly diffusing white card shows, that is (r / d)^2 for L = 1.

    References: configuration factor of a sphere and an element that faces it, a standard result of radiative transfer
    (from memory).
    """
    return float(-2 * np.log2(radius_m))
