"""A sweep movie in; plate, stack, tables and report out, judged against the room's truth."""

import csv
import json

import numpy as np
import OpenEXR
import pytest
from made import truth_plate

from lightstack.files.write.plates import read_exr
from lightstack.jobs.stage.plate import make_plate
from lightstack.jobs.takes.options import PlateOptions


def read_rgb(path):
    """Read R, G, B with OpenEXR, a second library than the one that wrote them."""
    with OpenEXR.File(str(path)) as file:
        return np.asarray(file.channels()["RGB"].pixels, np.float32)


@pytest.fixture(scope="module")
def made(small_room, small_sweep, tmp_path_factory, unwatched):
    out = tmp_path_factory.mktemp("built") / "out"
    result = make_plate(
        [small_sweep], empty=None, out=out, options=PlateOptions(separate=True), progress=unwatched
    )
    return out, result


def test_the_plate_is_what_a_perfect_observer_would_get(made, small_room):
    # REFERENCE  the made room's own noise-free frames, truly masked, accumulated by maximum.
    # TOLERANCE  0.15 of the mean at this small size (the bench prints the figures of rooms at full size).
    plate = np.minimum(read_rgb(made[0] / "plate.exr"), 0.95)
    truth, hole = truth_plate(small_room)
    truth = np.minimum(truth, 0.95)
    error = np.abs(plate - truth)[~hole].mean() / truth[~hole].mean()
    assert error < 0.15


def test_the_stack_holds_every_still_ambient_reach_and_winner(made):
    out, _ = made
    with (out / "key_frames.csv").open() as stream:
        keys = list(csv.DictReader(stream))
    with OpenEXR.File(str(out / "light_stack.exr")) as file:
        names = [part.name() for part in file.parts]
    stills = sorted(f"still_{int(key['source_frame']):05d}" for key in keys)
    assert names == [*stills, "ambient", "reach", "winner"]
    still = read_exr(out / "light_stack.exr", stills[0])
    alone = read_exr(out / f"still.{int(stills[0][6:]):04d}.exr")
    for channel in "RGBA":
        np.testing.assert_array_equal(still[channel], alone[channel])
    assert still["A"].min() >= 0 and still["A"].max() <= 1


def test_tables_manifest_and_report_agree(made, small_room):
    out, result = made
    manifest = json.loads((out / "manifest.json").read_text())
    with (out / "frames.csv").open() as stream:
        frames = list(csv.DictReader(stream))
    assert len(frames) == len(small_room)
    ranked = sorted((int(f["key_rank"]), int(f["source_frame"])) for f in frames if f["key_rank"])
    assert [number for _, number in ranked] == manifest["sweeps"]["sweep"]["key_frames"]
    lit = [f["lamp_on"] == "1" for f in frames]
    assert np.mean(np.array(lit) == small_room.lamp_on) > 0.95
    assert {entry["path"] for entry in manifest["outputs"]} == set(result.files) - {"manifest.json"}
    assert all((out / name).is_file() for name in result.files)
    assert str(out) not in (out / "manifest.json").read_text()
    page = (out / "report.html").read_text()
    assert "http://" not in page.replace("http://www.w3.org", "") and "https://" not in page


def test_the_same_sweep_gives_the_same_bytes_at_any_thread_count(made, small_sweep, tmp_path, silence):
    out, result = made
    options = PlateOptions(separate=True, threads=1)
    again = make_plate([small_sweep], empty=None, out=tmp_path / "out", options=options, progress=silence)
    assert again.files == result.files
    for name in result.files:
        if name not in ("manifest.json", "report.html"):  # these name the take's relative path
            assert (out / name).read_bytes() == (tmp_path / "out" / name).read_bytes(), name


@pytest.mark.slow
def test_keys_by_hand_are_taken(small_sweep, tmp_path, silence):
    options = PlateOptions(keys=(20, 31, 42))
    result = make_plate([small_sweep], empty=None, out=tmp_path / "out", options=options, progress=silence)
    manifest = json.loads((tmp_path / "out" / "manifest.json").read_text())
    assert sorted(manifest["sweeps"]["sweep"]["key_frames"]) == [20, 31, 42]
    assert result.numbers["sweep"]["key frames"] == "3"


@pytest.mark.slow
@pytest.mark.parametrize("combine", ["softmax", "screen", "sum"])
def test_every_rule_makes_a_finite_plate(small_sweep, tmp_path, silence, combine):
    options = PlateOptions(combine=combine, max_keys=6)
    make_plate([small_sweep], empty=None, out=tmp_path / "out", options=options, progress=silence)
    plate = read_rgb(tmp_path / "out" / "plate.exr")
    assert np.isfinite(plate).all() and plate.mean() > 0.01
