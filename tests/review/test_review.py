"""A small built shot on the review page's table: what is told of it, what may be changed, and that builds agree."""

import json
import re
import shutil
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from asking import Asking
from made import make_room
from made.movies import write_movie
from unwatched import Unwatched

from lightstack.core.lamp.travel_shade import enlarge_stops
from lightstack.core.page.plate import blend_proxies, weigh_proxies
from lightstack.errors import MissingInput, SettingError
from lightstack.files.folder import OutFolder
from lightstack.files.folder_lock import held_folder
from lightstack.files.kept.identity import StageBook
from lightstack.files.shot.shotfile import read_shot
from lightstack.files.write.plates import read_light
from lightstack.jobs.light.plates import notes_of, open_working, read_unlit
from lightstack.jobs.light.travel import TravellingLight, plan_path, sum_stills
from lightstack.jobs.mix import follow_pictures
from lightstack.jobs.review.changes import read_path
from lightstack.jobs.review.open import fit_proxy, open_review
from lightstack.jobs.review.review import Review
from lightstack.jobs.review.say import list_left_out, plan_light
from lightstack.jobs.review.stills import make_filled, open_proxies
from lightstack.jobs.shot.build import build_shot
from lightstack.jobs.sweep.accumulate import accumulate_plate
from lightstack.jobs.takes.options import BuildOptions
from lightstack.review.guard import Guard
from lightstack.review.pages import PageFile
from lightstack.review.routes import make_app

PORT = 40124
HOME = f"http://127.0.0.1:{PORT}"
SHOT = """# the den, at night
[shot]
name = "den"   # short

[takes.hero]
path = "hero.mkv"

[[sweep]]
path = "sweep.mkv"
name = "lamp"
max_keys = 8
group = [{ name = "late", frames = [[16, 30]] }]

[holdout]
from = "none"

[[light]]      # the only one
name = "glow"
gel = [1.0, 0.5, 0.25]   # as on the day

[light.mix]    # slowly up
points = [[1001, 0.0], [1005, 1.0]]
"""
PAGES = {"index.html": PageFile(b"<!doctype html>", "text/html"), "deep/one.js": PageFile(b"1", "text/javascript")}


@pytest.fixture(scope="module")
def path(tmp_path_factory):
    folder = tmp_path_factory.mktemp("table")
    room = make_room(1, size=(90, 160), frames=30, lead=6)
    write_movie(room, folder / "sweep.mkv")
    write_movie(room, folder / "hero.mkv", frames=range(5))
    (folder / "shot.toml").write_text(SHOT)
    build_shot(folder / "shot.toml", options=BuildOptions(), progress=Unwatched())
    return folder / "shot.toml"


@pytest.fixture(scope="module")
def review(path):
    made = Review(path, options=BuildOptions(), progress=Unwatched())
    wait_until_quiet(made)
    yield made
    made.close()


@pytest.fixture
def page(review, path):
    """A browser that has the page open; the shot file is put back afterwards."""
    asking = Asking(Guard(make_app(review, PAGES), port=PORT, token="t"), HOME)
    assert asking.enter("t") == (303, "/")
    yield asking
    path.write_text(SHOT)
    review.describe()


def wait_until_quiet(review):
    """Wait for what is worked out beside the page: pictures are drawn by it, and a test that builds draws some too."""
    while review.making.busy.is_set():
        time.sleep(0.02)


def send(page, path, value, **more):
    content = value if isinstance(value, bytes) else json.dumps(value).encode()
    return page.post(path, content=content, headers={"origin": HOME, "content-type": "application/json"}, **more)


# --- what it shows ---------------------------------------------------------------------------------


def test_the_page_is_told_of_the_shot(page):
    told = page.get("/api/shot").json()
    assert (told["name"], told["first"], told["last"], told["rate"]) == ("den", 1001, 1005, [24, 1])
    assert (told["size"], told["proxy"]) == ([160, 90], [160, 90])
    assert told["flash"]["state"] in ("clear", "failed", "not checked")
    assert told["view"]["kind"] == "hero" and len(told["view"]["decode"]) == 1024
    (light,) = told["lights"]
    assert light["gel"] == [1, 0.5, 0.25] and light["mix"]["points"] == [[1001, 0.0], [1005, 1.0]]
    np.testing.assert_allclose(light["gain"], [0, 0.25, 0.5, 0.75, 1], atol=1e-9)
    assert 0 < len(light["stills"]) <= 8
    assert light["groups"]["late"] == [s["index"] for s in light["stills"] if s["source_frame"] >= 16]
    assert told["sweeps"][0]["keys"] == [s["source_frame"] for s in light["stills"]]
    assert told["takes"][0]["take"] == "hero" and told["takes"][0]["findings"]


def test_pictures_fit_a_page():
    assert [fit_proxy(size) for size in ((1080, 1920), (2160, 3840), (1920, 1080), (360, 640), (858, 2048))] == [
        (720, 1280), (720, 1280), (1280, 720), (360, 640), (536, 1280),
    ]  # fmt: skip


def test_its_blend_is_the_builds_plate_at_screen_size(review, path):
    shot = review.opening.now.shot
    notes = notes_of(shot.built[0])
    stills = review.making.stills_of("glow", plain=True).gather(notes.shares, notes.gains)
    made = blend_proxies(stills, plan_light(shot, shot.find_light("glow")), np.ones(len(stills.valid)))
    built, sweep = shot.built[0], shot.settings.sweep[0].model_copy(update={"carry": False})  # the page says so
    stack, unlit = open_working(shot.delivery, built), read_unlit(shot.delivery, built)
    plate = accumulate_plate(stack, unlit, notes, sweep, threads=1).light
    # REFERENCE  the build's own plate, whose light is not carried on past masks.
    # TOLERANCE  the build takes the grain of single frames off afterwards, which keeps local means; 0.2 % of the mean.
    assert np.abs(np.mean(made - plate)) < 0.002 * plate.mean()
    assert np.abs(cv2.blur(made - plate, (9, 9))).mean() < 0.02 * plate.mean()
    assert "light is carried on past masks (" in str(list_left_out(shot))
    delivered = read_light(path.parent / "out" / "den_plate_v001.exr")
    assert (delivered > plate - 2e-3).all() and delivered.mean() < 1.05 * plate.mean()


def test_the_hero_comes_as_codes_that_the_table_decodes(page, review):
    told = page.get("/api/shot").json()
    answer = page.get("/api/hero/1003.bin")
    about = json.loads(answer.headers["x-picture"])
    assert about == {"width": 160, "height": 90, "format": "rgb10"}
    words = np.frombuffer(answer.content, "<u4").reshape(90, 160)
    codes = np.stack([words >> 20, words >> 10 & 1023, words & 1023], axis=-1)
    shown = np.asarray(told["view"]["decode"])[codes]
    take = review.opening.now.shot.hero.take
    hero = take.linear(next(iter(take.read_frames([3]))))
    np.testing.assert_allclose(shown, np.clip(hero, 0, 1), atol=2e-3)  # a code of ten bits near white
    assert page.get("/api/holdout/1003.bin").content == bytes(160 * 90)  # nobody stands there


def test_stills_come_whole_and_at_half_size(page, path):
    first = page.get("/api/shot").json()["lights"][0]["stills"][0]["source_frame"]
    still = np.frombuffer(page.get("/api/light/glow/0.bin").content, "<f2").reshape(90, 160, 4)
    wanted = read_light(path.parent / "out" / "den_light_stack_v001.exr", f"still_{first:05d}")
    valid = still[..., 3] > 0.999
    valid[[0, 1, -2, -1]] = valid[:, [0, 1, -2, -1]] = False  # plates are carried on where a nudge lost light
    np.testing.assert_allclose(still[valid][:, :3], wanted[valid], atol=1e-3)
    half = page.get("/api/light/glow/0.bin?half=1")
    assert json.loads(half.headers["x-picture"]) == {"width": 80, "height": 45, "format": "rgba16f"}
    assert np.frombuffer(half.content, "<f2").reshape(45, 80, 4)[..., 3].mean() == pytest.approx(
        still[..., 3].astype(float).mean(), abs=1e-3
    )
    guide = page.get("/api/light/glow/guide/0.bin")
    assert json.loads(guide.headers["x-picture"])["format"] == "r16f" and len(guide.content) == 2 * 90 * 160
    assert len(page.get("/api/light/glow/ambient.bin?half=1").content) == 8 * 45 * 80


def test_pictures_to_look_at_are_png(page):
    key = page.get("/api/shot").json()["sweeps"][0]["keys"][0]
    for name in ("plate/0", "naive/0", "reach/0", f"blockers/{key}", "holdout/1001"):
        answer = page.get(f"/api/picture/{name}.png")
        assert answer.content.startswith(b"\x89PNG") and answer.headers["content-type"] == "image/png"
    for name in ("doubt/1001", "flash/0", "secret/0", "blockers/1"):
        assert page.get(f"/api/picture/{name}.png").status_code == 404


@pytest.mark.parametrize(
    "asked",
    [
        "/api/light/attic/0.bin", "/api/light/glow/99.bin", "/api/light/glow/-1.bin", "/api/hero/900.bin",
        "/api/hero/../../etc/passwd", "/api/light/..%2F..%2Fshot.toml/0.bin", "/api/picture/..%2Fshot/0.png",
        "/shot.toml", "/../shot.toml", "/%2e%2e/shot.toml", "/deep", "/deep/", "/index.html/",
        "/api/nothing", "/<script>alert(1)</script>",
    ],
)  # fmt: skip
def test_nothing_else_is_found(page, asked):
    answer = page.get(asked)
    assert answer.status_code == 404
    assert answer.headers["content-type"] == "application/json"
    assert "<script>" not in answer.text and str(Path.cwd()) not in answer.text


def test_a_file_that_is_gone_is_told_in_one_line(page, review, monkeypatch):
    monkeypatch.setattr(review, "describe", lambda fresh: Path("nowhere").read_bytes())
    answer = page.get("/api/shot")
    assert answer.status_code == 500 and "nowhere" in answer.json()["error"]


def test_the_page_is_a_fixed_list_of_files(page):
    assert page.get("/").content == page.get("/index.html").content == b"<!doctype html>"
    assert page.get("/deep/one.js").headers["content-type"].startswith("text/javascript")


# --- what it changes -------------------------------------------------------------------------------


def test_a_mix_is_tried_as_the_build_has_it(page):
    mix = {"points": [[1001, 1.0], [1005, 0.0, "hold"]], "shape": "linear"}
    told = send(page, "/api/mix", {"light": "glow", "mix": mix}).json()
    np.testing.assert_allclose(told["gain"], [1, 0.75, 0.5, 0.25, 0])
    assert told["warnings"] == []
    assert page.get("/api/shot").json()["lights"][0]["gain"][0] == 0  # nothing was kept


def test_changes_are_looked_at_then_written_and_comments_stay(page, path):
    stills = page.get("/api/shot").json()["lights"][0]["stills"]
    changes = {
        "light": {"glow": {"gel": [0.5, 0.5, 1.0], "group": "late", "mix": {"points": [[1001, 0.5]]}}},
        "sweep": {"lamp": {"trim": {stills[1]["trim"]["name"]: {"gain": 0.25}}}},
    }
    looked = send(page, "/api/check", {"changes": changes}).json()
    assert "-gel = [1.0, 0.5, 0.25]   # as on the day" in looked["diff"]
    assert "+gel = [0.5, 0.5, 1.0]   # as on the day" in looked["diff"]
    assert path.read_text() == SHOT  # looking changes nothing
    written = send(page, "/api/write", {"changes": changes, "sha256": looked["sha256"]})
    assert written.status_code == 200
    text = path.read_text()
    for comment in ("# the den, at night", "# short", "# the only one", "# as on the day", "# slowly up"):
        assert comment in text
    assert page.get("/api/disk").json()["sha256"] == written.json()["sha256"] != looked["sha256"]
    (light,) = page.get("/api/shot").json()["lights"]
    assert light["gain"] == [0.5] * 5 and light["group"] == "late"
    assert (light["stills"][1]["trim"]["gain"], light["stills"][1]["built_trim"]["gain"]) == (0.25, 1)


def test_a_file_that_changed_on_disk_is_never_overwritten(page, path):
    sha256 = page.get("/api/shot").json()["shot_file"]["sha256"]
    path.write_text(SHOT + "# by another hand\n")
    changes = {"light": {"glow": {"figure_light": 0.5}}}
    answer = send(page, "/api/write", {"changes": changes, "sha256": sha256})
    assert answer.status_code == 409
    assert "has changed on disk" in answer.json()["error"]
    assert path.read_text() == SHOT + "# by another hand\n"
    again = page.get("/api/shot").json()["shot_file"]["sha256"]  # looked at anew, it may be written
    assert send(page, "/api/write", {"changes": changes, "sha256": again}).status_code == 200
    assert path.read_text().endswith("# by another hand\n")


def nest(depth):
    made = []
    for _ in range(depth):
        made = [made]
    return made


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"shot": {"out": "/etc"}}, "'shot' cannot be changed here"),
        ({"light": {"attic": {"gel": [1, 1, 1]}}}, "no light 'attic'"),
        ({"light": {"glow": {"weights": "/etc/passwd"}}}, "'weights' cannot be changed here"),
        ({"light": {"glow": {"mix": {"table": "/etc/passwd"}}}}, "names a file"),
        ({"light": {"glow": {"path": {"track": "../x.csv"}}}}, "names a file"),
        ({"light": {"glow": {"mix": {"points": "all"}}}}, "expected points"),
        ({"light": {"glow": {"gel": [1, -1, 1]}}}, "each of \\[r, g, b\\] must be 0 or more"),
        ({"light": {"glow": {"group": "<b>"}}}, "use letters, digits"),
        ({"light": {"glow": {"using": "path"}}}, "needs"),
        ({"sweep": {"lamp": {"trim": {"../x": {"gain": 1}}}}}, "named by its source frame"),
        ({"sweep": {"lamp": {"exclude": [40]}}}, "'exclude' cannot be changed here"),
        ({"sweep": {"lamp": {"trim": {"40": {"mask": []}}}}}, "'mask' cannot be changed here"),
        ({"grain": {"amount": 0.5}}, "has no \\[grain\\]"),
        ([], "expected a section of keys"),
        (None, "expected a section of keys"),
        ({"sweep": {"lamp": {"keys": [1] * 30000}}}, "more than 20000"),
        ({"sweep": {"lamp": {"trim": {"\u00b2": {"gain": 1}}}}}, "named by its source frame"),  # a digit, no number
        ({"light": {"glow": {"gel": [1, 1, 10**400]}}}, "expected three numbers"),
        ({"light": {"glow": {"mix": {"pulse": nest(800)}}}}, "more than 12 sections and lists deep"),
    ],
)
def test_what_a_page_may_not_change(page, path, changes, said):
    answer = send(page, "/api/check", {"changes": changes})
    assert answer.status_code == 400
    assert re.search(said, answer.json()["error"])
    assert "\n" not in answer.json()["error"]
    sha256 = page.get("/api/disk").json()["sha256"]
    assert send(page, "/api/write", {"changes": changes, "sha256": sha256}).status_code == 400
    assert path.read_text() == SHOT


@pytest.mark.parametrize("sent", [b"{", b"[1]", b"\xff", b'{"light": NaN}', b"[" * 5000, b""])
def test_what_is_no_json_is_refused(page, sent):
    assert send(page, "/api/mix", sent).status_code == 400


def test_a_shot_file_that_broke_is_told_and_the_page_goes_on(page, path):
    path.write_text("[shot\n")
    told = page.get("/api/shot").json()
    assert "cannot be shown" in told["warnings"][0] and told["lights"][0]["name"] == "glow"
    assert send(page, "/api/check", {"changes": {}}).status_code == 400


def test_a_group_that_names_what_was_not_built_is_told_too(page, path):
    path.write_text(SHOT.replace("frames = [[16, 30]]", 'frames = [["9:5", "9:6"]]'))
    told = page.get("/api/shot").json()
    assert "the sweep has 1 files" in told["warnings"][0] and "late" in told["lights"][0]["groups"]


def test_a_light_is_led_along_a_way(page):
    x, y, near = page.get("/api/shot").json()["lights"][0]["stills"][0]["place"]
    assert np.isfinite([x, y]).all() and 0 <= near <= 1
    points = [[1001, 20, 60], [1005, 180, 60]]
    told = send(page, "/api/travel", {"light": "glow", "points": points}).json()
    sums = [sum(weight for _, weight in row) for row in told["weights"]["rows"]]
    assert told["weights"]["first"] == 1001 and len(sums) == len(told["weights"]["places"]) == 5
    np.testing.assert_allclose(sums, 1, atol=1e-4)
    wrong = send(page, "/api/travel", {"light": "glow", "points": [[1005, 1, 1], [1001, 2, 2]]})
    assert wrong.status_code == 400 and "frames must ascend" in wrong.json()["error"]


def test_a_light_is_led_through_a_group_as_a_build_leads_it(page):
    (light,) = page.get("/api/shot").json()["lights"]
    asked = {"light": "glow", "points": [[1001, 20, 60], [1005, 180, 60]], "group": "late"}
    told = send(page, "/api/travel", asked).json()
    assert {k for row in told["weights"]["rows"] for k, _ in row} <= set(light["groups"]["late"])
    for group, said in (("none such", "none such"), (7, "expected a name")):
        refused = send(page, "/api/travel", {**asked, "group": group})
        assert refused.status_code == 400 and said in refused.json()["error"]


@pytest.mark.parametrize(
    "asked",
    ["", "at=1,2&stills=0", "at=a,b,c&stills=0", "at=nan,0,1&stills=0", "at=0,0,1", "at=0,0,1&stills=99",
     "at=0,0,1&stills=-1", "at=0,0,1&stills=0.5", "at=1e9,0,1&stills=0", "at=0,0,1&stills=" + "0," * 40 + "0"],
)  # fmt: skip
def test_no_stops_without_a_place_and_stills(page, asked):
    answer = page.get(f"/api/light/glow/lift.bin?{asked}")
    assert answer.status_code == 404 and re.search("expected|counted", answer.json()["error"])


def test_a_way_that_was_written_is_shown_before_it_is_built(page, path):
    points = [[1001, 20, 60], [1005, 180, 60]]
    tried = send(page, "/api/travel", {"light": "glow", "points": points}).json()["weights"]
    path.write_text(SHOT.replace('name = "glow"', f'name = "glow"\nusing = "path"\npath = {{ points = {points} }}'))
    assert page.get("/api/shot").json()["lights"][0]["weights"] == tried


def test_a_build_beside_the_page_tells_what_it_does(path, capsys):
    from lightstack.jobs.review.child import main

    assert main([str(path), '{"threads": 1}']) == 0
    told = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert told[0] == {"line": "nothing changed"} and told[-1]["state"] == "done"
    assert main([str(path.parent / "other.toml")]) == 1
    assert json.loads(capsys.readouterr().out)["state"] == "failed"


def test_stills_are_made_ready_for_a_sum_beside_the_page(page, review):
    answer = page.get("/api/light/glow/0.bin?filled=1")
    assert answer.status_code == 202 and "being made" in answer.json()["making"]
    while answer.status_code == 202:
        time.sleep(0.02)
        answer = page.get("/api/light/glow/0.bin?filled=1")
    proxies = review.making.stills_of("glow", filled=True)
    weights = np.zeros(proxies.count)
    weights[:2] = 0.25, 0.75
    made = weigh_proxies(proxies.gather(np.ones(proxies.count), np.ones((proxies.count, 3))), weights)
    # REFERENCE  what a build lays on a frame by these weights. TOLERANCE  half floats, as they are kept and sent.
    np.testing.assert_allclose(made, sum_stills(proxies._stack, weights), atol=1e-3)


@pytest.mark.parametrize(("size", "most", "mean"), [((90, 160), 0.5, 0.05), ((45, 80), 8.0, 0.25)])
def test_a_light_that_travels_is_the_builds_at_screen_size(page, review, size, most, mean):
    shot, points = review.opening.now.shot, cross_the_room(page)
    told = send(page, "/api/travel", {"light": "glow", "points": points}).json()["weights"]
    filled = make_filled(shot, shot.built[0], Unwatched())
    proxies = open_proxies(replace(shot, proxy=size), shot.built[0], filled)
    weights = np.zeros(proxies.count)
    for k, weight in told["rows"][2]:
        weights[k] = weight
    stills = proxies.gather(np.ones(proxies.count), np.ones((proxies.count, 3)))
    made = weigh_proxies(stills, weights, lift=ask_lift(page, weights, told["places"][2], size))
    # REFERENCE  what a build lays on this frame of the way, planned and summed by the build's own job, then made small.
    # TOLERANCE  of 255 codes of sRGB: at the same size half floats, and places and weights to six digits (0.02 were
    # seen). Made small here, a pixel holds a fifth of a patch of the map, and the means' product is not the product's
    # mean where light changes that fast (0.1 in the mean, 3 at worst).
    wanted = cv2.resize(lay_a_way(shot, filled, points).at(1003), size[::-1], interpolation=cv2.INTER_AREA)
    off = np.abs(show_srgb(made) - show_srgb(wanted))
    assert off.max() < most and off.mean() < mean
    plain = np.abs(show_srgb(weigh_proxies(stills, weights)) - show_srgb(wanted))
    assert plain.max() > 2 * most and plain.mean() > 4 * mean  # stills as they are are another light


def cross_the_room(page):
    """A way from the first still's place to the last one's."""
    stills = page.get("/api/shot").json()["lights"][0]["stills"]
    return [[frame, *stills[k]["place"][:2]] for frame, k in ((1001, 0), (1005, -1))]


def ask_lift(page, weights, place, size):
    """Stops (K, h, w) as the page asks for them, enlarged; 0 for stills that take no part."""
    used = np.flatnonzero(weights)
    answer = page.get(f"/api/light/glow/lift.bin?at={','.join(map(str, place))}&stills={','.join(map(str, used))}")
    about = json.loads(answer.headers["x-picture"])
    small = np.frombuffer(answer.content, "<f2").reshape(len(used), -1, about["width"]).astype(np.float32)
    lift = np.zeros((len(weights), *size), np.float32)
    lift[used] = [enlarge_stops(field, size) for field in small]
    return lift


def lay_a_way(shot, filled, points):
    """The light that a build would lay, frame by frame."""
    light, sweep, known = shot.find_light("glow"), shot.file_settings.find_sweep("lamp"), shot.places["lamp"]
    way = plan_path(shot.file_settings, light, read_path(points), sweep, notes_of(shot.built[0]), known, shot.frames)
    return TravellingLight(filled.open(), way.weights, way.path, known, shot.frames[0], lambda picture: picture)


def show_srgb(light):
    """Codes of 255, not rounded, by IEC 61966-2-1."""
    light = np.clip(light, 0, 1)
    return 255 * np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)


# --- opening ---------------------------------------------------------------------------------------


def test_a_second_look_makes_nothing_again(review, path):
    first = review.still("glow", 0)
    shelf = review.making.stills_of("glow", plain=True).shelf
    while not (shelf.folder / "still_0000.half").exists():
        time.sleep(0.01)  # it is written behind the page's back
    kept = {file: file.stat().st_mtime_ns for file in shelf.folder.glob("still_0000.half")}
    again = Review(path, options=BuildOptions(), progress=Unwatched())
    assert again.still("glow", 0) == first
    again.close()
    assert {file: file.stat().st_mtime_ns for file in kept} == kept


def test_a_shot_that_is_not_built_says_so_and_leaves_nothing(path, tmp_path):
    for name in ("sweep.mkv", "hero.mkv"):
        (tmp_path / name).symlink_to(path.parent / name)
    other = tmp_path / "shot.toml"
    other.write_text(SHOT)
    with pytest.raises(MissingInput, match=f"build it first: lightstack build {other}"):
        open_review(other, options=BuildOptions(), progress=Unwatched())
    assert not (tmp_path / "out").exists()


def test_a_sweep_that_changed_since_asks_for_a_build(page, path):
    path.write_text(SHOT.replace("max_keys = 8", "max_keys = 7"))
    with pytest.raises(MissingInput, match="sweep lamp has changed since it was built; build it first"):
        open_review(path, options=BuildOptions(), progress=Unwatched())


def test_a_hold_out_that_was_never_built_asks_for_a_build_too(page, path):
    path.write_text(SHOT.replace('from = "none"', 'from = "lamp"'))
    with pytest.raises(MissingInput, match=r"what its frames are made of is not built yet.*; build it first"):
        open_review(path, options=BuildOptions(), progress=Unwatched())


def test_a_shot_without_a_hero_shows_its_plates(path, tmp_path):
    (tmp_path / "sweep.mkv").symlink_to(path.parent / "sweep.mkv")
    (tmp_path / "shot.toml").write_text('[[sweep]]\npath = "sweep.mkv"\nname = "lamp"\nmax_keys = 3\n')
    build_shot(tmp_path / "shot.toml", options=BuildOptions(), progress=Unwatched())
    bare = Review(tmp_path / "shot.toml", options=BuildOptions(), progress=Unwatched())
    wait_until_quiet(bare)
    told = bare.describe()
    assert (told["first"], told["last"], told["hero"]) == (1001, 1001, False)
    (light,) = told["lights"]
    assert (light["name"], light["in_file"], light["gain"]) == ("lamp", False, [1.0])
    assert len(bare.hero(1001).data) == 4 * 90 * 160 and len(bare.still("lamp", 0).data) == 8 * 90 * 160
    with pytest.raises(SettingError, match="no light 'lamp'"):
        bare.check({"light": {"lamp": {"gel": [1, 1, 1]}}})
    bare.close()


def test_how_stills_join_is_written_with_every_comment_left(page, path):
    text = SHOT.replace("max_keys = 8", 'max_keys = 8     # enough\ncombine = "max"  # she liked the sparkle')
    for file in (text, SHOT):  # the key is there, or is not
        path.write_text(file)
        page.get("/api/shot")
        looked = send(page, "/api/check", {"changes": {"sweep": {"lamp": {"combine": "softmax"}}}}).json()
        changes = {"sweep": {"lamp": {"combine": "softmax"}}}
        assert send(page, "/api/write", {"changes": changes, "sha256": looked["sha256"]}).status_code == 200
        written = path.read_text()
        assert re.findall("#.*", written) == re.findall("#.*", file)
        assert set(written.splitlines()) - set(file.splitlines()) in (
            {'combine = "softmax"  # she liked the sparkle'}, {'combine = "softmax"'},
        )  # fmt: skip
        told = page.get("/api/shot").json()
        assert (told["lights"][0]["rule"], told["unbuilt"]) == ("softmax", True)
        assert read_shot(path).sweep[0].combine == "softmax"
    wrong = send(page, "/api/check", {"changes": {"sweep": {"lamp": {"combine": "mean"}}}})
    assert wrong.status_code == 400 and "combine" in wrong.json()["error"]


# --- others at work --------------------------------------------------------------------------------


def test_while_a_follower_is_measured_everything_else_is_answered(page, review, path, monkeypatch):
    review.describe(fresh=True)  # where a test before has built
    wait_until_quiet(review)
    begun, let_go, measured = threading.Event(), threading.Event(), []
    fill = follow_pictures._fill

    def slowly(*levels):  # every frame has been looked at
        measured.append(len(levels[0]))
        begun.set()
        assert let_go.wait(20)
        return fill(*levels)

    monkeypatch.setattr(follow_pictures, "_fill", slowly)
    path.write_text(SHOT + 'follow = [{ take = "hero", combine = "multiply" }]\n')
    tried = {"light": "glow", "mix": {"points": [[1001, 1.0]]}}
    with ThreadPoolExecutor(4) as pool:
        first = [pool.submit(review.describe) for _ in range(2)]
        assert begun.wait(20)
        mixed = pool.submit(review.mix, **tried)  # it needs the same level
        for asked in ("/api/disk", "/api/light/glow/0.bin", "/api/hero/1002.bin", "/api/picture/plate/0.png"):
            assert page.get(asked).status_code == 200
        assert send(page, "/api/check", {"changes": {"light": {"glow": {"figure_light": 0.5}}}}).status_code == 200
        assert not any(one.done() for one in (*first, mixed))
        let_go.set()
        told = [one.result(20) for one in first]
        gains = mixed.result(20)["gain"]
    assert measured == [5]  # once, for all three
    assert told[0]["lights"] == told[1]["lights"] and told[0]["lights"][0]["mix"]["modulators"]
    assert 0 < max(gains) <= 1 + 1e-9


@pytest.fixture
def apart(path, tmp_path):
    """The same shot in a folder of its own, and a page on it."""
    shutil.copytree(path.parent, tmp_path / "copy")
    made = Review(tmp_path / "copy" / "shot.toml", options=BuildOptions(), progress=Unwatched())
    wait_until_quiet(made)
    asking = Asking(Guard(make_app(made, PAGES), port=PORT, token="t"), HOME)
    asking.enter("t")
    yield asking, made.opening.path
    made.close()


def test_what_is_built_elsewhere_is_never_mixed_with_what_the_page_has(apart):
    page, path = apart
    page.headers["x-review-built"] = str(page.get("/api/shot?fresh=1").json()["built"])
    with held_folder(path.parent / "out" / ".lightstack", "work"):  # a build begins in another terminal
        answer = page.get("/api/light/glow/0.bin")
        assert answer.status_code == 503 and "ask again when it has ended" in answer.json()["error"]
        assert page.get("/api/hero/1001.bin").status_code == 200
        assert page.get("/api/disk").json()["anew"] is False
    assert page.get("/api/light/glow/0.bin").status_code == 200  # it built nothing
    path.write_text(SHOT.replace("0.25]   # as", "0.5]   # as"))
    assert page.get("/api/shot").json()["unbuilt"] is True  # the light is another than was checked for flashes
    build_shot(path, options=BuildOptions(), progress=Unwatched())
    assert page.get("/api/disk").json()["anew"] is True
    for asked in ("/api/light/glow/0.bin", "/api/hero/1001.bin", "/api/picture/plate/0.png"):
        answer = page.get(asked)
        assert answer.status_code == 409 and "load this page again" in answer.json()["error"]
    told = page.get("/api/shot?fresh=1").json()  # it is loaded again
    assert (told["built"], told["unbuilt"]) == (2, False)
    assert page.get("/api/hero/1001.bin").status_code == 409  # another tab has not been
    page.headers["x-review-built"] = "2"
    assert page.get("/api/light/glow/0.bin").status_code == 200
    assert page.get("/api/disk").json()["anew"] is False


def test_a_build_elsewhere_that_broke_off_leaves_the_page_as_it_was(apart):
    page, path = apart
    built = page.get("/api/shot?fresh=1").json()["built"]
    book = StageBook(OutFolder(path.parent / "out"))
    book.record("sweep lamp", {"other": 1}, [])  # of another sweep; and then the power failed
    assert page.get("/api/disk").json()["anew"] is True
    told = page.get("/api/shot?fresh=1").json()
    assert told["built"] == built
    assert "cannot be opened: " in told["warnings"][0] and "build it first" in told["warnings"][0]
    assert page.get("/api/hero/1001.bin").status_code == 200
