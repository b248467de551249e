"""A shot's light in another colour: measured, made, told."""

from types import SimpleNamespace

import numpy as np
import pytest
from jobs_helpers import NOISE
from made.lit_figure import light_set

from lightstack.errors import SettingError
from lightstack.files.shot.schema import Light, Regel, ShotSettings
from lightstack.files.write.plates import write_exr
from lightstack.jobs.light.regel import regel_lights
from lightstack.jobs.takes.options import BuildOptions

WHITE = (1.0, 0.92, 0.80)


@pytest.fixture
def sweep(tmp_path):
    room = light_set(611, "none")
    write_exr(tmp_path / "plate.exr", room.plate, primaries="bt709")
    built = SimpleNamespace(report=SimpleNamespace(name="lamp"), plate="plate.exr", primaries="bt709", files=())
    folder = SimpleNamespace(file=lambda name: tmp_path / name)
    return SimpleNamespace(room=room, built=built, delivery=SimpleNamespace(folder=folder, shot="den"), path=tmp_path)


def run(sweep, unwatched, **regel):
    settings = ShotSettings(light=(Light(name="lamp", regel=Regel(**regel)),))
    return regel_lights(
        sweep.delivery, settings, [sweep.built], NOISE, BuildOptions(), ceiling=np.inf, progress=unwatched
    )


def test_a_told_lamp_gives_exact_gains(sweep, unwatched):
    made = run(sweep, unwatched, rgb=(0.3, 0.55, 1.0), lamp=WHITE)
    plate = made.apply("lamp", sweep.room.plate, sweep.delivery, sweep.built)
    gains = plate.reshape(-1, 3).sum(0) / sweep.room.plate.reshape(-1, 3).sum(0) * WHITE
    np.testing.assert_allclose(gains / gains[2], (0.3, 0.55, 1.0), rtol=1e-3)
    assert not any("grey card" in line or "in part" in line for line in made.warnings)
    assert dict(made.reports[0].numbers)["not reached"] == "nothing"
    assert made.apply("other", sweep.room.plate, sweep.delivery, sweep.built) is sweep.room.plate


def test_a_measured_lamp_is_told_as_such(sweep, unwatched):
    made = run(sweep, unwatched, mired=100.0)
    assert any("grey card" in line for line in made.warnings)
    assert dict(made.reports[0].numbers)["the lamp's colour is from"] == "the plate's mean"


def test_what_a_deep_gel_cannot_give_is_told_and_marked(sweep, unwatched):
    write_exr(sweep.path / "plate.exr", light_set(611, "red").plate, primaries="bt709")
    made = run(sweep, unwatched, kelvin=5600.0, lamp=(1.0, 0.035, 0.02), most_gain=6.0)
    assert any("reached in part" in line and "blue" in line for line in made.warnings)
    assert made.files[0][0] == "den_regel_lamp_v001.png"
    assert (sweep.path / made.files[0][0]).stat().st_size > 0


def test_colours_that_cannot_be_made_are_refused_by_name(sweep, unwatched):
    with pytest.raises(SettingError, match=r"light lamp: \[light.regel\].*no colour temperature"):
        run(sweep, unwatched, mired=50.0, lamp=(0.42, 0.02, 1.0))
    with pytest.raises(ValueError, match="only one of"):
        Regel(kelvin=3200.0, rgb=(1, 1, 1))
    with pytest.raises(ValueError, match="needs a colour"):
        Regel()
    with pytest.raises(ValueError, match="4000 K"):
        Regel(kelvin=3200.0, locus="daylight")
