"""The ambient is the mean of unlit frames, put back where the hero stands, without whoever walks by."""

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from jobs_helpers import NOISE, fit, noisy, shift_by, stand_still

from lightstack.jobs.takes.ambient import MOST_FRAMES, average_ambient, pair_frames, pick_frames
from lightstack.records import Registration, Stretch

SIZE = (48, 64)


def room(seed=3):
    return np.random.default_rng(seed).uniform(0.05, 0.5, (*SIZE, 3)).astype(np.float32)


@given(st.integers(1, 400), st.integers(1, 60), st.one_of(st.none(), st.integers(0, 500)))
def test_picked_frames_are_ascending_distinct_and_never_too_many(count, most, first_needed):
    frames = list(range(7, 7 + count))
    picked = pick_frames(frames, first_needed, most=most if most > 1 else 2)
    assert picked and len(picked) <= max(most, 2)
    assert picked == sorted(set(picked)) and set(picked) <= set(frames)


def test_frames_before_the_first_key_are_preferred_when_they_are_many():
    frames = [*range(1, 31), *range(100, 131)]
    assert pick_frames(frames, 50) == list(range(1, 31))
    assert len(pick_frames(frames, 10)) == MOST_FRAMES  # nine are too few: the later ones too


def test_the_mean_is_the_room_and_noise_falls_with_the_number(silence):
    frames = noisy(room(), 16)
    fitted = fit(frames)
    found = average_ambient(fitted, range(1, 17), stand_still(1, 16), passers={}, progress=silence)
    np.testing.assert_allclose(found.light, np.mean(frames, axis=0, dtype=np.float64), atol=1e-6)
    assert found.inside.all() and found.source == "take" and found.frames == tuple(range(1, 17))
    # REFERENCE  the noise that was put in; the mean of n frames has 1 / sqrt(n) of it.
    # TOLERANCE  10 % from 9216 values; the sample minus a mean that it is part of: sqrt(1 - 1 / n).
    sigma = NOISE.sigma(room())
    assert np.std((found.light - room()) / sigma) == pytest.approx(1 / 4, rel=0.1)
    assert np.std(found.sample / sigma) == pytest.approx(np.sqrt(1 - 1 / 16), rel=0.1)


@pytest.mark.parametrize("spacing", [1, 5])
def test_noise_is_measured_also_from_frames_that_lie_apart(silence, spacing):
    level = np.broadcast_to(np.linspace(0.02, 0.6, SIZE[1], dtype=np.float32)[None, :, None], (*SIZE, 3))
    frames = noisy(level, 60)
    picked = range(1, 61, spacing)
    found = average_ambient(fit(frames), picked, stand_still(1, 60), passers={}, progress=silence)
    # REFERENCE  the noise that was put in.  TOLERANCE  15 % from a dozen pairs of a small picture.
    np.testing.assert_allclose(found.noise.sigma(np.float32([0.3] * 3)), NOISE.sigma(np.float32([0.3] * 3)), rtol=0.15)


def test_noise_that_a_codec_holds_from_frame_to_frame_is_measured_whole(silence):
    level = np.broadcast_to(np.linspace(0.02, 0.6, SIZE[1], dtype=np.float32)[None, :, None], (*SIZE, 3))
    rng, sigma = np.random.default_rng(9), NOISE.sigma(level)
    frames, held = [], rng.standard_normal((*SIZE, 3))
    for _ in range(48):
        held = 0.9 * held + np.sqrt(1 - 0.9**2) * rng.standard_normal(held.shape)
        frames.append(np.asarray(level + sigma * held, np.float32))
    found = average_ambient(fit(frames), range(1, 49), stand_still(1, 48), passers={}, progress=silence)
    for light in (0.1, 0.5):  # REFERENCE  the noise that was put in.  TOLERANCE  as above; neighbours show 0.3 of it.
        np.testing.assert_allclose(found.noise.sigma(np.float32([light] * 3)), NOISE.sigma(np.float32([light] * 3)),
                                   rtol=0.15)  # fmt: skip


def test_somebody_in_the_first_frames_does_not_count_as_noise(silence):
    frames, body = noisy(room(), 48), np.zeros(SIZE, bool)
    body[10:40, 20:50] = True
    for frame in frames[:3]:
        frame[body] = 0.01
    found = average_ambient(
        fit(frames), range(1, 49), stand_still(1, 48), passers=dict.fromkeys((1, 2, 3), body), progress=silence
    )
    level = np.float32([0.3] * 3)
    # REFERENCE  the noise that was put in.  TOLERANCE  twelve pairs of small pictures.
    np.testing.assert_allclose(found.noise.sigma(level), NOISE.sigma(level), rtol=0.15)


@example([1, 2, *range(69, 91)], 1)
@example([1, 2, *range(900, 920)], 1)
@example([1, 2], 1)
@given(st.lists(st.integers(1, 90), min_size=1, max_size=60, unique=True), st.integers(1, 100))
def test_noise_is_measured_by_few_pairs_of_one_stretch_as_far_apart_as_can_be(numbers, knock):
    frames = sorted(numbers)
    stretches = [1 if n < knock else knock for n in frames]
    pairs = pair_frames(frames, stretches)
    assert len(pairs) <= 12 and not set(pairs) & set(pairs.values())
    for late, first in pairs.items():
        assert first < late and stretches[first] == stretches[late]
        own = [n for n, stretch in zip(frames, stretches, strict=True) if stretch == stretches[late]]
        assert frames[late] - frames[first] >= max(1, min(24, (own[-1] - own[0] + 1) // 2))
    assert len(set(pairs.values())) <= 6 * len(set(stretches))
    assert pairs or max(stretches.count(s) for s in stretches) < 2


def test_a_moved_stretch_is_put_back(silence):
    # A smooth picture, so that the interpolation is not what is tested.
    y, x = np.mgrid[: SIZE[0], : SIZE[1]] + 0.5
    def scene(dx):
        light = 0.3 + 0.1 * np.sin((x - dx) / 7) * np.cos(y / 9)
        return np.repeat(light[..., None], 3, -1).astype(np.float32)
    pictures = noisy(scene(0), 4) + noisy(scene(2.5), 4, seed=1)
    stretches = (
        Stretch(1, 4, np.eye(3), True, 0.0, 0.01, 4),
        Stretch(5, 8, shift_by(2.5, 0), False, 2.5, 0.01, 4),
    )
    registration = Registration("take", "translation", stretches)
    found = average_ambient(fit(pictures), range(1, 9), registration, passers={}, progress=silence)
    error = (found.light - scene(0)) / NOISE.sigma(scene(0))
    assert np.sqrt((error[:, 8:-8] ** 2).mean()) < 1.15 / np.sqrt(8)
    assert found.inside.all()  # the unmoved stretch saw what the moved one did not


def test_a_passer_by_is_left_out_and_who_hides_all_the_time_is_unknown(silence):
    frames = noisy(room(), 4)
    body = np.zeros(SIZE, bool)
    body[10:30, 20:40] = True
    for frame in frames[:2]:
        frame[body] = 0.9
    found = average_ambient(fit(frames), [1, 2, 3, 4], stand_still(1, 4), passers={1: body, 2: body}, progress=silence)
    np.testing.assert_allclose(found.light[body], np.mean(frames[2:], 0)[body], atol=1e-6)
    assert found.inside.all()
    always = dict.fromkeys((1, 2, 3, 4), body)
    hidden = average_ambient(fit(frames), [1, 2, 3, 4], stand_still(1, 4), passers=always, progress=silence)
    assert not hidden.inside[12:28, 22:38].any() and hidden.inside[40:, 50:].all()
