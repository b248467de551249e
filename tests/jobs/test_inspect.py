"""Takes inspected: roles guessed, every check told, exit by the worst; the same with a quick look."""

import json

import cv2
import numpy as np
import pytest
from made import make_room, write_movie

from lightstack.errors import MissingInput, SettingError
from lightstack.jobs.inspect.inspect import inspect_takes
from lightstack.jobs.inspect.options import InspectOptions, describe_findings
from lightstack.jobs.inspect.takes import name_apart, plan_takes
from lightstack.records import GRADES, NOT_CHECKED

SIZE = (112, 200)
STILL = {"size": SIZE, "bump_px": 0.0, "turn_deg": 0.0}


@pytest.fixture(scope="module")
def footage(tmp_path_factory):
    """Hero, empty take and sweep of one room, and a bumped sweep that leaves a corner dark."""
    folder = tmp_path_factory.mktemp("takes")
    write_movie(make_room(6, take="hero", frames=40, lead=10, **STILL), folder / "hero.mkv")
    write_movie(make_room(6, take="empty", frames=30, **STILL), folder / "empty.mkv")
    write_movie(make_room(6, frames=60, lead=14, **STILL), folder / "sweep.mkv")
    bumped = make_room(2, unreached=True, frames=60, lead=14, size=SIZE, bump_px=2.5, turn_deg=0.0)
    write_movie(bumped, folder / "bumped.mkv")
    return folder


@pytest.fixture(scope="module")
def three(footage, unwatched):
    paths = [footage / name for name in ("hero.mkv", "empty.mkv", "sweep.mkv")]
    return inspect_takes(paths, out=None, options=InspectOptions(), progress=unwatched)


def checks_of(take):
    return {finding.check: finding for finding in take.findings}


def test_takes_are_told_apart(three):
    assert [take.role for take in three.takes] == ["hero", "empty", "sweep"]
    assert sum("taken for" in note for note in three.notes) == 3


def test_faultless_takes_are_good(three):
    told = [(take.take, f.check, f.says) for take in three.takes for f in take.findings if f.grade in GRADES[1:]]
    assert told == []
    assert three.grade == "good"


def test_every_check_is_told(three):
    steady = {"lock-off", "exposure", "focus", "flicker", "timing", "clipping", "noise", "compression"}
    hero, empty, sweep = (checks_of(take) for take in three.takes)
    assert set(hero) == steady | {"additivity"}
    assert set(empty) == steady | {"between takes"}
    assert set(sweep) == steady | {"between takes", "sweep"}
    assert hero["additivity"].grade == NOT_CHECKED


def test_figures_and_plots_belong_to_the_frames(three):
    for take in three.takes:
        assert take.picture is not None and take.full_size == SIZE
        assert all(len(line.values) == len(take.source_frames) for panel in take.panels for line in panel.lines)


def test_nothing_is_written_without_a_folder(three):
    assert three.out is None and three.files == ()


@pytest.fixture(scope="module")
def bumped(footage, unwatched, tmp_path_factory):
    out = tmp_path_factory.mktemp("inspected") / "out"
    return inspect_takes([footage / "bumped.mkv"], out=out, options=InspectOptions(), progress=unwatched)


def test_a_bump_and_a_dark_corner_are_found(bumped):
    found = checks_of(bumped.takes[0])
    worst = next(figure.value for figure in found["lock-off"].figures if figure.name == "worst corner")
    assert found["lock-off"].grade == "usable"
    assert 2.0 < worst < 3.2  # 2.5 px were made, the worst corner reads a little more
    reach = [f for f in bumped.takes[0].findings if f.check == "sweep" and f.boxes]
    assert reach and "right" in reach[0].says


def test_page_and_pictures_are_written(bumped):
    assert set(bumped.files) == {"inspect.html", "plate.png", "reshoot.png"}
    assert all((bumped.out / name).stat().st_size > 1000 for name in bumped.files)
    assert not [p for p in (bumped.out / ".lightstack").iterdir() if p.name.startswith("inspect_")]


def test_the_page_is_written_anew_beside_older_ones(bumped, footage, unwatched):
    again = inspect_takes([footage / "empty.mkv"], out=bumped.out, options=InspectOptions(), progress=unwatched)
    assert again.files == ("inspect.html",)


def test_findings_are_plain_values(bumped):
    plain = describe_findings(bumped.takes[0])
    assert json.loads(json.dumps(plain, allow_nan=False)) == plain
    assert plain["verdict"] == "usable"


@pytest.fixture(scope="module")
def quick(footage, unwatched, tmp_path_factory):
    out = tmp_path_factory.mktemp("quick") / "out"
    movies = [footage / "bumped.mkv"]
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("lightstack.jobs.inspect.quick.SAMPLES", 30)
        return inspect_takes(movies, out=out, options=InspectOptions(quick=True), progress=unwatched)


def test_a_quick_look_says_what_it_cannot_judge(quick):
    found = checks_of(quick.takes[0])
    assert found["flicker"].grade == found["timing"].grade == NOT_CHECKED
    assert quick.takes[0].role == "sweep" and len(quick.takes[0].source_frames) < 45


def test_a_quick_look_finds_the_same_dark_corner(quick):
    reach = [f for f in quick.takes[0].findings if f.check == "sweep" and f.boxes]
    assert reach and "right" in reach[0].says
    assert {"plate.png", "reshoot.png"} <= set(quick.files)


def test_a_take_seen_whole_is_no_quick_look(footage, unwatched, tmp_path):
    options = InspectOptions(quick=True)
    found = inspect_takes([footage / "empty.mkv"], out=tmp_path / "q", options=options, progress=unwatched)
    assert checks_of(found.takes[0])["timing"].grade == "good"


def test_a_shot_file_gives_roles_and_names(footage, tmp_path):
    shot = tmp_path / "shot.toml"
    shot.write_text(
        f'[takes.hero]\npath = "{footage}/hero.mkv"\n[[sweep]]\nname = "violet"\npath = "{footage}/sweep.mkv"\n'
    )
    planned = plan_takes([shot], InspectOptions())
    assert [(take.name, take.role) for take in planned.takes] == [("hero", "hero"), ("violet", "sweep")]
    assert planned.working is None and planned.cluster is None


def test_takes_that_are_not_there_and_mixed_lists_are_refused(footage, tmp_path):
    with pytest.raises(MissingInput, match=r"gone\.mov"):
        plan_takes([tmp_path / "gone.mov"], InspectOptions())
    with pytest.raises(SettingError, match="inspect it alone"):
        plan_takes([tmp_path / "shot.toml", footage / "hero.mkv"], InspectOptions())


def test_names_are_kept_apart(tmp_path):
    paths = [tmp_path / "a" / "x.mov", tmp_path / "b" / "x.mov", tmp_path / "a" / "x.mov"]
    assert name_apart(paths) == ["x.mov in a", "x.mov in b", "x.mov in a (2)"]
    assert name_apart(paths[:1]) == ["x.mov"]


def test_takes_of_one_name_in_two_folders_are_both_inspected(tmp_path, unwatched):
    random = np.random.default_rng(4)
    base = cv2.resize(random.integers(40, 200, (12, 16, 3)).astype(np.uint8), (96, 64))
    for folder in ("a", "b"):
        (tmp_path / folder).mkdir()
        for k in range(4):
            noisy = np.clip(base + random.normal(0, 3, base.shape), 0, 255).astype(np.uint8)
            cv2.imwrite(str(tmp_path / folder / f"x_{k:04d}.png"), noisy)
    paths = [tmp_path / folder / "x_####.png" for folder in ("a", "b")]
    for quick in (False, True):
        out = tmp_path / f"out_{quick}"
        found = inspect_takes(paths, out=out, options=InspectOptions(quick=quick), progress=unwatched)
        assert [take.take for take in found.takes] == ["x_####.png in a", "x_####.png in b"]


def test_a_shot_file_says_itself_how_its_takes_are_read(tmp_path):
    (tmp_path / "shot.toml").write_text('[takes.hero]\npath = "hero.mov"\n')
    with pytest.raises(SettingError, match="--colour"):
        plan_takes([tmp_path / "shot.toml"], InspectOptions(colour="bt709"))


def test_a_sweep_without_dark_frames_is_to_be_shot_again(unwatched, tmp_path):
    room = make_room(6, frames=60, lead=14, **STILL)
    lit = write_movie(room, tmp_path / "lit.mkv", frames=np.flatnonzero(room.lamp_on)[1:-1])
    found = inspect_takes([lit], out=None, options=InspectOptions(), progress=unwatched)
    assert found.grade == "reshoot"
    assert any("lamp covered" in f.says for f in found.takes[0].findings)
