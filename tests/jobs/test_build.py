"""A shot file in; plate, mix, preview, contact sheet, report out; nothing twice."""

import os

import av
import cv2
import numpy as np
import pytest
from made.movies import write_movie

from lightstack.errors import MissingInput, OutputError, SettingError
from lightstack.files.read.takes import open_take
from lightstack.files.tables import read_mix
from lightstack.files.write.plates import read_exr
from lightstack.jobs.frame.sheets import pick_sheet_frames
from lightstack.jobs.shot.build import build_shot
from lightstack.jobs.takes.options import BuildOptions
from lightstack.records import MixCurve

SHOT = """
[shot]
name = "den"
frames = [1003, 1018]
handles = 2

[takes.hero]
path = "hero.mkv"

[[sweep]]
path = "sweep.mkv"
model = "none"
max_keys = 8

[[light]]
[light.mix]
envelope = { start = 1005, attack = 3, hold = 4, decay = 4 }
"""


@pytest.fixture(scope="module")
def shot(small_room, tmp_path_factory):
    folder = tmp_path_factory.mktemp("shot")
    write_movie(small_room, folder / "sweep.mkv")
    write_movie(small_room, folder / "hero.mkv", frames=[*range(10), *range(10)])
    (folder / "shot.toml").write_text(SHOT)
    return folder / "shot.toml"


@pytest.fixture(scope="module")
def built(shot, unwatched):
    return build_shot(shot, options=BuildOptions(), progress=unwatched)


def test_a_build_makes_everything_under_versioned_names(built):
    names = set(built.files)
    assert {
        "den_plate_v001.exr",
        "den_plate_v001.png",
        "den_light_stack_v001.exr",
        "den_mix_v001.csv",
        "den_preview_v001.mp4",
        "den_contact_sheet_v001.png",
        "frames.csv",
        "key_frames.csv",
        "manifest.json",
        "report.html",
    } <= names
    assert all((built.out / name).is_file() for name in names)


def test_the_mix_covers_frames_and_handles(built):
    mix = read_mix(built.out / "den_mix_v001.csv")
    assert (mix.first_frame, len(mix.gains)) == (1001, 20)
    assert mix.gain_at(1005) == 0 and mix.gain_at(1008) == 1 and mix.gain_at(1016) == 0


def test_the_preview_shows_hero_plus_light_and_the_hero_alone_where_the_mix_is_off(built, shot):
    with av.open(str(built.out / "den_preview_v001.mp4")) as movie:
        stream = movie.streams.video[0]
        assert (stream.width, stream.height, stream.average_rate) == (200, 112, 24)
    with open_take(built.out / "den_preview_v001.mp4") as preview:
        shown = [preview.linear(frame) for frame in preview.frames()]
    assert len(shown) == 20
    with open_take(shot.parent / "hero.mkv") as hero:
        frames = [hero.linear(frame) for frame in hero.read_frames([3, 9])]
    plate = read_exr(built.out / "den_plate_v001.exr")
    light = np.stack([plate[c] for c in "RGB"], -1).astype(np.float32)

    def codes(picture):
        # REFERENCE  ITU-R BT.709-6, item 1.2. Means over 9 x 9 pixels: the encoder drops the hero's grain.
        x = cv2.blur(np.clip(picture, 0, 1), (9, 9))
        return 255 * np.where(x < 0.018, 4.5 * x, 1.099 * np.maximum(x, 1e-9) ** 0.45 - 0.099)

    # TOLERANCE  8 bit 4:2:0 at constant quality 18: 1 code in the mean of 9 x 9 pixels.
    assert np.abs(codes(shown[2]) - codes(frames[0])).mean() < 1
    assert np.abs(codes(shown[8]) - codes(frames[1] + light)).mean() < 1.5
    assert codes(shown[8]).mean() > codes(shown[2]).mean() + 10


def test_a_second_build_reads_no_pixel(built, shot, silence, monkeypatch):
    def refuse(*_, **__):
        raise AssertionError("a sweep was built again")

    monkeypatch.setattr("lightstack.jobs.stage.sweep_stage.build_sweep", refuse)
    monkeypatch.setattr("lightstack.jobs.shot.frames_stage.walk_hero", refuse)
    before = {name: (built.out / name).read_bytes() for name in built.files}
    again = build_shot(shot, options=BuildOptions(), progress=silence)
    assert again.files == built.files
    assert {name: (built.out / name).read_bytes() for name in built.files} == before


def test_a_changed_mix_renders_the_preview_but_not_the_plate(built, shot, silence, monkeypatch):
    monkeypatch.setattr("lightstack.jobs.stage.sweep_stage.build_sweep", lambda *_, **__: pytest.fail("built again"))
    before = (built.out / "den_preview_v001.mp4").read_bytes()
    shot.write_text(SHOT.replace("attack = 3", "attack = 1"))
    try:
        build_shot(shot, options=BuildOptions(), progress=silence)
        assert (built.out / "den_preview_v001.mp4").read_bytes() != before
    finally:
        shot.write_text(SHOT)


@pytest.mark.parametrize("kept", ["sweep_sweep/built.npz", "hero/look.npz", "preview/laid.npz", "result.json"])
def test_a_kept_record_that_cannot_be_read_is_built_again(built, shot, silence, kept):
    path = built.out / ".lightstack" / kept
    if kept != "result.json":  # as if it had been recorded so: same size, same time
        (built.out / ".lightstack" / "result.json").write_text("{")
    stat = path.stat()
    path.write_bytes(bytes(stat.st_size))
    os.utime(path, ns=(stat.st_atime_ns, stat.st_mtime_ns))
    again = build_shot(shot, options=BuildOptions(), progress=silence)
    assert again.files == built.files
    assert sum(kept in line and "cannot be read" in line for line in silence.lines) == 1
    assert path.read_bytes() != bytes(stat.st_size)


@pytest.mark.parametrize(
    ("change", "error", "says"),
    [
        (("hero.mkv", "nobody.mkv"), MissingInput, "nobody.mkv"),
        (("handles = 2", "handles = 5"), SettingError, "998-1000"),
        (("max_keys = 8", "keys = [999]"), SettingError, "999"),
        (("[takes.hero]", "[preview]\nframes = [1005, 1030, 7]\n[takes.hero]"), SettingError, "1030"),
        (("frames = [1003, 1018]\nhandles = 2", "[preview]\nframes = [1005, 1030, 7]"), SettingError, "1030, 7"),
        (("frames = [1003, 1018]", "frames = [1003, 1018]\nout = \"shot.toml\""), OutputError, "is a file"),
    ],
)  # fmt: skip
def test_bad_shots_are_one_line(shot, tmp_path, silence, change, error, says):
    for name in ("hero.mkv", "sweep.mkv"):
        (tmp_path / name).symlink_to(shot.parent / name)
    (tmp_path / "shot.toml").write_text(SHOT.replace(*change))
    with pytest.raises(error) as caught:
        build_shot(tmp_path / "shot.toml", options=BuildOptions(), progress=silence)
    assert says in str(caught.value) and "\n" not in str(caught.value)


def test_sheet_frames_follow_the_mix():
    mix = MixCurve(1001, np.array([0, 0, 0.5, 1, 2, 1, 0, 0, 0.0]))
    frames = pick_sheet_frames([mix], 1001, 1009, ())
    assert 1005 in frames and 1002 in frames and max(frames) <= 1006
    late = MixCurve(1001, np.array([0, 0, 0, 0, 0, 0, 0, 3, 0.0]))
    both = pick_sheet_frames([mix, late], 1001, 1009, ())
    assert 1002 in both and 1008 in both and set(both) == set(pick_sheet_frames([late, mix], 1001, 1009, ()))
    assert pick_sheet_frames([mix], 1001, 1009, [1009, 1001, 1009]) == [1001, 1009]
    assert pick_sheet_frames([], 1001, 1009, ())[0] == 1001


@pytest.mark.slow
def test_files_of_lights_that_are_no_more_are_taken_away_or_told(shot, tmp_path, silence):
    for name in ("sweep.mkv", "hero.mkv"):
        (tmp_path / name).symlink_to(shot.parent / name)
    path = tmp_path / "shot.toml"
    sweeps = '[[sweep]]\nname = "{}"\npath = "sweep.mkv"\nmodel = "none"\nmax_keys = 4\n'
    head = SHOT[: SHOT.index("[[sweep]]")]

    def rebuild(names, lights, version=1):
        made = "".join(sweeps.format(name) for name in names)
        made += "".join(f'[[light]]\nname = "{light}"\nfrom = "a"\n' for light in lights)
        path.write_text(head.replace('name = "den"', f'name = "den"\nversion = {version}') + made)
        silence.lines.clear()
        build_shot(path, options=BuildOptions(), progress=silence)
        return {one.name for one in (tmp_path / "out").glob("*mix*")}

    def mixes(*lights, version=1):
        return {f"den_mix_{light}_v{version:03d}.{ending}" for light in lights for ending in ("csv", "png")}

    assert rebuild("ab", ["a", "key", "fill"]) == mixes("a", "key", "fill")
    assert rebuild("ab", ["a", "rim"]) == mixes("a", "rim")  # one renamed, one removed
    assert not any("earlier build" in line for line in silence.lines)
    assert rebuild("a", ["a", "rim"]) == mixes("a", "rim")
    told = [line for line in silence.lines if "of an earlier build and no part of this one" in line]
    assert len(told) == 1 and "den_" in told[0] and "more files are" in told[0]
    assert (tmp_path / "out/den_plate_b_v001.exr").is_file()  # what took long to make is left to people
    assert rebuild("a", ["rim", "kick"], version=2) == mixes("a", "rim") | mixes("rim", "kick", version=2)
    assert not any("earlier build" in line for line in silence.lines)  # a version before is kept on purpose
