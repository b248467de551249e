"""Published transfer functions: signal <-> linear light, one citation per constant.

The *signal* is R'G'B' on the scale where 1.0 is the full-scale code (10 bit: code / 1023 of a full-range
file, or (code - 64) / 876 of a limited-range one). Linear 1.0 is reference white and 18 % grey is 0.18 for
every camera curve; the exceptions, made for displays, say so in their citation.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from lightstack.core.colour.curves import (
    Curve,
    join_branches,
    line_branch,
    line_log,
    line_power,
    make_curve,
    mirror_log,
    pure_power,
    straight,
    tangent_log,
)

__all__ = ["CURVES"]

_LOG10_OF_2 = math.log10(2.0)

# --- one of a kind ---------------------------------------------------------------------------------


def _clog3() -> Curve:
    """Make Canon Log 3: a straight middle between two mirrored logarithms, argument = reflection / 0.9."""
    a, c, low_d, high_d = 14.98325 / 0.9, 0.36726845, 0.12783901, 0.12240537
    slope, offset = 1.9754798, 0.12512219
    low = (
        lambda v: -(10.0 ** ((low_d - v) / c) - 1.0) / a,
        lambda x: low_d - c * np.log10(1.0 - a * np.minimum(x, 0.0)),
    )
    high = (
        lambda v: (10.0 ** ((v - high_d) / c) - 1.0) / a,
        lambda x: high_d + c * np.log10(1.0 + a * np.maximum(x, 0.0)),
    )
    line = line_branch(slope / 0.9, offset)
    lower = join_branches(low, line, cut=0.9 * (0.097465473 - offset) / slope)
    both = join_branches(lower, high, cut=0.9 * (0.15277891 - offset) / slope)
    return make_curve("clog3", *both, "Canon Log Gamma Curves (2018), Canon Log 3, v1.2 constants")


def _nlog() -> Curve:
    """Make N-Log: V = a cbrt(y + b) below y = 0.328, else c ln(y) + d; codes / 1023."""
    a, b, c, d = 650.0 / 1023.0, 0.0075, 150.0 / 1023.0, 619.0 / 1023.0
    root = (lambda v: (v / a) ** 3 - b, lambda x: a * np.cbrt(x + b))
    curved = (lambda v: np.exp((v - d) / c), lambda x: c * np.log(x) + d)
    return make_curve("nlog", *join_branches(root, curved, cut=0.328), "N-Log Specification Document v1.0.0 (2018)")


def _applelog() -> Curve:
    """Make Apple Log: a parabola from R0 to Rt, then a logarithm; below R0 the parabola is mirrored."""
    r0, rt, sigma = -0.05641088, 0.01, 47.28711236
    beta, gamma, delta = 0.00964052, 0.08550479, 0.69336945
    parabola = (
        lambda v: r0 + np.sign(v) * np.sqrt(np.abs(v) / sigma),
        lambda x: sigma * (x - r0) * np.abs(x - r0),
    )
    curved = (lambda v: 2.0 ** ((v - delta) / gamma) - beta, lambda x: gamma * np.log2(x + beta) + delta)
    return make_curve("applelog", *join_branches(parabola, curved, cut=rt), "Apple Log Profile White Paper (2023)")


def _acescc() -> Curve:
    """Make ACEScc; below linear 0 its tangent runs on (the standard stops there); no ceiling at 65504."""
    scale, offset = 17.52, 9.72
    black = (offset - 16.0) / scale
    slope = 0.5 / (2.0**-16 * math.log(2.0) * scale)
    signal_cut = (offset - 15.0) / scale

    def decode(v: NDArray[np.float64]) -> NDArray[np.float64]:
        light = 2.0 ** (v * scale - offset)
        toe = np.where(v < black, (v - black) / slope, 2.0 * (light - 2.0**-16))
        return np.where(v < signal_cut, toe, light)

    def encode(x: NDArray[np.float64]) -> NDArray[np.float64]:
        toe = (np.log2(2.0**-16 + 0.5 * np.maximum(x, 0.0)) + offset) / scale
        toe = np.where(x < 0.0, black + slope * x, toe)
        return np.where(x < 2.0**-15, toe, (np.log2(np.maximum(x, 2.0**-15)) + offset) / scale)

    return make_curve("acescc", decode, encode, "AMPAS S-2014-003, ACEScc (2014), section 4.4")


def _hlg() -> Curve:
    """Make the HLG camera curve with its 75 % signal at linear 1.0."""
    a = 0.17883277  # BT.2100-2 table 5; b and c follow from it
    b, c = 1.0 - 4.0 * a, 0.5 - a * math.log(4.0 * a)
    white = (math.exp((0.75 - c) / a) + b) / 12.0  # BT.2408-7 table 1: 100 % reflectance at 75 % signal

    def decode(v: NDArray[np.float64]) -> NDArray[np.float64]:
        size = np.abs(v)
        light = np.where(size <= 0.5, size**2 / 3.0, (np.exp((size - c) / a) + b) / 12.0)
        return np.sign(v) * light / white

    def encode(x: NDArray[np.float64]) -> NDArray[np.float64]:
        size = np.abs(x) * white
        curved = a * np.log(np.maximum(12.0 * size - b, 1e-12)) + c
        return np.sign(x) * np.where(size <= 1.0 / 12.0, np.sqrt(3.0 * size), curved)

    citation = (
        "ITU-R BT.2100-2 table 5, inverse OETF (scene light, no OOTF); "
        "1.0 = 75 % signal, where ITU-R BT.2408-7 table 1 puts 100 % reflectance (its 18 % grey: 0.182)"
    )
    return make_curve("hlg", decode, encode, citation)


def _pq() -> Curve:
    """Make PQ with 203 cd/m2 at linear 1.0: the light of the display, not of the scene."""
    m1, m2 = 2610.0 / 16384.0, 2523.0 / 4096.0 * 128.0  # SMPTE ST 2084:2014, section 5
    c1, c2, c3 = 3424.0 / 4096.0, 2413.0 / 4096.0 * 32.0, 2392.0 / 4096.0 * 32.0
    peak = 10000.0 / 203.0  # BT.2408-7 table 1: HDR reference white 203 cd/m2
    zero = c1**m2  # signal of zero light (about 7e-7): the mirror point

    def decode(v: NDArray[np.float64]) -> NDArray[np.float64]:
        size = np.where(v >= zero, v, 2.0 * zero - v) ** (1.0 / m2)
        light = (np.maximum(size - c1, 0.0) / (c2 - c3 * size)) ** (1.0 / m1)
        # Beyond the pole of the formula (signal about 1.99) there is no light to give.
        return np.where(v >= zero, 1.0, -1.0) * np.where(c2 - c3 * size <= 0.0, np.inf, light) * peak

    def encode(x: NDArray[np.float64]) -> NDArray[np.float64]:
        power = (np.abs(x) / peak) ** m1
        signal = ((c1 + c2 * power) / (1.0 + c3 * power)) ** m2
        return np.where(x >= 0.0, signal, 2.0 * zero - signal)

    citation = (
        "SMPTE ST 2084:2014 EOTF; 1.0 = 203 cd/m2, the reference white of ITU-R BT.2408-7 table 1. "
        "Display light: whatever grading lies between scene and display stays in"
    )
    return make_curve("pq", decode, encode, citation)


# --- the table -------------------------------------------------------------------------------------

# LogC3, "Linear Scene Exposure Factor", SUP 3.x: EI -> cut, b, c, d, e, f (a is 5.555556 for all of them).
_LOGC3 = {
    160: (0.005561, 0.080216, 0.269036, 0.381991, 5.842037, 0.092778),
    200: (0.006208, 0.076621, 0.266007, 0.382478, 5.776265, 0.092782),
    250: (0.006871, 0.072941, 0.262978, 0.382966, 5.710494, 0.092786),
    320: (0.007622, 0.068768, 0.259627, 0.383508, 5.637732, 0.092791),
    400: (0.008318, 0.064901, 0.256598, 0.383999, 5.571960, 0.092795),
    500: (0.009031, 0.060939, 0.253569, 0.384493, 5.506188, 0.092800),
    640: (0.009840, 0.056443, 0.250219, 0.385040, 5.433426, 0.092805),
    800: (0.010591, 0.052272, 0.247190, 0.385537, 5.367655, 0.092809),
    1000: (0.011361, 0.047996, 0.244161, 0.386036, 5.301883, 0.092814),
    1280: (0.012235, 0.043137, 0.240810, 0.386590, 5.229121, 0.092819),
    1600: (0.013047, 0.038625, 0.237781, 0.387093, 5.163350, 0.092824),
}
# A line below ``cut``, above it c log10(a x + b) + d; cut in linear light, slope and offset of the line in signal.
_LINE_LOGS: dict[
    str, tuple[float, float, float, float, float, float, float, str]
] = {  # name -> cut, slope, offset, a, b, c, d, citation
    "vlog": (
        0.01,
        5.6,
        0.125,
        1.0,
        0.00873,
        0.241514,
        0.598206,
        "V-Log/V-Gamut Reference Manual Rev 1.0 (2014), section 2",
    ),
    "slog3": (
        0.01125,
        (171.2102946929 - 95.0) / 0.01125 / 1023.0,
        95.0 / 1023.0,
        1.0 / 0.19,
        0.01 / 0.19,
        261.5 / 1023.0,
        420.0 / 1023.0,
        "Technical Summary for S-Gamut3.Cine/S-Log3 and S-Gamut3/S-Log3, appendix",
    ),
    "flog": (
        0.00089,
        8.735631,
        0.092864,
        0.555556,
        0.009468,
        0.344676,
        0.790453,
        "F-Log Data Sheet Ver. 1.0",
    ),
    "flog2": (
        0.000889,
        8.799461,
        0.092864,
        5.555556,
        0.064829,
        0.245281,
        0.384316,
        "F-Log2 Data Sheet Ver. 1.0",
    ),
    "log3g10": (
        -0.01,
        15.1927,
        0.151927,
        155.975327,
        1.0 + 0.01 * 155.975327,
        0.224282,
        0.0,
        "White Paper on REDWideGamutRGB and Log3G10 (2017), third version",
    ),
    "dlog": (
        0.0078,
        6.025,
        0.0929,
        0.9892,
        0.0108,
        0.256663,
        0.584555,
        "White Paper on D-Log and D-Gamut Rev 1.0 (2017)",
    ),
    "acescct": (
        0.0078125,
        10.5402377416545,
        0.0729055341958355,
        1.0,
        0.0,
        1.0 / (17.52 * _LOG10_OF_2),
        9.72 / 17.52,
        "AMPAS S-2016-001, ACEScct (2016), section 4.4",
    ),
}
_MIRROR_LOGS = {  # name -> a, c, black, citation
    "clog": (10.1596 / 0.9, 0.45310179, 0.12512248, "Canon Log Gamma Curves (2018), Canon Log, v1.2 constants"),
    "clog2": (87.09937546 / 0.9, 0.24136077, 0.092864125, "Canon Log Gamma Curves (2018), Canon Log 2, v1.2 constants"),
}
_MIRRORED = "; negatives mirrored as in IEC 61966-2-4"
_LINE_POWERS = {  # name -> slope of the line, linear light where it ends, alpha, exponent, citation
    "srgb": (12.92, 0.0031308, 1.055, 2.4, "IEC 61966-2-1:1999"),
    "bt709": (4.5, 0.018, 1.099, 1 / 0.45, "ITU-R BT.709-6 item 1.2, inverse OETF (camera)" + _MIRRORED),
    "bt2020": (4.5, 0.018, 1.099, 1 / 0.45, "ITU-R BT.2020-2 table 4, 10-bit constants, inverse OETF"),
    "bt2020_12": (4.5, 0.0181, 1.0993, 1 / 0.45, "ITU-R BT.2020-2 table 4, 12-bit constants, inverse OETF"),
}
_PURE_POWERS = {  # name -> exponent, citation
    "gamma22": (2.2, "pure power 2.2 (display light)"),
    "gamma24": (2.4, "pure power 2.4 (display light)"),
    "bt1886": (2.4, "ITU-R BT.1886 annex 1 with Lb = 0, Lw = 1 (display light)"),
}


def _logc3(name: str, exposure_index: int) -> Curve:
    cut, b, c, d, e, f = _LOGC3[exposure_index]
    citation = f"ALEXA Log C Curve, Usage in VFX (2017), table for SUP 3.x, EI {exposure_index}"
    return line_log(name, cut=cut, slope=e, offset=f, a=5.555556, b=b, c=c, d=d, citation=citation)


def _logc4() -> Curve:
    # LogC4 Logarithmic Color Space Specification (2022-05-01), section 2
    a, b, c = (2.0**18 - 16.0) / 117.45, (1023.0 - 95.0) / 1023.0, 95.0 / 1023.0
    s = 7.0 * math.log(2.0) * 2.0 ** (7.0 - 14.0 * c / b) / (a * b)
    t = (2.0 ** (14.0 * (-c / b) + 6.0) - 64.0) / a
    citation = "LogC4 Logarithmic Color Space Specification (2022), section 2"
    gain = b / (14.0 * _LOG10_OF_2)
    return line_log(
        "logc4",
        cut=t,
        slope=1.0 / s,
        offset=-t / s,
        a=a,
        b=64.0,
        c=gain,
        d=c - 6.0 * b / 14.0,
        citation=citation,
    )


def _slog2() -> Curve:
    # Formula in IRE (64..940 of 1023), argument reflection / 0.9, S-Log with 155/219 of the light.
    scale, black = 876.0 / 1023.0, 64.0 / 1023.0
    gain = 155.0 / 219.0 / 0.9
    return line_log(
        "slog2",
        cut=0.0,
        slope=5.0 * gain * scale,
        offset=0.030001222851889303 * scale + black,
        a=gain,
        b=0.037584,
        c=0.432699 * scale,
        d=(0.616596 + 0.03) * scale + black,
        citation="S-Log2 Technical Paper V1.0 (2012): 0/18/90 % at 10-bit codes 90/347/582",
    )


def _cineon() -> Curve:
    # 300 codes a decade (0.002 density a code, film gamma 0.6); white 685, black 95.
    black = 10.0 ** ((95.0 - 685.0) / 300.0)
    return tangent_log(
        "cineon",
        a=1.0 - black,
        b=black,
        c=300.0 / 1023.0,
        d=685.0 / 1023.0,
        citation="10-bit printing density, 0.002 a code, black 95, white 685 (common practice)",
    )


def _line_log(name: str) -> Curve:
    cut, slope, offset, a, b, c, d, citation = _LINE_LOGS[name]
    return line_log(name, cut=cut, slope=slope, offset=offset, a=a, b=b, c=c, d=d, citation=citation)


def _mirror_log(name: str) -> Curve:
    a, c, black, citation = _MIRROR_LOGS[name]
    return mirror_log(name, a=a, c=c, black=black, citation=citation)


def _line_power(name: str) -> Curve:
    slope, cut, alpha, gamma, citation = _LINE_POWERS[name]
    return line_power(name, slope=slope, cut=cut, alpha=alpha, gamma=gamma, citation=citation)


def _all_curves() -> tuple[Curve, ...]:
    return (
        straight("linear", "signal = linear light"),
        *map(_line_power, _LINE_POWERS),
        *(pure_power(name, *row) for name, row in _PURE_POWERS.items()),
        _hlg(),
        _pq(),
        _logc3("logc3", 800),
        *(_logc3(f"logc3_ei{index}", index) for index in _LOGC3),
        _logc4(),
        _slog2(),
        *map(_line_log, _LINE_LOGS),
        *map(_mirror_log, _MIRROR_LOGS),
        _clog3(),
        _nlog(),
        _applelog(),
        _cineon(),
        _acescc(),
    )


CURVES: dict[str, Curve] = {curve.name: curve for curve in _all_curves()}
