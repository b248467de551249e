"""Transfer curves against the published numbers and against colour-science."""

from __future__ import annotations

import warnings

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from lightstack.core.colour.encodings import CURVES

with warnings.catch_warnings():
    warnings.simplefilter("ignore")  # colour-science announces optional packages that are not installed
    from colour.models import rgb as judge

LIGHT = np.concatenate([-np.logspace(-6, 0.3, 300)[::-1], [0.0], np.logspace(-7, 1.5, 2000)])

# colour-science 0.4.7's encoder of every curve here, and what to allow for
JUDGES = {
    "linear": lambda x: x,
    "srgb": judge.eotf_inverse_sRGB,
    "bt709": judge.oetf_BT709,
    "bt2020": judge.oetf_BT2020,
    "bt2020_12": lambda x: judge.oetf_BT2020(x, True),
    "gamma22": lambda x: judge.gamma_function(x, 1 / 2.2),
    "gamma24": lambda x: judge.gamma_function(x, 1 / 2.4),
    "bt1886": lambda x: judge.eotf_inverse_BT1886(x, 0, 1),
    "hlg": lambda x: judge.oetf_BT2100_HLG(x * judge.oetf_inverse_BT2100_HLG(0.75)),
    "pq": lambda x: judge.eotf_inverse_ST2084(203.0 * x),
    "logc3": judge.log_encoding_ARRILogC3,
    "logc4": judge.log_encoding_ARRILogC4,
    "slog2": judge.log_encoding_SLog2,
    "slog3": judge.log_encoding_SLog3,
    "vlog": judge.log_encoding_VLog,
    "clog": judge.log_encoding_CanonLog,
    "clog2": judge.log_encoding_CanonLog2,
    "clog3": judge.log_encoding_CanonLog3,
    "flog": judge.log_encoding_FLog,
    "flog2": judge.log_encoding_FLog2,
    "nlog": judge.log_encoding_NLog,
    "log3g10": judge.log_encoding_Log3G10,
    "applelog": judge.log_encoding_AppleLogProfile,
    "dlog": judge.log_encoding_DJIDLog,
    "cineon": judge.log_encoding_Cineon,
    "acescct": judge.log_encoding_ACEScct,
    "acescc": judge.log_encoding_ACEScc,
}
for _index in (160, 200, 250, 320, 400, 500, 640, 800, 1000, 1280, 1600):
    JUDGES[f"logc3_ei{_index}"] = lambda x, index=_index: judge.log_encoding_ARRILogC3(x, EI=index)


def test_every_curve_has_a_judge():
    assert set(JUDGES) == set(CURVES)


@pytest.mark.parametrize("name", sorted(JUDGES))
def test_encode_agrees_with_colour_science(name):
    # REFERENCE  colour-science, which follows the makers' papers and the ITU, IEC and SMPTE texts.
    # TOLERANCE  1e-7 of the signal; F-Log's branches overlap by 1e-4 and are bridged, HLG's printed constants
    #            are rounded to eight digits.
    light = np.concatenate([[0.0], np.logspace(-5, 1.2, 3000)])
    with np.errstate(all="ignore"), warnings.catch_warnings():
        warnings.simplefilter("ignore")
        expected = JUDGES[name](light)
    found = CURVES[name].encode(light)
    tolerance = np.where((name == "flog") & (np.abs(light - 0.00089) < 2e-5), 1.1e-4, 1e-7)
    assert np.all(np.abs(found - expected) <= tolerance)


@pytest.mark.parametrize(
    "name", sorted(set(JUDGES) - {"acescc", "pq", "hlg", "srgb", "gamma22", "gamma24", "bt1886"})
)
def test_small_negative_light_agrees_with_colour_science(name):
    # REFERENCE  colour-science: straight lines, mirrored logarithms and cube roots below black.
    # TOLERANCE  1e-9 of the signal.
    light = np.linspace(-0.005, 0.0, 50)
    with np.errstate(all="ignore"), warnings.catch_warnings():
        warnings.simplefilter("ignore")
        expected = JUDGES[name](light)
    np.testing.assert_allclose(CURVES[name].encode(light), expected, atol=1e-9)


@pytest.mark.parametrize(
    ("name", "black", "grey", "white", "tolerance"),
    [
        # REFERENCE  10-bit codes for 0, 18 and 90 % reflection printed in the makers' papers: S-Log2
        # Technical Paper V1.0 (2012); S-Gamut3/S-Log3 Technical Summary; V-Log Reference Manual Rev 1.0
        # (2014); LogC3: 18 % at 400 for every EI. TOLERANCE  half a code: the papers print whole codes.
        ("slog2", 90, 347, 582, 0.5),
        ("slog3", 95, 420, 598, 0.5),
        ("vlog", 128, 433, 602, 0.5),
        ("logc3", 95, 400, 572, 0.5),
        # REFERENCE  the same codes computed with colour-science 0.4.7 from the makers' formulas.
        # TOLERANCE  half a code.
        ("clog", 128, 351, 614, 0.5),
        ("clog2", 95, 407, 575, 0.5),
        ("clog3", 128, 351, 577, 0.5),
        ("flog", 95, 470, 705, 0.5),
        ("flog2", 95, 400, 570, 0.5),
        ("nlog", 127, 372, 603, 0.5),
        ("log3g10", 93.7, 341, 494, 0.5),
        ("applelog", 153.9, 499.5, 697.4, 0.5),
        ("dlog", 95, 408, 586, 0.5),
        ("cineon", 95, 468, 671, 0.5),
        ("logc4", 95, 284.8, 427.6, 0.5),
    ],
)
def test_grey_card_codes(name, black, grey, white, tolerance):
    codes = 1023 * CURVES[name].encode(np.array([0.0, 0.18, 0.9]))
    np.testing.assert_allclose(codes, [black, grey, white], atol=tolerance)


@pytest.mark.parametrize("name", [n for n in CURVES if n.startswith("logc3_")])
def test_logc3_puts_grey_at_400_at_every_exposure_index(name):
    # REFERENCE  "18 % grey is encoded as 400/1023 at every EI", maker's Log C manual.
    # TOLERANCE  1e-3 code: the table's constants have six digits.
    np.testing.assert_allclose(1023 * CURVES[name].encode(0.18), 400.0, atol=1e-3)


def test_decode_matches_the_standards_printed_numbers():
    # REFERENCE  IEC 61966-2-1: ((0.5 + 0.055) / 1.055) ** 2.4; ITU-R BT.709-6: ((0.5 + 0.099) / 1.099) **
    # (1/0.45) TOLERANCE  float64 powers.
    np.testing.assert_allclose(CURVES["srgb"].decode(0.5), ((0.5 + 0.055) / 1.055) ** 2.4, rtol=1e-14)
    np.testing.assert_allclose(CURVES["bt709"].decode(0.5), ((0.5 + 0.099) / 1.099) ** (1 / 0.45), rtol=1e-14)
    # REFERENCE  ITU-R BT.1886: 0.5 ** 2.4 of a 100 cd/m2 screen without black = 18.9465 cd/m2.
    # TOLERANCE  printed digits.
    np.testing.assert_allclose(100 * CURVES["bt1886"].decode(0.5), 18.9465, atol=5e-5)


def test_hlg_and_pq_have_the_stated_white():
    # REFERENCE  ITU-R BT.2408 table 1: 100 % reflectance at 75 % HLG and 58 % PQ (203 cd/m2); 18 % grey at
    # 38 % HLG. TOLERANCE  the table prints whole per cents.
    assert CURVES["hlg"].decode(0.75) == pytest.approx(1.0, abs=1e-9)
    assert CURVES["hlg"].encode(0.18) == pytest.approx(0.38, abs=0.005)
    assert CURVES["pq"].encode(1.0) == pytest.approx(0.58, abs=0.005)
    assert CURVES["pq"].signal_max == pytest.approx(10000 / 203)


@pytest.mark.parametrize("name", sorted(CURVES))
def test_curves_round_trip_rise_and_keep_negatives(name):
    curve = CURVES[name]
    signal = curve.encode(LIGHT)
    np.testing.assert_allclose(curve.decode(signal), LIGHT, atol=1e-9, rtol=1e-9)
    assert np.all(np.diff(signal) >= 0)
    codes = np.linspace(-0.2, 1.2, 5000)
    light = curve.decode(codes)
    assert np.all(np.diff(light) >= 0)
    # BT.709's printed constants leave a gap of 2.4e-4 (N-Log's: 5e-5) that no light encodes to; codes in it
    # come back to its edge.
    gap = {"bt709": 2.5e-4, "bt2020": 2.5e-4, "nlog": 6e-5}.get(name, 0.0)
    assert np.abs(curve.encode(light) - codes).max() <= gap / 2 + 1e-9
    assert curve.signal_max == curve.decode(1.0)
    assert curve.citation


@pytest.mark.parametrize("name", sorted(CURVES))
def test_curves_keep_type_shape_and_nan(name):
    curve = CURVES[name]
    for function in (curve.decode, curve.encode):
        assert function(np.zeros((2, 3), np.float32)).dtype == np.float32
        assert function(np.zeros((2, 3))).dtype == np.float64
        assert function(0.5).dtype == np.float64
        assert np.isnan(function(np.nan))
    single = np.float32(LIGHT[LIGHT > 1e-3])
    np.testing.assert_allclose(curve.decode(curve.encode(single)), single, rtol=2e-5)


@given(st.sampled_from(sorted(CURVES)), st.floats(-0.1, 1.1))
def test_whole_codes_survive_decoding_and_encoding(name, signal):
    code = np.rint(signal * 4095)
    again = 4095 * CURVES[name].encode(CURVES[name].decode(code / 4095))
    assert np.rint(again) == code
