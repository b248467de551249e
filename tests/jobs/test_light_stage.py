"""Lights of a group, of weighed stills, and one that travels, in one shot over one sweep."""

import csv

import numpy as np
import pytest
from made import make_room
from made.movies import write_movie

from lightstack.errors import MismatchedInput, SettingError, UnreadableInput
from lightstack.files.write.plates import read_exr, read_light, write_exr, write_png
from lightstack.jobs.light.match import MatchRequest, check_request, match_shot
from lightstack.jobs.shot.build import build_shot
from lightstack.jobs.takes.options import BuildOptions

SHOT = """
[shot]
name = "den"

[takes.hero]
path = "hero.mkv"

[[sweep]]
path = "sweep.mkv"
name = "lamp"
max_keys = 10
travel_keys = 14
group = [{ name = "late", frames = [[30, 60]] }]

[holdout]
from = "none"

[render]
elements = ["light", "hero_clean"]

"""
LIGHTS = """
[[light]]
name = "late"
group = "late"
[[light]]
name = "some"
using = "stills"
weights = "some.csv"
[light.mix]
points = [[1001, 0], [1004, 0, "hold"], [1005, 0]]
[[light]]
name = "wisp"
using = "path"
figure_light = 0
[light.path]
points = [[1001, 20, 60], [1006, 180, 60]]
"""


@pytest.fixture(scope="module")
def shot(small_room, tmp_path_factory, unwatched):
    folder = tmp_path_factory.mktemp("lights")
    write_movie(small_room, folder / "sweep.mkv")
    write_movie(small_room, folder / "hero.mkv", frames=range(6))
    (folder / "shot.toml").write_text(SHOT + "[[light]]\nname = 'room'\n")
    first = build_shot(folder / "shot.toml", options=BuildOptions(), progress=unwatched)
    with (first.out / "key_frames.csv").open(newline="") as stream:
        keys = sorted(int(row["source_frame"]) for row in csv.DictReader(stream))
    (folder / "some.csv").write_text(f"still,weight\n{keys[0]},0.5\n{keys[-1]},2\n")
    (folder / "shot.toml").write_text(SHOT + LIGHTS)
    return folder / "shot.toml", keys


@pytest.fixture(scope="module")
def built(shot, unwatched):
    return build_shot(shot[0], options=BuildOptions(), progress=unwatched)


def test_a_group_is_a_plate_of_its_stills_alone(built, shot):
    whole = read_light(built.out / "den_plate_v001.exr")
    late = read_light(built.out / "den_light_plate_late_v001.exr")
    lit = whole > 0.05
    assert np.median(late[lit] / whole[lit]) < 1  # what the early stills lit is dimmer
    assert np.percentile((late - whole)[lit] / whole[lit], 99) < 0.1  # and nothing is brighter


def test_weighed_stills_add_up(built, shot):
    _, keys = shot
    some = read_light(built.out / "den_light_plate_some_v001.exr")
    stack = built.out / "den_light_stack_v001.exr"
    stills = [read_exr(stack, f"still_{key:05d}") for key in (keys[0], keys[-1])]
    first, last = (np.stack([np.asarray(still[c], np.float32) for c in "RGB"], axis=2) for still in stills)
    wanted = 0.5 * first + 2 * last
    lit = (wanted.min(axis=2) > 0.05) & (stills[0]["A"] == 1) & (stills[1]["A"] == 1)
    assert some[lit].sum() / wanted[lit].sum() == pytest.approx(1, abs=0.02)
    assert np.median(np.abs(some - wanted)[lit] / wanted[lit]) < 0.06  # grain of two stills was taken off


def test_a_light_that_travels_has_its_weights_written_and_moves(built, shot):
    with (built.out / "den_travel_wisp_v001.csv").open(newline="") as stream:
        rows = list(csv.DictReader(stream))
    weights = np.array([[float(value) for name, value in row.items() if name != "frame"] for row in rows])
    assert [int(row["frame"]) for row in rows] == list(range(1001, 1007))
    np.testing.assert_allclose(weights.sum(axis=1), 1, atol=1e-4)
    assert weights.min() >= 0
    assert np.abs(np.diff(weights, axis=0)).max() < 0.7  # no still pops in at once
    assert {"den_travel_wisp_v001.png", "den_lamps_lamp_v001.csv", "den_lamps_lamp_v001.png"} <= set(built.files)


def test_the_report_shows_plates_and_ways_of_their_own(built, shot):
    page = (built.out / "report.html").read_text()
    section = page[page.index('<section id="lights"') : page.index('<section id="mix"')]
    assert all(f"<bdi>{name}</bdi>" in section for name in ("late", "some", "wisp"))
    assert section.count("data:image/jpeg") == 2 and section.count("data:image/svg+xml") == 3


def test_a_second_build_makes_nothing_again(built, shot, silence):
    before = {name: (built.out / name).stat().st_mtime_ns for name in built.files}
    again = build_shot(shot[0], options=BuildOptions(), progress=silence)
    assert silence.lines == ["nothing changed"]
    assert before == {name: (again.out / name).stat().st_mtime_ns for name in again.files}


def test_a_match_finds_the_stills_that_made_a_picture(built, shot, unwatched, tmp_path):
    path, keys = shot
    ambient = read_light(built.out / "den_light_stack_v001.exr", "ambient")
    painted = ambient + read_light(built.out / "den_light_plate_some_v001.exr")
    write_exr(tmp_path / "target.exr", painted, primaries="bt709")
    found = match_shot(
        path, MatchRequest(target=tmp_path / "target.exr", light="late"), options=BuildOptions(), progress=unwatched
    )
    weights = dict(found.weights)
    assert weights[keys[0]] == pytest.approx(0.5, abs=0.1)
    assert max(weights, key=weights.__getitem__) == keys[-1]  # some of it may come from the still beside it
    assert found.error < 0.1 and found.unreached < 0.05
    assert all((found.out / name).is_file() for name in found.files)


def test_a_target_that_is_darker_where_it_counts_gets_no_stills(built, shot, unwatched, tmp_path):
    ambient = read_light(built.out / "den_light_stack_v001.exr", "ambient")
    half, counts = ambient.shape[1] // 2, np.zeros(ambient.shape, np.uint8)
    painted = np.concatenate([2 * ambient[:, :half], 0.5 * ambient[:, half:]], axis=1)
    counts[:, half + 8 :] = 255
    write_exr(tmp_path / "target.exr", painted, primaries="bt709")
    write_png(tmp_path / "counts.png", counts)
    request = MatchRequest(target=tmp_path / "target.exr", light="late", regions=tmp_path / "counts.png")
    with pytest.raises(SettingError, match=r"no still comes nearer to it where counts\.png counts"):
        match_shot(shot[0], request, options=BuildOptions(), progress=unwatched)


def test_a_target_of_another_room_is_refused(built, shot, unwatched, tmp_path):
    ambient = read_light(built.out / "den_light_stack_v001.exr", "ambient")
    other = 2 * make_room(5, size=ambient.shape[:2], frames=4, lead=2).ambient
    write_exr(tmp_path / "other.exr", np.asarray(other, np.float32), primaries="bt709")
    with pytest.raises(MismatchedInput, match=r"other\.exr: does not show the room of this shot"):
        match_shot(shot[0], MatchRequest(target=tmp_path / "other.exr"), options=BuildOptions(), progress=unwatched)


def test_a_target_painted_roughly_and_one_of_several_numbered_is_taken(built, shot, unwatched, tmp_path):
    ambient = read_light(built.out / "den_light_stack_v001.exr", "ambient")
    y, x = np.mgrid[0 : ambient.shape[0], 0 : ambient.shape[1]] / ambient.shape[1]
    painted = ambient + 0.4 * (np.hypot(x - 0.6, y - 0.3) < 0.2)[..., None] * np.float32([0.5, 0.2, 1])
    write_exr(tmp_path / "paint_1.exr", 0 * ambient, primaries="bt709")  # black: an error, were it taken
    write_exr(tmp_path / "paint_2.exr", np.asarray(painted, np.float32), primaries="bt709")
    request = MatchRequest(target=tmp_path / "paint_2.exr")
    assert match_shot(shot[0], request, options=BuildOptions(), progress=unwatched).weights


@pytest.mark.parametrize(("name", "said"), [("sweep.mkv", "is no picture by its name"), ("notes.txt", "is no picture"),
                                            ("notes.png", "notes.png: is not")])  # fmt: skip
def test_a_target_that_is_no_picture_is_refused_before_anything_is_built(shot, unwatched, tmp_path, name, said):
    write_text = "lightstack is to read this as a picture\n" * 20
    (tmp_path / "notes.txt").write_text(write_text)
    (tmp_path / "notes.png").write_text(write_text)
    target = shot[0].parent / name if name.endswith("mkv") else tmp_path / name
    with pytest.raises((SettingError, UnreadableInput), match=said):
        check_request(MatchRequest(target=target), BuildOptions())


@pytest.mark.parametrize(
    ("old", "new", "kind", "said"),
    [
        ('group = "late"\n', 'group = "attic"\n', SettingError, 'group = "attic": there is no such group of lamp'),
        ('weights = "some.csv"', 'weights = "odd.csv"', SettingError, "weighs still 99999, but the sweep's stills are"),
        ('points = [[1001, 20, 60], [1006, 180, 60]]', 'track = "odd.csv"', UnreadableInput, "expected frame,x,y"),
    ],
)
def test_lights_that_cannot_be_made(shot, built, unwatched, old, new, kind, said):
    path, _ = shot
    (path.parent / "odd.csv").write_text("still,weight\n99999,1\n")
    text = path.read_text()
    broken = path.with_name("broken.toml")
    broken.write_text(text.replace(old, new, 1).replace("[shot]", '[shot]\nout = "out"', 1))
    with pytest.raises(kind, match=said):
        build_shot(broken, options=BuildOptions(), progress=unwatched)
