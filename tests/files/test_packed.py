"""Arrays of many frames in one file."""

import numpy as np
import pytest

from lightstack.errors import OutputError, UnreadableInput
from lightstack.files.kept.packed import open_packed, pack_arrays, read_packed


def test_frames_come_back_whole_and_in_any_order(tmp_path):
    rng = np.random.default_rng(1)
    frames = [(rng.random((k, 7)).astype(np.float16), np.arange(k), np.zeros((0, 3), np.uint16)) for k in range(5)]
    with open_packed(tmp_path / "a.bin") as writer:
        for arrays in frames:
            writer.add(pack_arrays(arrays))
    for k in (4, 0, 2):
        again = read_packed(tmp_path / "a.bin", writer.places[k], writer.places[k + 1])
        assert len(again) == 3
        for one, other in zip(again, frames[k], strict=True):
            assert one.dtype == other.dtype
            np.testing.assert_array_equal(one, other)


def test_a_run_that_breaks_off_leaves_what_was_there(tmp_path):
    path = tmp_path / "a.bin"
    path.write_bytes(b"old")
    with pytest.raises(RuntimeError), open_packed(path) as writer:
        writer.add(b"new")
        raise RuntimeError
    assert path.read_bytes() == b"old" and [p.name for p in tmp_path.iterdir()] == ["a.bin"]
    with pytest.raises(OutputError, match="nowhere"), open_packed(tmp_path / "nowhere" / "a.bin"):
        pass


@pytest.mark.parametrize("spoil", [lambda raw: raw[:-4], lambda raw: b"\0" * len(raw), lambda raw: b""])
def test_a_damaged_file_is_told_in_one_line(tmp_path, spoil):
    path, packed = tmp_path / "a.bin", pack_arrays([np.arange(9)])
    path.write_bytes(spoil(packed))
    with pytest.raises(UnreadableInput, match=r"a\.bin: cannot be read .* --force"):
        read_packed(path, 0, len(packed))
    with pytest.raises(UnreadableInput):
        read_packed(tmp_path / "none.bin", 0, 5)
