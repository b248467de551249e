"""The attic workshop as meshes by material: everything that does not move. Metres, y up.

The gable wall stands at z = 0, the camera looks at it from z = 6.4; x runs to the right.
"""

from __future__ import annotations

import numpy as np

from footage import furniture
from footage.shapes import Mesh, join, make_box, make_polygon, make_quad, make_tube, make_turned, shift, turn

HALF_WIDTH, KNEE, RIDGE, DEPTH = 3.0, 1.35, 3.5, 7.6
WINDOW = (0.45, 1.25, 1.25, 2.25)  # left, right, sill, head
MIRROR = shift(-1.78, 0.02, 2.05) @ turn("y", 62) @ turn("x", -6)
BULB = np.array([-0.75, 2.12, 2.35])
EDGE_LAMP = np.array([1.72, 1.86, 2.1])
PEG = np.array([-0.42, 1.98, 0.0])


def roof_height(x: float) -> float:
    """Height of the roof's underside over x."""
    return RIDGE - abs(x) * (RIDGE - KNEE) / HALF_WIDTH


def make_room() -> dict[str, Mesh]:
    """Gather every fixed mesh under the name of its material."""
    parts: dict[str, list[Mesh]] = {}
    for build in (
        _shell,
        _timber,
        _window,
        furniture.make_bench,
        furniture.make_tools,
        furniture.make_shelf,
        furniture.make_chest,
        furniture.make_cupboard,
        _mirror,
        furniture.make_floor_things,
        _bulb,
    ):
        for material, meshes in build().items():
            parts.setdefault(material, []).extend(meshes)
    return {material: join(*meshes) for material, meshes in parts.items()}


def _shell() -> dict[str, list[Mesh]]:
    left, right, sill, head = WINDOW
    gable = [
        make_polygon([(-3, 0), (left, 0), (left, roof_height(left)), (0, RIDGE), (-3, KNEE)], uv_per_metre=0.4),
        make_polygon([(left, 0), (right, 0), (right, sill), (left, sill)], uv_per_metre=0.4),
        make_polygon(
            [(left, head), (right, head), (right, roof_height(right)), (left, roof_height(left))],
            uv_per_metre=0.4,
        ),
        make_polygon([(right, 0), (3, 0), (3, KNEE), (right, roof_height(right))], uv_per_metre=0.4),
    ]
    back = make_polygon([(-3, 0), (3, 0), (3, KNEE), (0, RIDGE), (-3, KNEE)], at=DEPTH, uv_per_metre=0.4)
    floor = make_quad((-3, 0, 0), (6, 0, 0), (0, 0, DEPTH), uv_per_metre=0.5)
    knees = [make_quad((x, 0, 0), (0, KNEE, 0), (0, 0, DEPTH), uv_per_metre=0.6) for x in (-3, 3)]
    roof = [make_quad((x, KNEE, 0), (-x, RIDGE - KNEE, 0), (0, 0, DEPTH), uv_per_metre=0.55) for x in (-3.0, 3.0)]
    return {"plaster": [*gable, back], "floor": [floor], "wallboards": knees, "roof": roof}


def _timber() -> dict[str, list[Mesh]]:
    beams = [make_box((-0.09, RIDGE - 0.22, 0), (0.09, RIDGE, DEPTH), along="z")]
    slope = np.degrees(np.arctan2(RIDGE - KNEE, HALF_WIDTH))
    length = np.hypot(RIDGE - KNEE, HALF_WIDTH)
    for z in (0.06, 1.25, 2.45, 3.65, 4.85, 6.05):
        rafter = make_box((0, -0.13, z - 0.05), (length, 0.0, z + 0.05), along="x")
        beams.append(rafter.moved(shift(-HALF_WIDTH, KNEE, 0) @ turn("z", slope)))
        beams.append(rafter.moved(shift(HALF_WIDTH, KNEE, 0) @ turn("y", 180) @ turn("z", slope) @ shift(0, 0, -2 * z)))
    for z in (1.25, 3.65):
        beams.append(make_box((-1.35, 2.5, z - 0.06), (1.35, 2.66, z + 0.06), along="x"))
    beams.append(make_box((-2.02, 0, 1.19), (-1.9, roof_height(1.95), 1.31)))
    beams.append(make_box((1.9, 0, 1.19), (2.02, roof_height(1.95), 1.31)))
    return {"beam": beams}


def _window() -> dict[str, list[Mesh]]:
    left, right, sill, head = WINDOW
    middle, cross = (left + right) / 2, sill + 0.6 * (head - sill)
    frame = [
        make_box((left - 0.07, sill - 0.09, -0.12), (right + 0.07, sill, 0.1), along="x"),
        make_box((left - 0.07, head, -0.12), (right + 0.07, head + 0.07, 0.03), along="x"),
        make_box((left - 0.07, sill, -0.12), (left, head, 0.03)),
        make_box((right, sill, -0.12), (right + 0.07, head, 0.03)),
        make_box((middle - 0.02, sill, -0.1), (middle + 0.02, head, -0.04)),
        make_box((left, cross - 0.018, -0.1), (right, cross + 0.018, -0.04), along="x"),
    ]
    pane = make_quad((left, sill, -0.08), (right - left, 0, 0), (0, head - sill, 0))
    return {"paintwork": frame, "pane": [pane]}


def _mirror() -> dict[str, list[Mesh]]:
    wide, high, rim = 0.56, 1.25, 0.06
    x = wide / 2
    frame = [
        make_box((-x - rim, 0, -0.04), (-x, high + 2 * rim, 0.02)),
        make_box((x, 0, -0.04), (x + rim, high + 2 * rim, 0.02)),
        make_box((-x, 0.0, -0.04), (x, rim, 0.02), along="x"),
        make_box((-x, high + rim, -0.04), (x, high + 2 * rim, 0.02), along="x"),
        make_box((-x, rim, -0.035), (x, high + rim, -0.025)),
    ]
    glass = make_quad((-x, rim, 0.0), (wide, 0, 0), (0, high, 0))
    return {"walnut": [part.moved(MIRROR) for part in frame], "mirror": [glass.moved(MIRROR)]}


def _bulb() -> dict[str, list[Mesh]]:
    x, y, z = BULB
    shade = make_turned([(0.2, 0.02), (0.12, 0.11), (0.035, 0.15), (0.03, 0.2), (0, 0.2)])
    cable = make_tube([(x, y + 0.19, z), (x + 0.01, 2.9, z)], (0.006, 0.006), steps=3, sides=6)
    peg = make_tube([PEG, PEG + (0, 0.03, 0.13)], (0.014, 0.012), side=(1, 0, 0), steps=3, sides=10)
    return {"enamel": [shade.moved(shift(x, y, z))], "iron": [cable], "oak": [peg]}


def make_stand() -> Mesh:
    """The edge lamp's stand and housing, without the glowing face."""
    x, y, z = EDGE_LAMP
    legs = [
        make_tube(
            [(x + 0.34 * np.cos(a), 0.01, z + 0.34 * np.sin(a)), (x, 0.62, z)],
            (0.011, 0.011),
            steps=3,
            sides=8,
        )
        for a in np.radians((20, 140, 260))
    ]
    pole = make_tube([(x, 0.35, z), (x, y - 0.08, z)], (0.014, 0.011), steps=3, sides=10)
    head = make_box((-0.11, -0.085, -0.07), (0.11, 0.085, -0.006))
    flaps = [
        make_box((-0.11, 0.085, -0.01), (0.11, 0.09, 0.09)),
        make_box((-0.11, -0.09, -0.01), (0.11, -0.085, 0.09)),
    ]
    return join(*legs, pole, *(part.moved(edge_lamp_pose()) for part in (head, *flaps)))


def edge_lamp_pose() -> np.ndarray:
    """4 x 4 pose of the edge lamp's head: it looks along its own +z at where the figure stands."""
    aim = np.array([-0.5, 1.2, 3.1]) - EDGE_LAMP
    yaw, pitch = (
        np.degrees(np.arctan2(aim[0], aim[2])),
        np.degrees(np.arctan2(aim[1], np.hypot(aim[0], aim[2]))),
    )
    return shift(*EDGE_LAMP) @ turn("y", yaw) @ turn("x", -pitch)


def make_hat() -> Mesh:
    """A soft felt hat, crown up, the brim's middle at the origin."""
    hat = make_turned(
        [
            (0.0, 0.11),
            (0.05, 0.125),
            (0.085, 0.115),
            (0.1, 0.07),
            (0.108, 0.0),
            (0.15, -0.012),
            (0.19, 0.004),
            (0.192, 0.01),
            (0.15, -0.004),
            (0.112, 0.008),
        ],
        sides=40,
    )
    sag = (
        0.02
        * np.cos(2 * np.arctan2(hat.vertices[:, 2], hat.vertices[:, 0]))
        * (np.hypot(*hat.vertices[:, ::2].T) > 0.12)
    )
    dent = -0.03 * np.exp(-((hat.vertices[:, 0] / 0.03) ** 2)) * (hat.vertices[:, 1] > 0.09)
    vertices = hat.vertices + np.stack([0 * sag, sag + dent, 0 * sag], axis=1)
    return Mesh(vertices, hat.faces, hat.uv * 4)
