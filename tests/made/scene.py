"""Furnished rooms and the figure who walks a lamp round them, as plain tables of numbers.

Metres; x right, y up, z away from the camera, which stands at z = 0; the room goes on behind it.
"""

from dataclasses import dataclass

import numpy as np

from made.raycast import (
    BOX,
    BRICKS,
    CAPSULE,
    CHECKS,
    CYLINDER,
    GRAIN,
    MIRROR,
    PANE,
    PLANKS,
    PLASTER,
    SPHERE,
    SPINES,
    STRIPES,
)  # fmt: skip

SKIN = (0.42, 0.33, 0.27)
GELS = {
    "violet": (0.42, 0.09, 1.0),
    "red": (1.0, 0.035, 0.02),
    "blue": (0.30, 0.55, 1.0),
    "amber": (1.0, 0.45, 0.08),
    "green": (0.12, 1.0, 0.22),
    "none": (1.0, 0.92, 0.80),
}


@dataclass(frozen=True)
class Scene:
    """``lights`` is the vector that the ray caster reads: bulb, moon, window, shade box, eye."""

    room: np.ndarray
    prims: np.ndarray
    materials: np.ndarray
    walls: np.ndarray
    lights: np.ndarray
    colours: np.ndarray  # gel, bulb, moon, sky (4, 3)
    eye: np.ndarray
    basis: np.ndarray
    tangent: float  # of half the horizontal angle of view


def box(material, centre, size, yaw=0.0):
    cx, cy, cz = centre
    return [BOX, material, cx, cy, cz, size[0] / 2, size[1] / 2, size[2] / 2, np.cos(yaw), np.sin(yaw)]


def sphere(material, centre, radius):
    return [SPHERE, material, *centre, radius, 0, 0, 0, 0]


def cylinder(material, foot, radius, height):
    return [CYLINDER, material, *foot, radius, height, 0, 0, 0]


def capsule(a, b, radius):
    return [CAPSULE, 0, *a, *b, radius, 0]


def _shade(rng, low, high):
    """A muted colour."""
    base = rng.uniform(low, high)
    return np.clip(base * (1 + rng.uniform(-0.35, 0.35, 3)), 0.02, 0.85)


def make_materials(rng):
    """Pattern, two colours, scale, gloss, exponent; the order is the index that primitives use."""

    def row(kind, a, b, scale, gloss=0.0, exponent=1.0):
        return [kind, *a, *b, scale, gloss, exponent]

    wood, wood2 = np.array([0.36, 0.22, 0.12]), np.array([0.20, 0.11, 0.06])
    wall = _shade(rng, 0.40, 0.60)
    return np.array(
        [
            row(PLANKS, wood * rng.uniform(0.7, 1.2), wood2, 7.0, 0.15, 30),  # 0 floor
            row(PLASTER, wall, wall * 0.8, 1.7),  # 1 walls
            row(PLASTER, (0.62, 0.60, 0.56), (0.5, 0.48, 0.45), 1.2),  # 2 ceiling
            row(SPINES, _shade(rng, 0.15, 0.45), _shade(rng, 0.25, 0.6), 7.5),  # 3 books
            row(GRAIN, wood, wood2, 3.0, 1.2, 60),  # 4 varnished wood
            row(CHECKS, _shade(rng, 0.3, 0.6), _shade(rng, 0.08, 0.25), 6.0),  # 5 fabric
            row(PLASTER, _shade(rng, 0.05, 0.15), _shade(rng, 0.1, 0.3), 8.0, 3.0, 150),  # 6 glazed
            row(PLASTER, _shade(rng, 0.2, 0.5), _shade(rng, 0.15, 0.4), 3.0),  # 7 matt
            row(MIRROR, (0.1, 0.1, 0.1), (0.1, 0.1, 0.1), 1.0),  # 8 mirror
            row(PANE, (0.25, 0.25, 0.25), (0.3, 0.3, 0.3), 2.6),  # 9 window
            row(BRICKS, (0.42, 0.20, 0.14), (0.5, 0.47, 0.42), 9.0),  # 10 bricks
            row(STRIPES, wall, wall * 0.62, 4.5),  # 11 wallpaper
            row(GRAIN, wood * 1.5, wood * 0.9, 2.0, 0.2, 25),  # 12 light wood
        ]
    )


def _table(rng, x, z, yaw):
    rows = [box(12, (x, 0.74, z), (1.3, 0.06, 0.7), yaw)]
    c, s = np.cos(yaw), np.sin(yaw)
    for u, w in ((-0.58, -0.28), (0.58, -0.28), (-0.58, 0.28), (0.58, 0.28)):
        rows.append(cylinder(12, (x + c * u + s * w, 0, z - s * u + c * w), 0.035, 0.72))
    for u, r, h in ((-0.40, 0.045, 0.26), (-0.22, 0.04, 0.20), (0.05, 0.05, 0.30)):
        rows.append(cylinder(6, (x + c * u, 0.77, z - s * u + rng.uniform(-0.12, 0.12)), r, h))
    rows.append(sphere(6, (x + c * 0.42, 0.89, z - s * 0.42), 0.12))
    return rows


def _bookcase(x, z, width, height):
    rows = [box(3, (x, height / 2, z), (width, height, 0.28))]
    for y in (0.03, height - 0.02):
        rows.append(box(4, (x, y, z - 0.03), (width + 0.08, 0.06, 0.34)))
    return rows


def make_furniture(rng, room, *, mirror, unreached):
    """Boxes, balls and cylinders along the walls, the middle left free to walk."""
    x0, _, _, x1, y1, z1 = room
    rows = _bookcase(rng.uniform(-0.9, -0.3), z1 - 0.16, rng.uniform(1.1, 1.6), rng.uniform(1.8, 2.2))
    rows += _table(rng, x1 - 0.95, rng.uniform(3.0, 3.6), rng.uniform(-0.25, 0.25))
    cupboard = (x0 + 0.3, 0.9, rng.uniform(3.3, 4.0))
    rows.append(box(4, cupboard, (0.55, 1.8, 1.0), rng.uniform(-0.08, 0.08)))
    rows.append(sphere(6, (cupboard[0], 1.95, cupboard[2] - 0.2), 0.15))
    rows.append(box(7, (cupboard[0] + 0.02, 1.9, cupboard[2] + 0.22), (0.3, 0.2, 0.3), 0.4))
    seat = (x0 + 1.0, z1 - 0.75)
    rows.append(box(5, (seat[0], 0.22, seat[1]), (0.75, 0.44, 0.7), 0.3))
    rows.append(box(5, (seat[0] - 0.08, 0.65, seat[1] + 0.3), (0.75, 0.8, 0.16), 0.3))
    rows.append(cylinder(7, (x1 - 0.5, 0, z1 - 0.5), 0.2, 0.4))
    rows.append(sphere(7, (x1 - 0.5, 0.85, z1 - 0.5), 0.38))
    rows.append(cylinder(6, (x0 + 0.35, 0, 2.2), 0.16, 0.55))
    rows.append(box(5, (0.1, 0.01, 3.0), (1.7, 0.02, 1.3), 0.15))
    rows.append(box(10, (x1 - 0.1, y1 / 2, 2.1), (0.2, y1, 0.5)))
    rows += [box(12, (0, y1 - 0.08, z), (x1 - x0, 0.16, 0.14)) for z in (1.4, 2.9, 4.4)]
    rows.append(box(4, (x0 + 0.02, 1.75, 2.45), (0.04, 0.5, 0.65)))
    rows.append(box(7, (x0 + 0.045, 1.75, 2.45), (0.01, 0.42, 0.57)))
    if mirror:
        rows.append(box(4, (0.95, 1.45, z1 - 0.02), (0.86, 1.16, 0.04)))
        rows.append(box(8, (0.95, 1.45, z1 - 0.045), (0.76, 1.06, 0.02)))
        rows.append(box(8, (x1 - 0.02, 1.5, 4.4), (0.03, 0.8, 0.6)))
    if unreached:
        rows.append(box(11, (0.95, y1 / 2, 3.95), (0.12, y1, 2.1)))
        rows.append(box(11, (1.0, y1 / 2, 2.85), (0.1, y1, 0.1)))
    return np.array(rows, np.float64)


def make_scene(rng, *, gel, mirror, unreached, dim_corner):
    """Furnish one room. ``gel``: a name in GELS or linear RGB."""
    x0, x1 = -rng.uniform(2.1, 2.5), rng.uniform(2.1, 2.5)
    room = np.array([x0, 0.0, -2.2, x1, rng.uniform(2.5, 2.8), rng.uniform(5.0, 5.6)])
    materials = make_materials(rng)
    walls = np.array([1, 1, 0, 2, 1, rng.choice([10, 11, 1])])
    window = [1.0, 2.0, 3.4 - 0.9, 3.4 + 0.3]  # y and z on the x- wall, for the moon's beam only
    moon = np.array([-0.75, 0.62, -0.22])
    moon /= np.linalg.norm(moon)
    shade = [0.0] * 6
    if unreached:
        shade = [0.98, 0.0, 2.9, room[3], room[4], room[5]]
    elif dim_corner:
        shade = [0.9, -0.1, 3.6, room[3], 1.6, room[5] + 0.1]
    eye = np.array([rng.uniform(-0.3, 0.3), rng.uniform(1.40, 1.55), 0.0])
    bulb = [rng.uniform(0.3, 1.0), room[4] - 0.5, rng.uniform(2.2, 3.2)]
    lights = np.array([*bulb, *moon, *window, *shade, *eye])
    prims = make_furniture(rng, room, mirror=mirror, unreached=unreached)
    rgb = np.array(GELS[gel] if isinstance(gel, str) else gel, np.float64)
    level = rng.uniform(0.7, 1.3)
    colours = np.array(
        [rgb, np.array([0.40, 0.25, 0.11]) * level, np.array([0.10, 0.15, 0.25]) * level,
         np.array([0.009, 0.010, 0.012]) * level]
    )  # fmt: skip
    yaw, pitch = rng.uniform(-0.08, 0.08), rng.uniform(-0.14, -0.06)
    ahead = np.array([np.sin(yaw) * np.cos(pitch), np.sin(pitch), np.cos(yaw) * np.cos(pitch)])
    right = np.cross([0.0, 1.0, 0.0], ahead)
    right /= np.linalg.norm(right)
    basis = np.array([right, np.cross(right, ahead), ahead])  # image y runs down: third row product
    tangent = np.tan(np.radians(rng.uniform(31, 35)))
    return Scene(room, prims, materials, walls, lights, colours, eye, basis, tangent)


def bound_prims(prims):
    """A ball (centre, radius) round each primitive."""
    balls = np.zeros((len(prims), 4))
    for i, p in enumerate(prims):
        if p[0] == BOX:
            balls[i] = *p[2:5], np.linalg.norm(p[5:8])
        elif p[0] == SPHERE:
            balls[i] = p[2:6]
        elif p[0] == CYLINDER:
            balls[i] = p[2], p[3] + p[6] / 2, p[4], np.hypot(p[5], p[6] / 2)
        else:
            balls[i] = *(0.5 * (p[2:5] + p[5:8])), 0.5 * np.linalg.norm(p[2:5] - p[5:8]) + p[8]
    return balls


def wall_patches(room, lamp, strength):
    """The room's faces in eight pieces each, glowing with the lamp's light: position, normal, area, radiosity."""
    rows = []
    low, high = room[:3], room[3:]
    for face in range(6):
        axis, side = face // 2, face % 2
        u, v = [a for a in range(3) if a != axis]
        normal = np.zeros(3)
        normal[axis] = -1.0 if side else 1.0
        for i in range(2):
            for j in range(2):
                p = np.zeros(3)
                p[axis] = high[axis] if side else low[axis]
                p[u] = low[u] + (high[u] - low[u]) * (i + 0.5) / 2
                p[v] = low[v] + (high[v] - low[v]) * (j + 0.5) / 2
                area = (high[u] - low[u]) * (high[v] - low[v]) / 4
                d = lamp - p
                d2 = float(d @ d)
                power = strength * max(0.0, float(normal @ d)) / np.sqrt(d2) / (d2 + 0.3 * area)
                rows.append([*p, *normal, area, 0.35 * power])
    return np.array(rows)
