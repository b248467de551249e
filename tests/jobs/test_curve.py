"""Mixes of a shot, with followers: a take, a pass, a sound; written without building."""


import json
from fractions import Fraction

import av
import cv2
import numpy as np
import pytest
import soundfile

from lightstack.cli.main import run
from lightstack.errors import LightstackError
from lightstack.files.folder import claimed_folder
from lightstack.files.kept.identity import StageBook, hash_value
from lightstack.files.shot.shotfile import read_shot
from lightstack.files.tables import read_mix
from lightstack.files.write.plates import write_exr
from lightstack.jobs.mix.curve import draw_curves
from lightstack.jobs.stage.standing import shot_inputs
from lightstack.jobs.takes.options import BuildOptions

SIZE = (48, 64)
FIRST, COUNT = 1001, 24
CODES = np.round(60 + 100 * np.abs(np.sin(np.arange(COUNT) / 4))).astype(int)
HEAD = """
[takes.hero]
path = "hero.mkv"

[[sweep]]
path = "hero.mkv"

[[light]]
name = "lamp"
[light.mix]
"""


def light_of(codes):
    # REFERENCE  ITU-R BT.709-6, item 1.2, inverted; full-range R'G'B'.
    x = np.asarray(codes) / 255
    return np.where(x < 0.081, x / 4.5, ((x + 0.099) / 1.099) ** (1 / 0.45))


def write_hero(path):
    """A grey wall with a patch of rows 10 to 30, columns 20 to 40 that changes."""
    with av.open(str(path), "w") as container:
        stream = container.add_stream("ffv1", rate=Fraction(24))
        stream.width, stream.height, stream.pix_fmt = SIZE[1], SIZE[0], "bgr0"
        context = stream.codec_context
        context.color_range, context.colorspace, context.color_primaries, context.color_trc = 2, 0, 1, 1
        for number, code in enumerate(CODES):
            picture = np.full((*SIZE, 3), 40, np.uint8)
            picture[10:30, 20:40] = (code // 2, code, code)  # blue, green, red
            frame = av.VideoFrame.from_ndarray(picture, format="bgr24").reformat(format="bgr0")
            frame.pts, frame.time_base = number, Fraction(1, 24)
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    folder = tmp_path_factory.mktemp("curves")
    write_hero(folder / "hero.mkv")
    mask = np.zeros(SIZE, np.uint8)
    mask[10:30, 20:40] = 255
    cv2.imwrite(str(folder / "matte.png"), mask)
    cv2.imwrite(str(folder / "black.png"), 0 * mask)
    time = np.arange(48_000) / 48_000
    soundfile.write(folder / "tone.wav", 0.5 * (time > 0.5) * np.sin(2 * np.pi * 480 * time), 48_000)
    soundfile.write(folder / "silent.wav", 0 * time, 48_000)
    (folder / "pass").mkdir()
    for number in range(FIRST + 2, FIRST + 14):
        picture = np.full((*SIZE, 3), 0.1 * (number - FIRST), np.float32)
        write_exr(folder / "pass" / f"fire.{number}.exr", picture, primaries="bt709")
    return folder


@pytest.fixture
def draw(folder, tmp_path, unwatched, monkeypatch):
    def draw(mix, light=None, head=HEAD, plot=False):
        if not plot:  # drawing takes longer than all the rest
            monkeypatch.setattr("lightstack.jobs.mix.mixes.plot_mix", lambda *mix, **options: b"")
        path = folder / "shot.toml"
        path.write_text(head + mix)
        result = draw_curves(path, light=light, out=tmp_path / "out", options=BuildOptions(), progress=unwatched)
        return result, read_mix(result.out / result.files[0]).gains

    return draw


def follow(text):
    return f"[[light.mix.follow]]\n{text}"


@pytest.mark.parametrize("area", ["region = [[20, 10], [40, 10], [40, 30], [20, 30]]", 'matte = "matte.png"'])
@pytest.mark.parametrize("channel", ["luminance", "r", "b"])
def test_a_follower_is_the_mean_linear_light_of_its_area(draw, area, channel):
    # REFERENCE  the codes that were written, through BT.709; luminance weights of BT.709-6 to 4 places.
    full, half = light_of(CODES), light_of(CODES // 2)
    judge = {"r": full, "b": half, "luminance": 0.9278 * full + 0.0722 * half}[channel]
    result, gains = draw(follow(f'take = "hero"\n{area}\nchannel = "{channel}"'))
    np.testing.assert_allclose(gains, judge / judge.max(), rtol=2e-3)
    assert result.lights[0].full["hero"] == pytest.approx(judge.max(), rel=2e-3)
    assert result.warnings == ()


def test_files_named_for_another_number_of_lights_are_taken_away(draw):
    first = draw("")[0]
    out, alone = first.out, first.files[0]
    assert (out / alone).is_file()
    more = draw('[[light]]\nname = "second"\n')[0].files
    assert not (out / alone).exists() and all((out / name).is_file() for name in more)
    draw("")
    assert (out / alone).is_file() and not (out / more[0]).exists()


def test_delay_gain_offset_and_limits(draw):
    judge = light_of(CODES)
    text = 'take = "hero"\nchannel = "r"\nmatte = "matte.png"\nfull = 0.5\ngain = 2\noffset = -0.1\ndelay = 3\n'
    result, gains = draw(follow(text + "floor = 0.2\nceiling = 0.9"))
    moved = np.concatenate([np.full(3, judge[0]), judge[:-3]])
    np.testing.assert_allclose(gains, np.clip(2 * moved / 0.5 - 0.1, 0.2, 0.9), rtol=2e-3)
    assert "first level holds over shot frames 1001-1003" in result.warnings[0]


def test_a_pass_goes_by_shot_frames_and_holds_where_it_is_too_short(draw):
    result, gains = draw(follow('path = "pass/fire.####.exr"\nfull = 1'))
    frames = np.clip(np.arange(COUNT), 2, 13)
    np.testing.assert_allclose(gains, 0.1 * frames, rtol=1e-3)
    assert "1001-1002 and its last level holds over shot frames 1015-1024" in result.warnings[0]


def test_a_sound_is_followed_by_its_rms(draw):
    # REFERENCE  the RMS of a sine is its height / sqrt 2; it begins half a second, 12 frames, in.
    result, gains = draw(follow('sound = "tone.wav"\nfull = 1'))
    judge = np.where(np.arange(COUNT) > 12, 0.5 / np.sqrt(2), 0.0)
    np.testing.assert_allclose(gains[np.arange(COUNT) != 12], judge[np.arange(COUNT) != 12], rtol=2e-3)
    assert gains[12] == pytest.approx(0.5 / 2, rel=2e-2)  # half of the window sounds: half of the power
    assert result.warnings == ()


def test_attack_and_release_are_time_constants(draw):
    _, gains = draw(follow('sound = "tone.wav"\nattack = 0.1\nfull = 1\nwindow = 0.01'))
    t = (np.arange(14, COUNT) - 12) / 24
    np.testing.assert_allclose(gains[14:], 0.5 / np.sqrt(2) * (1 - np.exp(-t / 0.1)), rtol=0.06)


def test_two_cameras_share_a_table(draw, folder):
    (folder / "other.csv").write_text("frame,gain\n" + "".join(f"{n},{n / 100}\n" for n in range(1, 61)))
    _, gains = draw('table = "other.csv"\ntable_offset = 990\nshutter = 180\n')
    np.testing.assert_allclose(gains, np.arange(11, 11 + COUNT) / 100, rtol=1e-9)


def test_a_clean_curve_says_what_it_does_and_is_measured_once(draw, folder, tmp_path):
    mix = "points = [[1001, 0], [1013, 1], [1024, 0]]\nshape = 'linear'\n" + follow('take = "hero"')
    result, gains = draw(mix, plot=True)
    facts = result.lights[0].facts
    assert facts.total == pytest.approx(gains.sum()) and facts.peak == pytest.approx(gains.max())
    written = [path for path in result.out.rglob("*") if path.suffix in (".npz", ".csv", ".png")]
    before = {path: path.stat().st_mtime_ns for path in written}
    draw(mix, plot=True)
    assert {path: path.stat().st_mtime_ns for path in before} == before and len(before) == 3


def test_a_build_is_stale_once_what_is_followed_changes(folder, tmp_path):
    path = folder / "stale.toml"
    sound = (folder / "tone.wav").read_bytes()
    (folder / "own.wav").write_bytes(sound)
    path.write_text(HEAD + follow('sound = "own.wav"'))
    settings = read_shot(path)
    (tmp_path / "out").mkdir()
    known = []
    for content in (sound, sound, sound[:-2]):
        (folder / "own.wav").write_bytes(content)
        with claimed_folder(tmp_path / "out") as out:
            known.append(hash_value(shot_inputs(StageBook(out), settings, BuildOptions())))
    assert known[0] == known[1] != known[2]


def test_fast_pulses_are_cautioned_about(draw):
    result, _ = draw("[[light.mix.pulse]]\nrate = 6\n")
    assert "seizures" in result.cautions[0] and "\n" not in result.cautions[0]
    assert draw("[[light.mix.pulse]]\nrate = 1\n")[0].cautions == ()


@pytest.mark.parametrize(
    ("mix", "said"),
    [
        ("points = [[10, 0], [20, 1]]", "outside the shot's frames 1001 to 1024"),
        ("envelope = { start = 1030 }", "outside the shot's frames"),
        ("[[light.mix.pulse]]\nat = [1005]\ncombine = 'add'\ndepth = -2", "below 0 at shot frames 1005"),
        ("[[light.mix.flicker]]\nhigh = 20", "faster than 24 frames a second"),
    ],
)
def test_what_looks_wrong_is_said_and_goes_on(draw, mix, said):
    result, _ = draw(mix)
    assert len(result.warnings) == 1 and said in result.warnings[0] and "\n" not in result.warnings[0]


@pytest.mark.parametrize(
    ("mix", "said"),
    [
        (follow('take = "hero"\nregion = [[90, 90], [99, 90], [99, 99]]'), "outside the picture of 64 x 48"),
        (follow('take = "hero"\nmatte = "black.png"'), "black all over"),
        (follow('take = "hero"\nmatte = "gone.png"'), "nothing is there"),
        (follow('take = "hero"\ndelay = 500'), "asks for 500"),
        (follow('sound = "silent.wav"'), "is silent"),
        (follow('sound = "tone.wav"\ndelay = 90'), "the shot has 1001 to 1024"),
        ('table = "gone.csv"', "nothing is there"),
    ],
)
def test_what_cannot_be_followed_is_refused_in_one_line(draw, mix, said):
    with pytest.raises(LightstackError) as caught:
        draw(mix)
    assert said in str(caught.value) and "\n" not in str(caught.value)


def test_the_command_prints_for_people_and_as_json(folder, tmp_path, capsys):
    two = HEAD + "points = [[1001, 0], [1024, 1]]\n\n[[light]]\nname = 'other'\n"
    (folder / "two.toml").write_text(two)
    words = ["curve", str(folder / "two.toml"), "-o", str(tmp_path / "out")]
    assert run(words) == 0
    said = capsys.readouterr().out
    assert "peak             gain 1 at frame 1024" in said and "two_mix_other_v001.png" in said
    assert run([*words, "--light", "lamp", "--json"]) == 0
    answer = json.loads(capsys.readouterr().out)
    assert answer["lights"][0]["facts"]["peak_frame"] == 1024
    assert answer["files"] == ["two_mix_lamp_v001.csv", "two_mix_lamp_v001.png"]
    assert run([*words, "--light", "lmap"]) == 1
    assert "the nearest is lamp" in capsys.readouterr().err
