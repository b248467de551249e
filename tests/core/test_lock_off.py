import numpy as np
import pytest
from framing_helpers import figure, proxy_of, register
from made import faults_framing, make_room, proxy_arrays
from made.faults_framing import FaultyTake

from lightstack.core.check.lock_off import LockEvidence, check_lock_off, gather_evidence, measure_wander
from lightstack.records import Registration, Stretch


def judge(take, *, lit=None, factor=3):
    proxies = proxy_of(take, factor=factor)
    registration = register(proxies, lit=lit)
    evidence = gather_evidence(proxies, registration, lamp_on=lit)
    return check_lock_off(
        registration,
        proxies.source_frames,
        size=proxies.full_size,
        seconds=proxies.seconds,
        lamp_on=lit,
        evidence=evidence,
    )


SMALL = {"size": (180, 320), "count": 48}


@pytest.mark.parametrize("seed", [1, 5])
def test_a_camera_that_stands_still_is_good(seed):
    finding = judge(faults_framing.steady(seed, size=(180, 320), count=30))
    assert finding.grade == "good"
    assert "stood still" in finding.says


@pytest.mark.parametrize("noise", [(1e-3, 2e-5)])
def test_noise_is_no_movement(noise):
    assert judge(faults_framing.steady(4, size=(180, 320), count=30, noise=noise)).grade == "good"


@pytest.mark.parametrize(("shift", "turn_deg"), [((0.5, -0.3), 0.0), ((1.5, -0.8), 0.05)])
def test_a_bump_is_found_with_its_size_and_frame(shift, turn_deg):
    finding = judge(faults_framing.bump(3, at=20, shift=shift, turn_deg=turn_deg, **SMALL))
    h, w = SMALL["size"]
    corner = np.array([w / 2, h / 2])
    true = 3 * max(
        np.hypot(*(np.asarray(shift) + np.radians(turn_deg) * np.array([-y, x])))
        for x in (-corner[0], corner[0])
        for y in (-corner[1], corner[1])
    )
    assert finding.grade == "usable"
    # TOLERANCE  0.15 px of the full picture at its worst corner (what registration promises), by the survey's factor
    assert figure(finding, "largest bump") == pytest.approx(true, abs=0.15)
    assert "frame 21" in finding.says
    assert finding.remedy


def test_a_ringing_bump_names_the_frames_to_cut():
    finding = judge(faults_framing.bump(3, at=20, ring=6, **SMALL))
    assert finding.grade == "usable"
    (first, last), *_ = finding.frames
    assert 21 <= first <= 22
    assert 23 <= last <= 27


def test_a_sag_is_told_from_a_bump():
    finding = judge(faults_framing.sag(2, drop=(0.1, 0.5), size=(180, 320), count=60))
    assert finding.grade == "usable"
    assert figure(finding, "sag") == pytest.approx(3 * np.hypot(0.1, 0.5), abs=0.3)
    assert figure(finding, "bumps") == 0
    assert "sag" in finding.says


def test_a_camera_in_the_hand_is_not_locked_off_and_its_still_stretch_is_named():
    finding = judge(faults_framing.handheld(3, size=(180, 320), sway=1.0, still=25, count=60))
    assert finding.grade == "reshoot"
    assert finding.says.startswith("Not locked-off")
    assert "frames 1–2" in finding.says  # 1 to 25 or 26
    assert finding.frames[-1][1] == 60


def test_parallax_is_told_from_a_turn():
    finding = judge(faults_framing.parallax(3, step=(0.05, 0.02, 0.0)))
    assert finding.grade == "reshoot"
    assert "near and far" in finding.says


def test_a_sweep_is_judged_under_its_moving_light():
    room = make_room(1, bump_px=0, turn_deg=0)
    rgb, _, _ = proxy_arrays(room)
    finding = judge(FaultyTake(rgb, room.poses), lit=room.lamp_on)
    assert finding.grade == "good"
    knocked = make_room(1)
    rgb, _, _ = proxy_arrays(knocked)
    finding = judge(FaultyTake(rgb, knocked.poses), lit=knocked.lamp_on)
    assert finding.grade == "usable"
    assert figure(finding, "bumps") == 1


def test_a_picture_without_texture_is_not_checked():
    stretch = Stretch(1, 10, np.eye(3), True, 0.0, 0.0, 10)
    finding = check_lock_off(Registration("take", "none", (stretch,)), range(1, 11), size=(90, 160))
    assert finding.grade == "not checked"


def test_large_movements_and_lost_frames_are_graded():
    def told(shift, left_out=()):
        stretches = (
            Stretch(1, 50, np.eye(3), True, 0.0, 0.02, 50),
            Stretch(51, 100, np.array([[1, 0, shift], [0, 1, 0], [0, 0, 1.0]]), shift == 0, shift, 0.02, 50),
        )
        registration = Registration("take", "translation", stretches, tuple(left_out), np.full(100, 0.8, np.float32))
        return check_lock_off(registration, range(1, 101), size=(1080, 1920)).grade

    assert [told(0.0), told(0.1), told(0.5), told(25.0)] == ["good", "good", "usable", "reshoot"]
    assert [told(0.0, range(1, 11)), told(0.0, range(1, 50))] == ["usable", "reshoot"]


def test_evidence_alone_makes_a_camera_carried():
    stretch = Stretch(1, 50, np.eye(3), True, 0.0, 0.02, 50)
    registration = Registration("take", "translation", (stretch,), (), np.full(50, 0.1, np.float32))
    lost = LockEvidence(wander_px=30.0)
    finding = check_lock_off(registration, range(1, 51), size=(1080, 1920), evidence=lost)
    assert finding.grade == "reshoot"
    assert "no stretch stands still" in finding.says


def test_wander_is_the_movement_in_a_quarter_second():
    poses = np.stack([np.array([[1, 0, 0.5 * k], [0, 1, 0], [0, 0, 1.0]]) for k in range(40)])
    take = faults_framing.film_path(2, poses, size=(180, 320))
    # six frames of 0.5 survey pixels of three full-size pixels
    assert measure_wander(proxy_of(take), pairs=5) == pytest.approx(9.0, abs=0.5)
    assert measure_wander(proxy_of(faults_framing.steady(2, count=20, size=(180, 320))), pairs=5) < 0.2
