"""Pixels that are not square, in a Matroska file."""

from fractions import Fraction

import av
import numpy as np
import pytest
from core_helpers import make_encoding

from lightstack.errors import OutputError
from lightstack.files.write.matroska import put_pixel_aspect
from lightstack.files.write.movie_writer import MovieWriter


@pytest.mark.parametrize(
    "size, aspect",
    [
        ((1080, 1440), Fraction(4, 3)),
        ((576, 720), Fraction(16, 15)),
        ((576, 720), Fraction(64, 45)),
        ((480, 720), Fraction(8, 9)),
        ((480, 720), Fraction(40, 33)),
        ((48, 64), Fraction(2)),
    ],
)
def test_pixel_aspect_comes_back(tmp_path, size, aspect):
    # REFERENCE  PyAV's reader of RFC 9559; SMPTE and ITU-R BT.601 pixel aspects of common practice.
    # TOLERANCE  exact.
    planes = (np.full(size, 60, np.uint8), *(np.full((size[0] // 2, size[1] // 2), 128, np.uint8),) * 2)
    path = tmp_path / "a.mkv"
    written = {}
    for name, shape in (("square", Fraction(1)), ("a", aspect)):
        path = tmp_path / f"{name}.mkv"
        with MovieWriter(
            path, width=size[1], height=size[0], rate=Fraction(25), encoding=make_encoding(bit_depth=8), codec="ffv1",
            pixel_aspect=shape, rotation=90, timecode="01:00:00:00",
        ) as movie:  # fmt: skip
            movie.write(planes)
        with av.open(str(path)) as container:
            stream = container.streams.video[0]
            (frame,) = container.decode(stream)
            written[name] = stream.sample_aspect_ratio, frame.rotation, stream.metadata["TIMECODE"]
            np.testing.assert_array_equal(frame.to_ndarray()[: size[0]], planes[0])
    assert written["a"] == (aspect, *written["square"][1:])
    assert written["square"][0] in (None, 0, 1)  # not said, or said to be square


def test_another_file_is_left_alone(tmp_path):
    path = tmp_path / "a.mkv"
    path.write_bytes(b"\x1a\x45\xdf\xa3\x80")
    with pytest.raises(OutputError, match="no room"):
        put_pixel_aspect(path, (48, 64), Fraction(4, 3))
    assert path.read_bytes() == b"\x1a\x45\xdf\xa3\x80"
