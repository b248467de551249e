"""A hand-over: what it holds, that it rebuilds the shot, and what it refuses."""

import errno
import hashlib
import json
import os
import re
import shutil
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import OpenEXR
import pytest
from made import make_room, write_movie

from lightstack.cli.main import run
from lightstack.errors import MissingInput, OutputError, SettingError, UnreadableInput
from lightstack.files.handover.tables import read_still_columns
from lightstack.files.shot.schema_travel import LightPath
from lightstack.files.shot.shotfile import read_shot
from lightstack.files.tables import read_mix
from lightstack.files.write.plates import read_exr, read_exr_headers, write_exr
from lightstack.jobs.handover import handover
from lightstack.jobs.handover.build import open_finished
from lightstack.jobs.handover.handover import hand_over
from lightstack.jobs.handover.lights import find_path, find_weights, gather_lights, scale_lamp
from lightstack.jobs.handover.text import fails_flashes, list_unchecked, list_warnings, say_laying
from lightstack.jobs.shot.build import build_shot
from lightstack.jobs.stage import finish
from lightstack.jobs.takes.options import BuildOptions
from lightstack.records.handover import LampPath, LightExtras, StillWeights
from lightstack.report.flash_words import say_standing

ELEMENTS = ("relit", "light", "light_screen", "grain", "hero_clean")
SIZE, CUT, BUILT = (36, 64), range(1002, 1006), range(1001, 1007)
SHOT = """
[shot]
name = "den"
frames = [1002, 1005]
handles = 1

[takes.hero]
path = "hero.mkv"

[[sweep]]
name = "violet"
path = "sweep.mkv"
max_keys = 3
model = "none"

[[light]]
name = "wisp"
figure_light = 0
[light.mix]
points = [[1002, 0.0], [1004, 0.6]]

[[light]]
name = "glow"
figure_light = 0
gel = [0.5, 0.5, 0.5]
lay = "screen"
screen_white = 2

[camera]
focal_mm = 35
sensor_width_mm = 24.9
height_m = 1.5
tilt_deg = -5
distance_m = 3.0
distance_at = [40, 12]

[holdout]
from = "none"

[render]
movie = "ffv1"
elements = ["light", "hero_clean"]
"""


@pytest.fixture(scope="module")
def shot(tmp_path_factory, unwatched):
    """A shot that is built; nobody writes into its folder."""
    folder = tmp_path_factory.mktemp("handover")
    room = make_room(1, size=SIZE, frames=24, lead=4)
    write_movie(room, folder / "sweep.mkv")
    write_movie(room, folder / "hero.mkv", frames=range(len(BUILT)))
    (folder / "shot.toml").write_text(SHOT)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(finish, "make_page", lambda page: b"no page")  # half of the time, and no part of a hand-over
        build_shot(folder / "shot.toml", options=BuildOptions(), progress=unwatched)
    return folder


@pytest.fixture(scope="module")
def given(shot, tmp_path_factory, unwatched):
    folder = tmp_path_factory.mktemp("handed") / "given"
    hand_over(shot / "shot.toml", folder, options=BuildOptions(), progress=unwatched)
    return folder


@pytest.fixture
def own(shot, tmp_path):
    """A copy of the built shot, to be spoilt."""
    return Path(shutil.copytree(shot, tmp_path / "shot"))


def hand(folder, target, progress, **options):
    return hand_over(folder / "shot.toml", target, options=BuildOptions(), progress=progress, **options)


def names_in(folder):
    return {path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file()}


def test_everything_that_was_built_is_there(given):
    frames = {f"elements/{e}/den_{e}_v001.{n}.exr" for e in ELEMENTS for n in BUILT}
    fixed = {"light_stack.exr", "plates/den_plate_v001.exr", "plates/den_plate_v001.png", "movies/den_relit_v001.mkv",
             "movies/den_preview_v001.mp4", "lights.usda", "shot.otio", "README.txt", "checks.json", "checksums.txt",
             "stills/key_frames.csv"}  # fmt: skip
    fixed |= {f"mix/{light}.{kind}" for light in ("wisp", "glow") for kind in ("csv", "json")}
    stills = {name for name in names_in(given) if re.fullmatch(r"stills/violet\.\d{4}\.exr", name)}
    assert len(stills) == 3 and names_in(given) == frames | fixed | stills


def test_the_formula_of_the_readme_rebuilds_the_finished_frames(given, shot):
    text = (given / "README.txt").read_text()
    assert "    lit   = hero_clean + light\n" in text
    assert "    relit = lit + light_screen * (1 - clamp(lit / 2, 0, 1)) + grain\n" in text
    for number in BUILT:
        parts = {}
        for element in ELEMENTS:
            with OpenEXR.File(str(given / f"elements/{element}/den_{element}_v001.{number}.exr")) as file:
                parts[element] = file.channels()["RGB"].pixels.astype(np.float32)
        lit = parts["hero_clean"] + parts["light"]
        again = lit + parts["light_screen"] * (1 - np.clip(lit / 2, 0, 1)) + parts["grain"]
        # REFERENCE  IEEE 754 binary16, read by the format's own library. TOLERANCE  one unit in the last place.
        ulp = np.spacing(np.abs(parts["relit"]).astype(np.float16)).astype(np.float32)
        assert (np.abs(again - parts["relit"]) <= ulp).all() and parts["light_screen"].any()


def test_light_that_is_only_added_has_a_shorter_formula(shot):
    build = open_finished(read_shot(shot / "shot.toml"), BuildOptions())
    lights = gather_lights(build, {}, BuildOptions())
    assert [round(light.colour.level, 3) for light in lights] == [1.0, 0.5]
    lines = say_laying(build, lights[:1], {"hero_clean", "light"})
    assert "    relit = hero_clean + light" in lines and not any("screen" in line for line in lines[1:])


def test_stills_are_those_of_the_stack_bit_for_bit(given):
    parts = [part for part in read_exr_headers(given / "light_stack.exr") if part.name.startswith("still_")]
    assert {part.attributes["source_frame"] for part in parts} == {
        int(name[-8:-4]) for name in names_in(given) if name.startswith("stills/violet.")
    }
    for index, part in enumerate(parts):
        own = read_exr(given / f"stills/violet.{part.attributes['source_frame']:04d}.exr")
        for channel, plane in read_exr(given / "light_stack.exr", index).items():
            np.testing.assert_array_equal(own[channel], plane)


def test_checksums_are_in_the_common_form_and_hold(given):
    lines = (given / "checksums.txt").read_text().splitlines()
    found = [re.fullmatch(r"([0-9a-f]{64})  (\S.*)", line) for line in lines]
    assert {match[2] for match in found} == names_in(given) - {"checksums.txt"}
    for match in found:
        assert hashlib.sha256((given / match[2]).read_bytes()).hexdigest() == match[1]


def test_nothing_of_this_machine_is_in_it(given, shot):
    for path in given.rglob("*"):
        if path.is_file():
            data = path.read_bytes()
            for word in (str(given.parent), str(shot), str(Path.home())):
                assert word.encode() not in data, path


def test_lights_are_the_mix_and_the_taped_place(given):
    pxr = pytest.importorskip("pxr.Usd")
    from pxr import UsdLux, UsdValidation

    stage = pxr.Stage.Open(str(given / "lights.usda"))
    validators = UsdValidation.ValidationRegistry().GetOrLoadAllValidators()
    assert not UsdValidation.ValidationContext(validators).Validate(stage)
    light = UsdLux.SphereLight(stage.GetPrimAtPath("/den/lights/wisp"))
    mix = read_mix(given / "mix/wisp.csv")
    said = json.loads((given / "mix/wisp.json").read_text())
    assert said["gain"] == mix.gains.tolist() and said["stops"][0] is None
    assert [light.GetIntensityAttr().Get(n) for n in BUILT] == [np.float32(mix.gain_at(n)) for n in BUILT]
    assert max(light.GetColorAttr().Get(1001)) == 1 and light.GetExposureAttr().Get() == 0
    red, green, blue = light.GetColorAttr().Get(1001)
    assert green < 0.5 * min(red, blue)  # the room's lamp is violet
    place = stage.GetPrimAtPath("/den/lights/wisp").GetAttribute("xformOp:translate").Get()
    assert np.linalg.norm(np.array(place) - [0, 1.5, 0]) == pytest.approx(3.0, abs=2e-4)


def test_the_timeline_marks_key_frames_and_points_of_the_mix(given):
    otio = pytest.importorskip("opentimelineio")
    timeline = otio.adapters.read_from_file(str(given / "shot.otio"))
    clips = {clip.name: clip for clip in timeline.find_clips()}
    keys = [int(row.split(",")[2]) for row in (given / "stills/key_frames.csv").read_text().splitlines()[1:]]
    starts = [mark.marked_range.start_time.value for mark in clips["sweep violet"].markers]
    assert starts == sorted(keys)
    assert [(m.name, m.marked_range.start_time.value) for m in clips["light"].markers] == [
        ("wisp: gain 0", 1002), ("wisp: gain 0.6", 1004)]  # fmt: skip
    for name in ELEMENTS:
        assert clips[name].source_range.start_time.value == CUT[0] and clips[name].duration().value == len(CUT)
        assert clips[name].available_range().duration.value == len(BUILT)
    assert [track.name for track in timeline.tracks][-2:] == ["den_preview_v001.mp4", "den_relit_v001.mkv"]


def test_the_readme_says_what_matters(given):
    text = (given / "README.txt").read_text()
    for word in ("ADDED", "linear light", "bt709", "sha256sum -c checksums.txt", "+-", "seizures"):
        assert word in text
    assert all(len(line) <= 100 for line in text.splitlines())
    checks = json.loads((given / "checks.json").read_text())
    assert [one["count"] for one in checks["sequences"]] == [len(BUILT)] * 5
    assert checks["frames"] == {"built": [1001, 1006], "cut": [1002, 1005]} and checks["stacks"][0]["nan_or_inf"] == 0


def test_a_light_that_travels_brings_its_places_and_its_stills(shot, tmp_path, silence):
    pytest.importorskip("pxr")
    from pxr import Usd

    frames = np.array(BUILT)
    pixels = np.column_stack([np.linspace(10, 60, 6), np.full(6, 12.0)])
    weights = StillWeights(frames, (9, 13), np.column_stack([np.linspace(0, 1, 6), np.linspace(1, 0, 6)]))
    extras = {"wisp": LightExtras(LampPath(frames, pixels), weights)}
    hand(shot, tmp_path / "given", silence, extras=extras)
    stage = Usd.Stage.Open(str(tmp_path / "given/lights.usda"))
    prim = stage.GetPrimAtPath("/den/lights/wisp")
    way = np.array([prim.GetAttribute("xformOp:translate").Get(n) for n in BUILT])
    assert (np.diff(way[:, 0]) > 0).all() and np.ptp(way[:, 1:], axis=0) == pytest.approx([0, 0], abs=2e-4)
    rows = (tmp_path / "given/weights/wisp.csv").read_text().splitlines()
    assert rows[0] == "frame,still_00009,still_00013" and rows[-1] == "1006,1,0"
    assert json.loads((tmp_path / "given/weights/wisp.json").read_text())["source_frames"] == [9, 13]


def test_paths_and_weights_of_the_shot_file_are_found(shot, tmp_path):
    build = open_finished(read_shot(shot / "shot.toml"), BuildOptions())
    light = build.settings.light[0]
    path = LightPath(points=[[1001, 10, 5], [1005, 30, 25]], shape="linear")
    found = find_path(build, light.model_copy(update={"using": "path", "path": path}))
    np.testing.assert_allclose(found.pixels[:, 0], [10, 15, 20, 25, 30, 30])
    assert found.frames.tolist() == list(BUILT) and find_path(build, light) is None
    table = tmp_path / "w.csv"
    table.write_text("still,weight\n9,0.25\n13,1.5\n")
    weights = find_weights(build, light.model_copy(update={"using": "stills", "weights": str(table)}))
    assert weights.source_frames == (9, 13) and weights.weights.tolist() == [[0.25, 1.5]] * len(BUILT)
    assert find_weights(build, light) is None
    name = build.delivery.stem("travel", f"other_{light.name}") + ".csv"  # ends as a table of this light's would
    other = replace(build, outputs={**build.outputs, name: ("", "")})
    build.delivery.folder.file(name).write_text("frame,still_00009\n1001,1\n")
    assert find_weights(other, light) is None
    build.delivery.folder.file(name).unlink()


def test_tables_of_stills_over_time_are_told_from_others(tmp_path, given):
    table = tmp_path / "a.csv"
    table.write_text("frame,still_00009,still_00013\n1001,0.5,0\n1002,0.25,1\n")
    frames, stills, weights = read_still_columns(table)
    assert frames.tolist() == [1001, 1002] and stills == (9, 13) and weights.tolist() == [[0.5, 0], [0.25, 1]]
    assert read_still_columns(given / "mix/wisp.csv") is None
    table.write_text("frame,still_00009\n1001,x\n")
    with pytest.raises(UnreadableInput, match="no number"):
        read_still_columns(table)


def test_colours_are_turned_into_rec709_and_keep_their_level():
    # REFERENCE  colour-science, ITU-R BT.2020 to BT.709 by their primaries. TOLERANCE  chromaticities rounded alike.
    colour = pytest.importorskip("colour")
    lamp, emitted = np.array([1.0, 0.6, 0.3]), np.array([0.5, 0.3, 0.15])
    made = scale_lamp(lamp, emitted, "bt2020", "a card")
    spaces = colour.RGB_COLOURSPACES
    told = colour.RGB_to_RGB(lamp, spaces["ITU-R BT.2020"], spaces["ITU-R BT.709"], is_12_bit=False)
    np.testing.assert_allclose(made.rgb, told / told.max(), atol=2e-4)
    assert made.level == pytest.approx(0.5) and not made.held
    deep = scale_lamp(lamp, np.array([0.0, 1.0, 0.0]), "bt2020", "a card")
    assert deep.held and deep.rgb.min() == 0 and deep.rgb.max() == 1
    black = scale_lamp(lamp, np.zeros(3), "bt2020", "a card")
    assert black.rgb.tolist() == [0, 0, 0] and black.level == 0


def spoil_manifest(out, change):
    manifest = json.loads((out / "manifest.json").read_text())
    change(manifest)
    stat = (out / "manifest.json").stat()
    (out / "manifest.json").write_text(json.dumps(manifest))
    os.utime(out / "manifest.json", ns=(stat.st_atime_ns, stat.st_mtime_ns))


def lose_frames(own):
    for number in (1003, 1005):
        (own / f"out/den_light_v001.{number}.exr").unlink()


def change_picture(own):
    path = own / "out/den_light_v001.1003.exr"
    write_exr(path, np.zeros((*SIZE, 3), np.float16), primaries="bt709")


def swap_picture(own, pixels, primaries="bt709", **attributes):
    """Put another picture in a frame's place, and its checksum into the manifest."""
    path = own / "out/den_light_v001.1003.exr"
    write_exr(path, pixels.astype(np.float16), primaries=primaries, attributes=attributes)
    digest = hashlib.sha256(path.read_bytes()).hexdigest()

    def change(manifest):
        next(one for one in manifest["outputs"] if one["path"] == path.name)["sha256"] = digest

    spoil_manifest(own / "out", change)


def shorten_mix(own):
    path = own / "out/den_mix_wisp_v001.csv"
    path.write_text("\n".join(path.read_text().splitlines()[:-1]) + "\n")


@pytest.mark.parametrize(
    ("spoil", "kind", "says"),
    [
        (lambda own: shutil.rmtree(own / "out"), MissingInput, "nothing is built there; run `lightstack build"),
        (lambda own: (own / "out/.lightstack/stages.json").write_text("{}"), MissingInput, "no build has finished"),
        (lambda own: (own / "shot.toml").write_text(SHOT.replace("0.6]]", "0.7]]")), SettingError, "is out of date"),
        (lambda own: shutil.copy(own / "hero.mkv", own / "sweep.mkv"), SettingError, "is out of date"),
        (lose_frames, MissingInput, "frames 1003, 1005 of den_light_v001 are missing"),
        (lambda own: (own / "out/den_plate_v001.exr").unlink(), MissingInput, "den_plate_v001.exr is missing"),
        (lambda own: (own / "sweep.mkv").unlink(), MissingInput, "sweep.mkv: nothing is there"),
        (change_picture, UnreadableInput, "den_light_v001.1003.exr: has changed since it was built"),
        (lambda own: swap_picture(own, np.full((*SIZE, 3), np.nan)), UnreadableInput, "2304 pixels are NaN or"),
        (lambda own: swap_picture(own, np.zeros((8, 8, 3))), UnreadableInput, "frames differ in size"),
        (lambda own: swap_picture(own, np.zeros((*SIZE, 3)), "bt2020"), UnreadableInput, "frames differ in size, ch"),
        (lambda own: swap_picture(own, np.zeros((*SIZE, 3)), framesPerSecond=Fraction(25)), UnreadableInput, "says 25"),
        (shorten_mix, UnreadableInput, "holds frames 1001 to 1005, the shot has 1001 to 1006"),
        (lambda own: spoil_manifest(own / "out", lambda m: m["outputs"].pop(0)), UnreadableInput, "disagree about"),
        (lambda own: (own / "out/manifest.json").write_text("no"), UnreadableInput, "is no manifest"),
    ],
)
def test_a_build_that_is_not_whole_is_refused_in_one_line(own, tmp_path, silence, spoil, kind, says):
    spoil(own)
    with pytest.raises(kind, match=re.escape(says)) as told:
        hand(own, tmp_path / "given", silence)
    assert "\n" not in str(told.value) and sorted(p.name for p in tmp_path.iterdir()) == ["shot"]


@pytest.mark.parametrize(
    ("where", "says"),
    [
        ("shot.toml", "is a file, a folder was expected"),
        ("out", "where builds write"),
        ("out/given", "where builds write"),
        (".", "where builds write"),
        ("others", "no hand-over of lightstack's"),
        ("hero.mkv/given", "cannot be written"),
    ],
)
def test_a_place_that_is_not_free_is_refused(own, silence, where, says):
    (own / "others").mkdir()
    (own / "others/notes.txt").write_text("mine")
    before = names_in(own)
    with pytest.raises(OutputError, match=re.escape(says)):
        hand(own, own / where, silence)
    assert names_in(own) == before


def test_a_former_hand_over_gives_way_only_when_asked_and_only_alone(shot, tmp_path, silence):
    target = tmp_path / "given"
    target.mkdir()  # an empty folder is free
    hand(shot, target, silence)
    with pytest.raises(OutputError, match="add --replace"):
        hand(shot, target, silence)
    (target / "notes.txt").write_text("mine")
    with pytest.raises(OutputError, match=re.escape("holds notes.txt, no part of the former hand-over")):
        hand(shot, target, silence, replace=True)
    (target / "notes.txt").unlink()
    (target / "README.txt").write_text("old")
    hand(shot, target, silence, replace=True)
    assert "Shot den" in (target / "README.txt").read_text()
    assert [path.name for path in tmp_path.iterdir()] == ["given"]


def test_a_full_disk_leaves_the_former_hand_over_as_it_was(shot, tmp_path, silence, monkeypatch):
    hand(shot, tmp_path / "deep/given", silence)
    before = {path: path.read_bytes() for path in tmp_path.rglob("*") if path.is_file()}

    def fail(*_):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(handover, "write_sums", fail)
    with pytest.raises(OutputError, match="No space left on device"):
        hand(shot, tmp_path / "deep/given", silence, replace=True)
    assert {path: path.read_bytes() for path in tmp_path.rglob("*") if path.is_file()} == before
    with pytest.raises(OutputError):
        hand(shot, tmp_path / "fresh/given", silence)
    assert not (tmp_path / "fresh").exists()


def test_without_the_libraries_the_rest_is_handed_over_and_a_line_says_so(shot, tmp_path, silence, monkeypatch):
    monkeypatch.setattr(handover, "has_usd", lambda: False)
    monkeypatch.setattr(handover, "has_otio", lambda: False)
    result = hand(shot, tmp_path / "given", silence)
    assert {"lights.usda", "shot.otio"}.isdisjoint(names_in(tmp_path / "given"))
    assert [line.split(":")[0] for line in result.warnings] == ["lights.usda", "shot.otio"]
    assert all("is not installed" in line for line in result.warnings)


def test_files_that_cannot_be_linked_are_copied(shot, tmp_path, silence, monkeypatch):
    def refuse(*_):
        raise OSError(errno.EXDEV, os.strerror(errno.EXDEV))

    monkeypatch.setattr(os, "link", refuse)
    hand(shot, tmp_path / "given", silence)
    plate = tmp_path / "given/plates/den_plate_v001.exr"
    assert plate.stat().st_nlink == 1 and plate.read_bytes() == (shot / "out" / plate.name).read_bytes()


def test_the_command_answers_in_json_with_exit_codes(shot, tmp_path, capsys):
    words = ["handover", str(shot / "shot.toml"), str(tmp_path / "given"), "--json"]
    assert run(words) == 0
    answer = json.loads(capsys.readouterr().out)
    assert answer["ok"] and answer["numbers"]["checked"]["missing frames"] == 0
    assert run(words) == 1
    told = json.loads(capsys.readouterr().out)["error"]
    assert told["kind"] == "OutputError" and "--replace" in told["line"]


def test_a_lamp_taped_outside_the_picture_is_refused(shot):
    build = open_finished(read_shot(shot / "shot.toml"), BuildOptions())
    camera = build.settings.camera.model_copy(update={"distance_at": (400.0, 12.0)})
    with pytest.raises(SettingError, match=re.escape("distance_at = [400, 12] lies outside the picture of 64 x 36")):
        gather_lights(replace(build, settings=build.settings.with_section(camera=camera)), {}, BuildOptions())


def test_flashing_light_is_told_as_the_build_found_it(shot):
    build = open_finished(read_shot(shot / "shot.toml"), BuildOptions())
    failing = replace(build, manifest={"flash": {"standing": say_standing(SimpleNamespace(fails=True)), "says": "no"}})
    assert fails_flashes(failing) and not any("flash" in line for line in list_unchecked(failing))
    unknown = replace(build, manifest={"flash": {"standing": say_standing(None)}})
    assert not fails_flashes(unknown) and list_unchecked(unknown)[0] == "flashing light: not checked"
    assert list_unchecked(replace(build, manifest={}))[0] == "flashing light: not checked"


def test_warnings_name_files_without_their_folders(shot):
    build = open_finished(read_shot(shot / "shot.toml"), BuildOptions())
    said = [f"{shot}/hero.mkv: odd", "see /mnt/a/b.mov, ../c/d.exr", "24000/1001 frames/s", "C:\\x\\y.mov: no"]
    told = list_warnings(replace(build, manifest={"warnings": said}))
    assert told == ["hero.mkv: odd", "see b.mov, d.exr", "24000/1001 frames/s", "y.mov: no"]
