"""Which stills a light is made of."""

from dataclasses import fields

import numpy as np
import pytest

from lightstack.errors import SettingError
from lightstack.files.shot.schema import Light, Sweep
from lightstack.jobs.light.groups import find_stills, list_groups
from lightstack.jobs.light.plates import warn_of_hole
from lightstack.records import GuideRecipe, NoiseModel, StillNotes

FRAMES, STRETCH = (4, 9, 31, 40, 52), (1, 1, 2, 2, 0)


def make_notes() -> StillNotes:
    one = np.ones(3, np.float32)
    recipe = GuideRecipe(**{field.name: one for field in fields(GuideRecipe)})
    count = len(FRAMES)
    return StillNotes(
        recipe, NoiseModel(one, one), np.array(FRAMES), np.array(STRETCH), np.ones((count, 3), np.float32),
        np.ones(count), (1, 30),
    )  # fmt: skip


def make_sweep(**more) -> Sweep:
    return Sweep.model_validate({"path": "sweep.mov", **more})


def test_stretches_and_hands_name_stills():
    sweep = make_sweep(group=({"name": "door", "frames": [9, ["2:2", "2:11"]]},))
    assert list_groups(sweep, make_notes()) == {"stretch_1": [0, 1], "stretch_2": [2, 3], "door": [1, 2, 3]}


def test_a_group_by_hand_takes_the_place_of_a_stretch():
    sweep = make_sweep(group=({"name": "stretch_1", "frames": [52]},))
    assert list_groups(sweep, make_notes())["stretch_1"] == [4]


def test_a_light_without_a_group_takes_every_still():
    assert find_stills(Light(name="a"), make_sweep(), make_notes()) is None
    assert find_stills(Light(name="a", group="stretch_2"), make_sweep(), make_notes()) == [2, 3]


@pytest.mark.parametrize(
    ("group", "frames", "said"),
    [
        ("attic", [4], '"attic" is none of sweep; it has stretch_1, stretch_2, door'),
        ("door", [[10, 20]], 'no still is in group "door" of sweep; its key frames are 4, 9, 31'),
        ("door", ["3:1"], 'names "3:1", but the sweep has 2 files'),
    ],
)
def test_groups_that_cannot_be_had(group, frames, said):
    sweep = make_sweep(group=({"name": "door", "frames": frames},))
    with pytest.raises(SettingError, match=said.replace("[", r"\[")):
        find_stills(Light(name="a", group=group), sweep, make_notes())


def test_a_hole_that_all_stills_of_a_group_leave_is_told_with_its_share():
    light = Light(name="a", group="door")
    (line,) = warn_of_hole(light, 0.062, 1)
    assert "covers 6.2" in line and "its only still" in line and "door" in line
    assert "all of its 3 stills" in warn_of_hole(light, 0.02, 3)[0]
    assert warn_of_hole(light, 0.0002, 3) == ()
