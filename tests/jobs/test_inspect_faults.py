"""Takes with one known fault each, as movies through the whole inspection: found, with their size."""

from types import SimpleNamespace

import numpy as np
import pytest
from made import make_room, write_movie
from made.camera import expose
from made.faults import Faults, FaultyTake, Pulse
from made.faults_framing import exposure_drift, handheld, two_takes

from lightstack.jobs.inspect.inspect import inspect_takes
from lightstack.jobs.inspect.options import InspectOptions

SIZE = (112, 200)
STILL = {"size": SIZE, "bump_px": 0.0, "turn_deg": 0.0}


def as_room(frames):
    """Linear frames (n, h, w, 3) that a movie can be written of, coded anew without further noise."""

    def planes(k):
        return expose(
            np.asarray(frames[k], np.float32),
            np.random.default_rng(0),
            noise=(0, 0),
            bits=10,
            curve="bt709",
            chroma="rgb",
        )

    class Take(SimpleNamespace):
        def __len__(self):
            return len(frames)

    return Take(size=frames[0].shape[:2], bits=10, chroma="rgb", curve="bt709", planes=planes)


def hold(picture, count, seed):
    """Film a mean picture for ``count`` frames."""
    rng = np.random.default_rng(seed)
    sigma = np.sqrt(4e-4 * np.maximum(picture, 0) + 4e-6)
    return [(picture + sigma * rng.standard_normal(picture.shape)).astype(np.float32) for _ in range(count)]


@pytest.fixture
def inspect(tmp_path, unwatched):
    """Write takes as movies, inspect them together and give the findings of each by check."""

    def run(**takes):
        paths = [write_movie(take, tmp_path / f"{name}.mkv") for name, take in takes.items()]
        found = inspect_takes(paths, out=None, options=InspectOptions(), progress=unwatched)
        return [{f.check: f for f in reversed(take.findings)} for take in found.takes], found

    return run


def figure(finding, name):
    return next(f.value for f in finding.figures if f.name == name)


def test_mains_flicker_is_named_with_its_shutter(inspect):
    room = make_room(6, take="empty", frames=72, **STILL)
    pulse = Pulse(depth=0.5, exposure=1 / 48)
    (found,), _ = inspect(empty=FaultyTake(room, Faults(pulse=pulse)))
    flicker = found["flicker"]
    assert flicker.grade != "good"
    # REFERENCE  the alias of 100 Hz at 24 frames a second: 100 - 4 x 24 = 4 Hz
    # TOLERANCE  0.1 Hz over three seconds
    assert "4.0" in flicker.says and "50" in flicker.says
    assert "172.8" in flicker.remedy + flicker.says  # 360 x 24 / 50


def test_repeated_frames_are_counted(inspect):
    room = make_room(6, take="empty", frames=48, **STILL)
    order = tuple(k - 1 if k in (20, 33) else k for k in range(48))
    (found,), _ = inspect(empty=FaultyTake(room, Faults(order=order)))
    assert figure(found["timing"], "repeated frames") == 2
    assert found["timing"].grade != "good"


def test_a_clipped_gel_channel_is_named(inspect):
    room = make_room(6, frames=60, lead=14, **STILL)
    (found,), _ = inspect(sweep=FaultyTake(room, Faults(stops=(0.0, 0.0, 2.5))))
    assert found["clipping"].grade != "good"
    assert "blue" in found["clipping"].says


def test_standing_blocks_are_found(inspect):
    room = make_room(6, take="empty", frames=48, **STILL)
    (found,), _ = inspect(empty=FaultyTake(room, Faults(stale=0.6)))
    assert found["compression"].grade != "good"


def test_a_drift_of_exposure_is_measured(inspect):
    drifting = exposure_drift(6, count=48, stops=0.4, size=SIZE)
    (found,), _ = inspect(empty=as_room(drifting.rgb))
    assert found["exposure"].grade != "good"
    assert figure(found["exposure"], "exposure drift") == pytest.approx(0.4, abs=0.06)


def test_a_camera_in_the_hand_is_to_be_shot_again(inspect):
    (found,), whole = inspect(take=as_room(handheld(6, count=48, size=SIZE).rgb))
    assert found["lock-off"].grade == "reshoot" and whole.grade == "reshoot"
    assert "locked-off" in found["lock-off"].says


def test_a_thing_that_was_moved_is_framed_and_cut_out(inspect):
    pair = two_takes(6, size=(180, 320), moved=("chair",))
    before, after = (as_room(hold(picture, 30, seed)) for seed, picture in enumerate(pair.rgb))
    (_, found), whole = inspect(before=before, after=after)
    between = found["between takes"]
    assert between.grade != "good" and between.boxes
    rows, columns = np.nonzero(pair.truth["changed"])
    x0, y0, x1, y1 = between.boxes[0]
    assert x0 < np.median(columns) < x1 and y0 < np.median(rows) < y1
    place = whole.takes[1].places[0]
    assert place.here.shape == place.there.shape and not np.array_equal(place.here, place.there)
