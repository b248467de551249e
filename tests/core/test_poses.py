import numpy as np
import pytest
from scipy import ndimage, optimize

from lightstack.core.register import poses
from lightstack.core.register.poses import (
    MODELS,
    apply_move,
    corner_spread_px,
    cut_grid,
    fit_move,
    make_template,
    move_matrix,
    read_move,
    rebase_tally,
    tally_frame,
)
from lightstack.core.warp import corner_shift_px, warp_picture

SIZE = (96, 160)


def texture(seed=0):
    rng = np.random.default_rng(seed)
    field = ndimage.gaussian_filter(rng.standard_normal(SIZE), 1.5)
    return np.float32(field / field.std())


def moved(picture, pose):
    return warp_picture(picture, np.linalg.inv(pose))[0]


@pytest.mark.parametrize("model", MODELS)
def test_a_known_move_is_found_in_two_steps(model):
    grid = cut_grid(SIZE)
    values = np.array([0.21, -0.13, 0.17, 0.11, -0.09, 0.08, 0.12, -0.1])[: MODELS[model]]
    pose = move_matrix(values, grid)
    frame = moved(texture(), pose)
    found = np.eye(3)
    for _ in range(4):
        fit = fit_move(tally_frame(frame, make_template(texture(), found, grid=grid)), grid, model=model)
        found = apply_move(found, fit.values, grid)
    assert corner_shift_px(found @ np.linalg.inv(pose), SIZE) < 0.01
    assert fit.agreement > 0.95


def test_gain_offset_and_a_covered_half_do_not_pull():
    grid = cut_grid(SIZE)
    pose = move_matrix(np.array([0.12, 0.2, 0.0]), grid)
    y, x = np.mgrid[0 : SIZE[0], 0 : SIZE[1]]
    frame = moved(texture(), pose) * np.float32(0.6 + 0.8 * x / SIZE[1]) + np.float32(0.01 * y)
    frame[:, 90:] = texture(9)[:, 90:]  # somebody stands there
    fit = fit_move(tally_frame(frame, make_template(texture(), np.eye(3), grid=grid)), grid, model="euclidean")
    found = apply_move(np.eye(3), fit.values, grid)
    assert corner_shift_px(found @ np.linalg.inv(pose), SIZE) < 0.08


def test_cell_sums_match_plain_least_squares_over_pixels():
    # One cell alone: gain, offset and displacement by numpy's own solver over its pixels.
    grid = cut_grid(SIZE)
    frame = moved(texture(), move_matrix(np.array([0.1, -0.06]), grid))
    template = make_template(texture(), np.eye(3), grid=grid)
    tally = tally_frame(frame, template)
    row, column, side = grid.rows // 2, grid.columns // 2, grid.side
    box = np.s_[row * side : (row + 1) * side, column * side : (column + 1) * side]
    design = np.stack(
        [template.across[box], template.down[box], template.texture[box], np.ones((side, side))], -1
    ).reshape(-1, 4)
    want, *_ = np.linalg.lstsq(design.astype(np.float64), frame[box].ravel().astype(np.float64), rcond=None)
    xx, xy, yy, x, y = tally[row * grid.columns + column, :5]
    got = np.linalg.solve([[xx, xy], [xy, yy]], [x, y])
    # Ours takes the gain from the fit without displacement: the same to second order in the move.
    np.testing.assert_allclose(got, want[:2] / want[2], atol=0.01)


def test_against_a_general_optimiser():
    # REFERENCE  scipy.optimize.least_squares over the shift, spline interpolation, all pixels.
    # TOLERANCE  0.005 px: two interpolators on a band-limited picture.
    grid = cut_grid(SIZE)
    frame = ndimage.shift(texture().astype(float), (0.3, -0.2), order=5, mode="nearest").astype(np.float32)

    def rest(shift):
        guess = ndimage.shift(texture().astype(float), shift[::-1], order=3, mode="nearest")
        return (guess - frame)[12:-12, 12:-12].ravel()

    judged = optimize.least_squares(rest, [0.0, 0.0]).x
    pose = np.eye(3)
    for _ in range(6):
        tally = tally_frame(frame, make_template(texture(), pose, grid=grid))
        print(pose[:2, 2])
        pose = apply_move(pose, fit_move(tally, grid, model="translation").values, grid)
    np.testing.assert_allclose(pose[:2, 2], judged, atol=0.005)


def test_standard_error_covers_the_error_of_noise():
    grid = cut_grid(SIZE)
    template = make_template(texture(), np.eye(3), grid=grid)
    rng = np.random.default_rng(4)
    moves, spreads = [], []
    for _ in range(30):
        frame = texture() + 0.4 * rng.standard_normal(SIZE).astype(np.float32)
        fit = fit_move(tally_frame(frame, template), grid, model="euclidean")
        moves.append(corner_shift_px(apply_move(np.eye(3), fit.values, grid), SIZE))
        spreads.append(corner_spread_px(fit.covariance, grid))
    assert 0.3 * np.median(spreads) < np.median(moves) < np.median(spreads)


def test_tallies_add_and_rebase():
    grid = cut_grid(SIZE)
    pose = move_matrix(np.array([0.15, -0.1, 0.05]), grid)
    frame = moved(texture(), pose)
    tally = tally_frame(frame, make_template(texture(), np.eye(3), grid=grid))
    one, two = (fit_move(n * tally, grid, model="euclidean") for n in (1, 2))
    np.testing.assert_allclose(one.values, two.values, atol=1e-9)
    shifted = fit_move(rebase_tally(tally, np.eye(3), pose, grid), grid, model="euclidean")
    direct = apply_move(np.eye(3), one.values, grid)
    again = apply_move(pose, shifted.values, grid)
    assert corner_shift_px(direct @ np.linalg.inv(again), SIZE) < 2e-3
    assert rebase_tally(tally, pose, pose, grid) is tally


def test_reading_back_a_move():
    grid = cut_grid(SIZE)
    values = np.array([1.2, -0.7, 0.4])
    np.testing.assert_allclose(read_move(move_matrix(values, grid), grid), values, atol=1e-9)
    wide = np.array([0.2, 0.1, 0.03, 0.04, -0.02, 0.05, 0.02, 0.01])
    np.testing.assert_allclose(read_move(move_matrix(wide, grid), grid, count=8), wide, atol=2e-3)


def test_a_flat_frame_gives_no_move_and_no_agreement():
    grid = cut_grid(SIZE)
    template = make_template(texture(), np.eye(3), grid=grid)
    fit = fit_move(tally_frame(np.zeros(SIZE, np.float32), template), grid, model="euclidean")
    np.testing.assert_allclose(fit.values, 0, atol=1e-6)
    assert fit.agreement < 0.05


def test_systems_are_to_the_bit_what_passes_over_all_cells_give():
    rng = np.random.default_rng(6)
    tally, basis, weight = rng.normal(size=(50, 7)), rng.normal(size=(50, 2, 3)), rng.random(50)
    left, right, vectors = (np.empty((50, 3)) for _ in range(3))
    matrices = np.empty((50, 3, 3))
    poses._form_systems(tally, basis, left, right, matrices, vectors)
    across, down = basis[:, 0], basis[:, 1]
    xx, xy, yy, x, y = tally[:, :5].T[..., None]
    np.testing.assert_array_equal(left, across * xx + down * xy)
    np.testing.assert_array_equal(right, across * xy + down * yy)
    np.testing.assert_array_equal(vectors, across * x + down * y)
    np.testing.assert_array_equal(matrices, across[:, :, None] * left[:, None] + down[:, :, None] * right[:, None])
    whole, side = np.zeros((3, 3)), np.zeros(3)
    poses._sum_systems(weight, matrices, vectors, whole, side)
    np.testing.assert_array_equal(whole.ravel(), (weight[:, None] * matrices.reshape(50, 9)).sum(0))
    np.testing.assert_array_equal(side, (weight[:, None] * vectors).sum(0))


@pytest.mark.parametrize("count", [1, 2, 9, 40])
def test_weights_of_cells_are_tukeys_to_the_bit(count):
    rng = np.random.default_rng(count)
    size, counted = rng.exponential(size=count), rng.random(count) < 0.8
    counted[0] = True
    scale = 4.685 * np.median(size[counted]) / 1.177 + 1e-12
    expected = np.where(counted, np.clip(1 - (size / scale) ** 2, 0, None) ** 2, 0)
    np.testing.assert_array_equal(poses._tukey(size, counted), expected)
