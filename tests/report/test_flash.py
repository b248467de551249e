"""The flash check drawn and in words: it stands still, says no more than it knows, and gives the same bytes."""

from fractions import Fraction

import numpy as np
import pytest
from flash_helpers import flash, part, watch

from lightstack.records import FlashReport
from lightstack.report.flash import view_flash
from lightstack.report.flash_plot import draw_place, draw_places, plot_flash
from lightstack.report.flash_words import (
    say_contrast,
    say_flash,
    say_left_out,
    say_mix_share,
    say_part,
    say_span,
    say_speed,
)


def make_report(hertz):
    where = part(0.5)
    seen = watch(flash([0.05] * 3, [0.6, 0.02, 0.02], hertz=hertz, where=where, rate=Fraction(24)))
    return FlashReport(seen.fails, seen.tabulate(), seen.spans, seen.places, (), (), "as coded", "shot frame")


@pytest.fixture(scope="module")
def failing():
    return make_report(5)


def test_the_plot_comes_in_every_form_and_is_the_same_twice(failing):
    for form, head in (("png", b"\x89PNG"), ("svg", b"<svg")):
        for narrow in (False, True):
            drawn = plot_flash(failing, form=form, narrow=narrow)
            assert drawn.startswith(head) and drawn == plot_flash(failing, form=form, narrow=narrow)
    assert b"acTL" not in plot_flash(failing, form="png")  # REFERENCE  the chunk of an animated PNG: there is none


def test_what_flashes_stands_out_in_the_picture(failing):
    place = failing.places[0]
    drawn = draw_place(place, width=128).astype(int)
    lit = drawn[place.flashing].sum(-1).mean()
    assert lit > 2 * drawn[~place.flashing].sum(-1).mean()
    sheet = draw_places(failing.places)
    assert sheet.dtype == np.uint8 and sheet.ndim == 3
    with pytest.raises(ValueError, match="nothing to draw"):
        draw_places(())


def test_words_claim_no_more_than_was_counted(failing):
    passes = say_flash(make_report(2))
    assert passes.startswith("no failure found by these two rules") and "safe" not in passes
    assert say_flash(failing).startswith("fails ")
    line = say_span(failing.spans[0], "shot frame")
    assert "shot frames 0\u201347" in line and "6 allowed" in line and "25\u202f% allowed" in line


def test_what_would_pass_is_said_with_what_it_was_checked_on():
    assert "every gain times 0.40" in say_mix_share(0.4, hero_passes=True, wide=192)
    assert "no share of this mix" in say_mix_share(None, hero_passes=True, wide=192)
    assert "hero fails without any light" in say_mix_share(None, hero_passes=False, wide=192)
    assert "to 25\u202f% of its swing" in say_contrast(0.25, wide=192).replace("  ", " ")
    assert "no share" in say_contrast(None, wide=192)
    assert "2.00 times their length" in say_speed(0.5, mixed=True) and "no slower" in say_speed(None, mixed=False)
    assert "192 pixels" in say_left_out(192) and "480 frames" in say_part(480)


def test_the_page_gets_a_line_for_every_span_and_nothing_to_draw_where_nothing_fails(failing):
    view = view_flash(failing)
    assert view.fails and len(view.lines) == len(failing.spans) and view.places.startswith("data:image/jpeg")
    calm = view_flash(make_report(2))
    assert not calm.fails and calm.places is None and calm.lines == ()
