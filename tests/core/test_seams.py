"""Light carried on past a mask: no step on a wall, no change where it was measured, none where nobody was lit."""

import numpy as np
import pytest
from scipy.optimize import lsq_linear
from scipy.sparse import coo_matrix

from lightstack.core.sweep import seams
from lightstack.core.sweep.seams import LENGTH, MOST_STOPS, SeamTally, raise_rows, seam_step, shrink_still

SIZE = (120, 320)
ROWS, COLUMNS = np.mgrid[: SIZE[0], : SIZE[1]].astype(np.float32)


def lamp(x, strength):
    """The light of a lamp before a plain wall."""
    return strength / (1 + ((COLUMNS - x) / 120) ** 2 + ((ROWS - 60) / 120) ** 2).astype(np.float32)


def open_but(left, right):
    """Everything is shown but columns."""
    trust = np.ones(SIZE, np.float32)
    trust[:, left:right] = 0
    return trust


def carry(stills, *, sigma=1e-4):
    """Return the plain maximum of stills (light, trust), and the gain's logarithm that is found for it."""
    tally = SeamTally(SIZE, sigma)
    for light, trust in stills:
        tally.add(light * trust, trust)
    plate = np.max([light * trust for light, trust in stills], axis=0)
    return plate, tally.find_lift()


def steepest(light, columns):
    """The largest step between neighbours across columns, in stops."""
    return float(np.abs(np.diff(np.log2(light[:, columns]), axis=1)).max())


BRIGHT, DIM, CUT = (lamp(140, 0.8), open_but(160, 260)), (lamp(120, 0.4), np.ones(SIZE, np.float32)), slice(152, 168)


def test_a_torn_edge_on_a_wall_becomes_a_slope():
    plate, lift = carry([BRIGHT, DIM])
    carried = plate * np.exp(lift)
    assert steepest(plate, CUT) > 0.9
    assert steepest(carried, CUT) < 0.5 * steepest(plate, CUT)
    assert steepest(carried, slice(0, 320)) < 0.6 * steepest(plate, slice(0, 320))


def test_what_was_measured_on_the_bright_side_stays_and_nothing_gets_darker():
    _, lift = carry([BRIGHT, DIM])
    assert (lift >= 0).all() and lift.max() <= MOST_STOPS * np.log(2)
    assert not lift[:, :160].any()
    assert lift[:, 160].min() > 0.1
    assert lift[:, 160 + round(8 * LENGTH * SIZE[1]) : 240].max() == 0


def test_without_masks_nothing_is_carried():
    stills = [(lamp(x, 0.5), np.ones(SIZE, np.float32)) for x in (40, 160, 280)]
    assert not carry(stills)[1].any()


def test_where_winners_change_without_a_cut_nothing_is_carried():
    """A mask far from where the winner changes is no reason."""
    hidden = (lamp(80, 0.5), open_but(200, 320))
    _, lift = carry([hidden, (lamp(280, 0.5), np.ones(SIZE, np.float32))])
    assert not lift[:, 160:192].any()


def test_the_set_s_own_paint_does_not_matter():
    paint = np.where((ROWS // 8 + COLUMNS // 8) % 2 > 0, 1.0, 0.15).astype(np.float32)
    _, plain = carry([BRIGHT, DIM])
    _, painted = carry([(light * paint, trust) for light, trust in (BRIGHT, DIM)])
    # TOLERANCE  the light is blurred a little before it is compared, across the edges of the paint too
    assert np.abs(painted - plain).mean() < 0.03 * plain[plain > 0.05].mean()


def test_noise_where_nobody_is_lit_is_not_raised():
    random = np.random.default_rng(3)
    spans = (40, 120), (100, 180), (200, 300)
    stills = [(random.normal(0, 0.01, SIZE).astype(np.float32), open_but(*span)) for span in spans]
    assert not carry(stills, sigma=0.01)[1].any()


def test_the_gain_is_the_bounded_least_squares_solution(monkeypatch):
    """REFERENCE  scipy.optimize.lsq_linear on the very sums of the module's first lines."""
    monkeypatch.setattr(seams, "ROUNDS", 400)
    plate, lift = carry([BRIGHT, (lamp(120, 0.4), open_but(60, 100)), (lamp(20, 0.1), np.ones(SIZE, np.float32))])
    tally = SeamTally(SIZE, 1e-4)
    for light, trust in [BRIGHT, (lamp(120, 0.4), open_but(60, 100)), (lamp(20, 0.1), np.ones(SIZE, np.float32))]:
        tally.add(light * trust, trust)
    places = np.arange(plate.size).reshape(SIZE)
    rows, columns, values, wanted, count = [], [], [], [], 0
    for axis, best in ((1, tally._across), (0, tally._down)):
        steps = tally._find_steps(best, np.stack(tally._shown), axis)
        here, there = seams._ends(axis)
        step, p, q = (one.ravel() for one in (steps[here], places[here], places[there]))
        number = count + np.arange(len(step))
        rows += [number, number]
        columns += [q, p]
        values += [np.ones(len(step)), -np.ones(len(step))]
        wanted.append(step)
        count += len(step)
    rows.append(count + places.ravel())
    columns.append(places.ravel())
    values.append(np.full(plate.size, 1 / (LENGTH * SIZE[1])))
    wanted.append(np.zeros(plate.size))
    matrix = coo_matrix((np.concatenate(values), (np.concatenate(rows), np.concatenate(columns)))).tocsr()
    found = lsq_linear(matrix, np.concatenate(wanted), (0, MOST_STOPS * np.log(2) + 1e-9), lsmr_tol="auto", tol=1e-9)
    # TOLERANCE  what is further away than the gain is looked for is below 0.003 there
    assert lift.max() > 0.1
    np.testing.assert_allclose(lift.ravel(), np.maximum(found.x - seams.UNSEEN, 0), atol=4e-3)


@pytest.mark.parametrize("size, step", [((180, 320), 1), ((540, 960), 1), ((1080, 1920), 2), ((2160, 3840), 4)])
def test_large_pictures_are_looked_at_small(size, step):
    assert seam_step(size) == step


def test_boxes_hold_valid_light_only_and_say_how_much_of_it_there_is():
    random = np.random.default_rng(5)
    light = random.random((7, 10, 3), np.float32)
    valid = (random.random((7, 10)) < 0.7).astype(np.float32)
    light[2, 3] = np.nan
    weights = np.float32([0.2, 0.3, 0.5])
    lit, trust = np.empty((4, 5), np.float32), np.empty((4, 5), np.float32)
    shrink_still(light, valid, weights, 2, lit, trust)
    known = valid * np.isfinite(light).all(axis=2)
    value = np.nan_to_num(light) @ weights * known
    for y in range(4):
        for x in range(5):
            box = (slice(2 * y, 2 * y + 2), slice(2 * x, 2 * x + 2))
            np.testing.assert_allclose(lit[y, x], value[box].mean(), rtol=1e-5)
            np.testing.assert_allclose(trust[y, x], known[box].mean(), rtol=1e-6)


def test_several_threads_give_the_same_bytes(monkeypatch):
    from lightstack.core import compiled

    one = carry([BRIGHT, DIM])[1]
    monkeypatch.setattr(compiled, "LEAST_VALUES_PER_BAND", 64)
    monkeypatch.setattr(compiled, "usable_threads", lambda: 5)
    np.testing.assert_array_equal(carry([BRIGHT, DIM])[1], one)


def test_a_gain_that_is_known_at_small_size_is_smooth_at_full_size():
    lift = np.zeros((5, 8), np.float32)
    lift[:, 4:] = 1
    light = np.ones((9, 15, 3), np.float32)
    raise_rows(0, 9, light, np.full(3, 1 / 3, np.float32), lift, np.ones_like(lift), 2)
    row = np.log(light[4, :, 0])
    assert row[:7].max() == 0 and row[9:].min() == pytest.approx(1) and (np.diff(row) >= 0).all()
    # REFERENCE  bilinear sampling with pixel centres at .5: a quarter and three quarters of the way
    np.testing.assert_allclose(row[7:9], [0.25, 0.75], atol=1e-6)
