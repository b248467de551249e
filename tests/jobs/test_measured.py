"""Footage of a camera whose response nobody has published: inspected, measured, then read by what was measured."""


import json
from dataclasses import replace
from fractions import Fraction
from types import SimpleNamespace

import av
import numpy as np
import pytest
from core_helpers import make_encoding
from jobs_helpers import build
from made import make_room
from made.movies import pack_frame

from lightstack.files.folder import claimed_folder
from lightstack.files.kept.identity import StageBook
from lightstack.files.read.response import RESPONSE_FILE, read_response
from lightstack.files.read.takes import open_take
from lightstack.files.shot.shotfile import check_sweep
from lightstack.jobs.frame.preview_sink import preview_encoding
from lightstack.jobs.inspect.inspect import inspect_takes
from lightstack.jobs.inspect.lamps import find_ceiling, is_coded_alike
from lightstack.jobs.inspect.options import InspectOptions
from lightstack.jobs.stage.standing import identify_take

SIZE = (80, 144)
NOISE = (2e-4, 2e-6)  # variance = the first times light, and the second
KR, KB = 0.2126, 0.0722  # ITU-R BT.709-6, item 3.2
TOP = 1.6  # light at which the camera's signal is 1
STEEP = 14.0


def render(light):
    """The camera's curve: straight near black, a logarithm further up, odd about 0 and so without a cut there."""
    return np.arcsinh(STEEP * light) / np.arcsinh(STEEP * TOP)


def sum_frames(room, frames):
    """Return a wide lamp's light: the sweep's over some frames at once, 0.5 where it is brightest but for 1 %."""
    total = room.clean[frames].astype(np.float32).sum(axis=0)
    return 0.5 / np.quantile(total, 0.99) * total


def find_judged(bare, *lamps, sigmas=10.0, top=TOP):
    """Which values (H, W, 3) are judged, by the light that was filmed: each lamp brings more than ``sigmas`` of a
    frame's noise, and all together stay a tenth below the light ``top`` at which the camera clips."""
    whole = np.maximum(bare + sum(lamps), 0)
    sigma = np.sqrt(NOISE[0] * whole + NOISE[1])
    return (np.min(lamps, axis=0) > sigmas * sigma) & (whole < 0.9 * TOP)


def render_published(light):
    """ITU-R BT.709-6, item 1.2, of light that noise may have made negative."""
    x = np.maximum(np.abs(light), 0.018)
    return np.where(np.abs(light) < 0.018, 4.5 * light, np.sign(light) * (1.099 * x**0.45 - 0.099))


def film(path, lights, seed, curve=render):
    """Write light as a 10-bit movie, limited range, 4:4:4, tagged BT.709 throughout, which ``render`` is not."""
    rng = np.random.default_rng(seed)
    with av.open(str(path), "w") as container:
        stream = container.add_stream("ffv1", rate=24)
        stream.width, stream.height, stream.pix_fmt, stream.thread_count = SIZE[1], SIZE[0], "yuv444p10le", 1
        context = stream.codec_context
        context.color_range, context.colorspace, context.color_primaries, context.color_trc = 1, 1, 1, 1
        for count, light in enumerate(lights):
            noisy = light + rng.standard_normal(light.shape) * np.sqrt(NOISE[0] * np.maximum(light, 0) + NOISE[1])
            signal = curve(noisy)
            luma = signal @ np.array([KR, 1 - KR - KB, KB])
            blue, red = (signal[..., 2] - luma) / (2 * (1 - KB)), (signal[..., 0] - luma) / (2 * (1 - KR))
            planes = (64 + 876 * luma, 512 + 896 * blue, 512 + 896 * red)  # ITU-T H.273, limited range of 10 bits
            frame = pack_frame(tuple(np.clip(np.rint(p), 4, 1019).astype(np.uint16) for p in planes), "yuv444p10le")
            frame.pts, frame.time_base = count, Fraction(1, 24)
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
    return path


@pytest.fixture(scope="module")
def room():
    return make_room(61, size=SIZE, frames=32, lead=6, bump_px=0.0, turn_deg=0.0)


@pytest.fixture(scope="module")
def lamps(room, tmp_path_factory):
    """Takes with no lamp, with each of two and with both, and their light."""
    folder = tmp_path_factory.mktemp("lamps")
    a, b = sum_frames(room, slice(6, 19)), sum_frames(room, slice(19, 32))
    lights = {"dark": 0 * a, "one": a, "other": b, "both": a + b}
    for seed, (name, light) in enumerate(lights.items()):
        film(folder / f"{name}.mkv", [room.ambient + light] * 10, seed)
    return folder, lights


@pytest.fixture(scope="module")
def inspected(lamps, unwatched):
    folder, lights = lamps
    paths = [folder / f"{name}.mkv" for name in lights]
    with pytest.MonkeyPatch.context() as patch:  # the page's plots are tested elsewhere, and take long
        patch.setattr("lightstack.report.takes.make_inspection", lambda page: b"")
        return inspect_takes(paths, out=folder / "look", options=InspectOptions(), progress=unwatched)


def adding(found):
    return next(f for take in found.takes for f in take.findings if f.check == "additivity")


def mean_light(path, **reading):
    with open_take(path, **reading) as take:
        return np.mean([take.linear(frame).astype(np.float64) for frame in take.frames()], axis=0)


def miss_by_level(lamps, room, *, levels=8, **reading):
    """Error of the sum of two lamps against both, in the middle of each eighth of the light; channels together."""
    folder, lights = lamps
    dark, one, other, both = (mean_light(folder / f"{n}.mkv", **reading) for n in ("dark", "one", "other", "both"))
    judged = find_judged(room.ambient, lights["one"], lights["other"])
    light, miss = (both - dark)[judged], (one + other - dark - both)[judged]
    parts = np.array_split(np.argsort(lights["both"][judged]), levels)
    return np.array([miss[part].sum() / light[part].sum() for part in parts])


def test_what_is_wrong_is_told_with_the_line_to_write(inspected, lamps):
    finding = adding(inspected)
    assert finding.grade == "usable" and "one smooth response explains it" in finding.says
    path = lamps[0] / "look" / RESPONSE_FILE
    assert f'colour = "measured" and response = "{path.as_posix()}"' in finding.remedy
    assert RESPONSE_FILE in inspected.files
    table = json.loads(path.read_text())
    assert set(table["takes"].values()) == {f"{name}.mkv" for name in lamps[1]}
    assert table["worst_error_percent"]["before"] > 3 > 1 > table["worst_error_percent"]["after"]
    assert (table["bit_depth"], table["range"], table["read_as"]) == (10, "limited", "bt709")


def test_light_adds_once_it_is_read_by_what_was_measured(inspected, lamps, room):
    response = lamps[0] / "look" / RESPONSE_FILE
    assert np.abs(miss_by_level(lamps, room)).max() > 0.025
    # REFERENCE  physics: light(A) + light(B) = light(A and B); the camera's curve is known to this test alone.
    # TOLERANCE  1.5 % of the light: a thirtieth of a stop is 2.3 %.
    assert np.abs(miss_by_level(lamps, room, colour="measured", response=response)).max() < 0.015


def test_the_curve_is_the_cameras_but_for_gain_and_offset(inspected, lamps):
    found = read_response(lamps[0] / "look" / RESPONSE_FILE)
    levels = np.array([0.02, 0.05, 0.1, 0.18, 0.3, 0.5])
    light = np.interp(render(levels), found.signals, found.light)
    slopes = np.diff(light) / np.diff(levels)
    # TOLERANCE  3 %: what the fit is held to elsewhere; sums tell neither gain nor offset.
    assert slopes / slopes.mean() == pytest.approx(1, abs=0.03)


def test_only_takes_read_by_one_curve_share_a_response():
    def takes(*encodings):
        return [SimpleNamespace(info=SimpleNamespace(encoding=encoding)) for encoding in encodings]

    video = make_encoding()
    assert is_coded_alike(takes(video, replace(video, ceiling=1.09, assumed=("a guess",))))
    for other in ({"transfer": "slog3"}, {"range": "full"}, {"bit_depth": 8}, {"primaries": "bt2020"}):
        assert not is_coded_alike(takes(video, make_encoding(**other)))
    assert not is_coded_alike(takes(*[make_encoding(is_float=True)] * 2))


def test_levels_are_believed_up_to_where_the_camera_clips():
    # REFERENCE  video clips at white, linear 1; S-Log3 at code 1023 (technical summary of its maker, from memory) is
    # 10 ** ((1023 - 420) / 261.5) * 0.19 - 0.01
    assert find_ceiling(make_encoding(), quick=False) == pytest.approx(1)
    log = make_encoding(transfer="slog3", range="full", ceiling=1.0)
    assert find_ceiling(log, quick=False) == pytest.approx(10 ** ((1023 - 420) / 261.5) * 0.19 - 0.01, rel=1e-3)
    assert find_ceiling(log, quick=True) == 1  # a quick look does not search for the plateau


def plate_error(room, plate):
    """Mean error of a plate against the light that was filmed, where neither camera clips; a common gain is taken out,
    which no sum of lamps can tell."""
    truth = np.max(room.clean.astype(np.float64), axis=0)
    judged = find_judged(room.ambient, truth, top=1.0)
    ratio = plate[judged] / truth[judged]
    return float(np.abs(ratio / np.median(ratio) - 1).mean())


def test_a_plate_is_as_near_to_the_light_as_if_the_curve_were_published(inspected, room, lamps, tmp_path, unwatched):
    response = str(lamps[0] / "look" / RESPONSE_FILE)
    lights = [room.ambient + added.astype(np.float32) for added in room.clean]
    errors = []
    for curve, keys in ((render, {"colour": "measured", "response": response}), (render_published, {})):
        folder = tmp_path / curve.__name__
        folder.mkdir()
        sweep = film(folder / "sweep.mkv", lights, 9, curve)
        errors.append(plate_error(room, build(sweep, folder, unwatched, **keys).plate.light))
    # REFERENCE  the light that was filmed; and the plate of the same light by a camera of the published curve, since
    # noise and the choice of frames cost what they cost whatever the curve.
    # TOLERANCE  3 % more, as the curve is held to.
    assert errors[0] < errors[1] + 0.03, errors


def test_a_changed_response_is_another_input(inspected, lamps, tmp_path):
    path = tmp_path / RESPONSE_FILE
    path.write_bytes((lamps[0] / "look" / RESPONSE_FILE).read_bytes())
    take = check_sweep({"path": [str(lamps[0] / "dark.mkv")], "colour": "measured", "response": str(path)})
    with claimed_folder(tmp_path / "out") as folder:
        before = identify_take(StageBook(folder), take, [lamps[0] / "dark.mkv"])
        path.write_text(path.read_text() + "\n")
        assert identify_take(StageBook(folder), take, [lamps[0] / "dark.mkv"]) != before


def test_a_hero_is_written_back_and_shown_by_its_response(inspected, lamps):
    response = lamps[0] / "look" / RESPONSE_FILE
    with open_take(lamps[0] / "one.mkv", colour="measured", response=response) as take:
        frame = next(take.frames())
        light, encoding = take.linear(frame), take.info.encoding
        same = take.code(frame, light, changed=np.zeros(SIZE, bool))
        anew = take.code(frame, light)
    for before, kept, after in zip(frame.planes, same.planes, anew.planes, strict=True):
        np.testing.assert_array_equal(before, kept)
        # TOLERANCE  one code: chroma codes that no picture holds are limited on the way
        assert np.abs(before.astype(int) - after).max() <= 1
    assert preview_encoding(encoding).response == encoding.response and preview_encoding(encoding).bit_depth == 8
    assert preview_encoding(replace(encoding, transfer="slog3")).response is None


def test_what_is_brighter_than_was_measured_is_said(inspected, lamps, silence, tmp_path):
    folder = lamps[0]
    film(tmp_path / "bright.mkv", [np.full((*SIZE, 3), 2.0) * np.linspace(0.01, 1, SIZE[1])[:, None]] * 3, 4)
    options = InspectOptions(colour="measured", response=str(folder / "look" / RESPONSE_FILE))
    found = inspect_takes([tmp_path / "bright.mkv"], out=None, options=options, progress=silence)
    assert any("brighter than what its response was measured for" in note for note in found.notes)
