"""The blend of stills at screen size: the build's own rules, known pictures, and stills that are dimmed."""

from dataclasses import replace

import numpy as np
import pytest

from lightstack.core.lamp.travel_blend import blend_stills
from lightstack.core.lay.lay import join_screened, lay_light
from lightstack.core.lay.regel import regel_gains, regel_light
from lightstack.core.page.plate import (
    ProxyRegel,
    ProxyStills,
    blend_proxies,
    lay_proxy,
    plan_blend,
    plan_regel,
    regel_proxy,
    weigh_proxies,
)
from lightstack.core.sweep.accumulate import AccumulateSetting, accumulate_stills, find_rule
from lightstack.core.sweep.guide import make_guide, plan_guide
from lightstack.errors import SettingError
from lightstack.records import LampStill, NoiseModel

NOISE = NoiseModel(np.full(3, 4e-4), np.full(3, 4e-6))
SIZE = (24, 40)
COUNT = 5
RULES = ("max", "softmax", "screen", "sum")


def make_stills(seed=0, *, noise=1.0):
    """Noisy stills of lamps that stand at different places, one of them covered in part."""
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[: SIZE[0], : SIZE[1]]
    ambient = np.full((*SIZE, 3), 0.01, np.float32)
    stills = []
    for k in range(COUNT):
        level = 0.4 * np.exp(-((x - 8 * k) ** 2 + (y - 12) ** 2) / 200)[..., None] * [1, 0.3, 0.8]
        light = level + noise * NOISE.sigma(ambient + level) * rng.standard_normal(level.shape)
        valid = np.ones(SIZE, np.float32)
        valid[:, :6] = 0.3 * (k % 2)
        stills.append(LampStill(k, light.astype(np.float32), valid))
    return stills, ambient


def as_proxies(stills, ambient, recipe, gains=None, shares=None):
    gains = np.ones((len(stills), 3)) if gains is None else gains
    light = np.stack([still.light * gain for still, gain in zip(stills, gains, strict=True)]).astype(np.float32)
    valid = np.stack([still.valid for still in stills])
    guide = [make_guide(one, ambient, recipe, valid=trust) for one, trust in zip(light, valid, strict=True)]
    shares = np.ones(len(stills)) if shares is None else shares
    return ProxyStills(light, valid, np.stack(guide), shares, gains, ambient)


@pytest.mark.parametrize("rule", RULES)
@pytest.mark.parametrize("by", ["brightest", "channel"])
def test_at_full_size_it_is_the_plate_of_a_build(rule, by):
    stills, ambient = make_stills()
    recipe = plan_guide(NOISE, width=SIZE[1], colour=np.array([1, 0.3, 0.8]), by=by)
    gains = np.array([[1, 1, 1], [0.5, 0.5, 0.5], [1, 1, 1], [2, 1, 1], [1, 1, 1]])
    shares = np.linspace(0.4, 1, COUNT)
    setting = AccumulateSetting(recipe)
    weighed = shares if rule == "sum" else None
    state = accumulate_stills(stills, ambient, setting, rule=rule, gains=gains, shares=weighed)
    blend = plan_blend(recipe, rule=rule)
    made = blend_proxies(as_proxies(stills, ambient, recipe, gains, shares), blend, np.ones(COUNT))
    # REFERENCE  core.accumulate, the plate of a build, by another way through the same stills.
    # TOLERANCE  1/255 of white is what a screen shows; float32 sums of a build stay far below a tenth of that.
    np.testing.assert_allclose(made, find_rule(rule).finish(state), atol=2e-5)


@pytest.mark.parametrize("rule", RULES)
def test_without_noise_rules_are_those_of_arithmetic(rule):
    stills, ambient = make_stills(noise=0)
    recipe = plan_guide(NoiseModel(np.full(3, 1e-9), np.full(3, 1e-12)), width=SIZE[1])
    recipe = replace(recipe, wide_px=1e-9, fine_px=1e-9)
    light = np.stack([still.light for still in stills])[:, :, 6:]
    made = blend_proxies(as_proxies(stills, ambient, recipe), plan_blend(recipe, rule=rule), np.ones(COUNT))[:, 6:]
    # REFERENCE  numpy: maximum, 4-norm (numpy.linalg.norm), 1 - prod(1 - l), sum.
    # TOLERANCE  0.5 %: near-winners within half a sigma share a place, and gates leave out a ten-thousandth.
    wanted = {
        "max": light.max(axis=0),
        "softmax": np.linalg.norm(light, ord=4, axis=0),
        "screen": 1 - np.prod(1 - light, axis=0),
        "sum": light.sum(axis=0),
    }[rule]
    if rule == "softmax":  # one weight for all channels, by how bright the lamp's colour is
        wanted, made = wanted[..., 0], made[..., 0]
    lit = wanted > 0.02
    np.testing.assert_allclose(made[lit], wanted[lit], rtol=5e-3)


@pytest.mark.parametrize("rule", RULES)
def test_a_dimmed_still_is_one_that_was_shot_so(rule):
    stills, ambient = make_stills(3)
    recipe = plan_guide(NOISE, width=SIZE[1], colour=np.array([1, 0.3, 0.8]))
    dims = np.array([1.0, 0.4, 0.0, 2.0, 1.0])
    blend = plan_blend(recipe, rule=rule)
    made = blend_proxies(as_proxies(stills, ambient, recipe), blend, dims)
    shot = as_proxies(stills, ambient, recipe, dims[:, None] * np.ones(3))
    wanted = blend_proxies(shot, blend, np.ones(COUNT))
    off = np.abs(made - wanted)
    # TOLERANCE  one bend stands for three channels, and a filtered guide does not grow as light does: next to borders
    #            of two stills another one may win, which there is as bright to within its noise
    assert off.mean() < 5e-4  # of a mean of 0.3, one frame's noise being 0.01
    assert np.abs(np.mean(made - wanted)) < 1e-4


def test_a_still_turned_off_leaves_no_trace():
    stills, ambient = make_stills()
    recipe = plan_guide(NOISE, width=SIZE[1])
    whole = as_proxies(stills, ambient, recipe)
    blend = plan_blend(recipe, rule="max")
    without = replace(whole, **{n: getattr(whole, n)[1:] for n in ("light", "valid", "guide", "shares", "gains")})
    off = blend_proxies(whole, blend, np.array([0, 1, 1, 1, 1]))
    np.testing.assert_array_equal(off, blend_proxies(without, blend, np.ones(COUNT - 1)))
    assert not blend_proxies(whole, blend, np.zeros(COUNT)).any()


def test_nothing_but_noise_is_not_lifted():
    rng = np.random.default_rng(5)
    ambient = np.full((96, 96, 3), 0.01, np.float32)
    sigma = NOISE.sigma(ambient)
    stills = [
        LampStill(k, (sigma * rng.standard_normal(sigma.shape)).astype(np.float32), np.ones((96, 96), np.float32))
        for k in range(12)
    ]
    recipe = plan_guide(NOISE, width=96)
    made = blend_proxies(as_proxies(stills, ambient, recipe), plan_blend(recipe, rule="max"), np.ones(12))
    assert abs(made.mean()) < 0.03 * sigma.mean()  # the plain maximum lies 1.6 sigma above nothing
    assert np.max([still.light for still in stills], axis=0).mean() > 1.5 * sigma.mean()


def test_weighed_stills_are_those_of_a_build():
    stills, ambient = make_stills(noise=0)
    recipe = plan_guide(NOISE, width=SIZE[1])
    proxies, weights = as_proxies(stills, ambient, recipe), np.array([0, 0.5, 0.2, 0, 1.3])
    wanted = blend_stills(proxies.light, proxies.valid, weights)[0]
    np.testing.assert_allclose(weigh_proxies(proxies, weights), wanted, atol=1e-6)


def test_a_new_gel_is_that_of_a_build():
    rng = np.random.default_rng(2)
    plate, ambient = rng.random((8, 9, 3), np.float32), np.full((8, 9, 3), 0.1, np.float32)
    made = regel_gains(np.array([1, 0.2, 0.9]), np.array([0.2, 1, 0.4]), "bt709")
    for ceiling in (0.8, np.inf):
        told = plan_regel(made, "bt709", ceiling)
        assert isinstance(told, ProxyRegel)
        wanted = regel_light(plate, made, "bt709", ceiling=ceiling, ambient=ambient)
        np.testing.assert_allclose(regel_proxy(plate, ambient, told), wanted, atol=1e-5)


def test_lights_are_laid_as_files_say():
    rng = np.random.default_rng(4)
    hero, one, two, three, fallen, screened = (rng.random((6, 7, 3), np.float32) for _ in range(6))
    held = rng.random((6, 7), np.float32)
    open_share = 1 - held[..., None]
    wanted = lay_light(hero, one * open_share + fallen)
    joined = join_screened([two * open_share + screened, three * open_share], white=2.0)
    wanted = lay_light(wanted, joined, rule="screen", white=2.0)
    lights = [(one, "plus", fallen), (two, "screen", screened), (three, "screen")]
    made = lay_proxy(hero, lights, held, white=2.0)
    np.testing.assert_allclose(made, wanted, atol=1e-6)
    np.testing.assert_array_equal(lay_proxy(hero, []), hero)


def test_an_unknown_rule_is_named():
    stills, ambient = make_stills()
    recipe = plan_guide(NOISE, width=SIZE[1])
    with pytest.raises(SettingError, match="'median' is unknown"):
        blend_proxies(as_proxies(stills, ambient, recipe), plan_blend(recipe, rule="median"), np.ones(COUNT))
