"""Light of a screen, from signal and from linear light."""

import numpy as np
import pytest
from core_helpers import make_encoding

from lightstack.core.flash.screen import cell_size, screen_of_light, screen_of_signal, show_cells


def test_signal_becomes_the_light_of_both_standards():
    # REFERENCE  WCAG 2.2 "relative luminance": ((0.5 + 0.055) / 1.055) ** 2.4 = 0.21404; BT.1886 with a black of 0:
    # 0.5 ** 2.4 = 0.18946. TOLERANCE  1e-5, a table with straight lines between its entries.
    cells = show_cells(np.full((4, 4, 3), 0.5, np.float32), screen_of_signal("bt709"))
    np.testing.assert_allclose(cells[..., :3], 0.21404, atol=1e-5)
    np.testing.assert_allclose(cells[..., 3], 0.18946, atol=1e-5)


def test_light_goes_through_the_codes_that_it_is_written_as():
    # REFERENCE  ITU-R BT.709-6 item 1.2: light 0.18 is signal 0.40901; as sRGB that is light 0.13922 (by the formula of
    # IEC 61966-2-1), on the screen 0.40901 ** 2.4 = 0.11697. TOLERANCE  1e-4.
    screen = screen_of_light(make_encoding(transfer="bt709"))
    cells = show_cells(np.full((2, 2, 3), 0.18, np.float32), screen)
    signal = 1.099 * 0.18**0.45 - 0.099
    np.testing.assert_allclose(cells[..., 0], ((signal + 0.055) / 1.055) ** 2.4, atol=1e-4)
    np.testing.assert_allclose(cells[..., 3], signal**2.4, atol=1e-4)


def test_cells_average_light_and_not_codes():
    picture = np.zeros((6, 6, 3), np.float32)
    picture[::2] = 1.0
    cells = show_cells(picture, screen_of_signal("bt709"), cell=2)
    assert cells.shape == (3, 3, 4)
    np.testing.assert_allclose(cells, 0.5, atol=1e-6)  # of codes it would be 0.214


@pytest.mark.parametrize("value, light", [(-0.5, 0.0), (1.7, 1.0), (np.nan, 0.0), (np.inf, 1.0)])
def test_a_screen_shows_no_less_than_black_and_no_more_than_white(value, light):
    cells = show_cells(np.full((2, 2, 3), value, np.float32), screen_of_signal("bt709"))
    np.testing.assert_allclose(cells, light, atol=1e-6)


def test_cells_stay_small_parts_of_a_degree():
    assert [cell_size(width) for width in (16, 640, 960, 1920, 3840)] == [1, 1, 1, 3, 5]


def test_a_picture_smaller_than_a_cell_is_one():
    assert show_cells(np.ones((2, 3, 3), np.float32), screen_of_signal("bt709"), cell=5).shape == (1, 1, 4)


def test_wide_primaries_are_shown_in_those_of_the_definition():
    red = np.zeros((1, 1, 3), np.float32)
    red[..., 0] = 1.0
    cells = show_cells(red, screen_of_signal("bt2020"))
    assert cells[0, 0, 0] == 1.0 and cells[0, 0, 1] == 0.0
    # REFERENCE  ITU-R BT.2020-2: the luminance of its red is 0.2627. TOLERANCE  1e-4, as rounded there.
    assert cells[0, 0, 3] == pytest.approx(0.2627, abs=1e-4)
