"""Frames kept in memory or on disk: the same numbers come back, the file goes."""

import numpy as np
import pytest

from lightstack.errors import OutputError
from lightstack.files.kept.frame_store import FrameStore, frames_bytes


@pytest.mark.parametrize("kind", [np.float16, np.float32, np.uint16, np.uint8])
@pytest.mark.parametrize("on_disk", [False, True])
def test_frames_come_back_as_they_were_stored(kind, on_disk, tmp_path):
    path = tmp_path / "frames" if on_disk else None
    store = FrameStore(3, (4, 5), np.dtype(kind), path)
    pictures = (np.arange(3 * 4 * 5 * 3).reshape(3, 4, 5, 3) % 200).astype(kind)
    for index in (2, 0, 1):
        store.write(index, pictures[index])
    np.testing.assert_array_equal(store.frames, pictures)
    assert len(store) == 3
    if path is not None:
        assert path.stat().st_size == frames_bytes(3, (4, 5), np.dtype(kind))
    store.close()
    assert path is None or not path.exists()


def test_what_is_not_seen_is_none_and_light_beyond_half_floats_is_held(tmp_path):
    store = FrameStore(1, (2, 2), np.dtype(np.float16))
    store.write(0, np.full((2, 2, 3), 1e6, np.float32), np.array([[True, False], [False, False]]))
    assert np.isnan(store.frames[0, 0, 0]).all()
    assert store.frames[0, 1, 1, 0] == 65504
    store.close()


def test_a_place_that_cannot_be_written_is_told(tmp_path):
    with pytest.raises(OutputError, match="cannot be written"):
        FrameStore(1, (2, 2), np.dtype(np.float16), tmp_path / "nowhere" / "frames")
