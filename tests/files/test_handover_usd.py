"""Lights as USD, read back and judged by the library itself."""

from fractions import Fraction

import numpy as np
import pytest

from lightstack.core.lamp.place import CameraView, place_path
from lightstack.files.handover.usd import UsdLamp, UsdPlace, UsdScene, count_lights, write_lights

pxr = pytest.importorskip("pxr")
FRAMES = (1001, 1004)
RATE = Fraction(24000, 1001)
GAINS = np.array([0.0, 0.25, 1.0, 1.5])
VIEW = CameraView(35.0, 24.9, (1080, 1920), height_m=1.4, tilt_deg=-8.0)
PIXELS = np.array([[960.0, 540.0], [1200.0, 500.0], [1500.0, 300.0], [1890.0, 1000.0]])


def make_scene(*, camera=None, place=None, names=("wisp",)):
    lamps = tuple(UsdLamp(name, GAINS, (1.0, 0.25, 0.5), 0.0, 0.05, {"lay": "plus"}, place) for name in names)
    return UsdScene("7 attic", FRAMES, RATE, "A note.", lamps, camera)


def open_stage(folder, scene):
    from pxr import Usd

    write_lights(folder / "lights.usda", scene)
    return Usd.Stage.Open(str(folder / "lights.usda"))


def walk():
    errors = {"pixel_error": 2.0, "distance_error_m": 0.05}
    placed = place_path(VIEW, PIXELS, taped_at=(960, 540), distance_m=3.0, **errors)
    return UsdPlace(tuple(range(FRAMES[0], FRAMES[1] + 1)), placed.points, placed.errors)


def test_a_light_carries_mix_and_colour_over_shot_frames(tmp_path):
    from pxr import UsdGeom, UsdLux

    stage = open_stage(tmp_path, make_scene())
    assert (stage.GetStartTimeCode(), stage.GetEndTimeCode()) == FRAMES
    assert stage.GetTimeCodesPerSecond() == stage.GetFramesPerSecond() == float(RATE)
    assert UsdGeom.GetStageMetersPerUnit(stage) == 1 and UsdGeom.GetStageUpAxis(stage) == "Y"
    assert stage.GetRootLayer().documentation == "A note."
    light = UsdLux.SphereLight(stage.GetPrimAtPath(f"{stage.GetDefaultPrim().GetPath()}/lights/wisp"))
    samples = [light.GetIntensityAttr().Get(frame) for frame in range(1001, 1005)]
    np.testing.assert_array_equal(samples, GAINS.astype(np.float32))
    assert light.GetIntensityAttr().GetTimeSamples() == [1001, 1002, 1003, 1004]
    assert tuple(light.GetColorAttr().Get(1003)) == (1.0, 0.25, 0.5)
    assert light.GetExposureAttr().Get() == 0 and light.GetRadiusAttr().Get() == pytest.approx(0.05)
    assert light.GetEnableColorTemperatureAttr().Get() is False and light.GetNormalizeAttr().Get() is False


def test_without_a_camera_nothing_has_a_place(tmp_path):
    from pxr import UsdGeom

    stage = open_stage(tmp_path, make_scene())
    prims = list(stage.Traverse())
    assert not any(UsdGeom.Xformable(prim).GetOrderedXformOps() for prim in prims if UsdGeom.Xformable(prim))
    assert not any(prim.IsA(UsdGeom.Camera) for prim in prims)


def test_the_camera_sees_the_lamp_where_it_was_in_the_picture(tmp_path):
    # REFERENCE  the library's own camera: its frustum projects the light's place back to the pixel that it came from.
    # TOLERANCE  apertures are stored as 32-bit floats, a 16-millionth of the picture: 0.01 px.
    from pxr import Gf, UsdGeom

    stage = open_stage(tmp_path, make_scene(camera=VIEW, place=walk()))
    root = stage.GetDefaultPrim().GetPath()
    camera = UsdGeom.Camera(stage.GetPrimAtPath(f"{root}/camera")).GetCamera(1001)
    frustum = camera.frustum
    project = frustum.ComputeViewMatrix() * frustum.ComputeProjectionMatrix()
    light = UsdGeom.Xformable(stage.GetPrimAtPath(f"{root}/lights/wisp"))
    for frame, pixel in zip(range(1001, 1005), PIXELS, strict=True):
        seen = project.Transform(light.ComputeLocalToWorldTransform(frame).Transform(Gf.Vec3d(0)))
        np.testing.assert_allclose(((seen[0] + 1) * 960, (1 - seen[1]) * 540), pixel, atol=0.01)
    # REFERENCE  35 mm in tenths of a metre, by the library's own units of a camera.
    assert camera.focalLength * Gf.Camera.FOCAL_LENGTH_UNIT == pytest.approx(0.035)
    assert camera.horizontalAperture * Gf.Camera.APERTURE_UNIT == pytest.approx(0.0249)
    error = stage.GetPrimAtPath(f"{root}/lights/wisp").GetAttribute("userProperties:placeError")
    assert all(value > 0 for value in error.Get(1004))


@pytest.mark.parametrize("placed", [False, True])
def test_the_librarys_own_validators_find_nothing(tmp_path, placed):
    from pxr import UsdValidation

    scene = make_scene(camera=VIEW, place=walk(), names=("wisp", "lamp-2")) if placed else make_scene()
    stage = open_stage(tmp_path, scene)
    validators = UsdValidation.ValidationRegistry().GetOrLoadAllValidators()
    names = {validator.GetMetadata().name.split(":")[0] for validator in validators}
    assert {"usdValidation", "usdGeomValidators", "usdLuxValidators"} <= names
    errors = UsdValidation.ValidationContext(validators).Validate(stage)
    assert [error.GetMessage() for error in errors] == []


def test_names_that_no_prim_can_have_stay_apart(tmp_path):
    write_lights(tmp_path / "a.usda", make_scene(names=("lamp-2", "lamp.2", "2")))
    assert count_lights(tmp_path / "a.usda") == 3


def test_the_same_scene_gives_the_same_bytes(tmp_path):
    for name in ("a.usda", "b.usda"):
        write_lights(tmp_path / name, make_scene(camera=VIEW, place=walk()))
    assert (tmp_path / "a.usda").read_bytes() == (tmp_path / "b.usda").read_bytes()
    assert str(tmp_path).encode() not in (tmp_path / "a.usda").read_bytes()


def test_what_is_no_layer_is_told(tmp_path):
    (tmp_path / "a.usda").write_text("no")
    from pxr import Tf

    with pytest.raises((OSError, Tf.ErrorException)):
        count_lights(tmp_path / "a.usda")
