"""Registration under a moving lamp, on flat made walls (fast) and on one made room (slow, ray-traced)."""

from functools import lru_cache
from itertools import pairwise

import cv2
import numpy as np
import pytest
import skimage.data
from made.rooms import make_room
from skimage.registration import phase_cross_correlation

from lightstack.core.register.register import measure_pose, solve_take
from lightstack.core.warp import corner_shift_px
from lightstack.errors import MismatchedInput, SettingError
from lightstack.records import NoiseModel

SIZE = (144, 240)
NOISE = (2e-4, 2e-6)
MODEL = NoiseModel(np.full(3, NOISE[0]), np.full(3, NOISE[1]))


def pose_of(dx, dy, degrees=0.0, size=SIZE):
    height, width = size
    a = np.radians(degrees)
    turn = np.array([[np.cos(a), -np.sin(a), 0], [np.sin(a), np.cos(a), 0], [0, 0, 1.0]])
    middle = np.array([[1, 0, width / 2], [0, 1, height / 2], [0, 0, 1.0]])
    moved = middle.copy()
    moved[:2, 2] += dx, dy
    return moved @ turn @ np.linalg.inv(middle)


@lru_cache
def wall(seed):
    """A textured wall at three times the size, (3 H, 3 W, 3) reflectance: photographs and flat panels."""
    names = ("coffee", "astronaut", "chelsea", "rocket", "astronaut")
    picture = getattr(skimage.data, names[seed % len(names)])()[..., :3]
    picture = cv2.resize(picture, (SIZE[1] * 3, SIZE[0] * 3), interpolation=cv2.INTER_AREA).astype(np.float32)
    picture = 0.05 + 0.6 * (picture / 255) ** 2.2
    rng = np.random.default_rng(seed)
    for _ in range(6):  # plaster: places without texture
        y, x = rng.integers(0, SIZE[0] * 2), rng.integers(0, SIZE[1] * 2)
        picture[y : y + 80, x : x + 110] = rng.uniform(0.1, 0.5)
    return picture


def film(seed, index, count, *, pose=None, lit=True, gel=(0.5, 0.15, 1.0), noisy=True, ambient=0.02):
    """One frame: a weak even ambient, a lamp near the wall, the hard shadow of a post, a carrier, noise."""
    height, width = SIZE[0] * 3, SIZE[1] * 3
    y, x = np.mgrid[0:height, 0:width].astype(np.float32)
    light = ambient * (1.2 - 0.4 * x / width)[..., None] * np.array([1.0, 0.8, 0.55], np.float32)
    covered = np.zeros((height, width), bool)
    if lit:
        along = (index + 0.5) / count
        at = (width * along, height * (0.5 + 0.3 * np.sin(7 * along + seed)), 160.0)
        distance = (x - at[0]) ** 2 + (y - at[1]) ** 2 + at[2] ** 2
        shadow = np.abs(x - (0.5 * width + 0.4 * (0.5 * width - at[0]))) < 22
        fall = np.where(shadow, 0.15, 1.0) * at[2] ** 3 / distance**1.5
        light = light + 0.8 * fall[..., None] * np.array(gel, np.float32)
        covered = (np.abs(x - at[0] + 60) < 45) & (y > at[1] - 20)
    picture = np.where(covered[..., None], 0.002, wall(seed) * light).astype(np.float32)
    if pose is not None and not np.array_equal(pose, np.eye(3)):
        three = np.diag([3.0, 3.0, 1.0])
        half = np.array([[1, 0, 0.5], [0, 1, 0.5], [0, 0, 1.0]])
        index_pose = np.linalg.inv(half) @ three @ pose @ np.linalg.inv(three) @ half
        picture = cv2.warpPerspective(
            picture, index_pose, (width, height), flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT
        )
    picture = cv2.resize(np.minimum(picture, 1.0), SIZE[::-1], interpolation=cv2.INTER_AREA)
    if noisy:
        rng = np.random.default_rng([seed, index, int(lit)])
        spread = np.sqrt(NOISE[0] * np.maximum(picture, 0) + NOISE[1])
        picture = picture + rng.standard_normal(picture.shape, np.float32) * spread
    return picture.astype(np.float32)


def sweep(seed, count=36, lead=6, pose=lambda k: None, **looks):
    """A take: ``lead`` frames without the lamp, the lamp walking by, ``lead`` frames without."""
    lit = np.array([lead <= k < count - lead for k in range(count)])
    frames = [film(seed, k, count, pose=pose(k), lit=bool(lit[k]), **looks) for k in range(count)]
    return frames, lit


def solve(frames, lit, reference=None, **options):
    count = len(frames)
    options = {"factor": 1, "noise": MODEL, "lit": lit, "source_frames": np.arange(1, count + 1), **options}
    return solve_take(lambda i: frames[i], count, reference, **options)


def errors(registration, poses):
    """Worst-corner error of every frame, pixels."""
    return np.array(
        [
            corner_shift_px(registration.stretch_at(k + 1).matrix @ np.linalg.inv(pose), SIZE)
            for k, pose in enumerate(poses)
        ]
    )


# --- one picture against another ---------------------------------------------------------------------


@pytest.mark.parametrize(("shift", "degrees"), [((0.0, 0.0), 0.0), ((1.6, -2.3), 0.1), ((-21.0, 9.0), 0.8)])
def test_measure_pose_under_another_light(shift, degrees):
    pose = pose_of(*shift, degrees)
    dark = film(1, 0, 40, lit=False)
    lit = film(1, 22, 40, pose=pose)
    fit = measure_pose(dark, lit, noise=MODEL)
    assert fit.converged and fit.agreement > 0.4
    assert corner_shift_px(fit.matrix @ np.linalg.inv(pose), SIZE) < 0.15
    assert fit.standard_error_px < 0.1


def test_measure_pose_beats_correlation_of_luminance():
    # REFERENCE  skimage.registration.phase_cross_correlation on the same pictures, linear luminance.
    # TOLERANCE  ours within 0.1 px where the light moved; the outside judge within 0.1 px where it did not.
    pose = pose_of(1.3, -0.7)
    dark = film(2, 0, 40, lit=False, ambient=0.3)
    moved_dark = film(2, 1, 40, pose=pose, lit=False, ambient=0.3)
    judged, *_ = phase_cross_correlation(moved_dark.mean(-1), dark.mean(-1), upsample_factor=50)
    assert np.hypot(judged[1] - 1.3, judged[0] + 0.7) < 0.1
    same = measure_pose(dark, moved_dark, model="translation", noise=MODEL).matrix[:2, 2]
    assert np.hypot(same[0] - judged[1], same[1] - judged[0]) < 0.1
    lit = film(2, 20, 40, pose=pose)
    faint = film(2, 0, 40, lit=False)
    found = measure_pose(faint, lit, model="translation", noise=MODEL).matrix[:2, 2]
    plain, *_ = phase_cross_correlation(lit.mean(-1), faint.mean(-1), upsample_factor=50, normalization=None)
    ours, theirs = np.hypot(found[0] - 1.3, found[1] + 0.7), np.hypot(plain[1] - 1.3, plain[0] + 0.7)
    assert ours < 0.1 and ours < theirs


def test_measure_pose_agrees_with_the_library_fit_in_even_light():
    # REFERENCE  cv2.findTransformECC, MOTION_EUCLIDEAN (Evangelidis and Psarakis 2008), valid in even light.
    # TOLERANCE  0.05 px at the corners: both are sub-pixel fits of the same noisy pair.
    pose = pose_of(0.8, 0.45, 0.15)
    dark = film(0, 0, 40, lit=False, ambient=0.5)
    moved = film(0, 1, 40, pose=pose, lit=False, ambient=0.5)
    start = np.eye(2, 3, dtype=np.float32)
    code = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 200, 1e-7)
    _, found = cv2.findTransformECC(dark.mean(-1), moved.mean(-1), start, cv2.MOTION_EUCLIDEAN, code, None, 5)
    half = np.array([[1, 0, 0.5], [0, 1, 0.5], [0, 0, 1.0]])
    judged = half @ np.vstack([found, [0, 0, 1]]) @ np.linalg.inv(half)
    ours = measure_pose(dark, moved, noise=MODEL).matrix
    assert corner_shift_px(ours @ np.linalg.inv(judged), SIZE) < 0.05


def test_measure_pose_does_not_throw_where_nothing_matches():
    rng = np.random.default_rng(0)
    flat = np.full((*SIZE, 3), 0.2, np.float32)
    noise = rng.random((*SIZE, 3), np.float32)
    bad = np.full((*SIZE, 3), np.nan, np.float32)
    wall_light = film(1, 3, 40)
    for one, two in (
        (flat, flat),
        (wall_light, flat),
        (wall_light, noise),
        (wall_light, bad),
        (flat * 0, noise),
    ):
        fit = measure_pose(one, two)
        assert not fit.converged and np.isfinite(fit.matrix).all()


def test_measure_pose_without_a_start_and_with_a_mask():
    pose = pose_of(0.9, 0.4)
    dark, lit = film(3, 0, 40, lit=False), film(3, 12, 40, pose=pose)
    lit[:, 120:] = np.random.default_rng(1).random((SIZE[0], 120, 3))
    mask = np.zeros(SIZE, bool)
    mask[:, :118] = True
    fit = measure_pose(dark, lit, model="translation", mask=mask, start=np.eye(3), noise=MODEL)
    assert corner_shift_px(fit.matrix @ np.linalg.inv(pose), SIZE) < 0.1


@pytest.mark.parametrize("factor", [1, 3])
def test_measure_pose_counts_full_size_pixels(factor):
    dark, lit = film(0, 0, 40, lit=False), film(0, 9, 40, pose=pose_of(0.5, -0.25))
    fit = measure_pose(dark, lit, model="translation", factor=factor, noise=MODEL)
    np.testing.assert_allclose(fit.matrix[:2, 2], [0.5 * factor, -0.25 * factor], atol=0.06 * factor)


def test_measure_pose_is_the_same_for_brighter_and_recoloured_light():
    pose = pose_of(0.7, 0.3)
    dark = film(4, 0, 40, lit=False, noisy=False)
    first = measure_pose(dark, film(4, 9, 40, pose=pose, noisy=False))
    second = measure_pose(dark, 0.5 * film(4, 9, 40, pose=pose, noisy=False))
    assert corner_shift_px(first.matrix @ np.linalg.inv(second.matrix), SIZE) < 0.02


def test_measure_pose_refuses_what_it_cannot_mean():
    with pytest.raises(SettingError, match="translation"):
        measure_pose(np.ones(SIZE), np.ones(SIZE), model="rigid")
    with pytest.raises(MismatchedInput, match="240"):
        measure_pose(np.ones(SIZE), np.ones((10, 10)))


# --- whole takes ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(5))
def test_a_still_noisy_sweep_is_never_resampled(seed):
    frames, lit = sweep(seed, count=30, lead=5)
    hero = np.mean([film(seed, 900 + k, 1000, lit=False) for k in range(8)], axis=0)
    registration = solve(frames, lit, hero, reference_frames=8)
    assert [stretch.identity for stretch in registration.stretches] == [True]
    assert all(np.array_equal(s.matrix, np.eye(3)) for s in registration.stretches)
    assert registration.left_out == ()


@pytest.mark.parametrize("seed", [1, 4])
def test_a_bump_of_a_tenth_of_a_pixel_is_corrected(seed):
    poses = [pose_of(0.08, -0.06) if k >= 20 else np.eye(3) for k in range(40)]
    frames, lit = sweep(seed, count=40, pose=lambda k: poses[k])
    registration = solve(frames, lit)
    shares = [s.identity for s in registration.stretches]
    assert len(shares) == 2 and sorted(shares) == [False, True]
    assert abs(registration.stretches[0].last - 20) <= 1
    step = registration.stretches[1].matrix @ np.linalg.inv(registration.stretches[0].matrix)
    assert corner_shift_px(step @ np.linalg.inv(poses[-1]), SIZE) < 0.03


def test_bump_turn_and_offset_between_takes():
    offset = pose_of(-0.9, 0.8)
    bump = pose_of(1.5, 2.0, 0.1) @ offset
    poses = [bump if k >= 22 else offset for k in range(40)]
    frames, lit = sweep(2, count=40, pose=lambda k: poses[k])
    hero = np.mean([film(2, 700 + k, 1000, lit=False) for k in range(8)], axis=0)
    hero[30:140, 150:200] = np.random.default_rng(2).random((110, 50, 3)) * 0.05  # somebody in the way
    registration = solve(frames, lit, hero, reference_frames=8)
    wrong = errors(registration, poses)
    assert registration.model == "euclidean"
    assert np.median(wrong) < 0.05 and wrong.max() < 0.15
    assert registration.left_out == ()


def test_up_and_back_gives_the_first_pose_again():
    poses = [pose_of(0.6, 0.3) if 14 <= k < 27 else np.eye(3) for k in range(40)]
    frames, lit = sweep(1, count=40, pose=lambda k: poses[k])
    registration = solve(frames, lit)
    assert [s.identity for s in registration.stretches] == [True, False, True]
    assert errors(registration, poses).max() < 0.06


def test_a_jolt_of_one_frame_gets_its_own_pose_or_is_left_out():
    poses = [pose_of(1.0, -0.6) if k == 18 else np.eye(3) for k in range(36)]
    frames, lit = sweep(0, pose=lambda k: poses[k])
    registration = solve(frames, lit)
    wrong = errors(registration, poses)
    if 19 not in registration.left_out:
        assert wrong[18] < 0.15
    assert np.delete(wrong, 18).max() == 0
    assert set(registration.left_out) <= {19}


def test_a_slow_sag_becomes_short_stretches():
    poses = [pose_of(0.3 * k / 40, 0.8 * k / 40) for k in range(40)]
    frames, lit = sweep(1, count=40, pose=lambda k: poses[k])
    hero = np.mean([film(1, 700 + k, 1000, lit=False) for k in range(8)], axis=0)
    registration = solve(frames, lit, hero, reference_frames=8)
    assert len(registration.stretches) > 4
    assert errors(registration, poses).max() < 0.15


def test_a_knock_of_many_pixels_is_found_again():
    poses = [pose_of(13, -8, 0.7) if k >= 20 else np.eye(3) for k in range(36)]
    frames, lit = sweep(4, pose=lambda k: poses[k])
    registration = solve(frames, lit)
    step = registration.stretches[-1].matrix @ np.linalg.inv(registration.stretches[0].matrix)
    assert corner_shift_px(step @ np.linalg.inv(poses[-1]), SIZE) < 0.1


def test_lamp_never_off_and_unknown():
    poses = [pose_of(-0.7, 0.5) if k >= 15 else np.eye(3) for k in range(30)]
    frames, _ = sweep(1, count=30, lead=0, pose=lambda k: poses[k])
    registration = solve(frames, None)
    step = registration.stretch_at(30).matrix @ np.linalg.inv(registration.stretch_at(1).matrix)
    assert corner_shift_px(step @ np.linalg.inv(poses[-1]), SIZE) < 0.1


def test_half_float_frames_and_repeated_runs_give_the_same_bytes():
    frames, lit = sweep(2, count=20, lead=4, pose=lambda k: pose_of(0.5, 0.2) if k >= 9 else None)
    half = [frame.astype(np.float16) for frame in frames]
    one, two = solve(half, lit), solve([frame.astype(np.float32) for frame in half], lit)
    assert [s.matrix.tobytes() for s in one.stretches] == [s.matrix.tobytes() for s in two.stretches]


@pytest.mark.parametrize("model", ["none", "translation", "euclidean", "affine", "homography"])
def test_every_model_solves_a_shift(model):
    frames, lit = sweep(0, count=16, lead=4, pose=lambda k: pose_of(0.8, 0.4) if k >= 8 else None)
    registration = solve(frames, lit, model=model)
    assert registration.model == model
    if model == "none":
        assert [s.identity for s in registration.stretches] == [True]
    else:
        step = registration.stretches[-1].matrix @ np.linalg.inv(registration.stretches[0].matrix)
        assert corner_shift_px(step @ np.linalg.inv(pose_of(0.8, 0.4)), SIZE) < 0.15


@pytest.mark.parametrize("shape", [(1, 1, 3), (5, 300, 3), (18, 18)])
def test_pictures_too_small_to_measure_are_taken_as_still(shape):
    registration = solve_take(
        lambda i: np.ones(shape, np.float32), 3, None, source_frames=[7, 8, 9], factor=1, noise=None
    )
    assert [(s.first, s.last, s.identity) for s in registration.stretches] == [(7, 9, True)]


def test_frames_without_any_texture_are_taken_as_still():
    flat = [np.full((72, 120, 3), level, np.float32) for level in (0.1, 0.2, 0.0, 0.1, 0.1)]
    registration = solve_take(
        lambda i: flat[i], 5, flat[0], source_frames=range(1, 6), factor=2, noise=None, lit=np.ones(5, bool)
    )
    assert all(s.identity for s in registration.stretches)


def test_stretches_cover_the_take_and_bad_input_is_refused():
    frames, lit = sweep(0, count=12, lead=3, pose=lambda k: pose_of(2.0, 0.0) if k >= 6 else None)
    registration = solve(frames, lit, source_frames=np.arange(101, 113))
    spans = [(s.first, s.last) for s in registration.stretches]
    assert spans[0][0] == 101 and spans[-1][1] == 112
    assert all(one[1] + 1 == two[0] for one, two in pairwise(spans))
    with pytest.raises(SettingError, match="auto"):
        solve(frames, lit, model="rubber")
    with pytest.raises(MismatchedInput, match="origin"):
        solve(frames, lit, np.ones((10, 10, 3), np.float32))
    with pytest.raises(MismatchedInput, match="numbers"):
        solve(frames, lit, source_frames=[1, 2])


def test_made_room_bump_and_turn():
    room = make_room(1, size=(135, 240), frames=44, lead=8)
    frames = [room.filmed(k) for k in range(len(room))]
    noise = NoiseModel(np.full(3, room.noise[0]), np.full(3, room.noise[1]))
    registration = solve_take(
        lambda i: frames[i],
        len(room),
        room.ambient.astype(np.float32),
        source_frames=np.arange(1, len(room) + 1),
        factor=1,
        noise=noise,
        lit=room.lamp_on,
    )
    wrong = np.array(
        [
            corner_shift_px(registration.stretch_at(k + 1).matrix @ np.linalg.inv(room.poses[k]), room.size)
            for k in np.flatnonzero(room.lamp_on)
        ]
    )
    left = np.isin(np.flatnonzero(room.lamp_on) + 1, registration.left_out)
    assert np.median(wrong) <= 0.05 and wrong.max() <= 0.15 and left.mean() <= 0.05


def test_a_room_that_is_black_without_the_lamp():
    poses = [pose_of(0.7, -0.5) if k >= 18 else np.eye(3) for k in range(36)]
    frames, lit = sweep(1, pose=lambda k: poses[k], ambient=1e-5)
    registration = solve(frames, lit)
    step = registration.stretch_at(30).matrix @ np.linalg.inv(registration.stretch_at(10).matrix)
    assert corner_shift_px(step @ np.linalg.inv(poses[-1]), SIZE) < 0.15


def test_an_origin_that_shows_something_else_is_admitted():
    frames, lit = sweep(1, count=16, lead=4)
    registration = solve(frames, lit, np.random.default_rng(0).random((*SIZE, 3), np.float32))
    assert all(s.identity and np.isinf(s.standard_error_px) for s in registration.stretches)


@pytest.mark.parametrize("scale", [0.1, 10.0, None])
def test_a_wrong_noise_model_does_little_harm(scale):
    poses = [pose_of(0.5, 0.4) if k >= 18 else np.eye(3) for k in range(36)]
    frames, lit = sweep(4, pose=lambda k: poses[k])
    noise = None if scale is None else NoiseModel(MODEL.a * scale, MODEL.b * scale)
    registration = solve(frames, lit, noise=noise)
    step = registration.stretch_at(36).matrix @ np.linalg.inv(registration.stretch_at(1).matrix)
    assert corner_shift_px(step @ np.linalg.inv(poses[-1]), SIZE) < 0.08
    assert len(registration.stretches) == 2
