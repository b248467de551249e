"""One frame of the shot: off is the hero bit for bit, the files rebuild it, light stays off whoever stands there."""

import numpy as np
import pytest
from jobs_helpers import shift_by

from lightstack.core.lay.lay import lay_light, round_half
from lightstack.jobs.frame.shot_frames import FrameMaker, LaidLight, move_whole
from lightstack.records import CodedFrame, MixCurve

SIZE = (40, 60)


def laid(gains, light=None, *, rule="plus", first=1001, figure_light=0.0):
    light = np.full((*SIZE, 3), 0.25, np.float32) if light is None else light
    return LaidLight("lamp", light, MixCurve(first, np.array(gains, np.float64)), rule, 1.0, figure_light)


def hero(seed=1):
    return np.random.default_rng(seed).random((*SIZE, 3), np.float32)


class Matte:
    """The left half of the picture is a figure."""

    def __init__(self, share=1.0):
        self.alpha = np.zeros(SIZE, np.float32)
        self.alpha[:, :30] = share

    def alpha_at(self, shot_frame):
        return self.alpha

    def figure_at(self, shot_frame, picture):
        return picture * self.alpha[..., None]


class Wipe:
    """A patch of the bare set over the whole picture, laid by so much."""

    name = "wipe"

    def __init__(self, share, bare):
        self.share, self.bare = share, bare

    def strength_at(self, shot_frame):
        return self.share

    def laid_share(self, shot_frame, pose):
        return np.full(SIZE, self.share, np.float32)

    def lay(self, picture, shot_frame, pose):
        return (picture + np.float32(self.share) * (self.bare - picture)).astype(np.float32)


class Speckle:
    """Grain that is easily told: what is lit gets noise, seeded by frame and field."""

    def top_up(self, lit, picture, bare, *, shot_frame, field):
        rng = np.random.default_rng([shot_frame, field])
        noise = rng.normal(0, 0.01, lit.shape).astype(np.float32)
        return noise * ((lit != picture) if bare is None else (bare > 0)[..., None])

    def cover(self, picture, *, shot_frame, field):
        return np.random.default_rng([shot_frame, field]).normal(0, 0.01, picture.shape).astype(np.float32)


def make(maker, picture=None, frame=1001, pose=None):
    picture = hero() if picture is None else picture
    coded = CodedFrame(frame - 1000, (), 0.0)
    return maker.make(coded, picture, frame, np.eye(3) if pose is None else pose)


@pytest.mark.parametrize("rule", ["plus", "screen"])
def test_mix_zero_leaves_the_hero_bit_exact(rule):
    picture = hero()
    shot = make(FrameMaker([laid([0.0, 1.0], rule=rule)], grain=Speckle()), picture, pose=shift_by(2.5, 1))
    assert shot.relit is picture and shot.changed is None and shot.light is None


def test_light_adds_at_its_mix_and_lights_add_up():
    one = make(FrameMaker([laid([0.0, 0.5])]), frame=1002)
    np.testing.assert_array_equal(one.relit, round_half(hero()) + np.float32(0.125))
    two = make(FrameMaker([laid([0.0, 0.5]), laid([1.0, 2.0])]), frame=1002)
    np.testing.assert_allclose(two.relit, hero() + 0.625, rtol=1e-3)


def test_where_no_light_falls_the_hero_is_unchanged_at_any_mix():
    light = np.zeros((*SIZE, 3), np.float32)
    light[:, 30:] = 0.3
    shot = make(FrameMaker([laid([1.0], light)], grain=Speckle()))
    np.testing.assert_array_equal(shot.changed, np.arange(60)[None] >= 30 + np.zeros((40, 1)))
    np.testing.assert_array_equal(shot.relit[:, :30], round_half(hero())[:, :30])
    assert (shot.light[:, :30] == 0).all() and (shot.relit[:, 30:] > hero()[:, 30:]).all()


def test_the_light_moves_with_a_bumped_hero():
    # A soft spot at (20, 15); the hero is seen (5, 3) px further right and down, so the spot falls at (25, 18).
    y, x = np.mgrid[: SIZE[0], : SIZE[1]] + 0.5
    spot = np.exp(-((x - 20) ** 2 + (y - 15) ** 2) / 18).astype(np.float32)
    maker = FrameMaker([laid([1.0], np.repeat(spot[..., None], 3, -1))])
    out = make(maker, np.zeros((*SIZE, 3), np.float32), pose=shift_by(5, 3)).relit[..., 0]
    assert (x * out).sum() / out.sum() == pytest.approx(25, abs=0.01)
    assert (y * out).sum() / out.sum() == pytest.approx(18, abs=0.01)


def test_a_moved_plate_leaves_no_dark_line_at_the_edge():
    even = np.full((*SIZE, 3), 0.4, np.float32)
    np.testing.assert_allclose(move_whole(even, shift_by(-3.3, 2.2)), 0.4, rtol=1e-6)


def half_ulp(value):
    return np.spacing(np.abs(value).astype(np.float16)).astype(np.float32)


@pytest.mark.parametrize("grain", [None, Speckle()])
@pytest.mark.parametrize("rules", [("plus",), ("screen",), ("plus", "screen"), ("screen", "screen", "plus")])
def test_the_written_files_rebuild_the_written_frame(rules, grain):
    # REFERENCE  IEEE 754 binary16: what is written to an EXR of half floats. TOLERANCE  one unit in the last place.
    rng = np.random.default_rng(7)
    lights = [laid([1.7], rng.exponential(0.2, (*SIZE, 3)).astype(np.float32), rule=rule) for rule in rules]
    shot = make(FrameMaker(lights, held=Matte(0.7), grain=grain))

    def written(picture):
        return picture.astype(np.float16).astype(np.float32)

    again = written(shot.clean)
    again = again if shot.light is None else lay_light(again, written(shot.light))
    again = again if shot.screened is None else lay_light(again, written(shot.screened), rule="screen")
    again = again if shot.grain is None else again + written(shot.grain)
    assert (np.abs(written(again) - written(shot.relit)) <= half_ulp(shot.relit)).all()
    assert "screen" in rules or shot.grain is None  # grain lies in the light where all of it adds


def test_what_half_floats_do_not_hold_is_kept_and_not_cut_off():
    picture = hero()
    picture[3, 4] = [1e5, np.inf, -7e4]
    bright = np.full((*SIZE, 3), 9e4, np.float32)
    shot = make(FrameMaker([laid([1.0], bright)]), picture)
    np.testing.assert_allclose(shot.relit, picture + bright, rtol=1e-3)
    assert shot.light.max() == 9e4


def test_light_on_the_figure_falls_by_its_own_share_and_mix():
    def glow(picture, plate, held, shot_frame, pose):
        return plate * held[..., None] * np.float32(0.5)

    def right_half(picture, shot_frame, pose):
        return np.where(np.arange(60)[None] < 15, 0, 1).astype(np.float32) + np.zeros(SIZE, np.float32)

    lamp = LaidLight(
        "lamp", np.full((*SIZE, 3), 0.4, np.float32), MixCurve(1001, np.array([0.5])), "plus", 1.0, 0.8, right_half
    )
    shot = make(FrameMaker([lamp, laid([1.0])], held=Matte(), figure_light=glow))
    # nobody's half takes 0.4 * 0.5 + 0.25; the figure takes 0.4 * 0.5 * 0.8 * 0.5, and nothing left of column 15
    np.testing.assert_allclose(shot.light[:, 30:], 0.45, rtol=1e-3)
    np.testing.assert_allclose(shot.light[:, 15:30], 0.08, rtol=1e-3)
    assert not shot.light[:, :15].any()


def test_making_a_frame_changes_nothing_that_it_is_made_from():
    plate, picture, matte = np.full((*SIZE, 3), 0.3, np.float32), hero(), Matte(0.5)
    kept = plate.copy(), picture.copy(), matte.alpha.copy()
    for rules in (("plus",), ("plus", "plus"), ("screen", "plus")):
        lights = [laid([1.0], plate, rule=rule) for rule in rules]
        make(FrameMaker(lights, held=matte, grain=Speckle(), background=plate), picture)
        FrameMaker(lights, grain=Speckle(), background=plate).make_background(1001, np.eye(3))
    for now, before in zip((plate, picture, matte.alpha), kept, strict=True):
        np.testing.assert_array_equal(now, before)


def test_screened_light_reaches_white_and_no_further():
    bright = np.full((*SIZE, 3), 5.0, np.float32)
    shot = make(FrameMaker([laid([1.0], bright, rule="screen"), laid([1.0], rule="screen")]))
    np.testing.assert_allclose(shot.relit, 1.0, atol=1e-3)


def test_light_stays_off_the_figure_and_comes_back_where_the_figure_is_wiped_away():
    figure = np.full((*SIZE, 3), 0.1, np.float32)
    bare = np.full((*SIZE, 3), 0.3, np.float32)
    picture = np.where(np.arange(60)[None, :, None] < 30, figure, bare).astype(np.float32)
    maker = FrameMaker([laid([1.0])], held=Matte())
    np.testing.assert_allclose(make(maker, picture).relit[:, :30], 0.1, atol=1e-3)
    for share in (0.25, 0.5, 0.999, 1.0):
        wiped = make(FrameMaker([laid([1.0])], held=Matte(), patches=[Wipe(share, bare)]), picture).relit
        # the figure that is left, unlit, and the bare set behind it in the full light
        np.testing.assert_allclose(wiped[:, :30], (1 - share) * 0.1 + share * 0.55, atol=1e-3)
        np.testing.assert_allclose(wiped[:, 30:], 0.55, atol=1e-3)
    edge = np.abs(wiped[:, 29] - wiped[:, 30]).max()
    assert edge <= 1e-3  # wiped away whole, nothing of an edge is left


def test_every_picture_has_grain_of_its_own():
    bare = np.full((*SIZE, 3), 0.3, np.float32)
    maker = FrameMaker([laid([1.0, 1.0])], patches=[Wipe(1.0, bare)], grain=Speckle(), background=bare)
    shot = make(maker, bare)
    unlit, lit = maker.make_background(1001, np.eye(3))
    later, _ = maker.make_background(1002, np.eye(3))
    fields = [shot.clean - bare, shot.light - 0.25, unlit - bare, lit - unlit - 0.25, later - bare]
    for i, one in enumerate(fields):
        assert one.std() == pytest.approx(0.01, rel=0.1)
        for other in fields[i + 1 :]:
            assert abs(np.corrcoef(one.ravel(), other.ravel())[0, 1]) < 0.06


def test_a_set_that_is_not_known_is_no_background():
    with pytest.raises(ValueError, match="bare set"):
        FrameMaker([laid([1.0])]).make_background(1001, np.eye(3))
    with pytest.raises(ValueError, match="hold-out"):
        FrameMaker([]).make_figure(make(FrameMaker([])))
