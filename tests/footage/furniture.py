"""The workshop's furniture and small things as meshes by material. Metres, y up."""

from __future__ import annotations

import numpy as np

from footage.shapes import Mesh, make_box, make_polygon, make_quad, make_tube, make_turned, shift, turn

CHEST = shift(0.5, 0, 2.75) @ turn("y", -16)


def make_bench() -> dict[str, list[Mesh]]:
    top = make_box((-2.72, 0.8, 0.06), (-0.78, 0.87, 0.74), along="x")
    legs = [make_box((x, 0, z), (x + 0.09, 0.8, z + 0.09)) for x in (-2.65, -0.92) for z in (0.1, 0.6)]
    drawers = [make_box((x, 0.6, 0.6), (x + 0.42, 0.79, 0.72), along="x") for x in (-2.5, -2.03, -1.56)]
    knobs = [
        make_turned([(0.0, 0), (0.02, 0.005), (0.012, 0.03), (0, 0.03)]).moved(
            shift(x + 0.21, 0.69, 0.72) @ turn("x", 90)
        )
        for x in (-2.5, -2.03, -1.56)
    ]
    lower = make_box((-2.65, 0.22, 0.12), (-0.85, 0.26, 0.66), along="x")
    vise = [
        make_box((-1.12, 0.66, 0.74), (-0.94, 0.86, 0.79)),
        make_box((-1.12, 0.66, 0.85), (-0.94, 0.86, 0.9)),
        make_tube([(-1.03, 0.75, 0.7), (-1.03, 0.75, 1.0)], (0.017, 0.017), steps=3, sides=10),
        make_tube([(-1.15, 0.75, 0.99), (-0.91, 0.75, 0.99)], (0.009, 0.009), side=(0, 1, 0), steps=3, sides=8),
    ]
    plane = [
        make_box((-1.62, 0.87, 0.42), (-1.32, 0.95, 0.5), along="x"),
        make_box((-1.5, 0.95, 0.44), (-1.46, 1.03, 0.48)),
    ]
    stock = [
        make_box(
            (-2.6, 0.87 + 0.03 * i, 0.2 + 0.04 * i),
            (-1.85 - 0.06 * i, 0.9 + 0.03 * i, 0.4 + 0.03 * i),
            along="x",
        )
        for i in range(3)
    ]
    jar = make_turned([(0, 0), (0.055, 0), (0.06, 0.03), (0.052, 0.13), (0.056, 0.14), (0.05, 0.14), (0.046, 0.05)])
    brushes = [
        make_tube(
            [(-1.02 + 0.02 * i, 0.9, 0.3), (-1.07 + 0.05 * i, 1.14 + 0.02 * i, 0.27)],
            (0.008, 0.011),
            steps=3,
            sides=8,
        )
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


def make_tools() -> dict[str, list[Mesh]]:
    board = make_box((-2.1, 1.05, 0.0), (-0.95, 1.72, 0.03), along="x")
    blade = make_polygon([(-2.02, 1.32), (-1.5, 1.25), (-1.5, 1.4), (-2.02, 1.36)], at=0.05)
    handle = make_tube([(-1.5, 1.25, 0.05), (-1.42, 1.3, 0.05), (-1.43, 1.4, 0.05), (-1.5, 1.4, 0.05)], [0.018] * 4)
    irons, handles = [blade], [handle]
    for i, (length, width) in enumerate(((0.16, 0.024), (0.14, 0.018), (0.15, 0.03), (0.12, 0.012), (0.17, 0.02))):
        x = -1.3 + 0.07 * i
        irons.append(make_box((x - width / 2, 1.42 - length, 0.04), (x + width / 2, 1.42, 0.05)))
        handles.append(
            make_tube(
                [(x, 1.41, 0.045), (x, 1.47, 0.045), (x, 1.53, 0.045)],
                (0.011, 0.016, 0.013),
                steps=6,
                sides=10,
            )
        )
    irons.append(make_box((-1.96, 1.56, 0.03), (-1.82, 1.62, 0.08)))
    handles.append(make_tube([(-1.89, 1.62, 0.055), (-1.89, 1.45, 0.055)], (0.014, 0.016), steps=4, sides=10))
    irons.append(make_box((-1.72, 1.46, 0.035), (-1.68, 1.66, 0.045)))
    irons.append(make_box((-1.72, 1.46, 0.035), (-1.56, 1.5, 0.045)))
    ring = np.linspace(0, 2 * np.pi, 25)
    coil = [
        make_tube(
            np.stack([2.93 + 0 * ring, 1.02 + r * np.sin(ring), 2.7 + r * np.cos(ring)], 1),
            [0.016] * 25,
            side=(1, 0, 0),
            steps=48,
            sides=8,
        )
        for r in (0.15, 0.18, 0.165, 0.2)
    ]
    broom = make_tube([(2.1, 0.12, 0.72), (2.32, 1.5, 0.3)], (0.013, 0.013), steps=3, sides=10)
    bristles = make_tube([(2.07, 0.01, 0.78), (2.1, 0.24, 0.72)], [(0.15, 0.05), (0.05, 0.03)], steps=4)
    return {"oak": [*handles, broom], "wallboards": [board], "iron": irons, "straw": [*coil, bristles]}


def make_shelf() -> dict[str, list[Mesh]]:
    board = make_box((-1.75, 1.9, 0.0), (-0.72, 1.93, 0.22), along="x")
    brackets = [make_box((x, 1.76, 0.0), (x + 0.03, 1.9, 0.16)) for x in (-1.6, -0.9)]
    profiles = {
        "green_glass": [
            (0, 0),
            (0.045, 0),
            (0.05, 0.02),
            (0.05, 0.15),
            (0.016, 0.2),
            (0.016, 0.25),
            (0.02, 0.255),
            (0, 0.255),
        ],
        "brown_glass": [
            (0, 0),
            (0.036, 0),
            (0.04, 0.015),
            (0.04, 0.11),
            (0.014, 0.14),
            (0.014, 0.18),
            (0, 0.18),
        ],
        "blue_glass": [
            (0, 0),
            (0.055, 0),
            (0.06, 0.03),
            (0.045, 0.09),
            (0.015, 0.13),
            (0.018, 0.17),
            (0, 0.17),
        ],
        "glaze": [(0, 0), (0.05, 0), (0.062, 0.05), (0.05, 0.12), (0.03, 0.15), (0.034, 0.17), (0, 0.17)],
    }
    order = ("green_glass", "brown_glass", "glaze", "blue_glass", "brown_glass", "green_glass", "blue_glass")
    things: dict[str, list[Mesh]] = {"oak": [board, *brackets]}
    for i, name in enumerate(order):
        scale = np.diag([1, 1 + 0.08 * (i % 3), 1, 1])
        place = shift(-1.5 + 0.118 * i, 1.93, 0.1 + 0.025 * (i % 2))
        things.setdefault(name, []).append(make_turned(profiles[name]).moved(place @ scale))
    return things


def make_chest() -> dict[str, list[Mesh]]:
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
            make_quad((at - 0.025, y0 + 0.006, z0), (0.05, 0, 0), (0, y1 - y0, z1 - z0)).moved(hinge)
            for at in (-0.3, 0.3)
        ]
    ends = [make_polygon(np.stack([curve[:, 1], curve[:, 0]], 1), plane="zy", at=at).moved(hinge) for at in (-x, x)]
    cloth = make_box((-x + 0.04, 0.05, -z + 0.04), (x - 0.04, 0.2, z - 0.04))
    return {
        "chest": [part.moved(CHEST) for part in (*sides, *lid, *ends)],
        "iron": [part.moved(CHEST) for part in (*bands, *straps)],
        "linen": [cloth.moved(CHEST)],
    }


def make_cupboard() -> dict[str, list[Mesh]]:
    body = [
        make_box((1.5, 0.06, 0.03), (2.62, 1.5, 0.52)),
        make_box((1.46, 1.5, 0.02), (2.66, 1.55, 0.57), along="x"),
    ]
    doors = []
    for left in (1.54, 2.08):
        doors += [
            make_box((left, 0.12, 0.52), (left + 0.08, 1.46, 0.545)),
            make_box((left + 0.42, 0.12, 0.52), (left + 0.5, 1.46, 0.545)),
            make_box((left, 1.34, 0.52), (left + 0.5, 1.46, 0.545), along="x"),
            make_box((left, 0.12, 0.52), (left + 0.5, 0.26, 0.545), along="x"),
            make_box((left, 0.74, 0.52), (left + 0.5, 0.84, 0.545), along="x"),
        ]
    knobs = [
        make_turned([(0, 0), (0.012, 0.0), (0.02, 0.02), (0.012, 0.035), (0, 0.036)]).moved(
            shift(x, 0.79, 0.545) @ turn("x", 90)
        )
        for x in (2.0, 2.12)
    ]
    books = make_box((1.58, 1.55, 0.12), (2.02, 1.8, 0.34))
    books = Mesh(books.vertices, books.faces, (books.vertices[:, :2] - (1.58, 1.55)) / (0.44, 0.25))
    pile = [make_box((2.08, 1.55, 0.14), (2.34, 1.61, 0.36), along="x")]
    urn = make_turned(
        [
            (0, 0),
            (0.05, 0),
            (0.04, 0.02),
            (0.08, 0.09),
            (0.075, 0.14),
            (0.045, 0.17),
            (0.055, 0.185),
            (0, 0.185),
        ]
    )
    return {
        "varnish": [*body, *doors],
        "brass": knobs,
        "spines": [books],
        "red_paint": pile,
        "glaze": [urn.moved(shift(2.2, 1.61, 0.25))],
    }


def make_floor_things() -> dict[str, list[Mesh]]:
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
        make_turned([(0, 0), (0.085, 0), (0.085, 0.17), (0.09, 0.175), (0.09, 0.185), (0, 0.185)]).moved(
            shift(x, 0.26, z)
        )
        for x, z in ((-1.75, 0.4), (-1.5, 0.5), (-1.22, 0.38))
    ]
    seat = make_turned([(0, 0.46), (0.17, 0.46), (0.18, 0.475), (0.17, 0.495), (0, 0.495)])
    legs = [
        make_tube(
            [(0.15 * np.cos(a), 0, 0.15 * np.sin(a)), (0.09 * np.cos(a), 0.46, 0.09 * np.sin(a))],
            (0.018, 0.018),
            steps=3,
        )
        for a in np.radians((30, 150, 270))
    ]
    stool = [part.moved(shift(1.35, 0, 3.05)) for part in (seat, *legs)]
    book = make_box((1.24, 0.497, 2.98), (1.44, 0.54, 3.12)).moved(np.eye(4))
    barrel = make_turned(
        [
            (0, 0),
            (0.2, 0),
            (0.245, 0.2),
            (0.255, 0.32),
            (0.245, 0.46),
            (0.2, 0.66),
            (0.18, 0.66),
            (0.18, 0.63),
            (0, 0.63),
        ]
    )
    hoops = [
        make_turned([(r, h), (r + 0.004, h), (r + 0.004, h + 0.04), (r, h + 0.04)])
        for r, h in ((0.222, 0.09), (0.222, 0.53))
    ]
    lamp = make_turned(
        [
            (0, 0),
            (0.07, 0),
            (0.07, 0.02),
            (0.05, 0.03),
            (0.05, 0.04),
            (0.02, 0.05),
            (0.02, 0.2),
            (0.06, 0.24),
            (0, 0.27),
        ]
    )
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
