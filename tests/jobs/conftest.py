"""Made sweeps as movies, drawn once per test run."""

from contextlib import contextmanager

import pytest
from made import make_room
from made.movies import write_movie
from unplotted import plain_plots

__all__ = ["plain_plots"]


class Silence:
    """Progress that nobody watches; it remembers what was said."""

    def __init__(self):
        self.lines = []

    @contextmanager
    def step(self, name, total):
        yield self

    def advance(self, count=1):
        pass

    def say(self, line, *, level=0):
        self.lines.append(line)


@pytest.fixture
def silence():
    return Silence()


@pytest.fixture(scope="session")
def unwatched():
    return Silence()


@pytest.fixture(scope="session")
def small_room():
    """A violet room of 200 x 112 pixels, knocked by 2.5 px in mid-take."""
    return make_room(1, size=(112, 200), frames=60, lead=10)


@pytest.fixture(scope="session")
def small_sweep(small_room, tmp_path_factory):
    """The room's sweep as a lossless 10-bit movie."""
    return write_movie(small_room, tmp_path_factory.mktemp("takes") / "sweep.mkv")


@pytest.fixture(scope="session")
def small_outcome(small_sweep, tmp_path_factory, unwatched):
    """The room's sweep built by its defaults, every result in memory."""
    from jobs_helpers import build

    return build(small_sweep, tmp_path_factory.mktemp("scratch"), unwatched)
