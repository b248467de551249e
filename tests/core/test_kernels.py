"""The compiled loops against slow, obvious twins written with other means."""

import numba
import numpy as np
import pytest
from core_helpers import make_encoding

from lightstack.core import compiled
from lightstack.core.colour.decoder import build_decoder
from lightstack.core.colour.encode import encode_planes
from lightstack.core.colour.light import CURVES
from lightstack.core.colour.planes import decode_linear, decode_proxy, decode_signal, find_clipped
from lightstack.records import CodedFrame

LAYOUTS = [
    ("420", "left"),
    ("420", "center"),
    ("420", "topleft"),
    ("422", "left"),
    ("422", "center"),
    ("444", "left"),
]


def make_planes(seed, size, chroma, depth, *, bright=False):
    """Random planes; ``bright`` reaches the ceiling often."""
    rng = np.random.default_rng(seed)
    height, width = size
    low = (-(-height // 2) if chroma == "420" else height, width if chroma == "444" else -(-width // 2))
    dtype = np.uint8 if depth == 8 else np.uint16
    top = 255 if bright else 200
    scale = 2 ** (depth - 8)
    luma = rng.integers(16 * scale, top * scale, size).astype(dtype)
    return luma, *(rng.integers(90 * scale, 166 * scale, low).astype(dtype) for _ in range(2))


def widen_slowly(plane, encoding, size):
    """Interpolate chroma by numpy.interp at the luma positions, axis by axis, in float64."""
    sub_x, sub_y = {"420": (2, 2), "422": (2, 1), "444": (1, 1)}[encoding.chroma]
    at_x = 0.5 if encoding.chroma_location == "center" else 0.0
    at_y = 0.0 if encoding.chroma_location == "topleft" else 0.5
    rows = np.arange(plane.shape[0]) * sub_y + (at_y if sub_y == 2 else 0)
    columns = np.arange(plane.shape[1]) * sub_x + (at_x if sub_x == 2 else 0)
    tall = np.stack([np.interp(np.arange(size[0]), rows, column) for column in plane.T.astype(float)], axis=1)
    return np.stack([np.interp(np.arange(size[1]), columns, row) for row in tall])


def signal_slowly(planes, encoding):
    """Decode to R'G'B' with the matrix solved from its definition, pixel arrays in float64."""
    kr, kb = {"bt601": (0.299, 0.114), "bt709": (0.2126, 0.0722), "bt2020": (0.2627, 0.0593)}[encoding.matrix]
    step = 2.0 ** (encoding.bit_depth - 8)
    full = 2.0**encoding.bit_depth - 1
    black, span, middle, swing = (16 * step, 219 * step, 128 * step, 224 * step)
    if encoding.range == "full":
        black, span, swing = 0.0, full, full
    luma = (planes[0].astype(float) - black) / span
    cb, cr = ((widen_slowly(plane, encoding, luma.shape) - middle) / swing for plane in planes[1:])
    red = luma + 2 * (1 - kr) * cr
    blue = luma + 2 * (1 - kb) * cb
    green = (luma - kr * red - kb * blue) / (1 - kr - kb)
    return np.stack([red, green, blue], axis=-1)


@pytest.mark.parametrize("chroma, location", LAYOUTS)
@pytest.mark.parametrize("depth, range_", [(8, "full"), (10, "limited")])
@pytest.mark.parametrize("size", [(17, 35), (8, 12), (1, 1), (2, 1), (1, 6)])
def test_decoding_agrees_with_the_slow_twin(chroma, location, depth, range_, size):
    encoding = make_encoding(chroma=chroma, chroma_location=location, bit_depth=depth, range=range_)
    planes = make_planes(1, size, chroma, depth)
    expected = signal_slowly(planes, encoding)
    # TOLERANCE  float32 arithmetic of values up to 2, 1e-6.
    np.testing.assert_allclose(decode_signal(build_decoder(encoding), planes), expected, atol=1e-6)
    linear = decode_linear(build_decoder(encoding), planes)
    # TOLERANCE  float32 and a table of 8192 steps per 1.0; the published curve has a small step at 0.018.
    np.testing.assert_allclose(linear, CURVES["bt709"].decode(expected), rtol=2e-6, atol=1e-5)


@pytest.mark.parametrize("chroma, location", LAYOUTS)
@pytest.mark.parametrize("factor, origin", [(2, (0, 0)), (3, (0, 0)), (3, (2, 1)), (6, (5, 1))])
def test_proxies_are_box_means_of_codes(chroma, location, factor, origin):
    encoding = make_encoding(chroma=chroma, chroma_location=location)
    planes = make_planes(2, (29, 37), chroma, 10, bright=True)
    proxy = decode_proxy(build_decoder(encoding), planes, factor=factor, origin=origin)
    rows, columns = (29 - origin[0]) // factor, (37 - origin[1]) // factor
    cut = np.s_[origin[0] : origin[0] + rows * factor, origin[1] : origin[1] + columns * factor]
    signal = signal_slowly(planes, encoding)[cut]
    boxes = signal.reshape(rows, factor, columns, factor, 3)
    np.testing.assert_allclose(
        proxy.rgb, CURVES["bt709"].decode(boxes.mean(axis=(1, 3))), rtol=3e-6, atol=1e-5
    )

    bits = find_clipped(build_decoder(encoding), planes)[cut].reshape(rows, factor, columns, factor)
    assert 0 < np.count_nonzero(bits) < bits.size
    np.testing.assert_array_equal(
        proxy.clipped, np.bitwise_or.reduce(np.bitwise_or.reduce(bits, axis=3), axis=1)
    )


def test_a_proxy_of_factor_one_is_the_frame_itself():
    encoding = make_encoding(chroma="422")
    planes = make_planes(3, (9, 13), "422", 10, bright=True)
    decoder = build_decoder(encoding)
    proxy = decode_proxy(decoder, planes, factor=1)
    np.testing.assert_array_equal(proxy.rgb, decode_linear(decoder, planes))
    np.testing.assert_array_equal(proxy.clipped, find_clipped(decoder, planes))


@pytest.mark.parametrize("chroma, location", LAYOUTS)
def test_clipping_is_judged_on_the_signal(chroma, location):
    encoding = make_encoding(chroma=chroma, chroma_location=location, ceiling=0.9)
    planes = make_planes(4, (15, 22), chroma, 10, bright=True)
    signal = decode_signal(build_decoder(encoding), planes)
    expected = (signal >= np.float32(0.995 * 0.9)) @ np.array([1, 2, 4])
    np.testing.assert_array_equal(find_clipped(build_decoder(encoding), planes), expected)


def test_padded_lines_are_not_read():
    encoding = make_encoding(chroma="422", bit_depth=8)
    planes = make_planes(5, (12, 20), "422", 8)
    padded = tuple(
        np.pad(plane, ((0, 0), (0, 13)), constant_values=255)[:, : plane.shape[1]] for plane in planes
    )
    decoder = build_decoder(encoding)
    np.testing.assert_array_equal(decode_linear(decoder, padded), decode_linear(decoder, planes))
    whole, cut = (decode_proxy(decoder, p, factor=2) for p in (planes, padded))
    np.testing.assert_array_equal(whole.rgb, cut.rgb)


def test_bytes_do_not_depend_on_threads(monkeypatch):
    encoding = make_encoding()
    planes = make_planes(6, (71, 90), "420", 10)
    frame = CodedFrame(1, planes, None)
    results = []
    for threads in (1, 2, 5, 71):
        monkeypatch.setattr(compiled, "LEAST_VALUES_PER_BAND", 1)
        monkeypatch.setattr(numba.config, "NUMBA_NUM_THREADS", threads)
        decoder = build_decoder(encoding, "bt2020")
        light = decode_linear(decoder, planes)
        coded = encode_planes(light * 1.5, encoding, like=frame, working="bt2020")
        clipped = find_clipped(decoder, planes)
        results.append(
            (light.tobytes(), clipped.tobytes(), *(plane.tobytes() for plane in coded.planes), coded.limited)
        )
    assert all(result == results[0] for result in results)
