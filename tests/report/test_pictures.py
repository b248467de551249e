import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import ndimage

from lightstack.records import Hole, LaidFrame
from lightstack.report import pictures


def is_near(picture, colour, tolerance=40):
    return np.abs(picture.astype(int) - colour).max(axis=-1) <= tolerance


def grey(height, width, value=120):
    return np.full((height, width, 3), value, np.uint8)


@pytest.fixture
def room():
    """A grey room of 640 x 360 with one round unreached place."""
    y, x = np.mgrid[0:360, 0:640]
    reach = (x + 0.5 - 200) ** 2 + (y + 0.5 - 150) ** 2 > 40**2
    hole = Hole(7, 200.0, 150.0, float((~reach).mean()), "left")
    return grey(360, 640), reach, hole


def test_a_ring_goes_round_the_hole(room):
    bright, reach, hole = room
    drawn = pictures.draw_reach(bright, reach, [hole])
    radius = 1.3 * 40
    angles = np.radians(np.arange(0, 360, 5))
    x = np.round(199.5 + radius * np.cos(angles)).astype(int)
    y = np.round(149.5 + radius * np.sin(angles)).astype(int)
    assert is_near(drawn[y, x], pictures.PENCIL).mean() > 0.8  # the tag may cover a little
    assert (bright == 120).all()  # the given picture is left alone


def test_reached_places_are_left_as_they_are(room):
    bright, reach, hole = room
    drawn = pictures.draw_reach(bright, reach, [hole])
    y, x = np.mgrid[0:360, 0:640]
    far = np.hypot(x - 200, y - 150) > 160
    np.testing.assert_array_equal(drawn[far], bright[far])
    np.testing.assert_array_equal(pictures.draw_reach(bright, np.ones_like(reach), []), bright)


def test_unreached_places_are_hatched_even_without_a_ring(room):
    bright, reach, _ = room
    drawn = pictures.draw_reach(bright, reach, [])
    np.testing.assert_array_equal(drawn[reach], bright[reach])
    assert (drawn[~reach] != bright[~reach]).any(axis=-1).all()


def test_holes_given_in_full_size_land_on_the_small_picture(room):
    bright, reach, hole = room
    large = Hole(7, hole.x * 3, hole.y * 3, hole.area_share, hole.where)
    np.testing.assert_array_equal(
        pictures.draw_reach(bright, reach, [large], full_size=(1080, 1920)),
        pictures.draw_reach(bright, reach, [hole]),
    )


def test_digits_can_be_read_on_a_phone_at_arms_length(room):
    # REFERENCE  ISO 9241-303 (from memory): characters of at least 16 minutes of arc, 20 to 22 preferred.
    # TOLERANCE  at least 18 minutes: picture shown 70 mm wide, seen from 600 mm.
    bright, reach, hole = room
    drawn = pictures.draw_reach(bright, reach, [Hole(1, hole.x, hole.y, hole.area_share, "left")])
    tape = ndimage.binary_fill_holes(is_near(drawn, pictures.TAPE, 20))
    rows, columns = np.nonzero(ndimage.binary_erosion(tape, iterations=3))
    tag = drawn[rows.min() : rows.max() + 1, columns.min() : columns.max() + 1]
    ink = np.nonzero(is_near(tag, pictures.TAPE_INK, 60).any(axis=1))[0]
    height_mm = (ink.max() - ink.min() + 1) / bright.shape[1] * 70
    assert np.degrees(height_mm / 600) * 60 >= 18


@settings(max_examples=25, deadline=None)
@given(st.floats(0, 320), st.floats(0, 180), st.integers(1, 99), st.floats(0, 0.5))
def test_a_number_is_shown_whole_wherever_its_hole_lies(x, y, number, share):
    def count_tape(at_x, at_y):
        hole = Hole(number, at_x, at_y, share, "somewhere")
        drawn = pictures.draw_reach(grey(180, 320), np.ones((180, 320), bool), [hole])
        return is_near(drawn, pictures.TAPE, 20).sum()

    assert count_tape(x, y) > 0.95 * count_tape(160, 90)


def test_tags_of_neighbours_do_not_cover_each_other():
    holes = [Hole(i + 1, 150 + 12 * i, 90, 0.004, "centre") for i in range(3)]
    drawn = pictures.draw_reach(grey(180, 320), np.ones((180, 320), bool), holes)
    area = is_near(drawn, pictures.TAPE, 20).sum()
    alone = [
        is_near(pictures.draw_reach(grey(180, 320), np.ones((180, 320), bool), [h]), pictures.TAPE, 20).sum()
        for h in holes
    ]
    assert area > 0.9 * sum(alone)


def test_blockers_are_outlined_and_nothing_else_changes():
    mask = np.zeros((90, 160), bool)
    mask[30:60, 50:100] = True
    mask[0:10, 140:160] = True  # runs out of the picture
    thumbnail = grey(90, 160)
    drawn = pictures.outline_mask(thumbnail, mask)
    edge = mask & ~ndimage.binary_erosion(mask)  # outside library, slow and sure
    assert is_near(drawn[edge], pictures.SIGNAL, 90).all()
    away = ndimage.distance_transform_edt(~edge) > 5
    np.testing.assert_array_equal(drawn[away], thumbnail[away])


def test_holes_in_a_mask_are_outlined_too():
    mask = np.ones((90, 160), bool)
    mask[30:60, 60:100] = False
    drawn = pictures.outline_mask(grey(90, 160), mask)
    assert is_near(drawn[29, 60:100], pictures.SIGNAL, 90).all()


def test_an_empty_mask_draws_nothing():
    thumbnail = grey(20, 30)
    np.testing.assert_array_equal(pictures.outline_mask(thumbnail, np.zeros((40, 60), bool)), thumbnail)


def test_the_contact_sheet_holds_every_pair_untouched():
    rng = np.random.default_rng(2)
    frames = [
        LaidFrame(1001 + i, g, *rng.integers(0, 255, (2, 72, 128, 3), np.uint8))
        for i, g in enumerate((0.0, 0.4, 1.0, 2.0, 0.7))
    ]
    sheet = pictures.make_contact_sheet(frames, cell_width=128)
    for frame in frames:
        for picture in (frame.before, frame.after):
            corners = np.argwhere((sheet == picture[0, 0]).all(axis=-1))
            cuts = [sheet[y : y + 72, x : x + 128] for y, x in corners]
            assert any(cut.shape == picture.shape and (cut == picture).all() for cut in cuts)
    np.testing.assert_array_equal(sheet, pictures.make_contact_sheet(frames, cell_width=128))


def test_a_contact_sheet_carries_its_title_above_everything():
    frames = [LaidFrame(1001, 1.0, grey(72, 128), grey(72, 128))] * 2
    plain = pictures.make_contact_sheet(frames, cell_width=128)
    for title in ("lights violet, green", "lights " + ", ".join(f"light_{k}" for k in range(99))):
        titled = pictures.make_contact_sheet(frames, cell_width=128, title=title)
        head = len(titled) - len(plain)
        assert head > 0 and (titled[:head] != titled[0, 0]).any()
        np.testing.assert_array_equal(titled[head:], plain)


def test_a_contact_sheet_of_nothing_is_refused():
    with pytest.raises(ValueError, match="at least one"):
        pictures.make_contact_sheet([])


def test_mixed_sizes_and_tiny_pictures_fit():
    frames = [LaidFrame(1, 1.0, grey(1, 1), grey(1, 1)), LaidFrame(2, 0.0, grey(90, 50), grey(90, 50))]
    assert pictures.make_contact_sheet(frames, cell_width=64).ndim == 3
    hole = Hole(1, 0.5, 0.5, 1.0, "centre")
    assert pictures.draw_reach(grey(1, 1), np.zeros((1, 1), bool), [hole]).shape == (1, 1, 3)
    assert pictures.outline_mask(grey(1, 1), np.ones((1, 1), bool)).shape == (1, 1, 3)


def test_shrinking_is_an_area_average():
    rng = np.random.default_rng(4)
    picture = rng.integers(0, 256, (80, 120, 3), np.uint8)
    small = pictures.shrink_picture(picture, 60)
    twin = picture.reshape(40, 2, 60, 2, 3).mean(axis=(1, 3))
    assert np.abs(small - twin).max() <= 0.51
    assert pictures.shrink_picture(picture, 500) is picture


def test_gains_are_said_in_stops():
    # REFERENCE  gain = 2 ** stops (handbook).
    said = [pictures.say_mix(g) for g in (0.0, 1.0, 0.5, 2**-1.5, 2.0)]
    assert said == [
        "light off", "light as shot", "light \u22121 stop", "light \u22121.5 stops", "light +1 stop",
    ]  # fmt: skip
