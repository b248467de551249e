"""Whether noise lives in a take at all."""

import numpy as np
import pytest
from core_helpers import pack_proxies

from lightstack.core.check.compression import check_compression, gather_traces
from lightstack.core.check.noise_check import check_noise, gather_noise
from lightstack.core.check.noiseless import is_noiseless
from lightstack.core.check.timing import check_timing

SIZE, FRAMES = (64, 96), 48


def film(seed, *, noise=0.0, moves=True, rests=()):
    """A textured set before which a textured body goes by, resting in the frames ``rests``; noise comes on top."""
    rng = np.random.default_rng(seed)
    scene, body = rng.uniform(0.1, 0.5, (*SIZE, 3)), rng.uniform(0.1, 0.5, (40, 12, 3))
    frames, at = np.repeat(scene[None], FRAMES, axis=0), 0
    for k in range(FRAMES if moves else 0):
        at += 0 if k in rests else 1
        frames[k, 20:60, at : at + 12] = body
    return frames + noise * rng.standard_normal(frames.shape)


def pack(rgb):
    """A survey that knows which frames equal the one before, bit for bit."""
    proxies = pack_proxies(rgb)
    proxies.duplicate[1:] = [np.array_equal(a, b) for a, b in zip(proxies.rgb[1:], proxies.rgb[:-1], strict=True)]
    return proxies


def judge_time(proxies, **options):
    frames = np.asarray(proxies.rgb, np.float32)
    change = np.r_[0.0, np.abs(np.diff(frames, axis=0)).mean(axis=(1, 2, 3))]
    return check_timing(np.arange(FRAMES) / 24, proxies.duplicate, rate=24, change=change, **options)


@pytest.mark.parametrize("moves", [True, False])
def test_a_render_is_no_fault(moves):
    proxies = pack(film(1, moves=moves, rests=(*range(14), *range(34, 48))))
    assert is_noiseless(proxies)
    assert check_noise(gather_noise(proxies), noiseless=True).grade == "good"
    assert check_compression(gather_traces(proxies), noiseless=True).grade == ("good" if moves else "not checked")
    timing = judge_time(proxies, noiseless=True)
    assert timing.grade == "good"
    assert f"{28 - 1 if moves else FRAMES - 1} of 48 frames equal" in timing.says and "no noise" in timing.says


def test_frames_that_a_render_repeats_are_still_found():
    rgb = film(2)
    rgb[20] = rgb[19]
    proxies = pack(rgb)
    assert is_noiseless(proxies)
    assert judge_time(proxies, noiseless=True).frames == ((21, 21),)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_noise_lives(seed):
    assert not is_noiseless(pack(film(seed, noise=0.003)))
    repeated = film(seed, noise=0.003)
    repeated[10:30] = repeated[9]  # a recorder that stands still for a while
    assert not is_noiseless(pack(repeated))


@pytest.mark.parametrize(("share", "group"), [(0.8, 12), (1.0, 12), (0.8, 48)])
def test_blocks_that_a_codec_leaves_standing_are_no_render(share, group):
    rgb = film(4, noise=0.003)
    for k in range(1, FRAMES):
        if k % group:
            rgb[k, :, : int(share * 96)] = rgb[k - 1, :, : int(share * 96)]
    proxies = pack(rgb)
    if share < 1:
        assert not is_noiseless(proxies)
    else:  # then every frame but the renewed ones repeats, noise and all
        assert judge_time(proxies, noiseless=is_noiseless(proxies)).grade != "good"
