"""Curves that were measured: through their points, rising, invertible, in every pass that reads or writes footage."""

from dataclasses import replace

import numpy as np
import pytest
from core_helpers import make_encoding
from scipy.interpolate import PchipInterpolator

from lightstack.core.colour.decoder import build_decoder
from lightstack.core.colour.encode import encode_planes
from lightstack.core.colour.light import CURVES
from lightstack.core.colour.measured import curve_of, find_curve_of, make_measured, name_curve, share_past
from lightstack.core.colour.planes import decode_linear, decode_proxy
from lightstack.records import CodedFrame, MeasuredResponse

GREY = {"matrix": "rgb", "chroma": "444", "range": "full"}


def respond(signals, light, **more):
    return MeasuredResponse(tuple(signals), tuple(light), more.pop("seen", (signals[0], signals[-1])), 10, "limited")


def some_response(seed=1, count=24):
    """Points that rise unevenly, black at signal 0."""
    rng = np.random.default_rng(seed)
    signals = np.sort(np.r_[0.0, np.linspace(-0.07, 1.09, count) + rng.uniform(-0.01, 0.01, count)])
    slopes = rng.uniform(0.7, 1.5, count + 1) * np.linspace(0.1, 1, count + 1) ** 2
    light = np.cumsum(slopes * np.diff(signals, prepend=signals[0] - 0.05))
    light -= light[int(np.searchsorted(signals, 0.0))]
    return respond(signals, light / light[-1])


@pytest.fixture(scope="module")
def response():
    return some_response()


def test_the_curve_is_the_monotone_cubic_through_its_points(response):
    # REFERENCE  scipy's PchipInterpolator (Fritsch and Butland slopes).
    # TOLERANCE  rounding of float64.
    signals = np.linspace(response.signals[0], response.signals[-1], 4001)
    expected = PchipInterpolator(response.signals, response.light)(signals)
    assert make_measured(response).decode(signals) == pytest.approx(expected, abs=1e-12)


def test_beyond_its_points_the_curve_goes_on_straight_and_without_a_kink(response):
    curve, step = make_measured(response), 1e-6
    for end, side in ((response.signals[0], -1), (response.signals[-1], 1)):
        out = curve.decode(end + side * np.array([0.0, 0.5, 1.0]))
        assert out[2] - out[1] == pytest.approx(out[1] - out[0])
        inside = (curve.decode(end) - curve.decode(end - side * step)) / step
        assert (out[1] - out[0]) / 0.5 == pytest.approx(inside, rel=1e-3)


def test_a_flat_end_still_rises():
    curve = make_measured(respond([0.0, 0.4, 0.5, 1.0], [0.0, 0.001, 0.9, 0.90001]))
    assert curve.decode(2.0) > curve.decode(1.0) and curve.decode(-1.0) < 0
    assert curve.decode(curve.encode(5.0)) == pytest.approx(5.0)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_encoding_is_the_inverse(seed):
    curve = make_measured(some_response(seed))
    signals = np.linspace(-0.6, 2.5, 5001)
    assert np.all(np.diff(curve.decode(signals)) > 0)
    assert curve.encode(curve.decode(signals)) == pytest.approx(signals, abs=1e-9)
    light = np.linspace(-0.3, 4, 5001)
    assert curve.decode(curve.encode(light)) == pytest.approx(light, abs=1e-12)


def test_an_encoding_names_its_curve(response):
    published = make_encoding(transfer="slog3")
    assert curve_of(published) is CURVES["slog3"] and name_curve(published) == "slog3"
    measured = replace(published, response=response)
    assert name_curve(measured) == "measured" and find_curve_of(measured) is make_measured(response)
    assert find_curve_of(make_encoding(transfer="none such")) is None


@pytest.mark.parametrize("depth", [8, 10])
@pytest.mark.parametrize("factor", [1, 2])
def test_both_passes_look_the_curve_up(response, depth, factor):
    rng = np.random.default_rng(depth)
    step = 2 ** (depth - 8)
    codes = np.repeat(np.repeat(rng.integers(2 * step, 250 * step, (6, 8)), 2, 0), 2, 1)
    grey = np.full(codes.shape, 128 * step)
    planes = tuple(plane.astype(np.uint8 if depth == 8 else np.uint16) for plane in (codes, grey, grey))
    decoder = build_decoder(make_encoding(chroma="444", bit_depth=depth, response=response))
    # REFERENCE  ITU-T H.273, 8.3: limited range, E' = (code / 2 ** (depth - 8) - 16) / 219; then scipy's interpolant.
    # TOLERANCE  0.01 of a 12-bit code of signal (the table's), times the steepest slope here.
    signal = (codes / step - 16) / 219
    light = PchipInterpolator(response.signals, response.light)(np.clip(signal, *np.take(response.signals, (0, -1))))
    inside = (signal > response.signals[0]) & (signal < response.signals[-1])
    if factor == 1:
        found = decode_linear(decoder, planes)
    else:
        found = np.repeat(np.repeat(decode_proxy(decoder, planes, factor=2).rgb, 2, 0), 2, 1)
    assert np.abs(found - light[..., None])[inside].max() < 2e-5


def test_packed_pictures_are_looked_up_too(response):
    pixels = np.arange(256, dtype=np.uint8).reshape(16, 16, 1).repeat(3, axis=2)
    encoding = make_encoding(bit_depth=8, transfer="linear", response=response, **GREY)
    found = decode_linear(build_decoder(encoding), (pixels,))
    # REFERENCE  full range of 8 bits: code / 255.
    assert found == pytest.approx(make_measured(response).decode(pixels / 255.0), abs=1e-6)


@pytest.mark.parametrize("depth", [8, 10])
def test_codes_come_back(response, depth):
    rng = np.random.default_rng(depth)
    kind = np.uint8 if depth == 8 else np.uint16
    planes = tuple(rng.integers(70 << depth - 8, 180 << depth - 8, (12, 16)).astype(kind) for _ in range(3))
    encoding = make_encoding(bit_depth=depth, **{**GREY, "range": "limited"}, response=response)
    light = decode_linear(build_decoder(encoding), planes)
    again = encode_planes(light, encoding)
    # TOLERANCE  none: R'G'B' codes round trip exactly.
    assert again.limited == 0
    for before, after in zip(planes, again.planes, strict=True):
        np.testing.assert_array_equal(before, after)


def test_what_did_not_change_keeps_its_own_codes(response):
    rng = np.random.default_rng(5)
    planes = (rng.integers(64, 940, (12, 16)), rng.integers(300, 700, (6, 8)), rng.integers(300, 700, (6, 8)))
    planes = tuple(plane.astype(np.uint16) for plane in planes)
    encoding = make_encoding(response=response)
    light = decode_linear(build_decoder(encoding), planes)
    same = encode_planes(light, encoding, like=CodedFrame(1, planes, None), changed=np.zeros((12, 16), bool))
    for before, after in zip(planes, same.planes, strict=True):
        np.testing.assert_array_equal(before, after)


def test_the_share_past_the_measured_levels(response):
    seen = replace(response, seen=(0.0, 0.5))
    top = make_measured(seen).decode(0.5)
    light = np.full((4, 5, 3), 0.5 * top)
    light[0, :, 1] = 1.5 * top
    assert share_past(light, make_encoding(response=seen)) == pytest.approx(0.25)
    assert share_past(light, make_encoding()) == 0
