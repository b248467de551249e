"""Triangle meshes made from numbers: boxes, turned shapes, tubes, panels. Metres, y up.

A mesh here is ``Mesh(vertices (n, 3), faces (m, 3), uv (n, 2))``, float64 and int64. Vertices are not
shared across hard edges, so smooth normals may be computed for every mesh.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray


@dataclass(frozen=True, slots=True)
class Mesh:
    """Triangles: ``vertices`` ``(n, 3)``, ``faces`` ``(m, 3)``, ``uv`` ``(n, 2)``."""

    vertices: NDArray
    faces: NDArray
    uv: NDArray

    def moved(self, matrix: NDArray) -> Mesh:
        """Apply a 4 x 4 matrix."""
        return Mesh(self.vertices @ matrix[:3, :3].T + matrix[:3, 3], self.faces, self.uv)


def join(*meshes: Mesh) -> Mesh:
    """Put meshes into one."""
    starts = np.cumsum([0] + [len(mesh.vertices) for mesh in meshes[:-1]])
    return Mesh(
        np.concatenate([mesh.vertices for mesh in meshes]),
        np.concatenate([mesh.faces + start for mesh, start in zip(meshes, starts, strict=True)]),
        np.concatenate([mesh.uv for mesh in meshes]),
    )


def shift(x: float, y: float, z: float) -> NDArray:
    """4 x 4 translation."""
    matrix = np.eye(4)
    matrix[:3, 3] = x, y, z
    return matrix


def turn(axis: str, degrees: float) -> NDArray:
    """4 x 4 right-handed rotation about "x", "y" or "z"."""
    a, b = {"x": (1, 2), "y": (2, 0), "z": (0, 1)}[axis]
    matrix, angle = np.eye(4), np.radians(degrees)
    matrix[a, a] = matrix[b, b] = np.cos(angle)
    matrix[b, a], matrix[a, b] = np.sin(angle), -np.sin(angle)
    return matrix


def make_quad(corner: ArrayLike, across: ArrayLike, up: ArrayLike, *, uv_per_metre: float = 1.0) -> Mesh:
    """A flat four-sided panel: corner, corner + across, corner + across + up, corner + up."""
    corner, across, up = (np.asarray(part, float) for part in (corner, across, up))
    width, height = np.linalg.norm(across) * uv_per_metre, np.linalg.norm(up) * uv_per_metre
    vertices = np.array([corner, corner + across, corner + across + up, corner + up])
    return Mesh(
        vertices,
        np.array([[0, 1, 2], [0, 2, 3]]),
        np.array([[0, 0], [width, 0], [width, height], [0, height]]),
    )


def make_box(low: ArrayLike, high: ArrayLike, *, uv_per_metre: float = 1.0, along: str = "y") -> Mesh:
    """An upright box. ``along``: the axis along which a texture's columns (wood grain) run."""
    low, high = np.asarray(low, float), np.asarray(high, float)
    size = np.diag(high - low)
    grain = "xyz".index(along)
    sides = []
    for axis in range(3):
        first, second = [other for other in range(3) if other != axis]
        if first == grain:
            first, second = second, first
        near, far = low, low + size[axis]
        for corner, flip in ((near, True), (far, False)):
            side = make_quad(corner, size[first], size[second], uv_per_metre=uv_per_metre)
            handed = np.linalg.det(np.stack([size[first], size[second], size[axis]]))
            if (handed > 0) == flip:
                side = Mesh(side.vertices, side.faces[:, ::-1], side.uv)
            sides.append(Mesh(side.vertices, side.faces, side.uv + low[[first, second]] * uv_per_metre))
    return join(*sides)


def make_polygon(points: ArrayLike, *, plane: str = "xy", at: float = 0.0, uv_per_metre: float = 1.0) -> Mesh:
    """A flat convex polygon in the xy, zy or xz plane."""
    points = np.asarray(points, float)
    axes = ["xyz".index(name) for name in plane]
    vertices = np.full((len(points), 3), at)
    vertices[:, axes] = points
    faces = np.array([[0, i, i + 1] for i in range(1, len(points) - 1)])
    return Mesh(vertices, faces, points * uv_per_metre)


def make_turned(profile: ArrayLike, *, sides: int = 32) -> Mesh:
    """A shape turned about the y axis from a profile of (radius, height) pairs, bottom to top."""
    profile = np.asarray(profile, float)
    angle = np.linspace(0, 2 * np.pi, sides + 1)
    ring = np.stack([np.cos(angle), np.zeros_like(angle), -np.sin(angle)], axis=1)
    vertices = profile[:, None, 0, None] * ring[None] + np.array([0, 1, 0]) * profile[:, None, 1, None]
    run = np.concatenate([[0], np.cumsum(np.linalg.norm(np.diff(profile, axis=0), axis=1))])
    uv = np.stack(np.broadcast_arrays(angle[None] / (2 * np.pi), run[:, None]), axis=-1)
    return Mesh(vertices.reshape(-1, 3), grid_faces(len(profile), sides + 1), uv.reshape(-1, 2))


def grid_faces(rows: int, columns: int) -> NDArray:
    """Two triangles per cell of a rows x columns grid of vertices."""
    index = np.arange(rows * columns).reshape(rows, columns)
    a, b, c, d = index[:-1, :-1], index[:-1, 1:], index[1:, 1:], index[1:, :-1]
    return np.stack([np.stack([a, b, c], -1), np.stack([a, c, d], -1)]).reshape(-1, 3)


def make_tube(
    path: ArrayLike, radii: ArrayLike, *, side: ArrayLike = (1, 0, 0), sides: int = 20, steps: int = 24
) -> Mesh:
    """A smooth limb along a path of points ``(k, 3)`` with half widths ``(k,)`` or ``(k, 2)``.

    The two half widths lie along ``side`` (made square to the path) and square to both. Path and widths
    are interpolated monotonically between points; the ends are closed by round caps.
    """
    path, radii = np.asarray(path, float), np.asarray(radii, float)
    radii = np.repeat(radii[:, None], 2, axis=1) if radii.ndim == 1 else radii
    at = np.concatenate([[0], np.cumsum(np.linalg.norm(np.diff(path, axis=0), axis=1))])
    fine = np.linspace(0, at[-1], steps)
    centre, width = _smooth(at, path, fine), _smooth(at, radii, fine)
    forward = np.gradient(centre, axis=0)
    forward /= np.linalg.norm(forward, axis=1, keepdims=True) + 1e-12
    centre, width, forward = _close_ends(centre, width, forward)
    right = np.asarray(side, float)[None] - (forward @ np.asarray(side, float))[:, None] * forward
    right /= np.linalg.norm(right, axis=1, keepdims=True) + 1e-12
    front = np.cross(forward, right)
    angle = np.linspace(0, 2 * np.pi, sides + 1)
    ring = np.cos(angle)[None, :, None] * right[:, None] * width[:, None, 0, None]
    ring = ring + np.sin(angle)[None, :, None] * front[:, None] * width[:, None, 1, None]
    uv = np.stack(np.broadcast_arrays(angle[None] / 6.3, np.linspace(0, at[-1], len(centre))[:, None]), axis=-1)
    return Mesh((centre[:, None] + ring).reshape(-1, 3), grid_faces(len(centre), sides + 1), uv.reshape(-1, 2))


def _smooth(at: NDArray, values: NDArray, fine: NDArray) -> NDArray:
    from scipy.interpolate import PchipInterpolator

    return PchipInterpolator(at, values, axis=0)(fine)


def _close_ends(centre: NDArray, width: NDArray, forward: NDArray) -> tuple[NDArray, NDArray, NDArray]:
    """Add quarter-round caps before the first and after the last ring."""
    turns = np.radians([90, 67, 45, 22])
    first = [centre[0] - forward[0] * width[0].mean() * np.sin(turn_) for turn_ in turns]
    last = [centre[-1] + forward[-1] * width[-1].mean() * np.sin(turn_) for turn_ in turns[::-1]]
    thin = np.cos(turns)[:, None] + 1e-4
    return (
        np.concatenate([first, centre, last]),
        np.concatenate([thin * width[:1], width, thin[::-1] * width[-1:]]),
        np.concatenate([np.repeat(forward[:1], 4, 0), forward, np.repeat(forward[-1:], 4, 0)]),
    )
