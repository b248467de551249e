"""Movies, stills and a finished shot checked for flashes, from files to words."""

import json
from fractions import Fraction

import cv2
import numpy as np
import pytest
from clips import TAGS_709, write_clip
from made import write_movie

from lightstack.cli.main import run
from lightstack.errors import MissingInput, SettingError, UnusableTake
from lightstack.files.write.plates import write_exr
from lightstack.jobs.flash.flash import FlashOptions, check_flash
from lightstack.jobs.shot.build import build_shot
from lightstack.jobs.takes.options import BuildOptions
from lightstack.report.flash_words import say_standing

SIZE = (54, 96)
DARK, BRIGHT = 70, 170  # 8-bit limited codes of luma: 0.051 and 0.447 of the screen's peak


def planes(luma, scale=1):
    """A grey frame whose middle has code ``luma``; 4:2:0."""
    grey = np.full(SIZE, DARK * scale, np.uint8 if scale == 1 else np.uint16)
    grey[10:44, 20:76] = luma * scale
    chroma = np.full((27, 48), 128 * scale, grey.dtype)
    return grey, chroma, chroma


def clip(path, *, hertz, rate=Fraction(24), frames=48, scale=1, times=None, **options):
    shown = [planes(BRIGHT if int(k / rate * 2 * hertz) % 2 else DARK, scale) for k in range(frames)]
    kind = "yuv420p" if scale == 1 else "yuv420p10le"
    return write_clip(path, shown, codec="ffv1", pixel_format=kind, rate=rate, tags=TAGS_709, times=times, **options)


def check(path, progress, out=None, **options):
    return check_flash(path, out=out, options=FlashOptions(**options), progress=progress)


@pytest.mark.parametrize("scale", [1, 4])  # 8 and 10 bit, limited range
def test_a_movie_that_flashes_fails_and_says_where_and_what_would_pass(tmp_path, unwatched, scale):
    path = clip(tmp_path / "fast.mkv", hertz=5, scale=scale)
    found = check(path, unwatched, out=tmp_path / "out")
    report = found.report
    assert report.fails and {span.rule for span in report.spans} >= {"general"}
    assert report.spans[0].first == 1 and report.spans[0].last == 48
    assert len(report.remedies) == 2 and "% of its swing" in report.remedies[0]
    for name in found.files:
        assert (tmp_path / "out" / name).stat().st_size > 0
    assert {"fast_flash.csv", "fast_flash.png", "fast_flash_areas.png"} == set(found.files)
    rows = (tmp_path / "out" / "fast_flash.csv").read_text().splitlines()
    assert rows[0].startswith("frame,seconds,general_changes,general_area") and len(rows) == 49


def test_three_flashes_a_second_pass_and_nothing_more_is_claimed(tmp_path, unwatched):
    report = check(clip(tmp_path / "slow.mkv", hertz=3), unwatched).report
    assert not report.fails and not report.remedies
    assert say_standing(report) == "no failure found" and say_standing(None) == "not checked"


def test_frames_of_an_uneven_movie_count_at_their_time_stamps(tmp_path, unwatched):
    # the same frames: within two seconds, and from the middle on four times as slow
    times = [k if k < 24 else 24 + 4 * (k - 24) for k in range(48)]
    path = clip(tmp_path / "uneven.mkv", hertz=5, times=times, time_base=Fraction(1, 24))
    report = check(path, unwatched).report
    assert report.fails and any("time stamp" in note for note in report.notes)
    assert report.table.seconds[-1] == pytest.approx(times[-1] / 24, abs=2e-3)
    assert report.table.changes[-1].max() <= 3


def test_frames_can_be_picked_and_short_footage_is_said_to_be_short(tmp_path, unwatched):
    path = clip(tmp_path / "fast.mkv", hertz=5)
    report = check(path, unwatched, frames="5-14").report
    assert report.table.frames.tolist() == list(range(5, 15))
    assert any("shorter than a second" in note for note in report.notes) and not report.fails


def test_stills_need_a_rate(tmp_path, unwatched):
    for k in range(30):
        cv2.imwrite(str(tmp_path / f"a.{k + 1:04d}.png"), np.full((*SIZE, 3), 200 if k // 2 % 2 else 20, np.uint8))
    with pytest.raises(SettingError, match="--rate"):
        check(tmp_path / "a.####.png", unwatched)
    assert check(tmp_path / "a.####.png", unwatched, rate="25").report.fails
    assert not check(tmp_path / "a.####.png", unwatched, rate="10").report.fails  # 2.5 flashes a second


def test_linear_frames_are_shown_through_a_view_that_is_named(tmp_path, unwatched):
    for k in range(24):
        light = np.full(SIZE, 0.6 if k // 2 % 2 else 0.05, np.float16)
        write_exr(tmp_path / f"a.{k + 1:04d}.exr", dict.fromkeys("RGB", light), primaries="bt709")
    report = check(tmp_path / "a.####.exr", unwatched, rate="24").report
    assert report.fails and report.screen.startswith("through the view ")


def test_what_cannot_be_checked_is_told(tmp_path, unwatched):
    with pytest.raises(MissingInput):
        check(tmp_path / "none.mov", unwatched)
    with pytest.raises(UnusableTake, match="at least two"):
        check(clip(tmp_path / "one.mkv", hertz=5, frames=1), unwatched)
    path = clip(tmp_path / "fast.mkv", hertz=5)
    for options, said in [
        ({"frames": "9-3"}, "backwards"),
        ({"frames": "40-60"}, "has frames 1 to 48"),
        ({"rate": "fast"}, "no frame rate"),
        ({"peak": 3.0}, "--peak"),
    ]:
        with pytest.raises(SettingError, match=said):
            check(path, unwatched, **options)
    tiny = write_clip(tmp_path / "tiny.mkv", [(np.full((8, 8), 90, np.uint8),) * 3] * 3, codec="ffv1",
                      pixel_format="yuv444p", tags=TAGS_709)  # fmt: skip
    with pytest.raises(UnusableTake, match="8 x 8"):
        check(tiny, unwatched)


def test_the_exit_code_is_three_and_json_says_the_same(tmp_path, capfd):
    path = clip(tmp_path / "fast.mkv", hertz=5)
    assert run(["flash", str(path), "--json"]) == 3
    said = json.loads(capfd.readouterr().out)
    assert (said["ok"], said["exit"], said["standing"]) == (False, 3, "fails")
    assert said["failing"][0]["frames"] == [1, 48] and "seizures" in said["caution"]
    assert run(["flash", str(path), "--rate", "10"]) == 0
    said = capfd.readouterr().out
    assert "no failure found by these two rules" in said and "not a certified broadcast test" in said
    assert "safe" not in said


# --- a shot -------------------------------------------------------------------------------------------

SHOT = """
[shot]
name = "den"
[takes.hero]
path = "hero.mkv"
[[sweep]]
path = "sweep.mkv"
max_keys = 3
model = "none"
[holdout]
from = "none"
[[light]]
figure_light = 0
[light.mix]
shape = "hold"
points = {points}
{more}
"""


@pytest.fixture(scope="module")
def folder(small_room, tmp_path_factory):
    folder = tmp_path_factory.mktemp("flash")
    write_movie(small_room, folder / "sweep.mkv", frames=[*range(8), *range(10, 60, 2)])
    write_movie(small_room, folder / "hero.mkv", frames=list(range(8)) * 4)
    write_shot(folder, 3.0)
    return folder


def write_shot(folder, gain, more=""):
    points = [[1001 + k, gain if k // 2 % 2 else 0.02] for k in range(32)]
    (folder / "shot.toml").write_text(SHOT.format(points=points, more=more))


def test_a_build_warns_of_its_own_frames_and_finds_the_mix_that_passes(folder, unwatched):
    def build(**options):
        return build_shot(folder / "shot.toml", options=BuildOptions(**options), progress=unwatched)

    result = build()
    assert result.flashes and any(line.startswith("flash check: fails") for line in result.warnings)
    manifest = json.loads((result.out / "manifest.json").read_text())["flash"]
    assert manifest["standing"] == "fails" and manifest["failing"][0]["frames"][0] == 1001
    assert 'id="flash"' in (result.out / "report.html").read_text()
    assert build().flashes  # recalled
    found = check(folder / "shot.toml", unwatched)
    share = float(found.report.remedies[0].split("gain times ")[1][:4])
    assert 0 < share < 1
    write_shot(folder, 3.0 * share)  # built with that mix it passes in full
    assert not build().flashes
    write_shot(folder, 3.0 * share, "[flash]\ncheck = false")
    result = build()
    assert not result.flashes and result.numbers["flash check"] == "not checked"
    assert "Not checked" in (result.out / "report.html").read_text()
    with pytest.raises(SettingError, match=r"\[flash\]"):
        check(folder / "shot.toml", unwatched, peak=100.0)
