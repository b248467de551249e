"""``[camera]``: what is accepted, and what is wrong in one line."""

from pathlib import Path

import pytest

from lightstack.errors import SettingError
from lightstack.files.shot.shotfile import parse_shot

LIGHTS = """[takes.hero]
path = "hero.mov"
[[sweep]]
name = "blue"
path = "sweep.mov"
"""
LIGHT = '[[light]]\nname = "wisp"\n'
KEYS = {
    "focal_mm": "35", "sensor_width_mm": "24.9", "height_m": "1.5", "tilt_deg": "-5", "distance_m": "3",
    "distance_at": "[320, 90.5]",
}  # fmt: skip


def parse(changes, *, lights=LIGHT):
    keys = {name: value for name, value in {**KEYS, **changes}.items() if value is not None}
    camera = "".join(f"{name} = {value}\n" for name, value in keys.items())
    return parse_shot(f"{LIGHTS}{lights}[camera]\n{camera}", Path("shot.toml")).camera


def test_what_was_taped_is_read_with_its_errors():
    camera = parse({"distance_error_m": "0.02"})
    assert camera.distance_at == (320.0, 90.5) and camera.distance_error_m == 0.02
    assert camera.pixel_error == 3.0 and camera.light is None


@pytest.mark.parametrize("name", sorted(KEYS))
def test_a_camera_that_is_half_given_is_refused_by_the_missing_key(name):
    with pytest.raises(SettingError, match=rf"\[camera\] {name} is missing and required"):
        parse({name: None})


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"distance_at": "[320]"}, "expected a place in the picture"),
        ({"distance_at": '["a", 3]'}, "expected a place in the picture"),
        ({"distance_m": "0"}, "must be more than 0"),
        ({"tilt_deg": "120"}, "must be at most 90"),
        ({"focal_mm": "0.2"}, "must be at least 1"),
        ({"light": '"lamp"'}, 'light = "lamp": there is no such light; there are wisp'),
        ({"zoom": "2"}, "zoom is unknown"),
    ],
)
def test_what_is_wrong_is_told(changes, says):
    with pytest.raises(SettingError) as told:
        parse(changes)
    assert says in str(told.value) and "\n" not in str(told.value)


def test_a_camera_without_a_light_is_refused():
    with pytest.raises(SettingError, match="and there is none"):
        parse({}, lights="")
