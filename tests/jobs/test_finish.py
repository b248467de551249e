"""Results named, graded and described."""

from dataclasses import replace

import numpy as np
import pytest

from lightstack.files.folder import claim_folder
from lightstack.files.kept.identity import StageBook
from lightstack.jobs.stage.deliver import residue_sigma, warn
from lightstack.jobs.stage.finish import Delivery, flatten_settings
from lightstack.records import Stretch


@pytest.mark.parametrize(("sweep", "name"), [(None, "den_plate_v002"), ("blue", "den_plate_blue_v002")])
def test_files_are_named_by_shot_element_sweep_and_version(tmp_path, sweep, name):
    folder = claim_folder(tmp_path / "out")
    delivery = Delivery(folder, "den", "den_", "_v002", False, StageBook(folder))
    assert delivery.stem("plate", sweep) == name


def test_settings_are_shown_flat_without_what_is_empty():
    rows = flatten_settings({"shot": {"name": "den", "frames": None}, "sweep": [], "even": 0.0, "hold": False})
    assert rows == [("shot.name", '"den"'), ("even", "0.0"), ("hold", "false")]


def test_residue_is_the_mean_where_nothing_was_lit(small_outcome):
    plate, reach = np.zeros((112, 200, 3), np.float32), np.ones((112, 200), bool)
    assert residue_sigma(replace(small_outcome, reach=reach)) == 0
    reach[:20, :20] = False
    sigma = small_outcome.ambient.noise.sigma(small_outcome.ambient.light[:20, :20]).mean()
    plate[:20, :20] = 2 * sigma
    given = replace(small_outcome, reach=reach, plate=replace(small_outcome.plate, light=plate))
    assert residue_sigma(given) == pytest.approx(2, rel=1e-5)


def test_doubts_are_one_line_each(small_outcome):
    look = small_outcome.look
    lost = Stretch(1, 60, np.eye(3), True, 0.0, float("inf"), 60)
    registration = replace(look.registration, stretches=(lost,), left_out=(5, 6))
    doubtful = replace(look, registration=registration, empty_stops=np.array([0.3, 0.2, np.nan]))
    lines = warn(replace(small_outcome, look=doubtful))
    assert len(lines) == len(set(lines)) and not any("\n" in line for line in lines)
    assert any("2 frames were left out" in line for line in lines)
    assert any("R +0.30" in line and "stops" in line for line in lines)
    assert any("could not be lined up" in line for line in lines)
    assert not any("empty take" in line or "lined up" in line for line in warn(small_outcome))
