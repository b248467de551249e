"""Finished frames: files rebuild them, a broken run goes on, the movie keeps the hero's own samples."""

import json
import resource
import subprocess
import sys
from fractions import Fraction
from types import SimpleNamespace

import numpy as np
import pytest
from made import write_movie

from lightstack.errors import OutputError, SettingError
from lightstack.files.read.takes import open_take
from lightstack.files.write.plates import read_exr, read_exr_headers
from lightstack.jobs.shot.build import build_shot
from lightstack.jobs.shot.frame_tasks import FrameHeader
from lightstack.jobs.shot.render import parse_frames, render_shot
from lightstack.jobs.takes.options import BuildOptions
from lightstack.records import CodedFrame

FIRST, FRAMES = 1001, 8
SHOT = f"""
[shot]
name = "den"

[takes.hero]
path = "hero.mkv"

[[sweep]]
path = "sweep.mkv"
model = "none"
max_keys = 4

[[light]]
figure_light = 0
[light.mix]
points = [[{FIRST + 2}, 0.0], [{FIRST + 4}, 0.6]]

[holdout]
from = "none"

[render]
movie = "ffv1"
elements = ["light", "hero_clean"]
"""


@pytest.fixture(scope="module")
def folder(small_room, tmp_path_factory):
    folder = tmp_path_factory.mktemp("render")
    write_movie(small_room, folder / "sweep.mkv", frames=[*range(8), *range(10, 60, 2)])
    write_movie(small_room, folder / "hero.mkv", frames=range(FRAMES))
    (folder / "shot.toml").write_text(SHOT)
    return folder


def render(folder, progress, frames=None, **options):
    return render_shot(folder / "shot.toml", frames=frames, options=BuildOptions(**options), progress=progress)


@pytest.fixture(scope="module")
def rendered(folder, unwatched):
    return render(folder, unwatched)


def read(result, element, frame):
    channels = read_exr(result.out / f"den_{element}_v001.{frame}.exr")
    return np.stack([channels[c] for c in "RGB"], -1)


def test_every_frame_is_rebuilt_from_its_elements(rendered):
    for frame in range(FIRST, FIRST + FRAMES):
        clean, light, relit = (read(rendered, name, frame) for name in ("hero_clean", "light", "relit"))
        assert relit.dtype == np.float16
        again = clean.astype(np.float32) + light.astype(np.float32)
        # REFERENCE  IEEE 754 binary16. TOLERANCE  one unit in the last place.
        ulp = np.spacing(np.abs(relit)).astype(np.float32)
        assert (np.abs(again - relit.astype(np.float32)) <= ulp).all()


def test_where_the_mix_is_off_the_frame_is_the_hero_as_it_was_decoded(rendered, folder):
    with open_take(folder / "hero.mkv") as hero:
        for frame in hero.read_frames([1, 3]):
            light = hero.linear(frame).astype(np.float16)
            np.testing.assert_array_equal(read(rendered, "relit", FIRST + frame.number - 1), light)
            assert not read(rendered, "light", FIRST + frame.number - 1).any()
    assert read(rendered, "light", FIRST + 6).any()


def test_frames_are_lossless_half_floats_that_name_their_primaries(rendered):
    part = read_exr_headers(rendered.out / f"den_relit_v001.{FIRST}.exr")[0]
    assert (part.kind, part.compression, part.primaries, part.channels) == ("half", "zip", "bt709", ("R", "G", "B"))
    assert part.attributes["framesPerSecond"] == (24, 1)


def test_headers_say_rate_timecode_and_pixel_aspect_as_the_hero_has_them():
    info = SimpleNamespace(rate=Fraction(25), first_frame=1, pixel_aspect=Fraction(4, 3))
    shot = SimpleNamespace(rate=None, first_frame=FIRST)
    say = FrameHeader(SimpleNamespace(shot=shot), SimpleNamespace(take=SimpleNamespace(info=info)))

    def frame(number, timecode):
        return SimpleNamespace(number=FIRST + 4, source=CodedFrame(number, (), None, timecode))

    same = {"framesPerSecond": Fraction(25), "PixelAspectRatio": pytest.approx(4 / 3)}
    assert say(frame(5, "01:00:00:04")) == {**same, "timeCode": "01:00:00:04"}
    for number, timecode in ((6, "01:00:00:05"), (5, None), (5, "01:00:00:31"), (5, "noon")):
        assert say(frame(number, timecode)) == same  # another frame stands in; none; no such number


def test_the_movie_keeps_the_heros_own_codes_where_no_light_falls(rendered, folder):
    with open_take(folder / "hero.mkv") as hero, open_take(rendered.out / "den_relit_v001.mkv") as movie:
        assert movie.info.frame_count == FRAMES and movie.info.rate == hero.info.rate
        for own, made in zip(hero.frames(), movie.frames(), strict=True):
            same = [np.array_equal(a, b) for a, b in zip(own.planes, made.planes, strict=True)]
            assert all(same) == (own.number <= 3)


@pytest.mark.slow
def test_light_beyond_the_encoding_is_clipped_and_counted(folder, unwatched):
    text = SHOT.replace('name = "den"', 'name = "den"\nout = "bright"').replace("0.6]]", "30.0]]")
    text = text.replace("[render]", "[render]\nexr = false")
    (folder / "bright.toml").write_text(text.replace('elements = ["light", "hero_clean"]', "elements = []"))
    result = render_shot(folder / "bright.toml", frames=None, options=BuildOptions(), progress=unwatched)
    line = next(line for line in result.warnings if "more light than" in line)
    assert "in 5 frames" in line and "most in B" in line  # the lamp is violet
    with open_take(result.out / "den_relit_v001.mkv") as movie:
        highest = {"limited": 1019, "full": 1023}[movie.info.encoding.range]
        top = max(int(plane.max()) for frame in movie.read_frames([6]) for plane in frame.planes)
    assert top == highest


def test_a_second_run_writes_nothing_and_lost_frames_come_back_as_they_were(rendered, folder, silence):
    kept = {p.name: p.read_bytes() for p in rendered.out.glob("*.exr")}
    again = render(folder, silence)
    assert "nothing changed" in silence.lines and again.files == rendered.files
    lost = rendered.out / f"den_relit_v001.{FIRST + 5}.exr"
    lost.unlink()
    again = render(folder, silence)
    assert f"frames: {FRAMES - 1} of {FRAMES} are written already" in silence.lines
    assert {p.name: p.read_bytes() for p in rendered.out.glob("*.exr")} == kept


def test_workers_change_no_byte(rendered, folder, silence):
    kept = {p.name: p.read_bytes() for p in rendered.out.glob("den_*.[0-9]*.exr")}
    render(folder, silence, force=True, threads=1)
    assert {p.name: p.read_bytes() for p in rendered.out.glob("den_*.[0-9]*.exr")} == kept


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "expected a frame or a range"),
        ("a-b", "expected a frame or a range"),
        ("1004-1002", "backwards"),
        ("1-2", "1001 to 1008"),
        ("1005-1009", "1001 to 1008"),
    ],
)
def test_frames_that_cannot_be_rendered_are_told_in_one_line(rendered, folder, silence, text, says):
    with pytest.raises(SettingError, match=says) as caught:
        render(folder, silence, frames=text)
    assert "\n" not in str(caught.value)


def test_single_frames_and_ranges():
    assert parse_frames("1010") == (1010, 1010) and parse_frames(" 1010 - 1030") == (1010, 1030)


@pytest.mark.slow
def test_some_frames_first_and_the_others_later(folder, silence):
    (folder / "some.toml").write_text(SHOT.replace('name = "den"', 'name = "den"\nout = "some"'))
    first = render_shot(folder / "some.toml", frames="1004-1005", options=BuildOptions(), progress=silence)
    assert sorted(p.name for p in first.out.glob("*relit*")) == ["den_relit_v001.1004.exr", "den_relit_v001.1005.exr"]
    assert any("2 of 8 are written" in line for line in first.warnings)
    whole = render_shot(folder / "some.toml", frames=None, options=BuildOptions(), progress=silence)
    assert len(list(whole.out.glob("*relit*.exr"))) == FRAMES and "frames: 2 of 8 are written already" in silence.lines


@pytest.mark.slow
def test_what_was_rendered_stays_until_it_is_rendered_again(folder, silence):
    path = folder / "later.toml"

    def write(peak=0.6, version=1):
        named = f'name = "den"\nout = "later"\nversion = {version}'
        path.write_text(SHOT.split("[render]")[0].replace('name = "den"', named).replace("0.6]]", f"{peak}]]"))

    def run(frames):
        return render_shot(path, frames=frames, options=BuildOptions(), progress=silence)

    def listed():
        return sorted(p.name for p in (folder / "later").glob("*.[0-9]*.exr"))

    write()
    run("1005-1006")
    names = listed()
    assert len(names) == 8
    # A build without [render] makes no frames, and leaves those alone that are there.
    result = build_shot(path, options=BuildOptions(), progress=silence)
    assert listed() == names and not any("earlier render" in line for line in result.warnings)
    assert not any("relit" in str(name) for name in result.files)
    write(peak=0.5)
    result = build_shot(path, options=BuildOptions(), progress=silence)
    assert listed() == names
    assert any("8 files of an earlier render" in line for line in result.warnings)
    result = run("1005")
    assert any("4 files of an earlier render" in line and "1006" in line for line in result.warnings)
    write(peak=0.5, version=2)
    run("1005")
    assert [name for name in listed() if "_v001" in name] == names


def test_a_movie_that_does_not_hold_the_hero_is_told_before_anything_is_made(folder, silence):
    path = folder / "odd.toml"
    path.write_text(SHOT.replace('name = "den"', 'name = "den"\nout = "odd"').replace("ffv1", "dnxhr"))
    with pytest.raises(SettingError, match="DNxHR holds pictures from"):
        render_shot(path, frames=None, options=BuildOptions(), progress=silence)
    assert not (folder / "odd").exists()


def test_a_shot_without_a_hero_has_no_frames(tmp_path, silence):
    (tmp_path / "shot.toml").write_text('[[sweep]]\npath = "sweep.mkv"\n')
    with pytest.raises(SettingError, match=r"no \[takes.hero\]"):
        render_shot(tmp_path / "shot.toml", frames=None, options=BuildOptions(), progress=silence)


def test_a_full_disk_leaves_whole_frames_and_the_next_run_goes_on(rendered, folder, silence, monkeypatch):
    # A limit on the size of files stands for a disk that is full at one frame.
    text = SHOT.replace('name = "den"', 'name = "den"\nout = "full"').replace("ffv1", "none")
    (folder / "full.toml").write_text(text)
    from lightstack.jobs.frame import element_sink

    written = []
    real = element_sink.write_exr

    def write_some(path, *args, **options):
        if len(written) >= 9:
            raise OutputError(f"{path}: cannot be written (No space left on device); free space or name another folder")
        real(path, *args, **options)
        written.append(path.name)

    with monkeypatch.context() as patched:
        patched.setattr(element_sink, "write_exr", write_some)
        with pytest.raises(OutputError, match="No space left"):
            render_shot(folder / "full.toml", frames=None, options=BuildOptions(threads=1), progress=silence)
    there = sorted((folder / "full").glob("*.[0-9]*.exr"))
    for path in there:  # whole files only
        assert path.read_bytes() == (rendered.out / path.name).read_bytes()
    assert len(there) == 9
    render_shot(folder / "full.toml", frames=None, options=BuildOptions(), progress=silence)
    assert any(line.endswith(f"of {FRAMES} are written already") for line in silence.lines)
    for path in rendered.out.glob("*.[0-9]*.exr"):
        assert path.read_bytes() == (folder / "full" / path.name).read_bytes()


def test_the_systems_own_limit_is_one_line_and_leaves_no_part_of_a_file(rendered, folder):
    script = (
        "import resource,sys;from pathlib import Path;resource.setrlimit(resource.RLIMIT_FSIZE,(20000,20000));"
        "import signal;signal.signal(signal.SIGXFSZ,signal.SIG_IGN);import numpy as np;"
        "from lightstack.files.write.plates import write_exr;"
        "write_exr(Path(sys.argv[1]),np.random.default_rng(1).random((112,200,3),np.float32),primaries='bt709')"
    )
    assert resource.RLIMIT_FSIZE is not None
    target = folder / "limited.exr"
    ran = subprocess.run([sys.executable, "-c", script, str(target)], capture_output=True, text=True, check=False)
    assert "cannot be written" in ran.stderr and not list(folder.glob("*limited*"))


def test_one_element_more_makes_no_other_again(rendered, folder, silence):
    # Last of the tests on this folder: the shot file is another one afterwards.
    kept = {p.name: p.stat().st_mtime_ns for p in rendered.out.glob("den_*.[0-9]*.exr")}
    (folder / "more.toml").write_text(SHOT.replace('"hero_clean"]', '"hero_clean", "holdout"]'))
    render_shot(folder / "more.toml", frames=None, options=BuildOptions(), progress=silence)
    after = {p.name: p.stat().st_mtime_ns for p in rendered.out.glob("den_*.[0-9]*.exr")}
    assert len(after) == len(kept) + FRAMES and {name: after[name] for name in kept} == kept


def test_a_screened_light_says_the_white_that_it_needs(folder, silence):
    text = SHOT.replace('name = "den"', 'name = "den"\nout = "screened"').replace('"ffv1"', '"none"')
    text = text.replace("figure_light = 0", 'figure_light = 0\nlay = "screen"\nscreen_white = 2.5')
    (folder / "screened.toml").write_text(text)
    result = render_shot(folder / "screened.toml", frames="1006", options=BuildOptions(), progress=silence)
    part = read_exr_headers(result.out / "den_light_screen_v001.1006.exr")[0]
    assert part.attributes["screenWhite"] == 2.5
    assert "screenWhite" not in read_exr_headers(result.out / "den_light_v001.1006.exr")[0].attributes
    outputs = json.loads((result.out / "manifest.json").read_text())["outputs"]
    said = next(one["what"] for one in outputs if "light_screen" in one["path"])
    assert said.endswith("against a white of 2.5")
