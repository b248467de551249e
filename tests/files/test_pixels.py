"""Decoder pixel layouts."""

import av
import numpy as np
import pytest

from lightstack.errors import UnreadableInput
from lightstack.files.read.pixels import parse_layout, view_planes


def make_frame(name, size=(6, 7)):
    """A frame of random bytes; deep layouts keep to their bits."""
    frame = av.VideoFrame(size[1], size[0], name)
    rng = np.random.default_rng(8)
    depth = frame.format.components[0].bits
    for plane in frame.planes:
        values = np.frombuffer(plane, np.uint8 if depth == 8 else np.uint16)
        values[:] = rng.integers(0, 2**depth, values.shape)
    return frame


@pytest.mark.parametrize(
    "name, family, chroma, depth",
    [
        ("yuv420p", "yuv", "420", 8),
        ("yuvj422p", "yuv", "422", 8),
        ("yuva444p12le", "yuv", "444", 12),
        ("gray16le", "grey", "grey", 16),
        ("gbrp14le", "rgb planes", "444", 14),
        ("gbrap", "rgb planes", "444", 8),
        ("rgba64le", "rgb packed", "444", 16),
        ("nv12", "yuv paired", "420", 8),
        ("p010le", "yuv paired", "420", 10),
        ("yuyv422", "yuyv", "422", 8),
    ],
)
def test_names_are_understood(name, family, chroma, depth):
    layout = parse_layout(name)
    assert (layout.family, layout.chroma, layout.bit_depth) == (family, chroma, depth)


@pytest.mark.parametrize("name", ["yuv410p", "yuv411p", "yuv440p", "pal8", "monow", "gbrpf32le", "xyz12le"])
def test_other_layouts_are_refused(name):
    with pytest.raises(UnreadableInput, match=name):
        parse_layout(name)


def test_plain_planes_are_views_on_the_decoder_memory():
    frame = make_frame("yuv422p10le")
    luma, cb, cr = view_planes(frame, parse_layout("yuv422p10le"))
    assert (luma.shape, cb.shape, cr.shape) == ((6, 7), (6, 4), (6, 4))
    assert np.shares_memory(luma, np.frombuffer(frame.planes[0], np.uint16))


@pytest.mark.parametrize(
    "name, plain",
    [("nv12", "yuv420p"), ("p010le", "yuv420p10le"), ("yuyv422", "yuv422p"), ("uyvy422", "yuv422p")],
)
def test_woven_layouts_equal_their_plain_twins(name, plain):
    # REFERENCE  swscale's repacking between layouts of one subsampling and depth; it converts nothing.
    # TOLERANCE  none.
    size = (6, 8)
    source = make_frame(plain, size)
    woven = source.reformat(format=name, threads=1)  # its threads now and then lose a row of so small a picture
    ours = view_planes(woven, parse_layout(name))
    for got, expected in zip(ours, view_planes(source, parse_layout(plain)), strict=True):
        np.testing.assert_array_equal(got, expected)


@pytest.mark.parametrize("name", ["bgr24", "rgba", "argb", "bgr0", "0rgb", "bgr48le", "rgba64le", "gbrp"])
def test_channel_orders(name):
    # REFERENCE  PyAV's to_ndarray for rgb24 and rgb48; swscale moves channels without arithmetic.
    # TOLERANCE  none.
    deep = "48" in name or "64" in name
    plain = "rgb48le" if deep else "rgb24"
    source = make_frame(plain)
    planes = view_planes(source.reformat(format=name, threads=1), parse_layout(name))
    got = planes[0] if len(planes) == 1 else np.stack(planes, axis=-1)
    np.testing.assert_array_equal(got, source.to_ndarray())
