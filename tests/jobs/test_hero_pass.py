"""One pass over the hero: the preview runs over the asked frames, follows a bump, keeps the hero's samples."""

from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest
from core_helpers import make_encoding
from jobs_helpers import shift_by, stand_still
from made import write_movie

from lightstack.errors import UnreadableInput
from lightstack.files.read.takes import open_take
from lightstack.jobs.frame.hero_pass import walk_hero
from lightstack.jobs.frame.preview_sink import PreviewSink, find_view, is_video, preview_encoding
from lightstack.jobs.frame.sheets import PairSink
from lightstack.jobs.frame.shot_frames import FrameMaker, LaidLight
from lightstack.records import MixCurve, Registration, Stretch

SIZE = (112, 200)


class Collect:
    """Keeps what it is given, in order."""

    def __init__(self, wanted=None):
        self.wanted, self.made, self.put_frames = wanted, [], []

    def wants(self, shot_frame):
        return self.wanted is None or shot_frame in self.wanted

    def work(self, shot):
        return shot.source.number, shot.relit.mean()

    def put(self, shot_frame, piece):
        self.put_frames.append((shot_frame, *piece))


@pytest.fixture(scope="module")
def movie(small_room, tmp_path_factory):
    return write_movie(small_room, tmp_path_factory.mktemp("hero") / "hero.mkv", frames=range(4))


def preview(take, path, lights, silence, *, frames, sheet, rate=None, registration=None, first=1001):
    pairs = PairSink(
        {"light": sheet}, {"light": lambda frame: 1.0}, pick=lambda shot: (shot.before, shot.relit), working="bt709"
    )
    with PreviewSink(path, take, quality=10, working="bt709", rate=rate) as sink:
        walk_hero(
            take,
            FrameMaker(lights),
            [sink, pairs],
            frames=frames,
            first_frame=first,
            registration=registration or stand_still(1, 4, take="hero"),
            workers=2,
            progress=silence,
        )
    return pairs.laid["light"]


def test_the_preview_runs_over_the_asked_frames_at_the_asked_rate(movie, small_room, tmp_path, silence):
    even = np.full((*SIZE, 3), 0.2, np.float32)
    light = LaidLight("lamp", even, MixCurve(1002, np.array([0.0, 1.0])), "plus", 1.0)
    rate = Fraction(30000, 1001)
    with open_take(movie) as take:
        sheet = preview(take, tmp_path / "p.mp4", [light], silence, frames=(1002, 1003), sheet=[1003], rate=rate)
    assert [one.shot_frame for one in sheet] == [1003]
    assert sheet[0].after.mean() > sheet[0].before.mean() + 20
    with open_take(tmp_path / "p.mp4") as shown:
        assert shown.info.rate == rate
        light = [shown.linear(frame) for frame in shown.frames()]
    assert len(light) == 2
    # TOLERANCE  8 bit 4:2:0 at a low rate factor: 1 % of white in the mean.
    assert light[0].mean() == pytest.approx(small_room.filmed(1).mean(), abs=0.01)
    assert light[1].mean() == pytest.approx(small_room.filmed(2).mean() + 0.2, abs=0.01)


def test_a_bump_inside_the_preview_is_followed(movie, tmp_path, silence):
    light = np.zeros((*SIZE, 3), np.float32)
    light[40:60, 40:60] = 0.6
    stretches = (
        Stretch(1, 2, np.eye(3), True, 0.0, 0.01, 2),
        Stretch(3, 4, shift_by(20, 0), False, 20.0, 0.01, 2),
    )
    lamp = LaidLight("lamp", light, MixCurve(1001, np.ones(4)), "plus", 1.0)
    moved = Registration("hero", "translation", stretches)
    with open_take(movie) as take:
        sheet = preview(
            take, tmp_path / "p.mp4", [lamp], silence, frames=(1001, 1004), sheet=[1001, 1004], registration=moved
        )
    lifted = [(one.after.astype(int) - one.before).sum(-1) > 30 for one in sheet]
    assert lifted[0][45:55, 42:58].all() and not lifted[0][45:55, 65:78].any()
    assert lifted[1][45:55, 62:78].all() and not lifted[1][45:55, 42:55].any()


def test_samples_of_an_8_bit_hero_stay_where_no_light_falls(small_room, tmp_path, silence):
    path = write_movie(replace(small_room, bits=8, chroma="420"), tmp_path / "h.mkv", frames=range(1))
    light = np.zeros((*SIZE, 3), np.float32)
    light[:, 100:] = 0.2
    lamp = LaidLight("lamp", light, MixCurve(1001, np.ones(1)), "plus", 1.0)
    with open_take(path) as take:
        frame = next(take.frames())
        sink = PreviewSink(tmp_path / "p.mp4", take, quality=10, working="bt709")
        shot = FrameMaker([lamp]).make(frame, take.linear(frame), 1001, np.eye(3))
        planes = sink.work(shot)
        assert preview_encoding(take.info.encoding) == take.info.encoding
        np.testing.assert_array_equal(planes[0][:, :100], frame.planes[0][:, :100])
        assert planes[0][:, 100:].mean() > frame.planes[0][:, 100:].mean() + 10


def test_frames_that_were_left_out_keep_their_time(movie, silence):
    sink = Collect()
    with open_take(movie) as take:
        whole, take.frames = take.frames, lambda a, b: (f for f in whole(a, b) if f.number not in (2, 4))
        walk_hero(
            take, FrameMaker(), [sink], frames=(1, 4), first_frame=1, registration=stand_still(1, 4), progress=silence
        )
    assert [(frame, source) for frame, source, _ in sink.put_frames] == [(1, 1), (2, 3), (3, 3), (4, 3)]


@pytest.mark.parametrize("wanted", [{1}, {2}, {4}, {1, 2}, {1, 3}, {2, 3}, {2, 4}, {1, 4}, {1, 2, 3, 4}])
@pytest.mark.parametrize("damaged", [{1}, {2, 3}, {2, 4}, {3, 4}, {1, 2, 3}])
def test_a_run_that_goes_on_shows_for_damaged_frames_what_the_whole_run_shows(movie, silence, damaged, wanted):
    with open_take(movie) as take:
        reads, named = take.frames, take.read_frames
        take.frames = lambda a, b: (f for f in reads(a, b) if f.number not in damaged)
        take.read_frames = lambda numbers: (f for f in named(numbers) if f.number not in damaged)
        some, whole = Collect(wanted), Collect()
        for sink in (some, whole):
            walk_hero(
                take, FrameMaker(), [sink], frames=(1, 4), first_frame=1, registration=stand_still(1, 4),
                progress=silence,
            )  # fmt: skip
    assert some.put_frames == [made for made in whole.put_frames if made[0] in wanted]
    assert [frame for frame, *_ in whole.put_frames] == [1, 2, 3, 4]


def test_a_hero_without_a_sound_frame_is_told(movie, silence):
    with open_take(movie) as take:
        take.frames = lambda a, b: (f for f in ())
        with pytest.raises(UnreadableInput, match="none of its frames"):
            walk_hero(
                take, FrameMaker(), [Collect()], frames=(1, 4), first_frame=1, registration=stand_still(1, 4),
                progress=silence,
            )  # fmt: skip


def test_only_frames_that_are_wanted_are_made_and_workers_change_nothing(movie, silence):
    taken = []
    for workers in (1, 3):
        some, all_of_them = Collect({1002, 1004}), Collect(set())
        with open_take(movie) as take:
            walk_hero(
                take,
                FrameMaker([LaidLight("a", np.ones((*SIZE, 3), np.float32), MixCurve(1001, np.ones(4)), "plus", 1.0)]),
                [some, all_of_them],
                frames=(1001, 1004),
                first_frame=1001,
                registration=stand_still(1, 4),
                workers=workers,
                progress=silence,
            )
        assert [frame for frame, *_ in some.put_frames] == [1002, 1004] and not all_of_them.put_frames
        taken.append(some.put_frames)
    assert taken[0] == taken[1]


def test_only_video_is_shown_as_it_is():
    assert is_video(make_encoding()) and find_view("hero", make_encoding(), "bt709", None) is None
    assert not is_video(make_encoding(transfer="slog3"))
    assert not is_video(make_encoding(transfer="linear", is_float=True))
    coded = preview_encoding(make_encoding(transfer="slog3", primaries="sgamut3cine"))
    assert (coded.transfer, coded.primaries, coded.bit_depth, coded.chroma) == ("srgb", "bt709", 8, "420")
    assert preview_encoding(make_encoding(matrix="rgb", range="full", chroma="444")).matrix == "bt709"


def test_a_log_hero_goes_through_a_view_that_any_screen_shows():
    show = find_view("hero", make_encoding(transfer="slog3"), "bt709", None)
    grey = show(np.full((2, 2, 3), 0.18, np.float32))
    white = show(np.full((2, 2, 3), 1.0, np.float32))
    assert 0.2 < grey.mean() < 0.6 < white.mean() <= 1.01
