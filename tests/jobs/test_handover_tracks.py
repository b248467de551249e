"""Tracks of a timeline: what lies outside the cut, in which order, and where a mix is marked."""

from fractions import Fraction
from types import SimpleNamespace

import numpy as np
import pytest

from lightstack.files.shot.schema import Mix
from lightstack.jobs.handover.build import FrameSet, HeroFacts
from lightstack.jobs.handover.tracks import element_track, list_tracks, mix_frames, mix_marks
from lightstack.records import MixCurve

HERO = HeroFacts((1001, 1010), (1003, 1008), Fraction(25), "10:00:00:00", (36, 64), Fraction(1), "bt709", "hero.mov")


def frames_of(element, numbers):
    return FrameSet(element, f"a_{element}_v001", "a thing", {n: f"a_{element}_v001.{n}.exr" for n in numbers}, False)


@pytest.mark.parametrize(
    ("numbers", "cut", "at", "gaps"),
    [
        (range(1001, 1011), (1003, 1008), 0, False),
        (range(1005, 1007), (1005, 1006), 2, False),
        ((990, 1004, 1020), (1003, 1008), 0, True),
    ],
)
def test_a_thing_is_cut_to_the_shot(numbers, cut, at, gaps):
    track = element_track(frames_of("hat", numbers), HERO, ())
    assert (track.cut, track.at, track.gaps) == (cut, at, gaps)
    assert track.have == (min(numbers), max(numbers))


@pytest.mark.parametrize("numbers", [(1001, 1002), (1009,)])
def test_a_thing_outside_the_cut_has_no_track(numbers):
    assert element_track(frames_of("hat", numbers), HERO, ()) is None


def test_finished_frames_lie_topmost_and_movies_count_by_their_timecode():
    sequences = [frames_of(name, range(1001, 1011)) for name in ("relit", "hat", "light", "hero_clean")]
    outputs = {"relit.mov": ("a movie", ""), "preview.mp4": ("a preview", "")}
    build = SimpleNamespace(hero=HERO, sequences=sequences, sweeps=(), outputs=outputs)
    tracks = list_tracks(build, (), ["movies/preview.mp4", "movies/relit.mov"])
    assert [track.name for track in tracks[:5]] == ["hero", "hat", "light", "hero_clean", "relit"]
    movies = {track.name: track for track in tracks[5:]}
    # REFERENCE  ten hours at 25 frames a second: 900,000 frames (SMPTE ST 12-1).
    assert movies["relit.mov"].have == (900_000, 900_009) and movies["relit.mov"].cut == (900_002, 900_007)
    assert movies["preview.mp4"].have == (0, 9)


def test_a_mix_is_marked_where_it_was_given():
    assert list(mix_frames(Mix(points=[[1002, 0], [1009, 1]]), 1010)) == [1002, 1009]
    envelope = {"start": 1001, "attack": 2, "hold": 1, "decay": 3, "every": 20, "times": 3}
    assert sorted(set(mix_frames(Mix(envelope=envelope), 1030))) == [1001, 1003, 1004, 1007, 1021, 1023, 1024, 1027]
    assert list(mix_frames(Mix(), 1010)) == []
    light = SimpleNamespace(
        settings=SimpleNamespace(name="wisp", mix=Mix(points=[[990, 0], [1002, 0.5]])),
        mix=MixCurve(1001, np.full(10, 0.5)),
    )
    assert [(mark.frame, mark.name) for mark in mix_marks(light, HERO.frames)] == [(1002, "wisp: gain 0.5")]
