"""What the report shows of a sweep."""

import numpy as np

from lightstack.jobs.sweep.pictures import as_shot, brighten, fit_size, picture_sweep, shrink_width, stack_naively


def test_shrinking_is_by_area_and_never_enlarges():
    picture = np.random.default_rng(1).random((8, 12, 3), np.float32)
    np.testing.assert_allclose(shrink_width(picture, 6), picture.reshape(4, 2, 6, 2, 3).mean((1, 3)), atol=1e-6)
    assert shrink_width(picture, 600).shape == picture.shape
    assert fit_size(picture, (4, 6)).shape == (4, 6, 3) and fit_size(picture, (8, 12)) is picture


def test_the_naive_stack_is_the_plain_maximum_and_worse_than_ours(small_outcome, small_room):
    from jobs_helpers import mean_error

    naive = stack_naively(small_outcome.look)
    slow = np.float32(small_outcome.look.proxies.rgb).max(0) - small_outcome.look.ambient
    np.testing.assert_allclose(naive, slow, atol=1e-6)
    assert mean_error(naive, small_room) > 2 * mean_error(small_outcome.plate.light, small_room)


def test_a_dark_room_is_lifted_and_a_bright_one_is_not_darkened():
    dark = np.full((10, 12, 3), 0.01, np.float32)
    assert brighten(dark, "bt709").mean() > 120
    # REFERENCE  IEC 61966-2-1: 1.0 is code 255.
    assert brighten(np.ones((4, 4, 3), np.float32), "bt709").min() == 255


def test_pictures_fit_one_another_and_come_in_the_order_of_choosing(small_outcome):
    found = picture_sweep(small_outcome)
    assert found.plate.shape == found.naive.shape == (112, 200, 3) and found.plate.dtype == np.uint8
    assert found.reach.shape == found.bright.shape[:2] == (112, 200)
    assert len(found.thumbnails) == len(found.thumbnail_blocked) == len(small_outcome.keys)
    assert found.evened is None and found.full_size == (112, 200)


def test_stills_as_shot_leave_out_what_is_covered(small_outcome):
    look = small_outcome.look
    shot = as_shot(look, list(small_outcome.choice.order), (112, 200))
    # The same stills at small size; noise is lifted here, covered places are not.  TOLERANCE  0.15 of the mean.
    error = np.abs(np.minimum(shot, 0.95) - np.minimum(small_outcome.plate.light, 0.95)).mean()
    assert error < 0.15 * small_outcome.plate.light.mean()
