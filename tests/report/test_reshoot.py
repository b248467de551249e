"""The reshoot picture: rings, numbers, lines, and letters that can be read at arm's length."""

import numpy as np
import pytest

from lightstack.records import Hole
from lightstack.report.pictures import GROUND, TAPE, load_font
from lightstack.report.reshoot import BODY, WIDTH, draw_reshoot, wrap_words

BRIGHT = np.full((180, 320, 3), 120, np.uint8)


def make_holes(count):
    return tuple(Hole(k + 1, 20.0 + 30 * k, 90.0, 0.02, "bottom left") for k in range(count))


def draw(count, **options):
    reach = np.ones((180, 320), bool)
    reach[80:100, :100] = count == 0
    return draw_reshoot(BRIGHT, reach, make_holes(count), title="sweep.mov", **options)


def test_the_picture_is_as_wide_as_a_phone_and_keeps_the_still_whole():
    picture = draw(2)
    assert picture.shape[1] == WIDTH and picture.dtype == np.uint8
    assert (picture[5, 5] == 120).all()  # the still, above
    assert (picture[-5, 5] == GROUND).all()  # the list, below


def test_letters_are_large_enough_for_an_arms_length():
    # REFERENCE  common practice for signs: letter height = viewing distance / 200; 60 cm -> 3 mm. A phone's
    # picture is about 70 mm wide.
    box = load_font(BODY).getbbox("H")
    assert (box[3] - box[1]) / WIDTH * 70 >= 3.0


def test_every_place_has_its_line():
    heights = [draw(count).shape[0] for count in (1, 2, 3)]
    assert heights[1] - heights[0] == heights[2] - heights[1] > BODY
    tape = [np.all(draw(count)[-400:] == TAPE, axis=2).sum() for count in (1, 2)]
    assert tape[1] > 1.5 * tape[0]


def test_many_places_are_counted_past_nine():
    assert draw(30).shape[0] == draw(10).shape[0]


def test_nothing_left_dark_is_said_too():
    assert draw(0).shape[0] > 700


def test_a_long_foot_is_broken_into_lines():
    assert draw(1, foot="word " * 40).shape[0] > draw(1, foot="word").shape[0] + 100


@pytest.mark.parametrize("text", ["", "one", "several words that go on and on until the line is full " * 3])
def test_lines_are_no_wider_than_asked(text):
    font = load_font(40)
    lines = wrap_words(text, font, 500)
    assert " ".join(lines) == " ".join(text.split())
    assert all(font.getlength(line) <= 500 for line in lines)
