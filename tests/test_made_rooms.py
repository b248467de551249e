"""The made rooms themselves: what the other tests rely on."""

import numpy as np
import pytest
from made import make_room, truth_plate
from made.camera import CURVES, develop, expose
from made.movies import write_movie

SMALL = {"size": (54, 96), "frames": 20, "lead": 3}


def test_a_seed_always_gives_the_same_room_and_the_same_noise():
    one, two = (make_room(1, **SMALL, cache="") for _ in range(2))
    np.testing.assert_array_equal(one.clean, two.clean)
    np.testing.assert_array_equal(one.filmed(7), two.filmed(7))
    assert not np.array_equal(one.filmed(7) - one.seen(7), one.filmed(8) - one.seen(8))
    assert not np.array_equal(one.ambient, make_room(2, **SMALL).ambient)


def test_light_only_adds_outside_the_carrier_and_his_shadow():
    room = make_room(1, **SMALL, carrier=False)
    assert room.clean.astype(np.float32).min() > -2e-3 and not room.carrier_mask.any()
    assert not room.clean[~room.lamp_on].any()


def test_a_moved_frame_is_the_unmoved_one_displaced():
    # TOLERANCE  linear interpolation blurs edges: the median difference is within 2 % of the level.
    room = make_room(1, **SMALL, bump_px=2.0, turn_deg=0.0)
    k = 18
    shift = room.poses[k][:2, 2]
    whole = np.rint(shift).astype(int)
    moved, still = room.seen(k), room.ambient + room.clean[k]
    inner = np.s_[5:-5, 5:-5]
    there = np.roll(still, tuple(whole[::-1]), (0, 1))[inner]
    assert np.linalg.norm(shift) == pytest.approx(2.0)
    before, after = np.abs(moved - still)[inner].mean(), np.abs(moved[inner] - there).mean()
    assert after < 0.5 * before


def test_the_truth_plate_leaves_lamp_and_carrier_out():
    room = make_room(1, **SMALL)
    plate, hole = truth_plate(room)
    assert plate.max() < room.clean.max() and hole.mean() < 0.01
    k = int(np.argmax(room.blocked.sum((1, 2))))
    others = [i for i in range(len(room)) if i != k]
    open_here = ~room.blocked[k]
    assert (plate[open_here] >= room.clean[k][open_here] - 1e-6).all()
    assert (truth_plate(room, others)[0] <= plate + 1e-6).all()


@pytest.mark.parametrize("curve", CURVES)
def test_curves_go_there_and_back(curve):
    encode, decode = CURVES[curve]
    light = np.linspace(-0.005, 1.0, 500)
    np.testing.assert_allclose(decode(encode(light)), light, atol=2e-4)  # the published knees meet within this


@pytest.mark.parametrize("chroma", ["rgb", "444", "422", "420"])
def test_an_even_picture_survives_the_camera(chroma):
    light = np.full((16, 24, 3), [0.3, 0.1, 0.2])
    planes = expose(light, np.random.default_rng(1), noise=(0, 0), chroma=chroma)
    np.testing.assert_allclose(develop(planes), light, atol=1.5e-3)


def test_noise_has_the_variance_asked_for():
    # REFERENCE  variance = a * level + b; the standard error of a variance of 96 x 96 x 3 values is 0.9 %.
    light = np.full((96, 96, 3), 0.2)
    planes = expose(light, np.random.default_rng(2), noise=(1e-3, 1e-5), bits=12, curve="linear", chroma="rgb")
    assert develop(planes, bits=12, curve="linear").var() == pytest.approx(2.1e-4, rel=0.03)


def test_a_movie_holds_the_codes(tmp_path):
    av = pytest.importorskip("av")
    room = make_room(1, **SMALL, chroma="422")
    path = write_movie(room, tmp_path / "take.mkv", frames=range(4))
    with av.open(str(path)) as movie:
        frames = list(movie.decode(video=0))
    assert len(frames) == 4
    plane = frames[2].planes[1]
    codes = np.frombuffer(plane, np.uint16).reshape(plane.height, -1)[:, : plane.width]
    np.testing.assert_array_equal(codes, room.planes(2)[1])
