"""The same bytes whatever the machine: threads, memory."""

import hashlib

import pytest
from made import make_room, write_movie

from lightstack.jobs.stage.plate import make_plate
from lightstack.jobs.takes.memory import floor_bytes
from lightstack.jobs.takes.options import PlateOptions

SIZE = (72, 128)


@pytest.fixture(scope="module")
def sweep(tmp_path_factory):
    room = make_room(3, size=SIZE, frames=24, lead=8)
    return write_movie(room, tmp_path_factory.mktemp("alike") / "sweep.mkv")


def digest(sweep, out, progress, **options):
    result = make_plate([sweep], empty=None, out=out, options=PlateOptions(**options), progress=progress)
    return {name: hashlib.sha256((out / name).read_bytes()).hexdigest() for name in result.files}


@pytest.mark.slow
def test_a_plate_has_the_same_bytes_with_any_threads_and_memory(sweep, tmp_path, unwatched):
    one = digest(sweep, tmp_path / "one", unwatched, threads=1, memory_bytes=floor_bytes(SIZE))
    assert {"plate.exr", "light_stack.exr", "manifest.json", "report.html", "frames.csv"} <= set(one)
    assert digest(sweep, tmp_path / "four", unwatched, threads=4) == one
