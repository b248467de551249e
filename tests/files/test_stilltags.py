"""Headers of stills in our own words."""

from __future__ import annotations

import struct
import zlib

import cv2
import numpy as np
import pytest

from lightstack.files.read.stills import read_header


def tag_png(path, *code_points):
    """Insert a cICP chunk after IHDR: PNG third edition, section 11.3.2.6."""
    cv2.imwrite(str(path), np.zeros((2, 2, 3), np.uint16))
    data = path.read_bytes()
    content = b"cICP" + bytes(code_points)
    chunk = struct.pack(">I", 4) + content + struct.pack(">I", zlib.crc32(content))
    path.write_bytes(data[:33] + chunk + data[33:])
    return path


@pytest.mark.parametrize(
    ("points", "transfer", "primaries"),
    [
        # REFERENCE  ITU-T H.273 tables 2 and 3: 9 = BT.2020, 12 = P3 D65; 13 = sRGB, 16 = PQ, 18 = HLG.
        # TOLERANCE  exact.
        ((9, 16), "pq", "bt2020"),
        ((9, 18), "hlg", "bt2020"),
        ((12, 13), "srgb", "p3d65"),
        ((1, 1), "bt709", "bt709"),
    ],
)
def test_code_points_name_curve_and_primaries(tmp_path, points, transfer, primaries):
    encoding = read_header(tag_png(tmp_path / "a.png", *points, 0, 1)).encoding
    assert (encoding.transfer, encoding.primaries) == (transfer, primaries)
    assert not encoding.assumed


def test_code_points_of_no_known_curve_are_reported(tmp_path):
    encoding = read_header(tag_png(tmp_path / "a.png", 22, 17, 0, 1)).encoding
    assert encoding.transfer == "srgb"
    assert "22/17" in encoding.assumed[0]
