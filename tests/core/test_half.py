"""Half floats: the compiled loops against numpy's own conversion."""

import cv2
import numpy as np

from lightstack.core.half import (
    HALF_VALUES,
    grow_rows,
    keep_larger,
    narrow,
    narrow_rows,
    narrow_within,
    pack_rows,
    subtract_halves,
    take_apart,
    to_finite,
    to_float,
    to_half,
    unpack_rows,
    widen,
)


def as_half(values):
    out = np.empty(len(values), np.uint16)
    narrow(values, np.empty_like(values), out)
    return out


def test_every_half_float_comes_back():
    halves = np.arange(65536, dtype=np.uint16)
    finite = halves[np.isfinite(HALF_VALUES)]
    np.testing.assert_array_equal(as_half(HALF_VALUES[finite]), finite)


def test_every_half_float_is_widened_exactly():
    # REFERENCE  IEEE 754-2019 binary16 to binary32, as numpy converts; the bits, so -0 and subnormals count.
    halves = np.arange(65536, dtype=np.uint16)
    out = np.empty(65536, np.float32)
    widen(halves, out)
    np.testing.assert_array_equal(out.view(np.uint32), HALF_VALUES.view(np.uint32))
    shaped = halves.view(np.float16).reshape(64, 512, 2)[:, ::2]
    np.testing.assert_array_equal(to_float(shaped), shaped.astype(np.float32))
    np.testing.assert_array_equal(to_finite(shaped), np.nan_to_num(shaped.astype(np.float32)))


def test_floats_are_held_within_a_limit():
    values = np.float32([0, -0.0, 1e-7, 0.1, 59999, 6e4, 7e4, -7e4, np.inf, -np.inf, np.nan] * 500)
    out = np.empty(values.shape, np.uint16)
    narrow_within(values, np.float32(6e4), out)
    np.testing.assert_array_equal(out.view(np.float16), np.clip(values, -6e4, 6e4).astype(np.float16))


def test_ambient_is_taken_off_half_floats_as_numpy_does():
    rng = np.random.default_rng(3)
    picture, ambient = rng.random((4, 7, 3)).astype(np.float16), rng.random((4, 7, 3), np.float32)
    picture[1, 2] = np.nan
    for drift in (np.ones(3, np.float32), np.float32([0.9, 1, 1.1])):
        out = np.empty_like(ambient)
        subtract_halves(picture.view(np.uint16), ambient, drift, out)
        np.testing.assert_array_equal(out, picture.astype(np.float32) / drift - ambient)


def test_any_float_is_rounded_as_numpy_rounds_it_and_limited():
    # REFERENCE  IEEE 754-2019 binary16, round to nearest, ties to even, as numpy converts.
    bits = np.random.default_rng(1).integers(0, 2**32, 1_000_000, dtype=np.uint32)
    edges = np.float32([0, -0.0, 65504, 65519, 65520, 2.0**-24, 2.0**-25, np.inf, -np.inf])
    values = np.r_[bits.view(np.float32), edges]
    with np.errstate(all="ignore"):
        want = np.clip(values, -65504, 65504).astype(np.float16).view(np.uint16)
    known = ~np.isnan(values)
    got = as_half(values)
    np.testing.assert_array_equal(got[known], want[known])
    assert np.isnan(got[~known].view(np.float16)).all()


def test_stills_are_packed_by_planes_and_come_back():
    rng = np.random.default_rng(2)
    light, valid = rng.normal(0, 1, (5, 11, 3)).astype(np.float32), rng.random((5, 11), np.float32)
    packed = np.empty((5, 4, 11), np.uint16)
    pack_rows(light, valid, packed)
    planes = packed.view(np.float16)
    np.testing.assert_array_equal(planes[:, 0], valid.astype(np.float16))
    for plane, channel in ((1, 2), (2, 1), (3, 0)):  # alphabetical: A, B, G, R
        np.testing.assert_array_equal(planes[:, plane], light[..., channel].astype(np.float16))
    again, trust = np.empty_like(light), np.empty_like(valid)
    unpack_rows(packed, again, trust)
    np.testing.assert_array_equal(again, light.astype(np.float16).astype(np.float32))
    np.testing.assert_array_equal(trust, valid.astype(np.float16).astype(np.float32))
    pack_rows(light, np.ones((0, 0), np.float32), packed)
    assert (packed[:, 0].view(np.float16) == 1).all()
    narrow_rows(light, packed[:, :3])
    np.testing.assert_array_equal(packed[:, :3].view(np.float16), light.astype(np.float16).transpose(0, 2, 1))


def test_light_is_taken_apart_as_plain_arithmetic_does():
    rng = np.random.default_rng(3)
    picture, ambient = rng.random((2, 4, 9, 3), np.float32)
    out = np.empty_like(picture)
    one = np.ones(3, np.float32)
    take_apart(picture, ambient, one, one, out)
    np.testing.assert_array_equal(out, picture - ambient)
    share, gain = np.float32([0.5, 1, 2]), np.float32([1, 3, 0.25])
    take_apart(picture, ambient, share, gain, out)
    np.testing.assert_array_equal(out, (picture * share - ambient) * gain)


def lamp_light(frame, ambient):
    out = np.empty_like(frame)
    take_apart(frame, ambient, np.ones(3, np.float32), np.ones(3, np.float32), out)
    return out


def test_lights_of_two_lamps_add_and_negatives_are_kept():
    # REFERENCE  light is additive (Petschnigg et al. 2004): the light of two lamps is the sum of each one's.
    # TOLERANCE  float32, 1e-6.
    ambient, one, two = np.random.default_rng(5).random((3, 5, 5, 3)).astype(np.float32)
    both = lamp_light(ambient + one + two, ambient)
    np.testing.assert_allclose(both, lamp_light(ambient + one, ambient) + lamp_light(ambient + two, ambient), atol=1e-6)
    assert (lamp_light(np.zeros_like(ambient), ambient) == -ambient).all()


def test_the_larger_of_two_half_floats_is_kept():
    rng = np.random.default_rng(4)
    a, b = rng.normal(0, 1, (2, 5000)).astype(np.float16)
    a[:4], b[:4] = [0, -1, np.inf, -np.inf], [-2, -0.5, 3, -65504]
    best = a.copy()
    keep_larger(best.view(np.int16), b.view(np.int16))
    np.testing.assert_array_equal(best, np.maximum(a, b))


def test_doubling_is_linear_and_bands_join():
    small = np.random.default_rng(5).normal(0, 3, (7, 10, 1)).astype(np.float32)
    whole = np.empty((14, 1, 20), np.uint16)
    grow_rows(0, small, whole)
    # REFERENCE  OpenCV's linear resize.  TOLERANCE  one step of a half float, where its order of sums differs.
    want = cv2.resize(small, (20, 14), interpolation=cv2.INTER_LINEAR)
    np.testing.assert_allclose(whole[:, 0].view(np.float16), want, rtol=1e-3, atol=1e-4)
    part = np.empty((5, 1, 19), np.uint16)  # an odd picture's last column is dropped
    grow_rows(4, small, part)
    np.testing.assert_array_equal(part, whole[4:9, :, :19])


def test_a_picture_becomes_half_floats_unless_one_value_is_beyond_them():
    picture = np.random.default_rng(4).normal(0, 1, (211, 117, 3)).astype(np.float32)
    assert to_half(picture).dtype == np.float16
    np.testing.assert_array_equal(to_half(picture), picture.astype(np.float16))
    picture[-1, -1] = [np.nan, -65504, 0]
    assert to_half(picture[:, ::-1]).dtype == np.float16
    for beyond in (65505, -1e6, np.inf):
        picture[5, 5, 1] = beyond
        assert to_half(picture) is picture
