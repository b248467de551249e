import numpy as np

from lightstack.core.register.poses import cut_grid, move_matrix, read_move
from lightstack.core.register.runs import RunPose, cut_take, soften_ramps
from lightstack.core.register.tracking import Tallies

GRID = cut_grid((96, 160))


def tallies(path, spread=0.01):
    """Tallies of which only the path matters."""
    count = len(path)
    empty = np.zeros((count, GRID.rows * GRID.columns, 7), np.float32)
    bases = np.tile(np.eye(3), (count, 1, 1))
    agreement = np.ones(count, np.float32)
    return Tallies(GRID, bases, empty, path, np.full(count, spread), agreement, np.ones(count, np.int64))


def stairs(path, runs):
    fixed = 1e-6 * np.eye(3)
    return [RunPose(run, move_matrix(path[slice(*run)].mean(0), GRID), fixed, run[1] - run[0]) for run in runs]


def along(pieces, count):
    out = np.full((count, 3), np.nan)
    for piece in pieces:
        out[slice(*piece.run)] = read_move(piece.pose, GRID)
    return out


def test_a_slope_becomes_small_steps():
    path = np.zeros((60, 3))
    path[:, 1] = np.linspace(0, 0.9, 60)
    skip = np.zeros(60, bool)
    pieces = soften_ramps(stairs(path, [(0, 20), (20, 40), (40, 60)]), tallies(path), skip=skip, piece_px=0.05)
    assert np.abs(along(pieces, 60) - path).max() < 0.05
    assert len(pieces) > 12


def test_a_step_stays_a_step():
    path = 0.01 * np.random.default_rng(0).standard_normal((60, 3))
    path[25:, 0] += 0.6
    runs = stairs(path, [(0, 25), (25, 60)])
    assert soften_ramps(runs, tallies(path), skip=np.zeros(60, bool), piece_px=0.05) == runs


def test_still_then_sagging_keeps_the_still_part():
    path = np.zeros((80, 3))
    path[40:, 0] = np.linspace(0, 0.8, 40)
    runs = stairs(path, [(0, 44), (44, 62), (62, 80)])
    pieces = soften_ramps(runs, tallies(path), skip=np.zeros(80, bool), piece_px=0.05)
    assert np.abs(along(pieces, 80) - path).max() < 0.15


def test_pieces_cover_every_frame_once():
    path = np.cumsum(np.full((31, 3), 0.02), 0)
    runs = stairs(path, [(0, 9), (9, 17), (17, 31)])
    pieces = soften_ramps(runs, tallies(path), skip=np.zeros(31, bool), piece_px=0.03)
    assert [piece.run[0] for piece in pieces[1:]] == [piece.run[1] for piece in pieces[:-1]]
    assert pieces[0].run[0] == 0 and pieces[-1].run[1] == 31


def test_strays_do_not_cut():
    path = 0.01 * np.random.default_rng(1).standard_normal((50, 3))
    path[20] += 3
    skip = np.arange(50) == 20
    assert cut_take(tallies(path), skip=skip, floor_px=0.01) == [(0, 50)]
    path[30:] += 0.2
    assert cut_take(tallies(path), skip=skip, floor_px=0.01) == [(0, 30), (30, 50)]
