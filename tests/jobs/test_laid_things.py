"""Tossed things in finished frames: files rebuild them, light goes round them and on them, figures stay figures."""

import numpy as np
import pytest
from jobs_helpers import shift_by

from lightstack.core.lay.lay import lay_light
from lightstack.core.prop.lay import ThingPicture
from lightstack.jobs.element.laid_things import ThingLayers
from lightstack.jobs.frame.shot_frames import FrameMaker, LaidLight
from lightstack.records import CodedFrame, MixCurve, NoiseModel

SIZE = (64, 96)
NOISE = NoiseModel(np.full(3, 1e-5), np.full(3, 1e-8))


def hero(seed=1, level=0.3):
    return (level * np.random.default_rng(seed).random((*SIZE, 3), np.float32) + 0.05).astype(np.float32)


def lamp(level=0.25, *, rule="plus", gain=1.0):
    light = np.full((*SIZE, 3), level, np.float32)
    return LaidLight("lamp", light, MixCurve(1001, np.array([gain, gain])), rule, 1.0, 0.0)


class Block:
    """A block of one colour with a soft edge and a shadow beside it, on frame 1001 only."""

    def __init__(self, *, behind=False, follow_mix=0.0, colour=(0.2, 0.1, 0.05), alpha=1.0):
        self.behind, self.follow_mix = behind, follow_mix
        cover = np.zeros(SIZE, np.float32)
        cover[20:40, 30:50], cover[20:40, 50:52] = alpha, alpha / 2
        shade = np.ones((*SIZE, 3), np.float32)
        shade[38:46, 40:60] = (0.5, 0.55, 0.6)
        self.picture = ThingPicture(cover, cover[..., None] * np.array(colour, np.float32), shade)

    def picture_at(self, shot_frame):
        return self.picture if shot_frame == 1001 else None


class Matte:
    """A figure stands in columns 45 to 70."""

    def __init__(self):
        self.alpha = np.zeros(SIZE, np.float32)
        self.alpha[:, 45:70] = 1

    def alpha_at(self, shot_frame):
        return self.alpha

    def figure_at(self, shot_frame, picture):
        return picture * self.alpha[..., None]


class Speckle:
    """Grain of a known strength, by how much of it is missing."""

    def top_up(self, lit, picture, bare, *, shot_frame, field):
        noise = np.random.default_rng([shot_frame, field]).normal(0, 0.01, lit.shape).astype(np.float32)
        return noise * ((lit != picture) if bare is None else (bare > 1e-6)[..., None])

    def cover(self, picture, *, shot_frame, field):
        return np.zeros_like(picture)


def layers(*things):
    return ThingLayers(things, noise=NOISE, primaries="bt709")


def make(maker, picture=None, frame=1001, pose=None):
    picture = hero() if picture is None else picture
    return maker.make(CodedFrame(frame - 1000, (), 0.0), picture, frame, np.eye(3) if pose is None else pose)


@pytest.mark.parametrize("grain", [None, Speckle()])
@pytest.mark.parametrize("rules", [(), ("plus",), ("screen", "plus")])
def test_the_written_files_rebuild_a_frame_with_a_thing(rules, grain):
    # REFERENCE  IEEE 754 binary16: what is written to an EXR of half floats. TOLERANCE  one unit in the last place.
    lights = [lamp(rule=rule) for rule in rules]
    things = layers(Block(follow_mix=1.0), Block(behind=True))
    shot = make(FrameMaker(lights, held=Matte(), grain=grain, things=things), pose=shift_by(1.5, -2))

    def written(picture):
        return picture.astype(np.float16).astype(np.float32)

    again = written(shot.clean)
    again = again if shot.light is None else lay_light(again, written(shot.light))
    again = again if shot.screened is None else lay_light(again, written(shot.screened), rule="screen")
    again = again if shot.grain is None else again + written(shot.grain)
    unit = np.spacing(np.abs(shot.relit).astype(np.float16)).astype(np.float32)
    assert (np.abs(written(again) - written(shot.relit)) <= unit).all()


def test_the_hero_is_his_own_where_neither_light_nor_thing_falls():
    picture, maker = hero(), FrameMaker(things=layers(Block()), grain=Speckle())
    shot = make(maker, picture)
    np.testing.assert_array_equal(shot.clean[~shot.changed], picture[~shot.changed])
    assert shot.changed.sum() == 20 * 22 + 8 * 20 - 2 * 12  # block, shadow, less where both are
    elsewhere = make(maker, picture, frame=1002)
    assert elsewhere.relit is picture
    assert elsewhere.things is None
    none = FrameMaker([lamp()], held=Matte())
    same = FrameMaker([lamp()], held=Matte(), things=layers(Block()))
    np.testing.assert_array_equal(make(same, frame=1002).relit, make(none, frame=1002).relit)


def test_a_thing_keeps_light_off_the_set_behind_it():
    shot = make(FrameMaker([lamp(0.25)], things=layers(Block())))
    assert not shot.light[20:40, 30:50].any()
    np.testing.assert_allclose(shot.light[20:38, 50:52], 0.125)  # its edge covers half
    np.testing.assert_allclose(shot.light[:, 60:], 0.25)
    own = np.broadcast_to(np.float32([0.2, 0.1, 0.05]), (20, 20, 3))
    np.testing.assert_allclose(shot.relit[20:40, 30:50], own, rtol=1e-3)
    np.testing.assert_array_equal(shot.withheld, Block().picture.alpha)


@pytest.mark.parametrize("behind", [False, True])
def test_a_thing_before_or_behind_the_figure(behind):
    picture, block = hero(), Block(behind=behind)
    maker = FrameMaker([lamp()], held=Matte(), things=layers(block))
    shot = make(maker, picture)
    both = (slice(22, 36), slice(46, 50))  # block and figure
    shown = picture[both] if behind else np.broadcast_to(np.float32([0.2, 0.1, 0.05]), (14, 4, 3))
    np.testing.assert_allclose(shot.clean[both], shown, rtol=1e-5)
    shaded = (slice(42, 46), slice(40, 60))  # the shadow falls on the set, not on the figure before it
    np.testing.assert_allclose(shot.clean[shaded][:, 6:], picture[shaded][:, 6:], rtol=1e-5)
    dimmed = picture[shaded][:, :4] * np.float32([0.5, 0.55, 0.6])
    np.testing.assert_allclose(shot.clean[shaded][:, :4], dimmed, rtol=1e-5)
    assert shot.withheld[30, 47] == 1
    assert (shot.held == Matte().alpha).all()
    # the figure as an element does not wear the thing
    np.testing.assert_array_equal(maker.make_figure(shot), picture * Matte().alpha[..., None])


def test_light_on_the_figure_knows_nothing_of_the_thing_but_that_it_is_hidden():
    seen = []

    def glow(picture, plate, held, shot_frame, pose):
        seen.append(picture)
        return plate * held[..., None]

    picture = hero()
    for behind, share in ((False, 0), (True, 1)):
        light = LaidLight("lamp", np.full((*SIZE, 3), 0.25, np.float32), MixCurve(1001, np.ones(1)), "plus", 1.0, 1.0)
        maker = FrameMaker([light], held=Matte(), figure_light=glow, things=layers(Block(behind=behind)))
        shot = make(maker, picture)
        np.testing.assert_allclose(shot.light[22:36, 46:50], 0.25 * share, atol=1e-6)
        np.testing.assert_allclose(shot.light[50:, 46:60], 0.25)
        np.testing.assert_array_equal(seen[-1], picture)


def test_the_things_lit_part_follows_the_mix_as_it_is_told():
    flat = np.full((*SIZE, 3), 0.1, np.float32)

    def on_block(gain, follow_mix):
        maker = FrameMaker([lamp(0.2, gain=gain)], things=layers(Block(follow_mix=follow_mix)))
        return make(maker, flat).light[26:34, 36:44].mean(axis=(0, 1))

    full = on_block(1.0, 1.0)
    # known by construction: the lamp is as white as the light that is there, so the lit part has the thing's own colour
    np.testing.assert_allclose(full / full.sum(), np.array([0.2, 0.1, 0.05]) / 0.35, atol=0.02)
    np.testing.assert_allclose(on_block(0.5, 1.0), full / 2, rtol=1e-2)
    np.testing.assert_allclose(on_block(0.5, 2.0), full, rtol=1e-2)
    assert not on_block(1.0, 0.0).any()


def test_grain_is_laid_where_the_thing_brings_none_and_not_twice():
    flat = np.full((*SIZE, 3), 0.1, np.float32)
    block = Block(colour=(0.1, 0.1, 0.1))
    clean = make(FrameMaker(things=layers(block), grain=Speckle()), flat).clean
    assert not np.ptp(clean[22:36, 32:48], axis=(0, 1)).any()  # its own take's grain is in it
    held = ThingPicture(block.picture.alpha, block.picture.own, None, frames=9)
    block.picture = held
    assert make(FrameMaker(things=layers(block), grain=Speckle()), flat).clean[22:36, 32:48].std() > 0.005


def test_making_a_frame_changes_no_thing():
    block = Block(follow_mix=1.0)
    kept = [part.copy() for part in (block.picture.alpha, block.picture.own, block.picture.shade)]
    make(FrameMaker([lamp()], held=Matte(), grain=Speckle(), things=layers(block, Block(behind=True))))
    for now, before in zip((block.picture.alpha, block.picture.own, block.picture.shade), kept, strict=True):
        np.testing.assert_array_equal(now, before)
