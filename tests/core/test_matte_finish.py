"""Frames finished at full size from a parting at survey size that is known to be right."""

import cv2
import numpy as np
import pytest

from lightstack.core.matte.finish import enlarge, find_box
from lightstack.core.matte.matte import Mark, finish_frame
from lightstack.records import NoiseModel

NOISE = NoiseModel(np.full(3, 1e-4), np.full(3, 1e-6))
SIZE, FACTOR = (122, 183), 3  # rows and columns that three does not divide are left over
COLOUR = np.float32([0.7, 0.25, 0.1])


def film(smear=1, *, form=np.float32, low=SIZE[0]):
    """Five like frames of a disc that ``smear`` pixels of motion draw out; frames, set, coverage, and a true mark."""
    y, x = np.mgrid[0 : SIZE[0], 0 : SIZE[1]].astype(np.float32)
    disc = cv2.GaussianBlur((np.hypot(x - 90, y - low + 40) < 36).astype(np.float32), (0, 0), 0.8)
    cover = cv2.blur(disc, (smear, 1), borderType=cv2.BORDER_REPLICATE)
    behind = np.stack([0.1 + 0.1 * (x // 16 % 2), 0.2 + 0.001 * y, 0.3 - 0.001 * x], -1).astype(np.float32)
    light = cover[..., None] * COLOUR + (1 - cover[..., None]) * behind
    rng = np.random.default_rng(smear)
    frames = [(light + NOISE.sigma(light) * rng.standard_normal(light.shape)).astype(form) for _ in range(5)]
    small = cv2.resize(cover[: SIZE[0] // 3 * 3], (SIZE[1] // 3, SIZE[0] // 3), interpolation=cv2.INTER_AREA)
    soft = cv2.dilate(((small > 0.01) & (small < 0.99)).astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
    sure = (small > 0.5) & ~soft
    mark = Mark(small > 0.5, sure, soft, small * 0, np.ones((*small.shape, 3), np.float32))
    return frames, behind, cover, mark


@pytest.mark.parametrize("form", [np.float32, np.float16])
def test_edges_at_full_size_are_their_share(form):
    frames, behind, cover, mark = film(form=form)
    matte = finish_frame(frames, 2, behind, mark=mark, noise=NOISE)
    # REFERENCE  the "over" mixture (Porter & Duff 1984). TOLERANCE  noise of 2 % of the contrast a pixel.
    assert np.abs(matte.alpha - cover).mean() < 0.004
    again = matte.alpha[..., None] * matte.figure + (1 - matte.alpha[..., None]) * behind
    edge = (cover > 0.1) & (cover < 0.9)
    assert np.abs(again - frames[2])[edge].mean() < 0.02
    np.testing.assert_allclose(matte.figure[cover > 0.5].mean(0), COLOUR, atol=0.02)
    assert (matte.figure[matte.alpha == 0] == 0).all()


@pytest.mark.parametrize("smear", [11, 31])
def test_a_smear_is_a_ramp(smear):
    frames, behind, cover, mark = film(smear)
    alpha = finish_frame(frames, 2, behind, mark=mark, noise=NOISE).alpha
    assert np.abs(alpha - cover).mean() < 0.012
    ramp = cv2.blur(alpha, (1, 5))[82, 30:90]
    assert np.diff(ramp).min() > -0.05  # TOLERANCE  noise; the true ramp never falls


def test_rows_left_over_by_the_survey_go_on_as_those_above():
    frames, behind, cover, mark = film(low=SIZE[0] + 36)
    alpha = finish_frame(frames, 2, behind, mark=mark, noise=NOISE).alpha
    assert cover[-1].max() > 0.99
    assert np.abs(alpha - cover)[-2:].mean() < 0.02


def test_what_is_not_parted_is_not_touched():
    frames, behind, _, mark = film()
    none = np.zeros(mark.figure.shape, bool)
    matte = finish_frame(frames, 2, behind, mark=Mark(none, none, none, mark.doubt, mark.gain), noise=NOISE)
    assert matte.alpha.max() == matte.doubt.max() == matte.figure.max() == 0


def test_doubt_lies_where_the_survey_had_it():
    frames, behind, _, mark = film()
    doubt = mark.doubt.copy()
    doubt[10:14, 20:30] = 1
    matte = finish_frame(frames, 2, behind, mark=Mark(mark.figure, mark.sure, mark.band, doubt, mark.gain), noise=NOISE)
    assert matte.doubt[32:40, 62:88].min() > 0.99
    assert matte.doubt.sum() == pytest.approx(doubt.sum() * FACTOR**2, rel=0.02)


def test_boxes_and_enlarged_pieces():
    mask = np.zeros((10, 12), bool)
    assert find_box(mask, margin=2) is None
    mask[3, 11] = True
    assert find_box(mask, margin=2) == (slice(1, 6), slice(9, 12))
    assert enlarge(np.ones((2, 3), np.float32), (3, 3), (7, 11)).shape == (7, 11)
