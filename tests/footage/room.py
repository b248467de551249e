"""The attic workshop as meshes by material: everything that does not move. Metres, y up.

The gable wall stands at z = 0, the camera looks at it from z = 6.4; x runs to the right.
"""

from __future__ import annotations

import numpy as np

from footage.shapes import Mesh, join, make_box, make_polygon, make_quad, make_tube, make_turned, shift, turn

HALF_WIDTH, KNEE, RIDGE, DEPTH = 3.0, 1.35, 3.5, 7.6
WINDOW = (0.45, 1.25, 1.25, 2.25)  # left, right, sill, head
CHEST = shift(0.5, 0, 2.75) @ turn("y", -16)
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
    for build in (_shell, _timber, _window, _bench, _tools, _shelf, _chest, _cupboard, _mirror, _floor_things, _bulb):
        for material, meshes in build().items():
            parts.setdefault(material, []).extend(meshes)
    return {material: join(*meshes) for material, meshes in parts.items()}


def _shell() -> dict[str, list[Mesh]]:
    left, right, sill, head = WINDOW
    gable = [
        make_polygon([(-3, 0), (left, 0), (left, roof_height(left)), (0, RIDGE), (-3, KNEE)], uv_per_metre=0.4),
        make_polygon([(left, 0), (right, 0), (right, sill), (left, sill)], uv_per_metre=0.4),
        make_polygon(
            [(left, head), (right, head), (right, roof_height(right)), (left, roof_height(left))], uv_per_metre=0.4
        ),
        make_polygon([(right, 0), (3, 0), (3, KNEE), (right, roof_height(right))], uv_per_metre=0.4),
    ]
    back = make_polygon([(-3, 0), (3, 0), (3, KNEE), (0, RIDGE), (-3, KNEE)], at=DEPTH, uv_per_metre=0.4)
    floor = make_quad((-3, 0, 0), (6, 0, 0), (0, 0, DEPTH), uv_per_metre=0.5)
    knees = [make_quad((x, 0, 0), (0, KNEE, 0), (0, 0, DEPTH), uv_per_metre=0.6) for x in (-3, 3)]
    roof = [
        make_quad((x, KNEE, 0), (-x, RIDGE - KNEE, 0), (0, 0, DEPTH), uv_per_metre=0.55) for x in (-3.0, 3.0)
    ]
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


def _bench() -> dict[str, list[Mesh]]:
    top = make_box((-2.72, 0.8, 0.06), (-0.78, 0.87, 0.74), along="x")
    legs = [
        make_box((x, 0, z), (x + 0.09, 0.8, z + 0.09)) for x in (-2.65, -0.92) for z in (0.1, 0.6)
    ]
    drawers = [make_box((x, 0.6, 0.6), (x + 0.42, 0.79, 0.72), along="x") for x in (-2.5, -2.03, -1.56)]
    knobs = [make_turned([(0.0, 0), (0.02, 0.005), (0.012, 0.03), (0, 0.03)]).moved(
        shift(x + 0.21, 0.69, 0.72) @ turn("x", 90)) for x in (-2.5, -2.03, -1.56)]
    lower = make_box((-2.65, 0.22, 0.12), (-0.85, 0.26, 0.66), along="x")
    vise = [
        make_box((-1.12, 0.66, 0.74), (-0.94, 0.86, 0.79)),
        make_box((-1.12, 0.66, 0.85), (-0.94, 0.86, 0.9)),
        make_tube([(-1.03, 0.75, 0.7), (-1.03, 0.75, 1.0)], (0.017, 0.017), steps=3, sides=10),
        make_tube([(-1.15, 0.75, 0.99), (-0.91, 0.75, 0.99)], (0.009, 0.009), side=(0, 1, 0), steps=3, sides=8),
    ]
    plane = [make_box((-1.62, 0.87, 0.42), (-1.32, 0.95, 0.5), along="x"), make_box((-1.5, 0.95, 0.44), (-1.46, 1.03, 0.48))]
    stock = [
        make_box((-2.6, 0.87 + 0.03 * i, 0.2 + 0.04 * i), (-1.85 - 0.06 * i, 0.9 + 0.03 * i, 0.4 + 0.03 * i), along="x")
        for i in range(3)
    ]
    jar = make_turned([(0, 0), (0.055, 0), (0.06, 0.03), (0.052, 0.13), (0.056, 0.14), (0.05, 0.14), (0.046, 0.05)])
    brushes = [
        make_tube([(-1.02 + 0.02 * i, 0.9, 0.3), (-1.07 + 0.05 * i, 1.14 + 0.02 * i, 0.27)], (0.008, 0.011), steps=3, sides=8)
        for i in range(4)
    ]
    can = make_turned([(0, 0), (0.07, 0), (0.07, 0.11), (0.018, 0.15), (0.012, 0.25), (0, 0.25)])
    box = make_box((-2.45, 0.87, 0.44), (-2.2, 1.02, 0.62), along="x")
    return {
        "oak": [top, *legs, *drawers, lower, *stock, *brushes],
        "iron": [*vise, *knobs],
        "red_paint": [box],
        "walnut": plane,
        "glaze": [jar.moved(shift(-0.99, 0.87, 0.3))],
        "brass": [can.moved(shift(-1.78, 0.87, 0.52))],
    }


def _tools() -> dict[str, list[Mesh]]:
    board = make_box((-2.1, 1.05, 0.0), (-0.95, 1.72, 0.03), along="x")
    blade = make_polygon([(-2.02, 1.32), (-1.5, 1.25), (-1.5, 1.4), (-2.02, 1.36)], at=0.05)
    handle = make_tube([(-1.5, 1.25, 0.05), (-1.42, 1.3, 0.05), (-1.43, 1.4, 0.05), (-1.5, 1.4, 0.05)], [0.018] * 4)
    irons, handles = [blade], [handle]
    for i, (length, width) in enumerate(((0.16, 0.024), (0.14, 0.018), (0.15, 0.03), (0.12, 0.012), (0.17, 0.02))):
        x = -1.3 + 0.07 * i
        irons.append(make_box((x - width / 2, 1.42 - length, 0.04), (x + width / 2, 1.42, 0.05)))
        handles.append(make_tube([(x, 1.41, 0.045), (x, 1.47, 0.045), (x, 1.53, 0.045)], (0.011, 0.016, 0.013), steps=6, sides=10))
    irons.append(make_box((-1.96, 1.56, 0.03), (-1.82, 1.62, 0.08)))
    handles.append(make_tube([(-1.89, 1.62, 0.055), (-1.89, 1.45, 0.055)], (0.014, 0.016), steps=4, sides=10))
    irons.append(make_box((-1.72, 1.46, 0.035), (-1.68, 1.66, 0.045)))
    irons.append(make_box((-1.72, 1.46, 0.035), (-1.56, 1.5, 0.045)))
    ring = np.linspace(0, 2 * np.pi, 25)
    coil = [
        make_tube(np.stack([2.93 + 0 * ring, 1.02 + r * np.sin(ring), 2.7 + r * np.cos(ring)], 1), [0.016] * 25,
                  side=(1, 0, 0), steps=48, sides=8) for r in (0.15, 0.18, 0.165, 0.2)
    ]
    broom = make_tube([(2.1, 0.12, 0.72), (2.32, 1.5, 0.3)], (0.013, 0.013), steps=3, sides=10)
    bristles = make_tube([(2.07, 0.01, 0.78), (2.1, 0.24, 0.72)], [(0.15, 0.05), (0.05, 0.03)], steps=4)
    return {"oak": [*handles, broom], "wallboards": [board], "iron": irons, "straw": [*coil, bristles]}


def _shelf() -> dict[str, list[Mesh]]:
    board = make_box((-1.75, 1.9, 0.0), (-0.72, 1.93, 0.22), along="x")
    brackets = [make_box((x, 1.76, 0.0), (x + 0.03, 1.9, 0.16)) for x in (-1.6, -0.9)]
    profiles = {
        "green_glass": [(0, 0), (0.045, 0), (0.05, 0.02), (0.05, 0.15), (0.016, 0.2), (0.016, 0.25), (0.02, 0.255), (0, 0.255)],
        "brown_glass": [(0, 0), (0.036, 0), (0.04, 0.015), (0.04, 0.11), (0.014, 0.14), (0.014, 0.18), (0, 0.18)],
        "blue_glass": [(0, 0), (0.055, 0), (0.06, 0.03), (0.045, 0.09), (0.015, 0.13), (0.018, 0.17), (0, 0.17)],
        "glaze": [(0, 0), (0.05, 0), (0.062, 0.05), (0.05, 0.12), (0.03, 0.15), (0.034, 0.17), (0, 0.17)],
    }
    order = ("green_glass", "brown_glass", "glaze", "blue_glass", "brown_glass", "green_glass", "blue_glass")
    things: dict[str, list[Mesh]] = {"oak": [board, *brackets]}
    for i, name in enumerate(order):
        scale = np.diag([1, 1 + 0.08 * (i % 3), 1, 1])
        place = shift(-1.5 + 0.118 * i, 1.93, 0.1 + 0.025 * (i % 2))
        things.setdefault(name, []).append(make_turned(profiles[name]).moved(place @ scale))
    return things


def _chest() -> dict[str, list[Mesh]]:
    wide, deep, high, thick = 0.86, 0.5, 0.42, 0.03
    x, z = wide / 2, deep / 2
    sides = [
        make_box((-x, 0, z - thick), (x, high, z), along="x"),
        make_box((-x, 0, -z), (x, high, -z + thick), along="x"),
        make_box((-x, 0, -z), (-x + thick, high, z), along="z"),
        make_box((x - thick, 0, -z), (x, high, z), along="z"),
        make_box((-x, 0.02, -z), (x, 0.05, z), along="x"),
    ]
    bands = [make_box((at - 0.025, 0, z), (at + 0.025, high, z + 0.008)) for at in (-0.3, 0.3)]
    bands += [make_box((-0.06, high - 0.13, z), (0.06, high - 0.01, z + 0.014))]
    hinge = shift(0, high, -z) @ turn("x", -112)
    arc = np.radians(np.linspace(0, 180, 13))
    curve = np.stack([0.14 * np.sin(arc), z - z * np.cos(arc)], 1)
    lid, straps = [], []
    for (y0, z0), (y1, z1) in zip(curve[:-1], curve[1:], strict=True):
        lid.append(make_quad((-x, y0, z0), (wide, 0, 0), (0, y1 - y0, z1 - z0), uv_per_metre=1.0).moved(hinge))
        straps += [
            make_quad((at - 0.025, y0 + 0.006, z0), (0.05, 0, 0), (0, y1 - y0, z1 - z0)).moved(hinge) for at in (-0.3, 0.3)
        ]
    ends = [
        make_polygon(np.stack([curve[:, 1], curve[:, 0]], 1), plane="zy", at=at).moved(hinge) for at in (-x, x)
    ]
    cloth = make_box((-x + 0.04, 0.05, -z + 0.04), (x - 0.04, 0.2, z - 0.04))
    return {
        "chest": [part.moved(CHEST) for part in (*sides, *lid, *ends)],
        "iron": [part.moved(CHEST) for part in (*bands, *straps)],
        "linen": [cloth.moved(CHEST)],
    }


def _cupboard() -> dict[str, list[Mesh]]:
    body = [make_box((1.5, 0.06, 0.03), (2.62, 1.5, 0.52)), make_box((1.46, 1.5, 0.02), (2.66, 1.55, 0.57), along="x")]
    doors = []
    for left in (1.54, 2.08):
        doors += [
            make_box((left, 0.12, 0.52), (left + 0.08, 1.46, 0.545)),
            make_box((left + 0.42, 0.12, 0.52), (left + 0.5, 1.46, 0.545)),
            make_box((left, 1.34, 0.52), (left + 0.5, 1.46, 0.545), along="x"),
            make_box((left, 0.12, 0.52), (left + 0.5, 0.26, 0.545), along="x"),
            make_box((left, 0.74, 0.52), (left + 0.5, 0.84, 0.545), along="x"),
        ]
    knobs = [make_turned([(0, 0), (0.012, 0.0), (0.02, 0.02), (0.012, 0.035), (0, 0.036)]).moved(
        shift(x, 0.79, 0.545) @ turn("x", 90)) for x in (2.0, 2.12)]
    books = make_box((1.58, 1.55, 0.12), (2.02, 1.8, 0.34))
    books = Mesh(books.vertices, books.faces, (books.vertices[:, :2] - (1.58, 1.55)) / (0.44, 0.25))
    pile = [make_box((2.08, 1.55, 0.14), (2.34, 1.61, 0.36), along="x")]
    urn = make_turned([(0, 0), (0.05, 0), (0.04, 0.02), (0.08, 0.09), (0.075, 0.14), (0.045, 0.17), (0.055, 0.185), (0, 0.185)])
    return {"varnish": [*body, *doors], "brass": knobs, "spines": [books], "red_paint": pile,
            "glaze": [urn.moved(shift(2.2, 1.61, 0.25))]}


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


def _floor_things() -> dict[str, list[Mesh]]:
    rug = make_quad((-0.75, 0.006, 3.75), (2.3, 0, 0.25), (0.2, 0, -1.75))
    rug = Mesh(rug.vertices, rug.faces, np.array([[0, 0], [1, 0], [1, 1], [0, 1]], float))
    crate = []
    for low in ((-2.5, 0.26, 0.2), (2.15, 0.0, 1.55), (2.2, 0.42, 1.6)):
        low = np.array(low)
        size = np.array([0.5, 0.3, 0.38]) if low[0] < 0 else np.array([0.6, 0.42, 0.5])
        for i in range(3):
            step = size[1] / 3
            crate.append(make_box(low + (0, i * step, 0), low + (size[0], i * step + 0.85 * step, size[2]), along="x"))
    tins = [
        make_turned([(0, 0), (0.085, 0), (0.085, 0.17), (0.09, 0.175), (0.09, 0.185), (0, 0.185)]).moved(shift(x, 0.26, z))
        for x, z in ((-1.75, 0.4), (-1.5, 0.5), (-1.22, 0.38))
    ]
    seat = make_turned([(0, 0.46), (0.17, 0.46), (0.18, 0.475), (0.17, 0.495), (0, 0.495)])
    legs = [
        make_tube([(0.15 * np.cos(a), 0, 0.15 * np.sin(a)), (0.09 * np.cos(a), 0.46, 0.09 * np.sin(a))], (0.018, 0.018), steps=3)
        for a in np.radians((30, 150, 270))
    ]
    stool = [part.moved(shift(1.35, 0, 3.05)) for part in (seat, *legs)]
    book = make_box((1.24, 0.497, 2.98), (1.44, 0.54, 3.12)).moved(np.eye(4))
    barrel = make_turned([(0, 0), (0.2, 0), (0.245, 0.2), (0.255, 0.32), (0.245, 0.46), (0.2, 0.66), (0.18, 0.66), (0.18, 0.63), (0, 0.63)])
    hoops = [make_turned([(r, h), (r + 0.004, h), (r + 0.004, h + 0.04), (r, h + 0.04)]) for r, h in ((0.222, 0.09), (0.222, 0.53))]
    lamp = make_turned([(0, 0), (0.07, 0), (0.07, 0.02), (0.05, 0.03), (0.05, 0.04), (0.02, 0.05), (0.02, 0.2), (0.06, 0.24), (0, 0.27)])
    place = shift(-2.45, 0, 1.55)
    return {
        "rug": [rug],
        "wallboards": crate,
        "iron": [*(hoop.moved(place) for hoop in hoops), lamp.moved(place @ shift(0, 0.63, 0))],
        "tin": tins,
        "walnut": stool,
        "green_cloth": [book],
        "oak": [barrel.moved(place)],
    }


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
        make_tube([(x + 0.34 * np.cos(a), 0.01, z + 0.34 * np.sin(a)), (x, 0.62, z)], (0.011, 0.011), steps=3, sides=8)
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
    yaw, pitch = np.degrees(np.arctan2(aim[0], aim[2])), np.degrees(np.arctan2(aim[1], np.hypot(aim[0], aim[2])))
    return shift(*EDGE_LAMP) @ turn("y", yaw) @ turn("x", -pitch)


def make_hat() -> Mesh:
    """A soft felt hat, crown up, the brim's middle at the origin."""
    hat = make_turned(
        [(0.0, 0.11), (0.05, 0.125), (0.085, 0.115), (0.1, 0.07), (0.108, 0.0), (0.15, -0.012), (0.19, 0.004), (0.192, 0.01),
         (0.15, -0.004), (0.112, 0.008)], sides=40)
    sag = 0.02 * np.cos(2 * np.arctan2(hat.vertices[:, 2], hat.vertices[:, 0])) * (np.hypot(*hat.vertices[:, ::2].T) > 0.12)
    dent = -0.03 * np.exp(-((hat.vertices[:, 0] / 0.03) ** 2)) * (hat.vertices[:, 1] > 0.09)
    vertices = hat.vertices + np.stack([0 * sag, sag + dent, 0 * sag], axis=1)
    return Mesh(vertices, hat.faces, hat.uv * 4)
