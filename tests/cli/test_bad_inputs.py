"""Bad input through the command line: one plain line, the exit code, and nothing left behind."""

import resource
import shutil
import warnings
from dataclasses import replace
from itertools import pairwise

import cv2
import numpy as np
import OpenEXR
import pytest
from clips import flat_planes, moving_pictures, write_clip
from made import make_room, write_movie

from lightstack.cli.main import run

LEAD, FRAMES, SIZE = 10, 36, (96, 160)


@pytest.fixture(scope="module")
def footage(tmp_path_factory):
    """A folder of tiny takes, good and bad."""
    folder = tmp_path_factory.mktemp("footage")
    room = make_room(1, size=SIZE, frames=FRAMES, lead=LEAD)
    write_movie(room, folder / "good.mkv")
    write_movie(room, folder / "dark.mkv", frames=range(LEAD))
    write_movie(room, folder / "one.mkv", frames=[20])
    write_movie(room, folder / "lit.mkv", frames=range(LEAD + 2, FRAMES - 12))
    whole = (folder / "good.mkv").read_bytes()
    (folder / "cut.mkv").write_bytes(whole[: len(whole) * 7 // 10])
    (folder / "empty.mov").touch()
    (folder / "letter.mov").write_text("dear all, " * 99)
    (folder / "set.toml").write_text('[shot]\nname = "den"\n')
    (folder / "nothing").mkdir()
    white = flat_planes((48, 64), "yuv444p10le", (940, 512, 512))
    write_clip(folder / "white.mkv", [white] * 8, codec="ffv1", pixel_format="yuv444p10le")
    write_clip(folder / "square.mkv", moving_pictures(6, (64, 64)), codec="ffv1")
    dot = flat_planes((1, 1), "yuv444p", (90, 128, 128))
    write_clip(folder / "dot.mkv", [dot] * 4, codec="ffv1", pixel_format="yuv444p")
    write_stills(folder, room)
    return folder


def write_stills(folder, room):
    """Write numbered stills: gaps, another size, a cut PNG, NaN and infinity in EXR."""
    for name in ("gaps", "sizes", "cut_png", "nan", "infinite"):
        (folder / name).mkdir()
    for number in range(1, 7):
        codes = (room.filmed(number)[..., ::-1].clip(0, 1) * 65535).astype(np.uint16)
        if number not in (3, 4):
            cv2.imwrite(str(folder / f"gaps/s.{number:04d}.png"), codes)
        cv2.imwrite(str(folder / f"sizes/s.{number:04d}.png"), codes if number != 5 else codes[:80])
        cv2.imwrite(str(folder / f"cut_png/s.{number:04d}.png"), codes)
        for name, value in (("nan", np.nan), ("infinite", np.inf)):
            light = room.filmed(number).astype(np.float16)
            light[7, 9, 1] = value if number == 2 else 0
            header = {"compression": OpenEXR.ZIP_COMPRESSION, "type": OpenEXR.scanlineimage}
            OpenEXR.File(header, {"RGB": light}).write(str(folder / f"{name}/s.{number:04d}.exr"))
    cut = folder / "cut_png/s.0004.png"
    cut.write_bytes(cut.read_bytes()[:3000])


@pytest.fixture
def tell(footage, tmp_path, capfd):
    """Run a command line in which @ stands for the footage; give exit code, stderr and the output folder."""

    def call(words):
        out = tmp_path / "deep" / "out"
        words = [word.replace("@", f"{footage}/") for word in words.split()]
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            code = run([words[0], *words[1:], *(["-o", str(out)] if words[0] == "plate" else [])])
        return code, capfd.readouterr().err, out

    return call


BAD = [  # command line, exit code, words that must stand in the line
    ("plate @missing.mov", 1, "missing.mov nothing is there"),
    ("plate @good.mkv --ocio nope.ocio", 1, "--ocio nope.ocio no such file"),
    ("plate @empty.mov", 1, "empty.mov 0 bytes"),
    ("plate @letter.mov", 1, "letter.mov not a movie"),
    ("plate @nothing", 1, "no stills"),
    ("plate @cut.mkv", 1, "cut.mkv frame truncated --keep-readable"),
    ("plate @one.mkv", 1, "one.mkv one frame"),
    ("plate @dark.mkv", 1, "dark.mkv never changes"),
    ("plate @white.mkv", 1, "white.mkv clipped"),
    ("plate @dot.mkv", 1, "dot.mkv 1 x 1 32 x 32"),
    ("plate @lit.mkv", 1, "lit.mkv no empty take"),
    ("plate @gaps", 1, "gaps frames 3-4 missing 1-6"),
    ("plate @sizes", 1, "s.0005.png 160 x 80 160 x 96"),
    ("plate @cut_png", 1, "s.0004.png truncated"),
    ("plate @nan", 1, "s.0002.exr NaN x 9, y 7"),
    ("plate @infinite", 1, "s.0002.exr infinite"),
    ("plate @good.mkv --empty @square.mkv", 1, "square.mkv 64 x 64 160 x 96 same shape"),
    ("plate @good.mkv --colour slogg3", 1, "--colour slogg3 nearest slog3"),
    ("plate @good.mkv --keys 12,999", 1, "good.mkv 999 1 to 36"),
    ("plate @good.mkv --exclude 1-36", 1, "good.mkv exclude lamp on"),
    ("plate @good.mkv --memory 50MiB", 1, "good.mkv 50 MiB at least 202 MiB"),
    ("plate @good.mkv --memory lots", 1, "--memory lots 2GiB"),
    ("plate @good.mkv --nonsense", 2, "--nonsense --help"),
    ("plate", 2, "SWEEP"),
    ("plate @set.toml", 1, "set.toml a shot file lightstack build"),
    ("plate @good.mkv --empty @set.toml", 1, "set.toml a shot file lightstack build"),
    ("clean @set.toml -o @clean.exr", 1, "set.toml a shot file lightstack build"),
    ("element @good.mkv --empty @set.toml -o @hat", 1, "set.toml a shot file lightstack build"),
    ("grain measure @set.toml -o @grain.json", 1, "set.toml a shot file lightstack build"),
    ("batch @set.toml", 1, "set.toml is a file lightstack build"),
    ("plate @good.mkv --cluster here", 1, "--cluster here no address tcp://host:port"),
    ("build @missing.toml --cluster foo", 1, "--cluster foo no address"),
    ("batch @nothing --cluster tcp://one", 1, "--cluster tcp://one no address"),
    ("preview @missing.toml --cluster http://one:80", 1, "--cluster http://one:80 no address"),
    ("clean @good.mkv -o @clean.exr --cluster tcp://one:99999", 1, "--cluster tcp://one:99999 no address"),
    ("inspect @good.mkv --cluster @nothing", 1, "--cluster nothing no address"),
    ("build @missing.toml", 1, "missing.toml no such shot file"),
    ("build @good.mkv", 1, "good.mkv UTF-8"),
    ("new @nothing", 1, "nothing holds no movies"),
    ("inspect @missing.mov", 1, "missing.mov nothing is there"),
    ("inspect @letter.mov", 1, "letter.mov not a movie"),
    ("inspect @cut.mkv", 1, "cut.mkv frame truncated --keep-readable"),
    ("inspect @one.mkv", 1, "one.mkv one frame"),
    ("inspect @dot.mkv", 1, "dot.mkv 1 x 1 32 x 32"),
    ("inspect @cut_png", 1, "s.0004.png truncated"),
    ("inspect @good.mkv --colour slogg3", 1, "--colour slogg3 nearest slog3"),
    ("inspect @missing.toml", 1, "missing.toml no such shot file"),
    ("inspect", 2, "TAKE"),
]


@pytest.mark.parametrize("words, code, expected", BAD, ids=[row[0].replace("@", "") for row in BAD])
def test_bad_input_is_told_in_one_line(tell, words, code, expected):
    got, told, out = tell(words)
    lines = told.splitlines()
    assert got == code
    assert len(lines) == 1 and lines[0].startswith("lightstack: "), told
    for word in expected.split():
        assert word in lines[0]
    assert not out.parent.exists()  # neither the folder nor what leads to it


SHOT = """
[shot]
name = "s"
out = "{out}"
{shot}
[takes.hero]
path = "{footage}/good.mkv"
[[sweep]]
name = "v"
path = "{footage}/{sweep}"
{more}
"""
BAD_SHOTS = [  # what differs from a good shot file, words that must stand in the line
    ({"more": "coverge = 0.9"}, "coverge nearest coverage line"),
    ({"more": "coverage = 7"}, "coverage at most 1"),
    ({"more": '[cluster]\nadress = "tcp://h:1"'}, "adress nearest address line"),
    ({"sweep": "none.mkv"}, "none.mkv nothing is there"),
    ({"sweep": "square.mkv"}, "square.mkv 64 x 64 160 x 96"),
    ({"more": "use = [1, 900]"}, "good.mkv use 900 1 to 36"),
    ({"shot": "frames = [1003, 1030]\nhandles = 9"}, "good.mkv lacks 994-1000 1037-1039"),
]


@pytest.mark.parametrize("change, expected", BAD_SHOTS, ids=[row[1] for row in BAD_SHOTS])
def test_bad_shot_file_is_told_in_one_line(footage, tmp_path, capfd, change, expected):
    values = {"shot": "", "more": "", "sweep": "good.mkv", **change}
    shot = tmp_path / "shot.toml"
    shot.write_text(SHOT.format(out=tmp_path / "out", footage=footage, **values))
    assert run(["build", str(shot), "-q"]) == 1
    lines = capfd.readouterr().err.splitlines()
    assert len(lines) == 1
    for word in expected.split():
        assert word in lines[0]
    kept = [path for path in (tmp_path / "out").glob("*") if path.name != ".lightstack"]
    assert not kept


def test_a_truncated_movie_is_used_as_far_as_it_decodes(tell):
    code, told, out = tell("plate @cut.mkv --keep-readable -q")
    assert (code, told) == (0, "")
    assert "it ends after" in (out / "report.html").read_text()


def test_another_size_is_scaled_with_a_warning(footage, tmp_path, capfd):
    room = make_room(1, size=SIZE, frames=FRAMES, lead=LEAD)
    small = replace(room, ambient=shrink(room.ambient), clean=np.stack([shrink(c) for c in room.clean]), moved={})
    write_movie(small, tmp_path / "small.mkv", frames=range(LEAD))
    words = ["plate", str(footage / "good.mkv"), "--empty", str(tmp_path / "small.mkv"), "-o", str(tmp_path / "out")]
    assert run(words) == 0
    assert "80 x 48 and was scaled to 160 x 96" in capfd.readouterr().out


def shrink(picture):
    return cv2.resize(np.asarray(picture, np.float32), (SIZE[1] // 2, SIZE[0] // 2), interpolation=cv2.INTER_AREA)


def test_a_folder_of_somebody_else_is_left_alone(footage, tmp_path, capfd):
    (tmp_path / "letter.txt").write_text("mine")
    assert run(["plate", str(footage / "good.mkv"), "-o", str(tmp_path)]) == 1
    assert "did not write" in capfd.readouterr().err
    assert [path.name for path in tmp_path.iterdir()] == ["letter.txt"]


def test_a_path_that_cannot_be_written(footage, capfd):
    assert run(["plate", str(footage / "good.mkv"), "-o", str(footage / "good.mkv" / "x")]) == 1
    assert "cannot be written" in capfd.readouterr().err


@pytest.mark.parametrize("kilobytes", [20, 300, 1800])
def test_a_full_disk_leaves_nothing_behind(tell, kilobytes):
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (kilobytes * 1024, hard))  # writing more fails as on a full disk
    try:
        code, told, out = tell("plate @good.mkv -q")
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
    assert code == 1 and len(told.splitlines()) == 1
    assert "free space" in told
    assert not out.parent.exists()


def test_stopping_leaves_nothing_behind(tell, monkeypatch):
    def stop(*arguments, **options):
        raise KeyboardInterrupt

    monkeypatch.setattr("lightstack.jobs.sweep.sweep.choose_frames", stop)
    code, told, out = tell("plate @good.mkv -q")
    assert code == 130 and "stopped" in told
    assert not out.parent.exists()


def test_a_failed_run_spares_an_earlier_result(tell, footage):
    code, _, out = tell("plate @good.mkv -q")
    plate = (out / "plate.exr").read_bytes()
    assert code == 0
    assert tell("plate @cut.mkv -q")[0] == 1
    assert (out / "plate.exr").read_bytes() == plate


def test_strict_fails_a_take_that_should_be_shot_again(footage, tmp_path, capfd):
    room = make_room(1, size=SIZE, frames=FRAMES, lead=LEAD)
    write_movie(room, tmp_path / "short.mkv", frames=[*range(LEAD), 16, 20])
    words = ["plate", str(tmp_path / "short.mkv"), "-o", str(tmp_path / "out")]
    assert run([*words, "-q"]) == 0
    shutil.rmtree(tmp_path / "out")
    capfd.readouterr()
    assert run([*words, "--strict"]) == 1
    seen = capfd.readouterr()
    assert "--strict" in seen.err and "2 of its frames" in seen.out


def test_memory_plan_gives_fewer_workers_before_it_refuses():
    from lightstack.jobs.takes.memory import floor_bytes, plan_workers
    from lightstack.jobs.takes.options import BuildOptions

    size = (2160, 3840)
    assert floor_bytes((1080, 1920)) < floor_bytes(size) < 2 * 2**30
    budgets = [floor_bytes(size) + extra * 100 * 2**20 for extra in (0, 2, 4, 40)]
    workers = [plan_workers(size, BuildOptions(memory_bytes=b, threads=8)) for b in budgets]
    assert workers[0] == 1 and workers[-1] == 8
    assert all(a <= b for a, b in pairwise(workers))
