"""Light on the figure of a frame: under the matte, in a range, where it was painted, moved with the hero."""

from types import SimpleNamespace

import cv2
import numpy as np
import pytest
from jobs_helpers import NOISE, shift_by

from lightstack.errors import MismatchedInput, MissingInput, SettingError
from lightstack.files.shot.schema import Light
from lightstack.jobs.frame.shot_frames import FrameMaker, LaidLight
from lightstack.jobs.holdout.figure_light import FigureRelight, check_figure_light, make_share, warn_gaps
from lightstack.records import CodedFrame, MixCurve

SIZE = (48, 80)
LAMP = np.array([0.2, 0.05, 0.4], np.float32)


class Matte:
    """A bar in the middle of the picture is a figure."""

    alpha = np.zeros(SIZE, np.float32)
    alpha[8:, 30:50] = 1

    def alpha_at(self, shot_frame):
        return self.alpha

    def figure_at(self, shot_frame, picture):
        return picture * self.alpha[..., None]


def hero():
    picture = np.full((*SIZE, 3), 0.1, np.float32)
    picture[8:, 30:50] = 0.06
    picture[8:28, 30:50] = 0.003
    return picture


def make(figure_light=1.0, share=None, mix=0.5, patches=()):
    plate = np.broadcast_to(LAMP, (*SIZE, 3)).copy()
    light = LaidLight("lamp", plate, MixCurve(1001, np.array([mix])), "plus", 1.0, figure_light, share)
    relight = FigureRelight(Matte(), NOISE, "bt709")
    maker = FrameMaker([light], held=Matte(), figure_light=relight, patches=patches)
    return maker.make(CodedFrame(1, (), 0.0), hero(), 1001, np.eye(3))


def share_of(light, tmp_path, pose_at=lambda frame: np.eye(3)):
    settings = SimpleNamespace(locate=lambda path: tmp_path / path)
    return make_share(light, settings, primaries="bt709", size=SIZE, pose_at=pose_at)


def write(path, picture):
    cv2.imwrite(str(path), (255 * picture).astype(np.uint8))


def test_the_figure_takes_its_share_of_the_light_and_no_more():
    inside = np.s_[32:44, 34:46]
    off, one, two = (make(amount).light[inside].mean((0, 1)) for amount in (0.0, 1.0, 2.0))
    assert (off == 0).all()
    np.testing.assert_allclose(two, 2 * one, rtol=2e-3)
    assert one / one.sum() == pytest.approx(LAMP / LAMP.sum(), abs=0.03)
    dark = make().light[12:24, 34:46].mean((0, 1))  # near black
    assert dark.max() < 0.12 * one.max()


def test_the_mix_scales_it_and_the_set_beside_it_is_untouched():
    full, half = make(mix=1.0).light, make(mix=0.5).light
    np.testing.assert_allclose(half, full / 2, rtol=2e-3, atol=1e-4)
    np.testing.assert_allclose(full[:, :28], np.broadcast_to(LAMP, (48, 28, 3)), rtol=1e-3)


def test_a_figure_that_is_wiped_away_loses_its_light():
    class Wipe:
        name = "wipe"

        def strength_at(self, shot_frame):
            return 1.0

        def laid_share(self, shot_frame, pose):
            return np.ones(SIZE, np.float32)

        def lay(self, picture, shot_frame, pose):
            return np.full((*SIZE, 3), 0.1, np.float32)

    light = make(patches=[Wipe()]).light
    np.testing.assert_allclose(light, np.broadcast_to(LAMP / 2, light.shape), rtol=1e-3)  # the bare set, in full light


def test_a_range_of_luminance_keeps_the_light_off_the_rest(tmp_path):
    share = share_of(Light(figure_range=(0.03, 1.0)), tmp_path)
    light = make(share=share).light
    assert light[32:44, 34:46].min() > 0
    assert light[12:24, 34:46].max() < 1e-3
    assert share_of(Light(), tmp_path) is None


def test_a_painted_mask_moves_with_the_hero(tmp_path):
    mask = np.zeros(SIZE)
    mask[:, 40:] = 1
    write(tmp_path / "m.png", mask)
    share = share_of(Light(figure_mask="m.png"), tmp_path)
    np.testing.assert_allclose(share(hero(), 1001, np.eye(3)), mask, atol=0.01)
    moved = share(hero(), 1001, shift_by(6, 0))
    np.testing.assert_allclose(moved[:, 10:-10], np.roll(mask, 6, axis=1)[:, 10:-10], atol=0.01)


def test_of_a_sequence_the_nearest_picture_holds_where_it_lies(tmp_path):
    left, right = np.zeros(SIZE), np.zeros(SIZE)
    left[:, :40], right[:, 40:] = 1, 1
    write(tmp_path / "m.1001.png", left)
    write(tmp_path / "m.1010.png", right)
    share = share_of(Light(figure_mask="m.####.png"), tmp_path, pose_at=lambda frame: np.eye(3))
    assert share(hero(), 1003, np.eye(3))[:, :38].min() > 0.99
    assert share(hero(), 1009, np.eye(3))[:, 42:].min() > 0.99
    settings = SimpleNamespace(locate=lambda path: tmp_path / path, light=[Light(figure_mask="m.####.png")])
    assert "8 frames of the shot (1002, 1003" in warn_gaps(settings, (1001, 1010))[0]


def test_masks_that_cannot_be_used_are_refused(tmp_path):
    def check(name):
        settings = SimpleNamespace(locate=lambda path: tmp_path / path, light=[Light(figure_mask=name)])
        check_figure_light(settings, SimpleNamespace(frames=(1001, 1010), fitted=SimpleNamespace(size=SIZE)))

    write(tmp_path / "black.png", np.zeros(SIZE))
    write(tmp_path / "small.png", np.ones((10, 10)))
    with pytest.raises(SettingError, match="all black"):
        check("black.png")
    with pytest.raises(MismatchedInput, match="10 x 10"):
        check("small.png")
    with pytest.raises(MissingInput):
        check("none.png")
