"""Plates, stacks and stills as files, read back with a second library."""

import numpy as np
import OpenEXR
import pytest

from lightstack.files.folder import claim_folder
from lightstack.jobs.sweep.export import write_plate, write_stack, write_stills


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return claim_folder(tmp_path_factory.mktemp("export") / "out")


def test_a_plate_is_half_floats_of_the_light_with_a_picture_beside_it(folder, small_outcome):
    light = small_outcome.plate.light
    assert write_plate(folder, "plate", light, primaries="bt709") == ["plate.exr", "plate.png"]
    with OpenEXR.File(str(folder.file("plate.exr"))) as file:
        pixels = np.asarray(file.channels()["RGB"].pixels)
        # REFERENCE  ITU-R BT.709-6 item 1.3: red primary at x 0.640, y 0.330.
        assert tuple(file.header()["chromaticities"])[:2] == pytest.approx((0.640, 0.330), abs=1e-6)
    # REFERENCE  IEEE 754 binary16, round to nearest, as numpy's own conversion does.
    np.testing.assert_array_equal(pixels, light.astype(np.float16))
    assert folder.file("plate.png").is_file()


def test_a_stack_holds_its_parts_in_source_order_and_winners_name_them(folder, small_outcome):
    path, keys = folder.file("stack.exr"), small_outcome.keys
    write_stack(
        path,
        small_outcome.stack,
        ambient=small_outcome.ambient.light,
        plate=small_outcome.plate,
        reach=small_outcome.reach,
    )
    ordered = sorted(key.source_frame for key in keys)
    with OpenEXR.File(str(path)) as file:
        names = [part.name() for part in file.parts]
        assert names == [*(f"still_{n:05d}" for n in ordered), "ambient", "reach", "winner"]
        winner = np.asarray(file.parts[-1].channels["Y"].pixels)
    np.testing.assert_array_equal(winner, small_outcome.plate.winner[..., 0].astype(int) + 1)


def test_single_stills_are_numbered_by_source_frame(folder, small_outcome):
    names = write_stills(folder, "still", small_outcome.stack, small_outcome.keys, primaries="bt709")
    frames = sorted(key.source_frame for key in small_outcome.keys)
    assert names == [f"still.{frame:04d}.exr" for frame in frames]
    with OpenEXR.File(str(folder.file(names[2]))) as file:
        pixels = np.asarray(file.channels()["RGBA"].pixels, np.float32)
    light, valid = small_outcome.stack.read_still(2)
    np.testing.assert_array_equal(pixels, np.dstack([light, valid]))
