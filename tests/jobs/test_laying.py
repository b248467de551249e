"""Light laid over the hero: off is the hero bit for bit, and where the hero moved the light moves too."""

from fractions import Fraction

import numpy as np
import pytest
from core_helpers import make_encoding
from jobs_helpers import shift_by, stand_still
from made import write_movie

from lightstack.files.takes import open_take
from lightstack.jobs.laying import (
    LaidLight,
    code_frame,
    find_view,
    is_video,
    lay_frame,
    pick_sheet_frames,
    preview_encoding,
    render_preview,
    show_small,
)
from lightstack.records import MixCurve, Registration, Stretch

SIZE = (40, 60)


def laid(gains, light=None, *, rule="plus", first=1001):
    light = np.full((*SIZE, 3), 0.25, np.float32) if light is None else light
    return LaidLight("lamp", light, MixCurve(first, np.array(gains, np.float64)), rule, 1.0)


def hero(seed=1):
    return np.random.default_rng(seed).random((*SIZE, 3), np.float32)


@pytest.mark.parametrize("rule", ["plus", "screen"])
def test_mix_zero_leaves_the_hero_bit_exact(rule):
    picture = hero()
    out = lay_frame(picture, [laid([0.0, 1.0], rule=rule)], 1001, shift_by(2.5, 1))
    assert out is picture


def test_light_adds_at_its_mix_and_lights_add_up():
    picture = hero()
    one = lay_frame(picture, [laid([0.0, 0.5])], 1002, np.eye(3))
    np.testing.assert_array_equal(one, picture + np.float32(0.125))
    two = lay_frame(picture, [laid([0.0, 0.5]), laid([1.0, 2.0])], 1002, np.eye(3))
    np.testing.assert_allclose(two, picture + 0.625, rtol=1e-6)


def test_where_no_light_falls_the_hero_is_bit_exact_at_any_mix():
    light = np.zeros((*SIZE, 3), np.float32)
    light[:, 30:] = 0.3
    picture = hero()
    out = lay_frame(picture, [laid([1.0], light)], 1001, np.eye(3))
    np.testing.assert_array_equal(out[:, :30], picture[:, :30])
    assert (out[:, 30:] > picture[:, 30:]).all()


def test_the_light_moves_with_a_bumped_hero():
    # A soft spot at (20, 15); the hero is seen (5, 3) px further right and down, so the spot falls at (25, 18).
    y, x = np.mgrid[: SIZE[0], : SIZE[1]] + 0.5
    spot = np.exp(-((x - 20) ** 2 + (y - 15) ** 2) / 18).astype(np.float32)
    light = np.repeat(spot[..., None], 3, -1)
    out = lay_frame(np.zeros((*SIZE, 3), np.float32), [laid([1.0], light)], 1001, shift_by(5, 3))[..., 0]
    assert (x * out).sum() / out.sum() == pytest.approx(25, abs=0.01)
    assert (y * out).sum() / out.sum() == pytest.approx(18, abs=0.01)


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


def test_small_pictures_keep_shape_and_are_never_enlarged():
    assert show_small(hero(), "bt709").shape == (*SIZE, 3)
    assert show_small(hero(), "bt709", width=30).shape == (20, 30, 3)


def test_sheet_frames_lie_in_the_shot_and_show_the_peak():
    mix = MixCurve(1001, np.r_[np.zeros(10), np.linspace(0.1, 2, 20), np.zeros(5)])
    frames = pick_sheet_frames([mix], 1001, 1035, ())
    assert frames == sorted(set(frames)) and 1030 in frames and 1010 in frames
    assert all(1001 <= frame <= 1035 for frame in frames)


@pytest.fixture(scope="module")
def movie(small_room, tmp_path_factory):
    return write_movie(small_room, tmp_path_factory.mktemp("hero") / "hero.mkv", frames=range(4))


def test_the_preview_runs_over_the_asked_frames_at_the_asked_rate(movie, small_room, tmp_path, silence):
    even = np.full((112, 200, 3), 0.2, np.float32)
    light = LaidLight("lamp", even, MixCurve(1002, np.array([0.0, 1.0])), "plus", 1.0)
    with open_take(movie) as take:
        sheet = render_preview(
            take,
            [light],
            frames=(1002, 1003),
            first_frame=1001,
            path=tmp_path / "p.mp4",
            quality=10,
            rate=Fraction(30000, 1001),
            sheet_frames=[1003],
            working="bt709",
            registration=stand_still(1, 4, take="hero"),
            progress=silence,
        )
    assert [(one.shot_frame, one.gain) for one in sheet] == [(1003, 1.0)]
    assert sheet[0].after.mean() > sheet[0].before.mean() + 20
    with open_take(tmp_path / "p.mp4") as preview:
        assert preview.info.rate == Fraction(30000, 1001)
        shown = [preview.linear(frame) for frame in preview.frames()]
    assert len(shown) == 2
    # TOLERANCE  8 bit 4:2:0 at a low rate factor: 1 % of white in the mean.
    assert shown[0].mean() == pytest.approx(small_room.filmed(1).mean(), abs=0.01)
    assert shown[1].mean() == pytest.approx(small_room.filmed(2).mean() + 0.2, abs=0.01)


def test_a_bump_inside_the_preview_is_followed(movie, tmp_path, silence):
    light = np.zeros((112, 200, 3), np.float32)
    light[40:60, 40:60] = 0.6
    stretches = (
        Stretch(1, 2, np.eye(3), True, 0.0, 0.01, 2),
        Stretch(3, 4, shift_by(20, 0), False, 20.0, 0.01, 2),
    )
    lamp = LaidLight("lamp", light, MixCurve(1001, np.ones(4)), "plus", 1.0)
    with open_take(movie) as take:
        sheet = render_preview(
            take,
            [lamp],
            frames=(1001, 1004),
            first_frame=1001,
            path=tmp_path / "p.mp4",
            quality=20,
            sheet_frames=[1001, 1004],
            working="bt709",
            registration=Registration("hero", "translation", stretches),
            progress=silence,
        )
    lifted = [(one.after.astype(int) - one.before).sum(-1) > 30 for one in sheet]
    assert lifted[0][45:55, 42:58].all() and not lifted[0][45:55, 65:78].any()
    assert lifted[1][45:55, 62:78].all() and not lifted[1][45:55, 42:55].any()


def test_samples_of_an_8_bit_hero_stay_where_no_light_falls(small_room, tmp_path):
    from dataclasses import replace

    path = write_movie(replace(small_room, bits=8, chroma="420"), tmp_path / "h.mkv", frames=range(1))
    with open_take(path) as take:
        frame = next(take.frames())
        before = take.linear(frame)
        after = before.copy()
        after[:, 100:] += 0.2
        encoding = preview_encoding(take.info.encoding)
        planes = code_frame(take, frame, before, after, encoding, "bt709", None)
        assert encoding == take.info.encoding
        np.testing.assert_array_equal(planes[0][:, :100], frame.planes[0][:, :100])
        assert planes[0][:, 100:].mean() > frame.planes[0][:, 100:].mean() + 10


def test_frames_that_were_left_out_keep_their_time(movie, small_room, tmp_path, silence):
    with open_take(movie) as take:
        whole, take.frames = take.frames, lambda a, b: (f for f in whole(a, b) if f.number not in (2, 4))
        render_preview(
            take,
            [],
            frames=(1, 4),
            first_frame=1,
            path=tmp_path / "p.mp4",
            quality=18,
            sheet_frames=[1],
            working="bt709",
            registration=stand_still(1, 4),
            progress=silence,
        )
    with open_take(tmp_path / "p.mp4") as shown:
        assert len(list(shown.frames())) == 4
