"""An uncompressed multi-part EXR whose lines are placed by arithmetic, read by two other libraries."""

import numpy as np
import OpenEXR
import pytest

from lightstack.core.colour.light import find_primaries
from lightstack.files.kept.stack import StackShape, create_stack
from lightstack.files.write.exr_lines import PartHeader, plan_exr
from lightstack.files.write.plates import read_exr, read_exr_headers

TAIL = [
    PartHeader("ambient", ("R", "G", "B"), compression="none"),
    PartHeader("winner", ("Y",), kind="uint", compression="none"),
]


@pytest.mark.parametrize("size", [(1, 1), (67, 33), (130, 5)])
def test_what_is_written_by_bands_is_an_exr(tmp_path, size):
    rng = np.random.default_rng(1)
    headers = [
        PartHeader(f"still_{k}", ("R", "G", "B", "A"), compression="none", attributes={"take": "sweep", "frame": k})
        for k in range(2)
    ]
    stack = create_stack(
        tmp_path / "s.exr", StackShape(*size, 2), headers=[*headers, *TAIL], primaries="bt2020"
    )
    lights, valids = rng.normal(0, 1, (2, *size, 3)).astype(np.float32), rng.random((2, *size), np.float32)
    for index in (1, 0):
        stack.write_still(index, lights[index], valids[index], guide=np.zeros((*size, 1), np.float32))
    ambient, winner = rng.random((*size, 3), np.float32), rng.integers(0, 2**20, size, np.uint32)
    stack.write_part(2, ambient)
    stack.write_part(3, winner)
    stack.deliver(tmp_path / "out.exr")
    # REFERENCE  the OpenEXR library reads back what was written; OpenImageIO does too.
    with OpenEXR.File(str(tmp_path / "out.exr"), separate_channels=True) as file:
        for k in range(2):
            channels = file.parts[k].channels
            assert file.parts[k].header["take"] == "sweep" and file.parts[k].header["frame"] == k
            for c, name in enumerate("RGB"):
                np.testing.assert_array_equal(channels[name].pixels, lights[k, ..., c].astype(np.float16))
            np.testing.assert_array_equal(channels["A"].pixels, valids[k].astype(np.float16))
        np.testing.assert_array_equal(file.parts[2].channels["G"].pixels, ambient[..., 1].astype(np.float16))
        np.testing.assert_array_equal(file.parts[3].channels["Y"].pixels, winner)
    np.testing.assert_array_equal(read_exr(tmp_path / "out.exr", "ambient")["B"], ambient[..., 2].astype(np.float16))
    parts = read_exr_headers(tmp_path / "out.exr")
    assert [part.name for part in parts] == ["still_0", "still_1", "ambient", "winner"]
    assert {part.primaries for part in parts} == {"bt2020"} and {part.compression for part in parts} == {"none"}


def test_a_second_build_leaves_the_delivered_file_alone(tmp_path):
    shape = StackShape(3, 4, 1)
    light, valid, guide = np.ones((3, 4, 3), np.float32), np.ones((3, 4), np.float32), np.zeros((3, 4, 1), np.float32)
    stack = create_stack(tmp_path / "s.exr", shape)
    stack.write_still(0, light, valid, guide=guide)
    stack.deliver(tmp_path / "out.exr")
    before = (tmp_path / "out.exr").read_bytes()
    create_stack(tmp_path / "s.exr", shape).write_still(0, 2 * light, valid, guide=guide)
    assert (tmp_path / "out.exr").read_bytes() == before


def test_names_that_repeat_or_kinds_that_are_unknown_are_refused():
    primaries = find_primaries("bt709")
    with pytest.raises(ValueError, match="different names"):
        plan_exr([TAIL[0], TAIL[0]], size=(2, 2), primaries=primaries)
    with pytest.raises(ValueError, match="kind"):
        plan_exr([PartHeader("a", ("Y",), kind="byte")], size=(2, 2), primaries=primaries)
