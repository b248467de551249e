"""Names that shells, patterns and disks trip over; links, rights, a disk that fails, and two runs at once."""

import errno
import os
import re
import subprocess
import sys
import unicodedata
import warnings
from contextlib import contextmanager

import av
import pytest
from made import make_room, write_movie

from lightstack.cli.main import run
from lightstack.errors import OutputError
from lightstack.files.folder import claimed_folder, write_whole
from lightstack.files.handover.folder import handed_whole
from lightstack.files.read import movie_opened

HOLD = """
import sys
from pathlib import Path
from lightstack.files.folder import claimed_folder
with claimed_folder(Path(sys.argv[1])):
    print("held", flush=True)
    sys.stdin.read()
"""


@pytest.fixture(scope="module")
def take(tmp_path_factory):
    """A still take as a movie, and nothing else in its folder."""
    room = make_room(1, size=(96, 160), frames=10, lead=10)
    return write_movie(room, tmp_path_factory.mktemp("take") / "set.mkv")


@pytest.fixture
def tell(capfd):
    """Run a command line; give its exit code and its lines on stderr."""

    def call(*words):
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            code = run([*map(str, words), "-q"])
        return code, capfd.readouterr().err.splitlines()

    return call


NAMES = ["it's a \"50%\" #2 %04d [x] $HOME\nand " + unicodedata.normalize("NFD", "Größe é "), "-q"]


@pytest.mark.slow
@pytest.mark.parametrize("name", NAMES, ids=["everything", "dash"])
def test_odd_names_are_names(take, tmp_path, tell, monkeypatch, name):
    folder = tmp_path / name
    folder.mkdir()
    source = folder / f"{name}.mkv"
    source.symlink_to(take)
    monkeypatch.chdir(folder)
    assert tell("clean", f"./{name}.mkv", "-o", tmp_path / "out" / name / f"{name}.exr") == (0, [])
    made = {path.name for path in (tmp_path / "out" / name).iterdir()}
    assert made == {f"{name}{end}" for end in (".exr", ".png", "_seen.exr", "_seen.png")}
    assert list(folder.iterdir()) == [source] and list(take.parent.iterdir()) == [take]  # nothing beside inputs


def test_names_as_long_as_names_can_be(take, tmp_path, tell):
    # REFERENCE  POSIX NAME_MAX, 255 bytes.
    long = tmp_path / ("ä" * 125 + ".mkv")
    long.symlink_to(take)
    assert tell("clean", long, "-o", tmp_path / "c.exr") == (0, [])
    code, lines = tell("clean", take, "-o", tmp_path / ("x" * 251 + ".exr"))  # its companions' names are longer
    assert code == 1 and len(lines) == 1 and "File name too long" in lines[0]
    assert sorted(path.name for path in tmp_path.iterdir()) == sorted(
        ["c.exr", "c.png", "c_seen.exr", "c_seen.png", long.name]
    )


def test_links_lead_where_they_lead_and_loops_are_told(take, tmp_path, tell):
    (tmp_path / "real").mkdir()
    (tmp_path / "out").symlink_to("real")
    (tmp_path / "loop").symlink_to("loop")
    (tmp_path / "gone.mkv").symlink_to("nowhere")
    assert tell("clean", take, "-o", tmp_path / "out" / "c.exr") == (0, [])
    assert (tmp_path / "real" / "c.exr").is_file()
    for words in (
        ("clean", tmp_path / "loop", "-o", tmp_path / "x.exr"),
        ("clean", tmp_path / "gone.mkv", "-o", tmp_path / "x.exr"),
        ("clean", take, "-o", tmp_path / "loop" / "x.exr"),
        ("plate", take, "-o", tmp_path / "loop"),
        ("grain", "measure", take, "-o", tmp_path / "loop" / "g.json"),
    ):
        code, lines = tell(*words)
        assert code == 1 and len(lines) == 1 and lines[0].startswith("lightstack: "), words
        assert "loop" in lines[0] or "gone.mkv" in lines[0]
    assert not (tmp_path / "x.exr").exists()


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() != 0, reason="only root can become somebody else")
@pytest.mark.parametrize("mode", [0o555, 0o000])
def test_a_folder_that_may_not_be_written_is_told(tmp_path, mode):
    out = tmp_path / "out"
    with claimed_folder(out) as folder:
        write_whole(folder.file("plate.exr"), b"whole")
    for place in (out / ".lightstack", out):
        place.chmod(mode)
    open_to_all(tmp_path)
    with as_nobody():
        with pytest.raises((OutputError, PermissionError)), claimed_folder(out):
            pass
        with pytest.raises(OutputError, match=r"plate\.exr: cannot be written \(Permission denied\)"):
            write_whole(out / "plate.exr", b"new")
        with pytest.raises(OutputError, match="cannot be written"), handed_whole(out / "deep" / "handed"):
            pass
    assert (out / "plate.exr").read_bytes() == b"whole"


def open_to_all(path):
    """Let everybody pass through the folders that lead to a test's own."""
    for place in (path, *path.parents[:2]):
        place.chmod(0o755)


@contextmanager
def as_nobody():
    os.seteuid(65534)
    try:
        yield
    finally:
        os.seteuid(0)


def test_a_refusal_of_the_system_that_nobody_has_thought_of_is_one_line(take, tmp_path, tell, monkeypatch):
    def refuse(self, *_, **__):
        raise OSError(errno.EIO, "Input/output error", str(self))

    monkeypatch.setattr("pathlib.Path.exists", refuse)
    code, lines = tell("plate", take, "-o", tmp_path / "out")
    assert code == 1 and len(lines) == 1
    assert "set.mkv: cannot be used (Input/output error)" in lines[0]


class FailingMovie:
    """An open movie whose disk fails after some packets."""

    def __init__(self, container, packets):
        self._container, self._packets = container, packets

    def __getattr__(self, name):
        return getattr(self._container, name)

    def demux(self, stream):
        for count, packet in enumerate(self._container.demux(stream)):
            if count == self._packets:
                raise av.error.OSError(errno.EIO, "Input/output error")
            yield packet


def test_a_disk_that_fails_in_the_middle_of_a_movie_is_told_with_the_frame(take, tmp_path, tell, monkeypatch):
    opened = movie_opened.open_container

    @contextmanager
    def open_failing(path):
        with opened(path) as (container, stream):
            yield FailingMovie(container, 4), stream

    monkeypatch.setattr(movie_opened, "open_container", open_failing)
    code, lines = tell("clean", take, "-o", tmp_path / "c.exr")
    assert code == 1 and len(lines) == 1
    # four packets were read; a decoder of several threads holds some of their frames back
    assert re.search(r"set\.mkv: frame [1-5]: cannot be decoded \(Input/output error\)", lines[0])
    assert not list(tmp_path.iterdir())


def test_of_two_runs_in_one_folder_the_second_is_refused_and_names_the_first(take, tmp_path, tell):
    out = tmp_path / "out"
    command = [sys.executable, "-c", HOLD, str(out)]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as other:
        assert other.stdout.readline() == "held\n"
        code, lines = tell("inspect", take, "-o", out)
        assert code == 1 and len(lines) == 1
        assert f"{out}: another lightstack (process {other.pid} since " in lines[0] and "wait until" in lines[0]
        other.kill()  # a crash lets go of it
        other.wait()
    with claimed_folder(out):
        pass
