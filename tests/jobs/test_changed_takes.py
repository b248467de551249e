"""A take that changes while it is built: told in one line, and nothing made of it counts."""

from contextlib import contextmanager

import pytest
from made import make_room, write_movie

from lightstack.errors import ChangedInput, UnreadableInput
from lightstack.files.folder import MARK, read_json
from lightstack.jobs.shot.build import build_shot
from lightstack.jobs.stage.plate import make_plate
from lightstack.jobs.takes.options import BuildOptions, PlateOptions

SHOT = """
[shot]
name = "den"
[takes.hero]
path = "hero.mkv"
[[sweep]]
path = "sweep.mkv"
model = "none"
max_keys = 3
[[light]]
figure_light = 0
[light.mix]
points = [[1001, 0.5]]
[holdout]
from = "none"
[render]
movie = "ffv1"
"""


class Meddler:
    """Progress that lets somebody do something to a take when a step begins."""

    def __init__(self, at, do):
        self.at, self.do, self.lines = at, do, []

    @contextmanager
    def step(self, name, total):
        yield self
        if self.do is not None and name.startswith(self.at):
            self.do()
            self.do = None

    def advance(self, count=1):
        pass

    def say(self, line, *, level=0):
        self.lines.append(line)


@pytest.fixture
def folder(tmp_path):
    room = make_room(1, size=(72, 128), frames=26, lead=8)
    write_movie(room, tmp_path / "sweep.mkv")
    write_movie(room, tmp_path / "hero.mkv", frames=range(6))
    (tmp_path / "other.mkv").write_bytes((tmp_path / "hero.mkv").read_bytes() + bytes(8))
    (tmp_path / "shot.toml").write_text(SHOT)
    return tmp_path


def record_anew(folder, name):
    """Put another take in a take's place, as a copy that is repeated does."""
    return lambda: (folder / name).write_bytes((folder / "other.mkv").read_bytes())


@pytest.mark.slow
def test_a_hero_that_changes_under_its_frames_is_not_written_as_finished(folder):
    progress = Meddler("frames", record_anew(folder, "hero.mkv"))
    with pytest.raises(ChangedInput, match=r"hero\.mkv: has changed") as caught:
        build_shot(folder / "shot.toml", options=BuildOptions(), progress=progress)
    assert progress.do is None and "\n" not in str(caught.value)
    out = folder / "out"
    recorded = set(read_json(out / ".lightstack" / MARK)["stages"])
    assert "sweep sweep" in recorded and not recorded & {"frames", "movie", "preview", "shot"}
    assert not (out / "den_relit_v001.mkv").exists() and not (out / "manifest.json").exists()
    ledger = read_json(out / ".lightstack" / "frames" / "den_written_v001.json")
    assert not ledger["frames"]
    done = build_shot(folder / "shot.toml", options=BuildOptions(), progress=Meddler("", None))
    assert "den_relit_v001.mkv" in done.files


def test_a_sweep_that_changes_under_its_plate_leaves_nothing(folder):
    progress = Meddler("lamp stills", record_anew(folder, "sweep.mkv"))
    with pytest.raises((ChangedInput, UnreadableInput), match=r"sweep\.mkv"):
        make_plate(
            [folder / "sweep.mkv"], empty=None, out=folder / "plate", options=PlateOptions(), progress=progress
        )
    assert progress.do is None and not (folder / "plate").exists()
