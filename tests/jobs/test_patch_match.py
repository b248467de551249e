"""Matching patches at survey size, on plain arrays."""

from pathlib import Path

import numpy as np
import pytest
from jobs_helpers import NOISE

from lightstack.files.shot.shotfile import parse_shot
from lightstack.jobs.patch.masks import MaskMaker
from lightstack.jobs.patch.match import (
    HeroFrames,
    draw_rings,
    find_still_part,
    match_patch,
    ring_width,
    shrink_to,
)
from lightstack.jobs.patch.source import PatchSource
from lightstack.records import PatchLight, ProxyTake, Registration, Stretch

SIZE, FRAMES = (60, 80), 16
GAINS = np.array([1.5, 1.25, 0.8])
TEXT = '[takes.hero]\npath = "h.mov"\n[[patch]]\nname = "lamp"\nfrom = "a.exr"\n'
BOX = "[[patch.shape]]\npolygon = [[30, 20], [50, 20], [50, 40], [30, 40]]"


@pytest.fixture
def room():
    return np.random.default_rng(0).uniform(0.05, 0.5, (*SIZE, 3)).astype(np.float32)


def film(room, gains, *, passer=False):
    rng = np.random.default_rng(1)
    frames = []
    for k in range(FRAMES):
        light = room * gains[k]
        if passer and 4 <= k < 8:
            light[:, 12 * (k - 3) : 12 * (k - 3) + 14] = 0.01
        frames.append(light + rng.standard_normal(light.shape) * NOISE.sigma(light))
    rgb = np.array(frames, np.float16)
    none = np.zeros(rgb.shape[:3], np.uint8)
    stretch = Stretch(1, FRAMES, np.eye(3), True, 0.0, 0.01, FRAMES)
    numbers = np.arange(1, FRAMES + 1)
    proxies = ProxyTake("hero", rgb, none, numbers, numbers / 24, 1, SIZE, NOISE, NOISE, np.zeros(FRAMES, bool))
    return HeroFrames(proxies, Registration("hero", "none", (stretch,)), 1000)


def make(text=BOX):
    settings = parse_shot(TEXT + text, Path("x/shot.toml"))
    return MaskMaker(settings.patch[0], settings, frames=(1001, 1000 + FRAMES), size=SIZE, pose_at=lambda _: np.eye(3))


def source(room):
    return PatchSource(PatchLight(room, np.ones(SIZE, bool)), np.zeros(SIZE, bool), 16, 16)


def test_whoever_passes_is_not_in_the_still_part(room):
    hero = film(room, np.ones(FRAMES), passer=True)
    still, share = find_still_part(hero, range(FRAMES))
    assert share.min() == 1
    # TOLERANCE  the median of 16 frames: 1.25 / 4 of one frame's noise, 5 sigma of that.
    assert np.all(np.abs(still - room) < 5 * 0.32 * NOISE.sigma(room) + 2e-4)


def test_gains_are_found_though_somebody_passes(room):
    match, numbers = match_patch(make(), film(room, [GAINS] * FRAMES, passer=True), source(room), index=0)
    # TOLERANCE  0.01 stop.
    np.testing.assert_allclose(numbers.even, np.log2(GAINS), atol=0.01)
    assert match.matched and match.first_frame == 1001 and len(match.changes) == FRAMES
    assert np.abs(match.changes).max() < 0.01 and numbers.step_sigma < 0.3


def test_flicker_is_followed(room):
    beat = 1 + 0.08 * np.sin(np.arange(FRAMES))
    match, _ = match_patch(make(), film(room, beat[:, None] * GAINS), source(room), index=0)
    follows = match.changes.mean(axis=1) - match.changes.mean()
    # TOLERANCE  a hundredth of a stop in the mean, of 0.11 that it beats.
    assert np.abs(follows - (np.log2(beat) - np.log2(beat).mean())).mean() < 0.012


def test_nothing_is_matched_when_nothing_is_to_be_or_all_is_dark(room):
    off, _ = match_patch(make('match = "off"\n' + BOX), film(room, [GAINS] * FRAMES), source(room), index=0)
    assert not off.matched and not off.changes.any()
    dark, numbers = match_patch(make(), film(room * 1e-4, [GAINS] * FRAMES), source(room * 1e-4), index=0)
    assert not dark.matched and np.isnan(numbers.even).all()


def test_a_mask_that_stands_still_has_one_ring():
    rings = list(draw_rings(make(), range(1001, 1006), 1))
    assert len({id(ring) for _, ring, _ in rings}) == 1 and all(drawn for _, _, drawn in rings)
    assert ring_width((360, 640)) == 8 and ring_width(SIZE) == 4


def test_pictures_shrink_to_survey_size():
    picture = np.arange(7 * 9 * 3, dtype=np.float32).reshape(7, 9, 3)
    small = shrink_to(picture, (3, 4))
    np.testing.assert_allclose(small[1, 2], picture[2:4, 4:6].mean(axis=(0, 1)))
