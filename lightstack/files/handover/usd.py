"""A shot's lights as USD: brightness over time, colour, and the place in metres where it is known.

The library that writes it is loaded only when it is used, and may be missing.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from fractions import Fraction
from itertools import accumulate
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from lightstack.core.lamp.place import CameraView
from lightstack.files.folder import write_whole
from lightstack.files.limits import check_file_size
from lightstack.files.reading import reading

__all__ = ["UsdLamp", "UsdPlace", "UsdScene", "count_lights", "has_usd", "write_lights"]

NEAR_M, FAR_M = 0.01, 10_000.0
OPEN, CLOSE = b"{[(", b"}])"
DEEPEST = 100  # of brackets within brackets: far beyond it the library's own reader hangs or falls over its stack


@dataclass(frozen=True, slots=True, eq=False)
class UsdPlace:
    """Where a lamp is: ``points`` and their standard ``errors`` (n, 3) in metres, at shot ``frames`` (n,); no frames:
    one place for the whole shot."""

    frames: tuple[int, ...]
    points: NDArray[np.float64]
    errors: NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class UsdLamp:
    """A light: ``gains`` (n,) from the scene's first frame on, ``colour`` (3,) linear Rec.709, ``exposure`` in stops.

    ``notes``: facts that travel with it.
    """

    name: str
    gains: NDArray[np.float64]
    colour: tuple[float, float, float]
    exposure: float
    radius_m: float
    notes: dict[str, str | float] = field(default_factory=dict)
    place: UsdPlace | None = None


@dataclass(frozen=True, slots=True, eq=False)
class UsdScene:
    """A shot's lights and its camera, where that was measured; ``frames`` inclusive, in shot frames."""

    shot: str
    frames: tuple[int, int]
    rate: Fraction | None
    words: str
    lamps: tuple[UsdLamp, ...]
    camera: CameraView | None = None


def has_usd() -> bool:
    """Tell whether the library that writes USD is installed."""
    try:
        from pxr import Usd, UsdGeom, UsdLux  # noqa: F401
    except ImportError:
        return False
    return True


def write_lights(path: Path, scene: UsdScene) -> None:
    """Write a scene as one text layer, whole or not at all. Raises OutputError."""
    from pxr import UsdGeom

    stage = make_stage(scene)
    name = str(stage.GetDefaultPrim().GetPath())
    UsdGeom.Scope.Define(stage, f"{name}/lights")
    taken: set[str] = set()
    for lamp in scene.lamps:
        add_lamp(stage, f"{name}/lights/{pick_name(lamp.name, taken)}", lamp, scene.frames)
    if scene.camera is not None:
        add_camera(stage, f"{name}/camera", scene.camera)
    write_whole(path, stage.GetRootLayer().ExportToString().encode())


def make_stage(scene: UsdScene) -> Any:
    """Return an empty stage in metres, y up, whose time codes are shot frames."""
    from pxr import Usd, UsdGeom

    stage = Usd.Stage.CreateInMemory()
    UsdGeom.SetStageMetersPerUnit(stage, 1.0)
    UsdGeom.SetStageUpAxis(stage, UsdGeom.Tokens.y)
    stage.SetStartTimeCode(scene.frames[0])
    stage.SetEndTimeCode(scene.frames[1])
    if scene.rate is not None:
        stage.SetTimeCodesPerSecond(float(scene.rate))
        stage.SetFramesPerSecond(float(scene.rate))
    stage.GetRootLayer().documentation = scene.words
    root = UsdGeom.Xform.Define(stage, f"/{pick_name(scene.shot, set())}")
    root.GetPrim().SetCustomDataByKey("lightstack:shot", scene.shot)
    if scene.rate is not None:
        root.GetPrim().SetCustomDataByKey("lightstack:rate", str(scene.rate))
    stage.SetDefaultPrim(root.GetPrim())
    return stage


def add_lamp(stage: Any, where: str, lamp: UsdLamp, frames: tuple[int, int]) -> None:
    """Add one light; without a place it stays where the scene's origin is, with no transform of its own."""
    from pxr import Gf, UsdLux

    light = UsdLux.SphereLight.Define(stage, where)
    light.CreateRadiusAttr(lamp.radius_m)
    light.CreateNormalizeAttr(False)
    light.CreateEnableColorTemperatureAttr(False)
    light.CreateExposureAttr(lamp.exposure)
    intensity, colour = light.CreateIntensityAttr(), light.CreateColorAttr()
    for frame, gain in enumerate(lamp.gains.tolist(), start=frames[0]):
        intensity.Set(gain, frame)
    for frame in sorted(set(frames)):  # it does not change
        colour.Set(Gf.Vec3f(*lamp.colour), frame)
    prim = light.GetPrim()
    prim.SetCustomDataByKey("lightstack:light", lamp.name)
    for key, value in lamp.notes.items():
        prim.SetCustomDataByKey(f"lightstack:{key}", value)
    if lamp.place is not None:
        put_lamp(light, lamp.place)


def put_lamp(light: Any, place: UsdPlace) -> None:
    """Move a light to its place, and say beside it how far that may be off."""
    from pxr import Gf, Sdf

    move = light.AddTranslateOp()
    error = light.GetPrim().CreateAttribute("userProperties:placeError", Sdf.ValueTypeNames.Double3)
    error.SetDocumentation("Standard error of the place along x, y and z, metres.")
    for index, (point, off) in enumerate(zip(place.points.tolist(), place.errors.tolist(), strict=True)):
        when = (place.frames[index],) if place.frames else ()
        move.Set(Gf.Vec3d(*point), *when)
        error.Set(Gf.Vec3d(*off), *when)


def add_camera(stage: Any, where: str, view: CameraView) -> None:
    """Add the camera as it stood: focal length and aperture are tenths of a unit, so that in centimetres they are mm.

    References: UsdGeomCamera, "Units of Measure for Camera Properties".
    """
    from pxr import Gf, UsdGeom

    camera = UsdGeom.Camera.Define(stage, where)
    tenths_per_mm = 10 * 0.001 / UsdGeom.GetStageMetersPerUnit(stage)
    camera.CreateFocalLengthAttr(view.focal_mm * tenths_per_mm)
    camera.CreateHorizontalApertureAttr(view.sensor_width_mm * tenths_per_mm)
    camera.CreateVerticalApertureAttr(view.sensor_height_mm * tenths_per_mm)
    camera.CreateClippingRangeAttr(Gf.Vec2f(NEAR_M, FAR_M))
    camera.AddTranslateOp().Set(Gf.Vec3d(0, view.height_m, 0))
    camera.AddRotateXOp().Set(view.tilt_deg)


def pick_name(name: str, taken: set[str]) -> str:
    """Return a name that a prim can have and no other has yet."""
    from pxr import Tf

    plain = base = Tf.MakeValidIdentifier(name)
    count = 1
    while plain in taken:
        count += 1
        plain = f"{base}_{count}"
    taken.add(plain)
    return str(plain)


def _measure_depth(text: bytes) -> int:
    """Return how deep the brackets of a text layer nest; those in words do not count."""
    brackets = re.sub(rb'"(?:[^"\\\n]|\\.)*"|[^][(){}"]+', b"", text)
    return max(accumulate((byte in OPEN) - (byte in CLOSE) for byte in brackets), default=0)


def count_lights(path: Path) -> int:
    """Read a text layer back and return how many lights it holds. Raises OSError where it is none.

    Notes: what the layer itself says is counted; no other file that it may name is opened.
    """
    from pxr import Sdf, Tf

    check_file_size(path, "SCENE_BYTES")
    text = path.read_bytes()
    if not text.startswith(b"#usda ") or _measure_depth(text) > DEEPEST:
        raise OSError(f"{path.name} cannot be read back")
    found: list[Any] = []
    try:
        layer = Sdf.Layer.CreateAnonymous(".usda")
        with reading(path):
            taken = layer.ImportFromString(text.decode())
        if not taken:
            raise OSError(f"{path.name} cannot be read back")
        layer.Traverse("/", found.append)
    except (Tf.ErrorException, UnicodeDecodeError) as error:
        raise OSError(f"{path.name} cannot be read back") from error
    prims = (layer.GetPrimAtPath(place) for place in found if place.IsPrimPath())
    return sum(prim is not None and prim.typeName == "SphereLight" for prim in prims)
