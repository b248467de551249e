"""The arithmetic on pictures that no camera gives: no numbers, infinity, none at all, one pixel, the ends of floats.

What must hold everywhere: no exception but documented ones, shapes and kinds as documented, and what is no number
stays within the pixels that a function reads for each of its own. Warnings of numpy are errors in these tests.
"""

from fractions import Fraction
from functools import cache

import numpy as np
import pytest
from core_helpers import make_encoding
from flash_helpers import watch
from grain_helpers import make_ramp, profile_of
from hypothesis import example, given, settings
from hypothesis import strategies as st

from lightstack.core.clean.median import METHODS, reduce_frames
from lightstack.core.colour.decoder import build_decoder
from lightstack.core.colour.encode import encode_planes
from lightstack.core.colour.light import CURVES
from lightstack.core.colour.planes import decode_linear
from lightstack.core.grain.topup import full_grain, top_up_grain
from lightstack.core.half import to_finite, to_float, to_half
from lightstack.core.lamp.match import match_target
from lightstack.core.lay.lay import add_light, held_back, join_screened, lay_light, lay_rounded, round_half
from lightstack.core.lay.patch import blend_patch
from lightstack.core.mix.curve import evaluate
from lightstack.core.noise import NoiseModel
from lightstack.core.shapes import cover_polygon, draw_polygon, feather_mask
from lightstack.core.sweep.accumulate import RULES, AccumulateSetting, accumulate_stills
from lightstack.core.sweep.guide import make_guide, plan_guide
from lightstack.core.sweep.separate import combine_validity, soften_inward
from lightstack.core.warp import warp_picture
from lightstack.errors import SettingError
from lightstack.records import LampStill

FEW = settings(max_examples=25, derandomize=True, deadline=None)
ODD = np.float32([np.nan, np.inf, -np.inf, 65504, 65520, 3e38, -3e38, 1e-40, -1e-3, 0, 6e-8, 1])
SIDES = st.integers(1, 12)
SEEDS = st.integers(0, 2**32 - 1)


def draw_picture(seed, *shape, odd=0.2, finite=False):
    """Light of random pictures, some of whose numbers are odd ones."""
    rng = np.random.default_rng(seed)
    picture = rng.exponential(0.3, shape).astype(np.float32)
    values = ODD[np.isfinite(ODD) & (np.abs(ODD) < 7e4)] if finite else ODD
    strange = rng.random(shape) < odd
    picture[strange] = rng.choice(values, int(strange.sum()))
    return picture


def quiet():
    """What comes of infinity less infinity is no number, and no warning of it is wanted where that is documented."""
    return np.errstate(all="ignore")


@FEW
@given(SEEDS, SIDES, SIDES)
def test_half_floats_there_and_back(seed, height, width):
    # REFERENCE  numpy's own half floats (IEEE 754 binary16). TOLERANCE  none.
    picture = draw_picture(seed, height, width, 3)
    with quiet():
        expected = picture.astype(np.float16)
    halves = to_half(picture)
    if halves.dtype == np.float16:
        np.testing.assert_array_equal(halves, expected)
    else:  # as it is, where a value lies beyond half floats
        assert (np.abs(picture) > 65504).any()
        np.testing.assert_array_equal(halves, picture)
    np.testing.assert_array_equal(to_float(expected), expected.astype(np.float32))
    finite = to_finite(expected)
    assert np.isfinite(finite).all()
    np.testing.assert_array_equal(finite[np.isnan(expected)], 0)
    fits = np.isfinite(expected)
    np.testing.assert_array_equal(finite[fits], expected[fits])
    rounded = round_half(picture)
    np.testing.assert_array_equal(rounded[np.abs(picture) <= 65504], expected[np.abs(picture) <= 65504])


@FEW
@given(SEEDS, st.integers(1, 9), SIDES, SIDES, st.sampled_from(METHODS), st.sampled_from([np.float16, np.float32]))
def test_reducing_frames_knows_no_order_and_leaves_out_what_is_no_number(seed, count, height, width, method, kind):
    # REFERENCE  numpy.nanmedian. TOLERANCE  none for the median.
    frames = draw_picture(seed, count, height, width, 3, finite=True).clip(-1, 6e4).astype(kind)
    rng = np.random.default_rng(seed)
    frames[rng.random(frames.shape[:3]) < 0.2] = np.nan  # not seen
    found = reduce_frames(frames, method=method, threads=1)
    again = reduce_frames(np.ascontiguousarray(frames[rng.permutation(count)]), method=method, threads=1)
    assert found.light.shape == (height, width, 3) and found.light.dtype == np.float32
    held = (~np.isnan(frames)).sum(0).min(-1)
    assert (found.seen == held).all() if method != "sigma_clip" else (found.seen <= held).all()
    np.testing.assert_allclose(found.light, again.light, rtol=2e-5 if method == "mean" else 1e-5, atol=0.05)
    seen = found.seen > 0
    if method == "median":
        expected = np.nanmedian(frames[:, seen].astype(np.float64), axis=0).astype(np.float32)
        np.testing.assert_allclose(found.light[seen], expected, rtol=1e-6)
    same = reduce_frames(np.repeat(frames[:1], 4, axis=0), method=method, threads=1)
    np.testing.assert_allclose(same.light[seen & (same.seen > 0)], frames[0][seen & (same.seen > 0)], rtol=1e-6)


@pytest.mark.parametrize("frames", [np.zeros((0, 2, 2, 3), np.float32), np.zeros((3, 2, 2, 3), np.float64)])
def test_reducing_no_frames_is_refused(frames):
    with pytest.raises(ValueError):
        reduce_frames(frames)


@pytest.mark.parametrize("size", [(0, 5), (5, 0)])
def test_reducing_pictures_without_pixels_gives_none(size):
    assert reduce_frames(np.zeros((3, *size, 3), np.float32)).light.shape == (*size, 3)


SHIFTS = st.tuples(st.floats(-3, 3), st.floats(-3, 3))
KERNELS = ("sinc8", "smooth8", "lanczos4", "linear")


@FEW
@given(SEEDS, st.integers(1, 20), st.integers(1, 20), SHIFTS, st.sampled_from(KERNELS))
def test_moving_a_picture_spreads_what_is_no_number_over_eight_pixels(seed, height, width, shift, kernel):
    clean = draw_picture(seed, height, width, 3, odd=0)
    matrix = np.array([[1, 0, shift[0]], [0, 1, shift[1]], [0, 0, 1.0]])
    moved, inside = warp_picture(clean, matrix, interpolation=kernel)
    assert moved.shape == clean.shape and moved.dtype == np.float32
    assert inside.shape == (height, width) and inside.dtype == np.bool_
    assert np.isfinite(moved).all() and (moved[~inside] == 0).all()
    broken = clean.copy()
    y, x = seed % height, seed // 7 % width
    broken[y, x, 1] = np.nan
    other, _ = warp_picture(broken, matrix, interpolation=kernel)
    rows, columns = np.mgrid[0:height, 0:width]
    near = (np.abs(rows + shift[1] - y) <= 5) & (np.abs(columns + shift[0] - x) <= 5)
    np.testing.assert_array_equal(other[~near], moved[~near])
    np.testing.assert_array_equal(other[..., 0], moved[..., 0])  # nor into another channel


@FEW
@given(SEEDS, SIDES, SIDES)
def test_a_picture_that_does_not_move_stays_to_the_bit(seed, height, width):
    picture = draw_picture(seed, height, width, 3)
    moved, inside = warp_picture(picture, np.eye(3))
    np.testing.assert_array_equal(moved, picture)
    assert inside.all()


@pytest.mark.parametrize("matrix", [np.full((3, 3), np.nan), np.zeros((3, 3)), np.diag([1, -1, 1.0])])
def test_a_pose_that_is_none_is_refused(matrix):
    with pytest.raises(SettingError), quiet():
        warp_picture(np.ones((4, 4, 3), np.float32), matrix)


@FEW
@given(SEEDS, SIDES, SIDES, st.sampled_from(["plus", "screen"]))
def test_where_no_light_is_the_hero_stays_and_pixels_keep_to_themselves(seed, height, width, rule):
    hero, light = draw_picture(seed, height, width, 3), draw_picture(seed + 1, height, width, 3, odd=0.3)
    light[::2] = 0
    with quiet():
        relit = lay_light(hero, light, rule=rule)
        alone = lay_light(hero[:1, :1], light[:1, :1], rule=rule)
    np.testing.assert_array_equal(relit[light == 0], hero[light == 0])
    np.testing.assert_array_equal(relit[:1, :1], alone)
    assert relit.dtype == np.float32 and relit.shape == hero.shape


@FEW
@given(SEEDS, st.integers(1, 4), SIDES, SIDES)
def test_screened_lights_join_in_any_order(seed, count, height, width):
    lights = [draw_picture(seed + k, height, width, 3, odd=0.1, finite=True).clip(-1, 10) for k in range(count)]
    joined = join_screened(lights)
    np.testing.assert_allclose(join_screened(lights[::-1]), joined, atol=1e-4)
    assert (joined <= 1 + 1e-6).all() or min(light.min() for light in lights) < 0


@FEW
@given(SEEDS, SIDES, SIDES, st.floats(0, 4, width=32))
def test_light_adds_in_place_and_files_rebuild_it(seed, height, width, gain):
    plate, hero = (draw_picture(seed + k, height, width, 3, finite=True) for k in range(2))
    matte = np.clip(draw_picture(seed + 2, height, width, odd=0), 0, 1)
    total = add_light(None, plate, held_back(matte), gain)
    np.testing.assert_allclose(total, plate * (1 - matte[..., None]) * np.float32(gain), rtol=1e-5, atol=1e-6)
    changed = np.zeros((height, width), bool)
    rounded = round_half(total)
    laid = lay_rounded(hero, rounded, changed)
    np.testing.assert_array_equal(changed, (rounded != 0).any(-1))
    np.testing.assert_array_equal(laid, np.where(rounded == 0, round_half(hero), round_half(hero) + rounded))


@FEW
@given(SEEDS, SIDES, SIDES)
def test_a_patch_leaves_what_its_mask_leaves(seed, height, width):
    hero, patch = draw_picture(seed, height, width, 3), draw_picture(seed + 1, height, width, 3)
    mask = np.clip(draw_picture(seed + 2, height, width, odd=0) - 0.2, 0, 1)
    with quiet():
        laid = blend_patch(hero, patch, mask, gain=np.ones(3, np.float32))
    np.testing.assert_array_equal(laid[mask == 0], hero[mask == 0])
    np.testing.assert_array_equal(laid[mask >= 1], patch[mask >= 1])
    fit = (np.abs(hero) < 1e38) & (np.abs(patch) < 1e38)  # neither no number nor infinite, nor nearly so
    assert np.isfinite(laid[fit]).all()


@FEW
@given(SEEDS, SIDES, SIDES, st.integers(0, 4))
def test_validity_stays_between_0_and_1_and_0_stays(seed, height, width, radius):
    rng = np.random.default_rng(seed)
    mask, inside = rng.random((2, height, width)) < 0.7
    soft = soften_inward(mask, radius=radius)
    assert soft.dtype == np.float32 and ((soft >= 0) & (soft <= 1)).all() and (soft[~mask] == 0).all()
    assert (soft[mask] > 0).all()
    valid = combine_validity(mask, inside, radius=radius)
    assert ((valid >= 0) & (valid <= 1)).all() and (valid[~mask | ~inside] == 0).all()


LAYOUTS = [("420", "left"), ("422", "left"), ("444", "left"), ("420", "topleft")]


@FEW
@given(SEEDS, st.integers(1, 9), st.integers(1, 9), st.sampled_from(LAYOUTS), st.sampled_from(sorted(CURVES)),
       st.sampled_from([8, 10, 12]), st.sampled_from(["limited", "full"]))  # fmt: skip
def test_any_light_has_a_legal_code(seed, height, width, layout, curve, depth, range_):
    # REFERENCE  ITU-R BT.709-6: codes of 8 bits run from 1 to 254 where 0 and 255 are kept for timing; here only that
    #            no code leaves the bit depth is held, since full range takes them all.
    chroma, location = layout
    encoding = make_encoding(chroma=chroma, chroma_location=location, bit_depth=depth, range=range_, transfer=curve)
    planes = encode_planes(draw_picture(seed, height, width, 3, odd=0.4), encoding).planes
    assert planes[0].shape == (height, width)
    assert all(int(plane.max(initial=0)) < 2**depth for plane in planes)
    light = decode_linear(build_decoder(encoding), planes)
    assert light.shape == (height, width, 3) and np.isfinite(light).all()


@FEW
@given(SEEDS, st.integers(3, 9), st.integers(3, 9))
def test_one_odd_pixel_changes_no_codes_but_its_own(seed, height, width):
    encoding = make_encoding(chroma="444")
    picture = draw_picture(seed, height, width, 3, odd=0)
    good = encode_planes(picture, encoding).planes
    picture[1, 1] = ODD[seed % len(ODD)]
    changed = encode_planes(picture, encoding).planes
    for one, other in zip(good, changed, strict=True):
        differs = one != other
        differs[1, 1] = False
        assert not differs.any()


@cache
def recipe_for(by):
    return plan_guide(NoiseModel(np.full(3, 4e-4), np.full(3, 4e-6)), width=200, by=by)


def accumulate(lights, valids, ambient, rule, by="brightest"):
    stills = [LampStill(k + 1, light, valid) for k, (light, valid) in enumerate(zip(lights, valids, strict=True))]
    state = accumulate_stills(stills, ambient, AccumulateSetting(recipe_for(by)), rule=rule)
    return RULES[rule].finish(state)


@FEW
@given(SEEDS, st.integers(1, 4), st.integers(1, 24), st.integers(1, 24), st.sampled_from(sorted(RULES)),
       st.sampled_from(["brightest", "channel"]))  # fmt: skip
def test_accumulating_knows_no_order_and_no_still_where_it_is_not_valid(seed, count, height, width, rule, by):
    rng = np.random.default_rng(seed)
    ambient = draw_picture(seed + 9, height, width, 3, odd=0)
    lights = [draw_picture(seed + k, height, width, 3, odd=0) for k in range(count)]
    valids = [np.float32(rng.random((height, width)) < 0.8) for _ in range(count)]
    plate = accumulate(lights, valids, ambient, rule, by)
    assert plate.shape == ambient.shape and plate.dtype == np.float32 and np.isfinite(plate).all()
    order = rng.permutation(count)
    turned = accumulate([lights[k] for k in order], [valids[k] for k in order], ambient, rule, by)
    np.testing.assert_allclose(turned, plate, rtol=1e-4, atol=1e-5)
    if count > 1:  # what one still shows where it may not be looked at
        broken = [light.copy() for light in lights]
        broken[0][valids[0] == 0] = np.nan
        np.testing.assert_allclose(accumulate(broken, valids, ambient, rule, by), plate, rtol=1e-4, atol=1e-5)
    nobody = accumulate(lights, [np.zeros_like(valid) for valid in valids], ambient, rule, by)
    np.testing.assert_array_equal(nobody, 0)


@FEW
@given(SEEDS, st.integers(1, 30), st.integers(1, 30), st.sampled_from(["brightest", "channel"]))
def test_a_guide_takes_light_that_is_no_number_for_none(seed, height, width, by):
    light, ambient = draw_picture(seed, height, width, 3), draw_picture(seed + 1, height, width, 3, odd=0)
    guide = make_guide(light, ambient, recipe_for(by))
    assert guide.shape == (height, width, 1 if by == "brightest" else 3) and guide.dtype == np.float32
    assert np.isfinite(guide).all()


@FEW
@given(SEEDS, st.integers(1, 5), st.integers(2, 9), st.integers(2, 9), st.booleans())
def test_matching_finds_weights_of_light_whatever_is_asked(seed, count, height, width, whole):
    stills = np.stack([draw_picture(seed + k, height, width, 3, odd=0) for k in range(count)])
    valid = np.ones((count, height, width), np.float32)
    if not whole:
        valid[np.random.default_rng(seed).random(valid.shape) < 0.3] = 0
    ambient = draw_picture(seed + 8, height, width, 3, odd=0)
    target = draw_picture(seed + 9, height, width, 3, odd=0.05)
    target[0, 0] = 0.5  # one place at least may be looked at
    found = match_target(stills, valid, target, ambient=ambient)
    assert found.weights.shape == (count,)
    assert (found.weights >= 0).all() and np.isfinite(found.weights).all()
    assert found.reached.shape == (height, width, 3) and found.reached.dtype == np.float32
    order = np.random.default_rng(seed).permutation(count)
    turned = match_target(stills[order], valid[order], target, ambient=ambient)
    np.testing.assert_allclose(turned.reached, found.reached, rtol=0.02, atol=2e-3 * float(stills.max()))


@pytest.mark.parametrize("shape", [(2, 4, 4, 3), (2, 4, 5, 3)])
def test_matching_refuses_what_does_not_fit(shape):
    stills, valid = np.ones((2, 4, 4, 3), np.float32), np.ones((2, 4, 4), np.float32)
    target = np.full(shape[1:], np.nan, np.float32)
    with pytest.raises(SettingError):
        match_target(stills, valid, target, ambient=np.zeros((4, 4, 3), np.float32))


@cache
def grain_profile():
    return profile_of(make_ramp((96, 128)), seed=3, bursts=2)


@settings(FEW, max_examples=10)
@given(SEEDS, st.integers(1, 40), st.integers(1, 40))
def test_grain_is_its_seeds_and_nothing_where_nothing_changed(seed, height, width):
    profile = grain_profile()
    hero = draw_picture(seed, height, width, 3, odd=0.05, finite=True).clip(0, 4)
    unchanged = top_up_grain(hero, hero, None, profile, seed=1, frame=5)
    np.testing.assert_array_equal(unchanged, 0)
    grain = full_grain(hero, profile, seed=1, frame=5)
    assert grain.shape == hero.shape and grain.dtype == np.float32 and np.isfinite(grain).all()
    np.testing.assert_array_equal(grain, full_grain(hero, profile, seed=1, frame=5))
    np.testing.assert_array_equal(full_grain(hero, profile, seed=1, frame=5, amount=0), 0)


@settings(FEW, max_examples=10)
@given(SEEDS, st.integers(16, 40), st.integers(16, 40))
def test_a_picture_that_holds_still_never_flashes(seed, height, width):
    cells = draw_picture(seed, height, width, 4, odd=0.05, finite=True).clip(0, 1)
    checking = watch((Fraction(k, 25), cells) for k in range(8))
    assert not checking.fails
    assert checking.tabulate().changes.max(initial=0) == 0


POINTS = st.lists(st.tuples(st.integers(0, 2000), st.one_of(st.just("off"), st.floats(0, 1e6))), min_size=1, max_size=5,
                  unique_by=lambda point: point[0])  # fmt: skip


@FEW
@given(POINTS, st.lists(st.floats(-10, 3000), min_size=1, max_size=9))
@example([(5, "off"), (6, 1e6)], [5.0, 5.5, 6.0])
def test_a_curve_stays_between_its_points(points, frames):
    points = [(frame, value, "linear") for frame, value in sorted(points)]
    gains = evaluate(points, frames)
    values = [0.0 if value == "off" else value for _, value, _ in points]
    assert gains.shape == (len(frames),) and np.isfinite(gains).all()
    assert (gains >= min(values) - 1e-9).all() and (gains <= max(values) * (1 + 1e-12) + 1e-9).all()
    for frame, value, _ in points:
        assert evaluate(points, [frame])[0] == pytest.approx(0 if value == "off" else value)


CORNERS = st.lists(st.tuples(st.floats(-1e6, 1e6), st.floats(-1e6, 1e6)), min_size=3, max_size=6)


@FEW
@given(CORNERS, st.integers(1, 12), st.integers(1, 12), st.floats(0, 20))
@example([(0, 0), (0, 0), (0, 0)], 4, 4, 2.0)
@example([(-1e6, -1e6), (1e6, -1e6), (1e6, 1e6), (-1e6, 1e6)], 4, 4, 0.0)
def test_a_polygon_covers_between_nothing_and_all(corners, height, width, feather):
    drawn = np.array(corners, np.float64)
    cover = cover_polygon(drawn, (height, width))
    assert cover.shape == (height, width) and cover.dtype == np.float32
    assert np.isfinite(cover).all() and (cover >= 0).all() and (cover <= 1 + 1e-6).all()
    np.testing.assert_allclose(cover_polygon(drawn[::-1].copy(), (height, width)), cover, atol=1e-4)
    soft = draw_polygon(drawn, (height, width), feather_px=feather)
    assert soft.shape == (height, width) and (soft >= 0).all() and (soft <= 1 + 1e-6).all()
    wide = feather_mask(cover, feather)
    assert wide.shape == cover.shape and (wide >= cover - 1e-6).all() and (wide <= 1 + 1e-6).all()
