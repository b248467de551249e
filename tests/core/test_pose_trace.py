import numpy as np
import pytest
from made.camera import pose_matrix

from lightstack.core.register.pose_trace import find_movements, find_moving, find_still_span, list_spans, trace_poses
from lightstack.records import Registration, Stretch

SIZE = (1080, 1920)


def registration(poses, *, left_out=(), agreement=None):
    """One stretch for every run of equal poses; frames from 1."""
    stretches, start = [], 0
    for k in range(1, len(poses) + 1):
        if k == len(poses) or not np.array_equal(poses[k], poses[start]):
            pose = poses[start]
            stretches.append(Stretch(start + 1, k, pose, np.array_equal(pose, np.eye(3)), 0.0, 0.02, k - start))
            start = k
    seen = np.full(len(poses), 0.8, np.float32) if agreement is None else np.asarray(agreement, np.float32)
    return Registration("take", "euclidean", tuple(stretches), tuple(left_out), seen)


def trace(poses, **changes):
    return trace_poses(registration(poses, **changes), np.arange(1, len(poses) + 1), SIZE)


def still(count):
    return [np.eye(3)] * count


def test_traces_shift_turn_and_scale_by_construction():
    s = 1.001
    growth = np.array([[s, 0, 960 * (1 - s)], [0, s, 540 * (1 - s)], [0, 0, 1.0]])
    path = trace([*still(20), *[pose_matrix(SIZE, (3.0, -4.0), 0.1)] * 10, *[growth] * 5])
    assert path.shift_px[25] == pytest.approx([3, -4], abs=1e-9)
    assert path.turn_deg[25] == pytest.approx(0.1, abs=1e-9)
    assert path.scale[32] == pytest.approx(1.001, abs=1e-9)
    # half the diagonal of 1920 x 1080 is 1101.45 px
    assert path.corner_px[32] == pytest.approx(1.10145, abs=1e-4)
    assert path.held[[0, 25, 32]].tolist() == [20, 10, 5]


def test_home_is_where_the_camera_stood_longest():
    path = trace([*[pose_matrix(SIZE, (5, 0))] * 8, *still(30)])
    assert path.corner_px[:8] == pytest.approx(5)
    assert path.corner_px[8:].max() == 0


def test_a_jump_is_a_bump_and_many_steps_are_a_sag():
    (bump,) = find_movements(trace([*still(20), *[pose_matrix(SIZE, (1.5, 0))] * 20]))
    assert (bump.kind, bump.first, bump.last) == ("bump", 20, 21)
    assert bump.size_px == pytest.approx(1.5)
    (sag,) = find_movements(trace([pose_matrix(SIZE, (0, 0.05 * (k // 3))) for k in range(60)]))
    assert sag.kind == "sag"
    assert sag.size_px == pytest.approx(0.95)


def test_a_bump_that_rings_is_one():
    ring = [pose_matrix(SIZE, (2 * np.cos(2 * k), 0)) for k in range(8)]
    (bump,) = find_movements(trace([*still(30), *ring, *[pose_matrix(SIZE, (0.5, 0))] * 30]))
    assert bump.kind == "bump"
    assert bump.worst_px == pytest.approx(2, abs=0.1)


def test_smaller_steps_than_registration_can_vouch_for_are_none():
    assert find_movements(trace([*still(20), *[pose_matrix(SIZE, (0.15, 0))] * 20])) == ()
    assert find_movements(trace(still(1))) == ()


def test_the_longest_still_stretch():
    walk = [pose_matrix(SIZE, (0.5 * k, 0)) for k in range(20)]
    assert find_still_span(trace([*walk, *[walk[-1]] * 25, pose_matrix(SIZE, (20, 0))])) == (20, 45)


def test_moving_frames_move_more_than_a_pixel_in_a_quarter_second():
    fast = trace([*still(20), *[pose_matrix(SIZE, (0.5 * k, 0)) for k in range(20)]])
    moving = find_moving(fast)
    assert moving[25:37].all()
    assert not moving[:18].any()
    slow = trace([pose_matrix(SIZE, (0.1 * k, 0)) for k in range(60)])
    assert not find_moving(slow).any()


def test_frames_that_lost_the_picture_are_not_believed():
    agreement = [0.8] * 30 + [0.1] * 5 + [0.8] * 5
    path = trace(still(40), agreement=agreement, left_out=(3,))
    assert np.flatnonzero(~path.believed).tolist() == [2, *range(30, 35)]
    # lit frames agree less by themselves
    lit = np.arange(40) >= 20
    seen = registration(still(40), agreement=np.where(lit, 0.3, 0.9))
    assert trace_poses(seen, np.arange(1, 41), SIZE, lamp_on=lit).believed.all()


def test_lists_runs_of_marked_frames():
    marked = np.array([1, 1, 0, 1, 0, 1], bool)
    assert list_spans(np.arange(10, 16), marked) == ((10, 11), (13, 13), (15, 15))
