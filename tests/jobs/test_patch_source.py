"""What patches are taken from."""


from pathlib import Path

import numpy as np
import pytest
from jobs_helpers import NOISE

from lightstack.errors import SettingError, UnusableTake
from lightstack.files.shot.shotfile import parse_shot
from lightstack.jobs.patch.source import drop_untrusted, find_clipped
from lightstack.jobs.stage.named_files import find_source
from lightstack.records import ProxyTake, Registration, Stretch

TEXT = (
    '[takes.hero]\npath = "h.mov"\n[takes.empty]\npath = "e.mov"\nstops = 1\n'
    '[[sweep]]\npath = "s.mov"\nname = "violet"\n'
    '[[patch]]\nmask = "m.png"\n'
)


def find(words):
    settings = parse_shot(TEXT + words, Path("x/shot.toml"))
    return find_source(settings.patch[0], settings)


def test_a_take_is_read_as_its_section_says():
    take, paths = find('from = "empty"\nuse = [3, 9]')
    assert take.stops == 1 and take.use == (3, 9) and paths == (Path("x/e.mov"),)


def test_a_path_is_a_take_of_its_own():
    take, paths = find('from = "plates/clean.exr"')
    assert take.stops is None and paths == (Path("x/plates/clean.exr"),)


def test_a_sweep_gives_its_unlit_frames_and_no_others():
    assert find('from = "violet"') is None
    with pytest.raises(SettingError, match="leave `use` out"):
        find('from = "violet"\nuse = [1, 2]')


def test_the_hero_itself_needs_its_frames_named():
    with pytest.raises(SettingError, match="needs `use`"):
        find('from = "hero"')
    take, _ = find('from = "hero"\nuse = [1, 9]')
    assert take.use == (1, 9)


def survey(frames=5):
    rgb, none = np.zeros((frames, 8, 9, 3), np.float16), np.zeros((frames, 8, 9), np.uint8)
    numbers = np.arange(1, frames + 1)
    return ProxyTake("e", rgb, none, numbers, numbers / 24, 1, (8, 9), NOISE, NOISE, np.zeros(frames, bool))


def test_frames_without_a_place_are_left_out():
    stretch = Stretch(1, 5, np.eye(3), True, 0.0, 0.01, 5)
    assert drop_untrusted(survey(), Registration("e", "none", (stretch,), (2, 4)), Path("e.mov")) == [1, 3, 5]
    with pytest.raises(UnusableTake, match=r"e\.mov: no frame of it"):
        drop_untrusted(survey(), Registration("e", "none", (stretch,), (1, 2, 3, 4, 5)), Path("e.mov"))


def test_clipped_places_are_marked_a_pixel_wider():
    take = survey()
    take.clipped[3, 4, 5] = 2
    marked = find_clipped(take)
    assert marked[3:6, 4:7].all() and marked.sum() == 9
