"""The compiled loops against their slow twins."""

import numpy as np
import pytest

from lightstack.core.sweep.blend import blend_in, stabilise


def blend_slowly(stills, guides, valids):
    """All stills at once: weights from the guides, nothing online."""
    level = valids[..., None] * guides
    level = np.where(valids[..., None] > 0, level, -np.inf)
    peak = level.max(0)
    with np.errstate(invalid="ignore"):
        rank = np.minimum(level, 1.0) / 0.3 + np.maximum(level - 1.0, 0) / 0.5
        weight = np.where(np.isfinite(level), valids[..., None] * np.exp(rank - rank.max(0)), 0)
    light = (np.repeat(weight, 3 // guides.shape[-1], axis=-1) * valids[..., None] * stills).sum(0)
    pull = np.arange(1, len(stills) + 1)[:, None, None, None]
    return peak, level.argmax(0), light, weight.sum(0), (pull * weight).sum(0), (pull * weight**2).sum(0)


@pytest.mark.parametrize("groups", [1, 3])
def test_online_blend_is_the_blend_of_all(groups):
    # TOLERANCE  float32 sums of 9 stills, 2e-5 relative; shares below 1e-7 are dropped.
    rng = np.random.default_rng(1)
    n, h, w = 9, 13, 17
    stills = rng.standard_normal((n, h, w, 3)).astype(np.float32)
    guides = rng.uniform(-1, 2, (n, h, w, groups)).astype(np.float32)
    valids = (rng.uniform(0, 1, (n, h, w)) * (rng.uniform(0, 1, (n, h, w)) < 0.7)).astype(np.float32)
    valids[valids > 0.5] = 1
    valids[:, 0, 0] = 0
    peak, winner = np.full((h, w, groups), -np.inf, np.float32), np.full((h, w, groups), -1, np.int16)
    total, pulled, squares = np.zeros((3, h, w, groups), np.float32)
    best, light = np.zeros((h, w), np.float32), np.zeros((h, w, 3), np.float32)
    for k in range(n):
        blend_in(
            peak,
            winner,
            best,
            light,
            total,
            pulled,
            squares,
            stills[k],
            guides[k],
            valids[k],
            k,
            (0.3, 0.5, 1.0, 1 + k),
        )
    slow = blend_slowly(stills.astype(np.float64), guides.astype(np.float64), valids.astype(np.float64))
    open_here = valids.max(0) > 0
    for ours, theirs in zip((peak, light, total, pulled, squares), (slow[0], *slow[2:]), strict=True):
        np.testing.assert_allclose(ours[open_here], theirs[open_here], rtol=2e-5, atol=2e-5)
    np.testing.assert_array_equal(winner[open_here], slow[1][open_here])
    np.testing.assert_array_equal(best, valids.max(0))
    assert (winner[0, 0] == -1).all()


def test_stills_that_are_no_number_are_passed_over():
    peak, winner = np.full((1, 2, 1), -np.inf, np.float32), np.full((1, 2, 1), -1, np.int16)
    total, pulled, squares = np.zeros((3, 1, 2, 1), np.float32)
    best, light = np.zeros((1, 2), np.float32), np.zeros((1, 2, 3), np.float32)
    bad = np.full((1, 2, 3), np.nan, np.float32)
    guide, valid = np.ones((1, 2, 1), np.float32), np.ones((1, 2), np.float32)
    blend_in(peak, winner, best, light, total, pulled, squares, bad, guide, valid, 0, (0.1, 0.1, 5.0, 1.0))
    blend_in(
        peak, winner, best, light, total, pulled, squares, bad, guide * np.nan, valid, 1, (0.1, 0.1, 5.0, 1.0)
    )
    assert not light.any()
    assert (winner == -1).all()


@pytest.mark.parametrize("shrink", [1, 2])
@pytest.mark.parametrize("masked", [False, True])
def test_stabilised_pictures_agree_with_plain_numpy(shrink, masked):
    rng = np.random.default_rng(2)
    h, w = 9, 14
    light, ambient = rng.uniform(-0.1, 1, (2, h, w, 3)).astype(np.float32)
    valid = (rng.uniform(0, 1, (h, w)) < 0.6).astype(np.float32) if masked else np.ones((h, w), np.float32)
    a, b = np.float32([1e-3, 2e-3, 3e-3]), np.float32([1e-4, 2e-4, 1e-4])
    projection = np.float32([[0.3, 0.2, 0.9], [1, 0, 0]])
    given = valid if masked else np.zeros((0, 0), np.float32)
    out, weight = stabilise(light, ambient, given, a, b, projection, shrink)
    if shrink == 2:  # the odd last row is averaged with itself

        def halve(p):
            p = np.concatenate([p, p[-1:]]) if h % 2 else p
            return p.reshape((h + 1) // 2, 2, w // 2, 2, *p.shape[2:]).mean((1, 3))

        share = halve(valid)
        light = halve(light * valid[..., None]) / np.maximum(share, 1e-9)[..., None]
        ambient, valid = halve(ambient), share
    floor = a * np.maximum(ambient, 0) + b
    z = 2 * light / (np.sqrt(floor) + np.sqrt(np.maximum(floor + a * light, floor / 4)))
    np.testing.assert_allclose(weight, valid, atol=1e-6)
    np.testing.assert_allclose(out, valid[..., None] * (z @ projection.T), rtol=1e-4, atol=1e-4)
