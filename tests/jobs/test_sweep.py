"""A sweep from footage to plate: what the keys of the shot file do, and footage of every kind."""

from dataclasses import replace

import numpy as np
import pytest
from jobs_helpers import build, mean_error
from made import make_room, truth_plate, write_movie

from lightstack.errors import SettingError, UnusableTake
from lightstack.files.write.plates import read_exr
from lightstack.jobs.shot.build import build_shot
from lightstack.jobs.stage.plate import make_plate
from lightstack.jobs.takes.options import BuildOptions, PlateOptions

# REFERENCE  everywhere below: the made room's own noise-free, unmoved frames, lamp and carrier truly masked,
#            accumulated by maximum.


@pytest.fixture(scope="module")
def empty(tmp_path_factory):
    room = make_room(1, take="empty", bump_px=0.0, turn_deg=0.0, size=(112, 200), frames=16, lead=4)
    return write_movie(room, tmp_path_factory.mktemp("empty") / "empty.mkv")


def lit_only(room):
    return [int(k) for k in np.flatnonzero(room.lamp_on)]


def brighter(room, stops, white=(1, 1, 1)):
    """The same room filmed with more exposure and another white."""
    return replace(room, drift=room.drift * 2.0**stops * np.asarray(white))


def test_without_dark_frames_the_empty_take_is_the_ambient(small_room, empty, tmp_path, silence):
    movie = write_movie(small_room, tmp_path / "s.mkv", frames=lit_only(small_room))
    outcome = build(movie, tmp_path, silence, empty={"path": empty})
    assert not outcome.look.own_ambient and outcome.ambient.source == "empty"
    # TOLERANCE  0.15 of the mean: the room small, the ambient from 16 frames.
    assert mean_error(outcome.plate.light, small_room) < 0.15
    with pytest.raises(UnusableTake, match="no frames without the lamp and no empty take"):
        build(movie, tmp_path, silence)


@pytest.mark.slow
def test_an_empty_take_of_another_exposure_is_brought_to_the_sweeps(small_room, tmp_path, silence):
    room = make_room(1, take="empty", bump_px=0.0, turn_deg=0.0, size=(112, 200), frames=16, lead=4)
    white = (1.25, 1.0, 0.8)
    bright = write_movie(brighter(room, 0.5, white), tmp_path / "e.mkv")
    movie = write_movie(small_room, tmp_path / "s.mkv", frames=lit_only(small_room))
    told = build(movie, tmp_path, silence, empty={"path": bright, "stops": 0.5, "white": white})
    assert mean_error(told.plate.light, small_room) < 0.15
    ambient = told.ambient.light[10:-10, 10:-10]
    # TOLERANCE  1 % in the mean: noise of 16 frames, codes of 10 bit.
    assert ambient.mean() == pytest.approx(small_room.ambient[10:-10, 10:-10].mean(), rel=0.01)
    untold = build(movie, tmp_path, silence, empty={"path": bright})
    assert mean_error(untold.plate.light, small_room) > 1.5 * mean_error(told.plate.light, small_room)


def test_both_ambients_are_compared_and_the_sweeps_own_is_used(small_sweep, small_room, tmp_path, silence):
    room = make_room(1, take="empty", bump_px=0.0, turn_deg=0.0, size=(112, 200), frames=16, lead=4)
    bright = write_movie(brighter(room, 0.5), tmp_path / "e.mkv")
    outcome = build(small_sweep, tmp_path, silence, empty={"path": bright})
    assert outcome.look.own_ambient and outcome.ambient.source == "sweep"
    # REFERENCE  half a stop more exposure was given to the empty take.  TOLERANCE  0.04 stops.
    found = outcome.look.empty_stops
    assert np.isfinite(found).sum() >= 2  # this room's ambient has next to no blue
    np.testing.assert_allclose(found[np.isfinite(found)], -0.5, atol=0.04)
    same = build(small_sweep, tmp_path, silence, empty={"path": bright, "stops": 0.5}).look.empty_stops
    np.testing.assert_allclose(same[np.isfinite(same)], 0, atol=0.04)


def test_a_sweep_called_empty_is_a_sweep_like_any(small_sweep, small_room, empty, tmp_path, silence):
    outcome = build(small_sweep, tmp_path, silence, empty={"path": empty}, name="empty")
    assert mean_error(outcome.plate.light, small_room) < 0.15
    assert len(outcome.look.proxies.rgb) == 60 and len(outcome.look.empty.proxies.rgb) == 16


@pytest.mark.slow
def test_holding_exposure_mends_a_drift_and_spoils_nothing(small_room, small_sweep, tmp_path, silence):
    drifting = replace(small_room, drift=2.0 ** (0.4 * np.linspace(0, 1, 60)[:, None] * [1.0, 0.8, 0.6]))
    movie = write_movie(drifting, tmp_path / "d.mkv")

    def error(movie, hold):
        outcome = build(movie, tmp_path, silence, hold_exposure=hold)
        # The plate is as bright as the ambient that it goes with, so it is judged at that exposure.
        ratio = np.median(outcome.ambient.light / small_room.ambient, axis=(0, 1))
        return mean_error(outcome.plate.light / ratio, small_room)

    held, loose = error(movie, True), error(movie, False)
    still, plain = error(small_sweep, True), error(small_sweep, False)
    print(f"\nmean error with drift: held {held:.3f}, not held {loose:.3f}; without: held {still:.3f}, not {plain:.3f}")
    assert held < loose
    assert still <= plain + 0.01


def test_log_footage_named_by_its_curve_gives_the_same_light(small_room, small_outcome, tmp_path, silence):
    movie = write_movie(replace(small_room, curve="slog3"), tmp_path / "log.mkv")
    outcome = build(movie, tmp_path, silence, colour="slog3/bt709")
    assert outcome.info.encoding.transfer == "slog3" and outcome.primaries == "bt709"
    # TOLERANCE  0.06 more than the same room in BT.709 (reached: 0.05): a lamp that does not clip is harder to find.
    assert mean_error(outcome.plate.light, small_room) < mean_error(small_outcome.plate.light, small_room) + 0.06
    # TOLERANCE  1 % of the ambient in the mean: 10 bit log has coarse steps in the dark.
    assert outcome.ambient.light.mean() == pytest.approx(small_outcome.ambient.light.mean(), rel=0.01)


@pytest.mark.slow
def test_a_list_of_two_files_is_one_sweep(small_room, small_outcome, tmp_path, silence):
    parts = [
        write_movie(small_room, tmp_path / "a.mkv", frames=range(30)),
        write_movie(small_room, tmp_path / "b.mkv", frames=range(30, 60)),
    ]
    outcome = build(parts, tmp_path, silence)
    assert [k.source_frame for k in outcome.keys] == [k.source_frame for k in small_outcome.keys]
    np.testing.assert_array_equal(outcome.plate.light, small_outcome.plate.light)
    by_hand = build(parts, tmp_path, silence, keys=["2:1", 20], trim={"2:1": {"gain": 0.5}}, exclude=[["1:1", "1:15"]])
    assert sorted(k.source_frame for k in by_hand.keys) == [20, 31]
    whole = build(parts, tmp_path, silence, keys=[31, 20])
    halved, shot = (o.stack.read_still(1)[0] for o in (by_hand, whole))
    np.testing.assert_allclose(halved, shot / 2, atol=1e-3)


def test_a_range_to_use_keeps_source_frames(small_sweep, small_outcome, tmp_path, silence):
    outcome = build(small_sweep, tmp_path, silence, use=[4, 45])
    assert outcome.look.proxies.source_frames.tolist() == list(range(4, 46))
    assert all(4 <= key.source_frame <= 45 for key in outcome.keys)
    with pytest.raises(SettingError, match="keys names frame 50"):
        build(small_sweep, tmp_path, silence, use=[4, 45], keys=[50])


def test_excluded_frames_are_not_chosen_and_evening_has_a_limit(small_sweep, small_outcome, tmp_path, silence):
    taken = sorted(key.source_frame for key in small_outcome.keys)
    evened = build(small_sweep, tmp_path, silence, exclude=[taken[0], [taken[2], taken[5]]], even=1.0)
    found = {key.source_frame for key in evened.keys}
    assert taken[0] not in found and not found & set(range(taken[2], taken[5] + 1))
    assert any(key.level_stops != 0 for key in evened.keys)
    assert all(abs(key.level_stops) <= 2 for key in evened.keys)
    assert all(key.level_stops == 0 for key in small_outcome.keys)


@pytest.mark.slow
def test_trimmed_stills_are_dimmed_coloured_or_gone(small_sweep, tmp_path, silence):
    plain = build(small_sweep, tmp_path, silence, keys=[20, 30, 40])
    lit = plain.stack.read_still(1)[0]
    trims = {"30": {"gain": 0.25, "gel": [1, 0.5, 2]}, "40": {"gain": 0.0}}
    trimmed = build(small_sweep, tmp_path, silence, keys=[20, 30, 40], trim=trims)
    np.testing.assert_allclose(trimmed.stack.read_still(1)[0], lit * [0.25, 0.125, 0.5], atol=2e-3)
    assert not (trimmed.plate.winner == 2).any()
    for rule in ("sum", "screen", "softmax"):
        outcome = build(small_sweep, tmp_path, silence, keys=[20, 30, 40], trim=trims, combine=rule)
        assert np.isfinite(outcome.plate.light).all()


@pytest.mark.slow
def test_blocks_close_and_clear_while_they_move(small_sweep, tmp_path, silence):
    def at(x):
        return [[x, 30], [x + 40, 30], [x + 40, 80], [x, 80]]

    shapes = [{"frame": 20, "polygon": at(20)}, {"frame": 40, "polygon": at(120)}]
    marked = build(small_sweep, tmp_path, silence, keys=[20, 30, 40], block=[{"frames": [20, 30], "shapes": shapes}])
    valid = [marked.stack.read_still(k)[1] for k in range(3)]
    assert valid[0][35:75, 25:55].max() == 0 and valid[1][35:75, 75:105].max() == 0
    plain = build(small_sweep, tmp_path, silence, keys=[20, 30, 40])
    np.testing.assert_array_equal(valid[2], plain.stack.read_still(2)[1])  # the mark ended before this frame
    whole = [[0, 0], [200, 0], [200, 112], [0, 112]]
    clear = [{"frames": [1, 60], "polygon": whole, "clear": True}]
    cleared = build(small_sweep, tmp_path, silence, keys=[20, 30], block=clear)
    assert cleared.stack.read_still(0)[1][5:-5, 5:-5].min() == 1


def test_glints_of_one_frame_only_close_places_and_open_none(small_room, small_sweep, small_outcome, tmp_path, silence):
    one = build(small_sweep, tmp_path, silence, glints="one")
    assert [key.source_frame for key in one.keys] == [key.source_frame for key in small_outcome.keys]
    for index in range(len(one.keys)):
        assert (one.stack.read_still(index)[1] <= small_outcome.stack.read_still(index)[1]).all()
    assert mean_error(one.plate.light, small_room) < 0.15


def test_a_floor_takes_the_residue_and_leaves_the_light(small_room, small_sweep, small_outcome, tmp_path, silence):
    floored = build(small_sweep, tmp_path, silence, floor_sigma=6.0)
    plate, plain = floored.plate.light, small_outcome.plate.light
    weak, strong = small_outcome.plate.peak.max(-1) < 3, small_outcome.plate.peak.max(-1) > 6
    assert np.abs(plate[weak]).max(initial=0) <= np.abs(plain[weak]).max(initial=0)
    np.testing.assert_array_equal(plate[strong], plain[strong])
    assert strong.mean() > 0.5


SHOT = """
[shot]
name = "pair"
[[sweep]]
name = "first"
path = "one.mkv"
[[sweep]]
name = "second"
path = "two.mkv"
max_keys = 5
"""


@pytest.mark.slow
def test_two_sweeps_in_a_shot_are_told_apart_and_built_apart(small_room, tmp_path, silence, monkeypatch):
    red = brighter(small_room, 0, (1.0, 0.8, 0.3))  # as another gel would colour it
    write_movie(small_room, tmp_path / "one.mkv")
    write_movie(red, tmp_path / "two.mkv")
    (tmp_path / "shot.toml").write_text(SHOT)
    result = build_shot(tmp_path / "shot.toml", options=BuildOptions(), progress=silence)
    plates = {}
    for name in ("first", "second"):
        channels = read_exr(result.out / f"pair_plate_{name}_v001.exr")
        plates[name] = np.stack([channels[c] for c in "RGB"], -1).astype(np.float32)
    assert mean_error(plates["first"], small_room) < 0.15
    truth = truth_plate(small_room)[0].mean((0, 1)) * [1.0, 0.8, 0.3]
    colour = plates["second"].mean((0, 1)) / truth
    assert colour.max() / colour.min() < 1.2  # its own gel, not the first one's
    assert result.numbers["second"]["key frames"] == "5"
    # Only the sweep whose settings changed is built again.
    built = []
    from lightstack.jobs.stage import sweep_stage as job

    monkeypatch.setattr(job, "build_sweep", lambda request, *a, real=job.build_sweep, **k: (
        built.append(request.settings.name), real(request, *a, **k))[1])  # fmt: skip
    (tmp_path / "shot.toml").write_text(SHOT.replace("max_keys = 5", "max_keys = 4"))
    build_shot(tmp_path / "shot.toml", options=BuildOptions(), progress=silence)
    assert built == ["second"]


def test_an_empty_take_of_one_frame_will_do(small_room, tmp_path, silence):
    lit = np.flatnonzero(small_room.lamp_on)
    sweep = write_movie(small_room, tmp_path / "sweep.mkv", frames=lit[lit < 30].tolist())
    empty = write_movie(small_room, tmp_path / "empty.mkv", frames=[3])
    result = make_plate([sweep], empty=empty, out=tmp_path / "out", options=PlateOptions(max_keys=8), progress=silence)
    assert result.numbers["sweep"]["ambient"].startswith("mean of 1 frame")
    assert np.isfinite(read_exr(tmp_path / "out" / "plate.exr")["B"]).all()
