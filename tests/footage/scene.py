"""The attic workshop as a path-tracing scene: materials, lights, and everything that moves.

Needs the ``footage`` extra (mitsuba). Light is linear, BT.709 primaries.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import mitsuba as mi
import numpy as np
from numpy.typing import NDArray

from footage import textures
from footage.people import Pose, make_body, make_handle
from footage.room import BULB, edge_lamp_pose, make_hat, make_room, make_stand
from footage.shapes import Mesh

CAMERA, TARGET, WIDE_DEGREES = (0.25, 1.55, 6.4), (-0.1, 1.2, 0.0), 57.0
VIOLET = np.array([0.46, 0.13, 1.0])  # the gel, linear; luminance 0.263
LAMP_RADIUS, LAMP_RADIANCE = 0.045, 1500.0
CARRIER = {
    "top": "black_cloth",
    "trousers": "black_cloth",
    "skin": "skin",
    "hair": "black_cloth",
    "shoes": "black_cloth",
}
HERO = {"top": "smock", "trousers": "brown_cloth", "skin": "skin", "hair": "hair", "shoes": "leather"}


def _plain(colour: tuple[float, float, float] | NDArray, *, depth: float = 0.15, seed: int = 1) -> dict[str, Any]:
    return _picture(textures.make_speckle(seed, tuple(colour), depth=depth))


def _picture(values: NDArray) -> dict[str, Any]:
    return {"type": "bitmap", "data": mi.TensorXf(np.ascontiguousarray(values)), "raw": True}


def _matt(reflectance: dict[str, Any]) -> dict[str, Any]:
    return {"type": "twosided", "bsdf": {"type": "diffuse", "reflectance": reflectance}}


def _glossy(reflectance: dict[str, Any], alpha: float) -> dict[str, Any]:
    inner = {
        "type": "roughplastic",
        "diffuse_reflectance": reflectance,
        "alpha": alpha,
        "distribution": "ggx",
    }
    return {"type": "twosided", "bsdf": inner}


def _metal(colour: tuple[float, float, float], alpha: float) -> dict[str, Any]:
    tint = {"type": "rgb", "value": list(colour)}
    return {
        "type": "twosided",
        "bsdf": {"type": "roughconductor", "alpha": alpha, "specular_reflectance": tint},
    }


def make_materials() -> dict[str, dict[str, Any]]:
    """Describe every surface by name."""
    pane = {"type": "conductor", "specular_reflectance": {"type": "rgb", "value": [1, 1, 1]}}
    return {
        "plaster": _matt(_picture(textures.make_plaster(11, (0.5, 0.44, 0.36)))),
        "floor": _glossy(_picture(textures.make_planks(12, (0.2, 0.125, 0.075), boards=10)), 0.28),
        "wallboards": _matt(_picture(textures.make_planks(13, (0.27, 0.19, 0.125), boards=6))),
        "roof": _matt(_picture(textures.make_planks(14, (0.2, 0.135, 0.09), boards=7, wear=0.18))),
        "beam": _matt(_picture(textures.make_planks(15, (0.135, 0.085, 0.055), boards=2, wear=0.2))),
        "oak": _matt(_picture(textures.make_planks(16, (0.33, 0.22, 0.125), boards=3))),
        "walnut": _glossy(_picture(textures.make_planks(17, (0.12, 0.065, 0.035), boards=3)), 0.2),
        "varnish": _glossy(_picture(textures.make_planks(18, (0.17, 0.07, 0.03), boards=2)), 0.07),
        "chest": _glossy(_picture(textures.make_planks(19, (0.22, 0.12, 0.055), boards=4)), 0.25),
        "paintwork": _glossy(_plain((0.42, 0.43, 0.38), seed=20), 0.2),
        "rug": _matt(_picture(textures.make_rug(21))),
        "spines": _matt(_picture(textures.make_spines(22))),
        "straw": _matt(_plain((0.42, 0.32, 0.16), depth=0.3, seed=23)),
        "linen": _matt(_plain((0.38, 0.34, 0.28), seed=24)),
        "felt": _matt(_plain((0.15, 0.105, 0.07), depth=0.25, seed=25)),
        "smock": _matt(_plain((0.5, 0.44, 0.36), depth=0.06, seed=26)),
        "brown_cloth": _matt(_plain((0.1, 0.075, 0.06), seed=27)),
        "black_cloth": _matt(_plain((0.022, 0.021, 0.024), seed=28)),
        "green_cloth": _matt(_plain((0.07, 0.13, 0.08), seed=29)),
        "leather": _glossy(_plain((0.05, 0.03, 0.02), seed=30), 0.25),
        "hair": _matt(_plain((0.06, 0.04, 0.028), depth=0.3, seed=31)),
        "skin": _matt(_plain((0.42, 0.27, 0.2), depth=0.06, seed=32)),
        "red_paint": _glossy(_plain((0.27, 0.06, 0.045), seed=33), 0.15),
        "tin": _glossy(_plain((0.24, 0.25, 0.24), seed=34), 0.12),
        "enamel": _glossy(_plain((0.07, 0.14, 0.11), depth=0.05, seed=35), 0.1),
        "glaze": _glossy(_plain((0.36, 0.3, 0.2), seed=36), 0.08),
        "green_glass": _glossy(_plain((0.02, 0.07, 0.035), depth=0.05, seed=37), 0.05),
        "brown_glass": _glossy(_plain((0.085, 0.035, 0.012), depth=0.05, seed=38), 0.05),
        "blue_glass": _glossy(_plain((0.02, 0.045, 0.12), depth=0.05, seed=39), 0.05),
        "iron": _metal((0.32, 0.31, 0.3), 0.3),
        "brass": _metal((0.7, 0.5, 0.22), 0.2),
        "mirror": {
            "type": "twosided",
            "bsdf": {
                "type": "conductor",
                "specular_reflectance": {"type": "rgb", "value": [0.82, 0.85, 0.83]},
            },
        },
        "pane": {"type": "mask", "opacity": 0.07, "nested": {"type": "twosided", "bsdf": pane}},
        "soot": {
            "type": "twosided",
            "bsdf": {"type": "diffuse", "reflectance": {"type": "rgb", "value": [0.02, 0.02, 0.02]}},
        },
    }


def make_shape(name: str, mesh: Mesh, bsdf: Any) -> Any:
    """Turn numbers into a renderable mesh."""
    props = mi.Properties()
    props["mesh_bsdf"] = bsdf
    shape = mi.Mesh(name, len(mesh.vertices), len(mesh.faces), has_vertex_texcoords=True, props=props)
    params = mi.traverse(shape)
    params["vertex_positions"] = mesh.vertices.astype(np.float32).ravel()
    params["faces"] = mesh.faces.astype(np.uint32).ravel()
    params["vertex_texcoords"] = mesh.uv.astype(np.float32).ravel()
    params.update()
    return shape


@dataclass(slots=True)
class Stage:
    """A loaded scene and the handles by which its moving parts are moved."""

    scene: Any
    params: Any
    bodies: dict[str, dict[str, str]]  # body -> part -> shape name


def load_stage(
    lights: str, *, stand: bool = False, hat: bool = True, bodies: tuple[str, ...] = (), lamp: bool = False
) -> Stage:
    """Load the room with "room" lights (bulb, moon), "fixed" (with the edge lamp) or the "lamp" alone.

    ``bodies``: of "carrier", "hero". ``lamp``: the carried lamp and its stick are there (dark unless
    ``lights`` is "lamp").
    """
    bsdfs = {name: mi.load_dict(entry) for name, entry in make_materials().items()}
    shapes: dict[str, Any] = {"type": "scene"}
    for material, mesh in make_room().items():
        shapes[f"room_{material}"] = make_shape(f"room_{material}", mesh, bsdfs[material])
    if stand or lights == "fixed":
        shapes["stand"] = make_shape("stand", make_stand(), bsdfs["soot"])
    if hat:
        shapes["hat"] = make_shape("hat", make_hat(), bsdfs["felt"])
    shapes.update(_make_lights(lights, stand=stand or lights == "fixed", soot=bsdfs["soot"]))
    named: dict[str, dict[str, str]] = {}
    for body in bodies:
        cloth = CARRIER if body == "carrier" else HERO
        pose = Pose(np.array([0, 0, 30.0]), 0, 0, 0, 0, None, None)
        for part, mesh in make_body(pose, smock=body == "hero").items():
            shapes[f"{body}_{part}"] = make_shape(f"{body}_{part}", mesh, bsdfs[cloth[part]])
            named.setdefault(body, {})[part] = f"{body}_{part}"
    if lamp or lights == "lamp":
        shapes["carried_lamp"] = _make_lamp(lights == "lamp", bsdfs["soot"])
    if lamp:
        shapes["stick"] = make_shape("stick", make_handle(np.array([0, 1.0, 30.0])), bsdfs["soot"])
    scene = mi.load_dict(shapes)
    return Stage(scene, mi.traverse(scene), named)


def _make_lights(lights: str, *, stand: bool, soot: Any) -> dict[str, Any]:
    lit = lights != "lamp"
    bulb: dict[str, Any] = {"type": "sphere", "center": BULB.tolist(), "radius": 0.035, "bsdf": soot}
    made = {"bulb": bulb}
    if lit:
        bulb["emitter"] = _glow((1300, 900, 545))
        made["moon"] = {
            "type": "directional",
            "direction": [-0.5, -0.78, 0.56],
            "irradiance": {"type": "rgb", "value": [1.3, 1.8, 2.7]},
        }
        hatch = (
            mi.ScalarTransform4f()
            .look_at(origin=[0.3, 2.85, 7.3], target=[-0.2, 1.2, 1.5], up=[0, 1, 0])
            .scale([0.4, 0.25, 1])
        )
        made["hatch"] = {
            "type": "rectangle",
            "to_world": hatch,
            "bsdf": soot,
            "emitter": _glow((22, 18.5, 14)),
        }
        sky = mi.ScalarTransform4f().translate([0.9, 1.25, -2.5]).scale([3.0, 1.45, 1])
        made["sky"] = {
            "type": "rectangle",
            "to_world": sky,
            "bsdf": soot,
            "emitter": _glow((0.05, 0.085, 0.17)),
        }
    if stand:
        face = mi.ScalarTransform4f(edge_lamp_pose()).scale([0.1, 0.075, 1])
        made["edge"] = {"type": "rectangle", "to_world": face, "bsdf": soot}
        if lights == "fixed":
            made["edge"]["emitter"] = _glow((220, 176, 121))
    return made


def _glow(colour: tuple[float, float, float] | NDArray) -> dict[str, Any]:
    return {"type": "area", "radiance": {"type": "rgb", "value": [float(part) for part in colour]}}


def _make_lamp(lit: bool, soot: Any) -> dict[str, Any]:
    place = mi.ScalarTransform4f().translate([0, 1, 30]).scale(LAMP_RADIUS)
    sphere: dict[str, Any] = {"type": "sphere", "to_world": place, "bsdf": soot}
    if lit:
        sphere["emitter"] = _glow(LAMP_RADIANCE * VIOLET)
    return sphere


def place_body(stage: Stage, body: str, pose: Pose) -> None:
    """Move a body; ``stage.params.update()`` makes it so."""
    for part, mesh in make_body(pose, smock=body == "hero").items():
        stage.params[f"{stage.bodies[body][part]}.vertex_positions"] = mesh.vertices.astype(np.float32).ravel()


def place_lamp(stage: Stage, lamp: NDArray, *, stick: bool) -> None:
    """Move the carried lamp (and its stick)."""
    place = mi.Transform4f().translate([float(part) for part in lamp]).scale(LAMP_RADIUS)
    stage.params["carried_lamp.to_world"] = place
    if stick:
        stage.params["stick.vertex_positions"] = make_handle(lamp).vertices.astype(np.float32).ravel()


def place_hat(stage: Stage, matrix: NDArray) -> None:
    """Move the hat."""
    stage.params["hat.vertex_positions"] = make_hat().moved(matrix).vertices.astype(np.float32).ravel()
