"""Flashes counted: vectors of both standards, and what is none."""

from fractions import Fraction

import numpy as np
import pytest
from flash_helpers import SHAPE, broken, flash, part, show, watch

from lightstack.core.flash.kernels import (
    SCREEN_LUMINANCE,
    TRACKS,
    count_places,
    fill_window,
    follow_light,
    tally_changes,
)
from lightstack.core.flash.rules import CHANGES_ALLOWED, RULES, find_rule, window_cells
from lightstack.core.flash.screen import describe_cells

WHOLE = np.ones(SHAPE, bool)
GREY, STEP_11, STEP_09 = [0.2] * 3, [0.31] * 3, [0.29] * 3


# --- WCAG 2.2, success criterion 2.3.1, general flashes ------------------------------------------------

# REFERENCE  WCAG 2.2, "general flash and red flash thresholds": more than three flashes in a second fail, a flash being
# a pair of opposing changes of 10 % of the maximum relative luminance or more, over more than 25 % of any 10-degree
# field (341 x 256 pixels of 1024 x 768).
# TOLERANCE  one cell of area; 0.26 and 0.24 of a field of 42 x 24 cells.


@pytest.mark.parametrize("high, share, hertz, fails", [
    (STEP_11, 0.26, 4, True),
    (STEP_11, 0.24, 4, False),
    (STEP_11, 0.26, 3, False),
    (STEP_09, 0.26, 4, False),
])  # fmt: skip
def test_a_general_flash_needs_step_area_and_rate(high, share, hertz, fails):
    found = broken(flash(GREY, high, hertz=hertz, where=part(share)))
    assert found == ({"general"} if fails else set())


@pytest.mark.parametrize("share, fails", [(0.26, True), (0.24, False)])
def test_the_area_of_bt_1702_is_the_screen(share, fails):
    # REFERENCE  ITU-R BT.1702-3: more than 25 % of the displayed screen area. TOLERANCE  one cell of 9216.
    assert ("screen" in broken(flash(GREY, STEP_11, hertz=4, where=part(share, of_screen=True)))) == fails


def test_two_bright_states_are_told_apart_by_the_standards():
    # REFERENCE  BT.1702-3: where the darker state is 160 cd/m2 or more, a Michelson contrast of 1/17; 162 to 184 cd/m2
    # is 22 / 346 = 0.0636. WCAG counts only where the darker state is below 0.80. TOLERANCE  none.
    assert broken(flash([0.81] * 3, [0.92] * 3, hertz=4, where=WHOLE)) == {"screen"}
    assert (184 - 162) / (184 + 162) >= 1 / 17
    assert broken(flash([0.81] * 3, [0.90] * 3, hertz=4, where=WHOLE)) == set()  # 18 cd/m2, 0.053
    assert "general" in broken(flash([0.79] * 3, [0.92] * 3, hertz=4, where=WHOLE))


def test_on_a_dimmer_screen_the_same_swing_is_none_for_bt_1702():
    frames = list(flash(GREY, [0.35] * 3, hertz=4, where=WHOLE))
    assert broken(frames, peak=200.0) == {"general", "screen"}  # 30 cd/m2
    assert broken(frames, peak=100.0) == {"general"}  # 15 cd/m2; relative luminance knows no screen


@pytest.mark.parametrize("rate", [Fraction(24000, 1001), Fraction(24), Fraction(25), Fraction(50), Fraction(60)])
def test_a_second_is_a_second_at_every_rate(rate):
    # REFERENCE  both standards: no more than three flashes within any one second. TOLERANCE  none: 3 Hz, and 4 Hz.
    three, four = (watch(flash(GREY, STEP_11, hertz=h, where=WHOLE, rate=rate, seconds=2)) for h in (3, 4))
    assert not three.fails and three.tabulate().changes[:, 0].max() == CHANGES_ALLOWED
    assert four.fails and four.tabulate().changes[:, 0].max() == 8


def test_leading_edges_nine_frames_apart_are_accepted():
    # REFERENCE  BT.1702-3: flashes whose leading edges are 9 frames or more apart at 25 frames/s (360 ms). TOLERANCE 0.
    frames = [(Fraction(k, 25), show([0.9] * 3 if k % 9 < 4 else GREY)) for k in range(60)]
    assert not watch(frames).fails
    frames = [(Fraction(k, 25), show([0.9] * 3 if k % 7 < 3 else GREY)) for k in range(60)]
    assert watch(frames).fails


# --- red flashes ------------------------------------------------------------------------------------


def test_a_dim_red_is_a_red_flash_and_no_general_one():
    # REFERENCE  WCAG 2.2: a state with R / (R + G + B) >= 0.8 and a distance of more than 0.2 in CIE 1976 u'v'; before:
    # a change of max(0, R - G - B) x 320 of more than 20. R share 0.94, score 89.6, luminance step 0.052.
    # TOLERANCE  none.
    found = watch(flash([0.02] * 3, [0.30, 0.01, 0.01], hertz=4, where=part(0.26)))
    assert {span.rule for span in found.spans} == {"red", "red_earlier"}
    assert not watch(flash([0.02] * 3, [0.30, 0.01, 0.01], hertz=3, where=WHOLE)).fails


def test_colours_have_the_chromaticities_of_cie_1976():
    # REFERENCE  CIE 15: u' = 4x / (-2x + 12y + 3), v' = 9y / (-2x + 12y + 3); x, y of ITU-R BT.709-6 item 1.3 and 1.4.
    # TOLERANCE  2e-6, single precision.
    places = {(1.0, 0, 0): (0.64, 0.33), (0, 0, 1.0): (0.15, 0.06), (0.5, 0.5, 0.5): (0.3127, 0.3290), (0, 0, 0): None}
    for rgb, xy in places.items():
        x, y = xy or (0.3127, 0.3290)  # black has that of the white point
        expected = np.array([4 * x, 9 * y]) / (-2 * x + 12 * y + 3)
        np.testing.assert_allclose(describe_cells(show(rgb), 200.0)[0, 0, 4:], expected, atol=2e-6)


def test_red_out_of_black_counts_and_noise_in_black_does_not():
    # The standard leaves black's chromaticity open; here it is the white point's.
    assert {"red", "screen_red"} <= broken(flash([0, 0, 0], [0.1, 0, 0], hertz=4, where=WHOLE))
    assert not broken(flash([0, 0, 0], [0.003, 0, 0], hertz=4, where=WHOLE))


def test_a_red_that_only_dims_keeps_its_colour_and_scores_by_the_earlier_rule():
    found = broken(flash([0.1, 0.001, 0.001], [0.2, 0.002, 0.002], hertz=4, where=WHOLE))
    assert "red" not in found and "red_earlier" in found


# --- what is no flash ----------------------------------------------------------------------------------


def test_small_steps_in_one_direction_are_one_change():
    # REFERENCE  WCAG 2.2: a change lies between adjacent peak and valley of luminance over time. TOLERANCE  none.
    levels = [*np.linspace(0.05, 0.75, 40), *np.linspace(0.75, 0.05, 40)]
    wiggle = 0.03 * (np.arange(80) % 2)
    frames = [(Fraction(k, 60), show([v + w] * 3)) for k, (v, w) in enumerate(zip(levels, wiggle, strict=True))]
    found = watch(frames).tabulate()
    assert found.changes[:, 0].max() == 2 and not found.areas.any()


def test_a_cut_is_one_change():
    frames = [(Fraction(k, 25), show([0.7] * 3 if k >= 20 else [0.1] * 3)) for k in range(40)]
    assert watch(frames).tabulate().changes[:, 0].max() == 1


def test_grain_is_no_flash():
    rng = np.random.default_rng(5)
    noise = (0.25 + 0.06 * rng.standard_normal((50, *SHAPE, 1)) + np.zeros(4)).clip(0).astype(np.float32)
    found = watch((Fraction(k, 25), frame) for k, frame in enumerate(noise))
    assert not found.fails and found.tabulate().changes.max() <= 2  # 24 % of its level


@pytest.mark.parametrize("pattern", ["squares", "lines"])
def test_a_fine_balanced_pattern_is_exempt(pattern):
    # REFERENCE  WCAG 2.2: flashing that is a fine, balanced pattern, such as an alternating checkerboard with squares
    # smaller than 0.1 degree on a side, does not violate the thresholds. TOLERANCE  none.
    y, x = np.indices(SHAPE)
    board = ((x + y) if pattern == "squares" else y) % 2
    coarse = (x // 16 + y // 16) % 2  # squares of more than a degree: each of them flashes
    for squares, fails in ((board, False), (coarse, True)):
        shown = [np.repeat((squares ^ (k // 3 % 2))[..., None], 4, 2).astype(np.float32) for k in range(40)]
        assert watch((Fraction(k, 25), cells) for k, cells in enumerate(shown)).fails == fails


def test_places_apart_do_not_add_up_to_a_field():
    where = np.zeros(SHAPE, bool)
    where[:12, :20] = where[-12:, -20:] = True  # each 24 % of a field, together 48 %
    assert not watch(flash(GREY, [0.9] * 3, hertz=5, where=where)).fails


# --- how it is counted ---------------------------------------------------------------------------------


def test_the_window_is_found_wherever_it_is_and_as_a_plain_search_finds_it():
    rng = np.random.default_rng(2)
    counts = rng.integers(0, 10, (30, 40)).astype(np.int16)
    height, width = window_cells(counts.shape)
    best, top, left = fill_window(counts, 7, height, width)
    plain = {
        (y, x): int((counts[y : y + height, x : x + width] >= 7).sum())
        for y in range(30 - height + 1)
        for x in range(40 - width + 1)
    }
    assert best == max(plain.values()) == plain[top, left]


def test_counts_are_those_of_a_plain_loop():
    rng = np.random.default_rng(3)
    bits, counts = rng.integers(0, 16, (5, 6, 7)).astype(np.uint8), np.zeros((TRACKS, 6, 7), np.int16)
    for one in bits:
        tally_changes(counts, one, 1)
    tally_changes(counts, bits[0], -1)
    for track in range(TRACKS):
        np.testing.assert_array_equal(counts[track], ((bits[1:] >> track) & 1).sum(0))
    having = np.empty(8, np.int64)
    count_places(counts[0], having)
    assert having.tolist() == [int((counts[0] >= k).sum()) for k in range(8)]


def test_changes_are_those_of_a_plain_walk_through_peaks_and_valleys():
    rng = np.random.default_rng(8)
    values = (100 * rng.random((60, 4, 5))).astype(np.float32)
    ends = np.repeat(values[0][..., None, None], TRACKS, 2).repeat(4, 3).copy()
    way, expected, found = np.zeros((4, 5, TRACKS), np.int8), np.zeros((4, 5), int), np.zeros((4, 5), int)
    for frame in values:
        looks = np.zeros((4, 5, 6), np.float32)
        looks[..., 1] = frame
        bits = np.zeros((4, 5), np.uint8)
        follow_light(0, 4, looks, looks, ends, way, bits)
        found += (bits >> SCREEN_LUMINANCE) & 1
    for y, x in np.ndindex(4, 5):
        expected[y, x] = count_plainly(values[:, y, x])
    np.testing.assert_array_equal(found, expected)
    assert expected.min() > 3


def count_plainly(values, step=20.0):
    """Changes of ``step`` or more between peaks and valleys, the slow way."""
    low = high = values[0]
    way = count = 0
    for value in values[1:]:
        if way <= 0 and value - low >= step:
            way, high, count = 1, value, count + 1
        elif way >= 0 and high - value >= step:
            way, low, count = -1, value, count + 1
        high = max(high, value) if way >= 0 else high
        low = min(low, value) if way <= 0 else low
    return count


def test_memory_does_not_grow_with_the_footage():
    checking = watch(flash(GREY, STEP_11, hertz=4, where=WHOLE, seconds=4))
    assert len(checking._state.recent) == 25
    assert set(checking._places) == {"general", "screen"}


def test_spans_begin_with_the_second_that_fails_and_are_parted():
    calm = [show(GREY)] * 60
    burst = [cells for _, cells in flash(GREY, [0.9] * 3, hertz=6, where=WHOLE, seconds=1)]
    frames = ((Fraction(k, 25), cells) for k, cells in enumerate([*calm, *burst, *calm, *burst, *calm]))
    spans = [span for span in watch(frames).spans if span.rule == "general"]
    assert len(spans) == 2
    assert 50 <= spans[0].first <= 62 and 80 <= spans[0].last <= 110
    assert find_rule("general") is RULES[0]
    with pytest.raises(KeyError):
        find_rule("none")


def test_the_worst_place_is_shown_with_its_field():
    where = part(0.5)
    place = watch(flash(GREY, [0.9] * 3, hertz=5, where=where)).places[0]
    np.testing.assert_array_equal(place.flashing, where)
    left, top, width, height = place.window
    inside = np.zeros(SHAPE, bool)
    inside[round(top * 72) : round((top + height) * 72), round(left * 128) : round((left + width) * 128)] = True
    assert (where & inside).sum() / inside.sum() == pytest.approx(place.area) == pytest.approx(0.5, abs=0.01)
