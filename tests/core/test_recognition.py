"""The set shows by its texture under any light; a plain body does not."""

import cv2
import numpy as np
import pytest

from lightstack.core.regions import disc
from lightstack.core.sweep.recognition import SetGauge, usual_light
from lightstack.records import NoiseModel

NOISE = NoiseModel(np.full(3, 1e-4), np.full(3, 1e-6))
SIZE = (90, 120)
OPEN = np.zeros(SIZE, np.uint8)
NONE_CLIPPED = (OPEN, OPEN, OPEN)
GEL = np.float32([0.6, 0.2, 1.0])


def wallpaper(seed=1, contrast=0.35):
    """Reflectance with texture at two pixels, (h, w) float32."""
    grain = cv2.GaussianBlur(np.random.default_rng(seed).standard_normal(SIZE).astype(np.float32), (0, 0), 1.2)
    return (0.4 * np.exp(contrast * grain / grain.std())).astype(np.float32)


def lamp(x, y, strength=0.5):
    rows, columns = np.mgrid[: SIZE[0], : SIZE[1]]
    return (strength / (1 + ((columns - x) ** 2 + (rows - y) ** 2) / 900)).astype(np.float32)


def filmed(light, seed=5):
    return light + NOISE.sigma(np.maximum(light, 0)) * np.random.default_rng(seed).standard_normal(light.shape)


@pytest.fixture
def den():
    ambient = np.repeat((0.06 * wallpaper())[..., None], 3, -1)
    return SetGauge([ambient.mean(-1)], ambient, NOISE), (wallpaper() * lamp(60, 40))[..., None] * GEL


def test_the_lit_set_is_recognised_however_strongly_it_is_lit(den):
    gauge, light = den
    for strength in (0.3, 1.0, 8.0):
        found = gauge.recognise(np.float32(filmed(light * strength)), OPEN, NONE_CLIPPED)
        assert found[10:-10, 10:-10].mean() > 0.9


def test_a_plain_body_in_front_of_it_is_not(den):
    gauge, light = den
    body = np.zeros(SIZE, bool)
    body[20:70, 40:80] = True
    light = np.where(body[..., None], 0.2 * lamp(60, 40)[..., None] * GEL, light)
    found = gauge.recognise(np.float32(filmed(light)), OPEN, NONE_CLIPPED)
    inner = cv2.erode(body.astype(np.uint8), np.ones((13, 13))) > 0
    assert found[inner].mean() < 0.02 and found[10:-10, 95:-5].mean() > 0.8


def test_another_texture_is_not_the_sets(den):
    gauge, _ = den
    stranger = (wallpaper(seed=77) * lamp(60, 40))[..., None] * GEL
    assert gauge.recognise(np.float32(filmed(stranger)), OPEN, NONE_CLIPPED).mean() < 0.05


def test_nothing_is_said_without_light_or_where_it_is_known_to_be_covered(den):
    gauge, light = den
    dark = gauge.recognise(np.float32(filmed(np.zeros_like(light))), OPEN, NONE_CLIPPED)
    assert dark.mean() < 0.02
    known = np.zeros(SIZE, np.uint8)
    known[:, :60] = 1
    found = gauge.recognise(np.float32(filmed(light)), known, NONE_CLIPPED)
    assert found[:, :60].max() == 0 and found[20:-20, 75:-15].mean() > 0.9


def test_one_clipped_channel_leaves_the_others_to_speak(den):
    gauge, light = den
    filled = light.copy()
    filled[..., 2] = 1.0  # the gel's strongest channel at the ceiling
    clipped = (OPEN, OPEN, np.ones(SIZE, np.uint8))
    assert gauge.recognise(np.float32(filmed(filled)), OPEN, clipped)[15:-15, 20:-20].mean() > 0.8


def test_usual_light_is_the_quantile_of_the_open_frames():
    rng = np.random.default_rng(9)
    lumas = rng.random((7, 5, 6)).astype(np.float32)
    covered = rng.random((7, 5, 6)) < 0.4
    covered[:, 0, 0] = True
    found = usual_light(list(lumas), list(covered.astype(np.uint8)))
    for y, x in np.ndindex(5, 6):  # the slow twin
        seen = np.sort(lumas[~covered[:, y, x], y, x])
        expected = seen[round((len(seen) - 1) * 0.6)] if len(seen) else 0
        assert found[y, x] == expected


def test_it_is_to_the_bit_what_passes_over_whole_pictures_give(den):
    gauge, light = den
    rng = np.random.default_rng(7)
    light = (light + 0.004 * rng.normal(size=light.shape)).astype(np.float32)
    light[20:60, 30:70] = 0.1
    clipped = [(rng.random(light.shape[:2]) < 0.01).astype(np.uint8) for _ in range(3)]
    covered = np.zeros(light.shape[:2], np.uint8)
    covered[5:15, 5:15] = 1
    found = gauge.recognise(light, covered, clipped)
    expected = _recognise_plainly(gauge, light, covered, clipped)
    assert 0 < found.mean() < 1
    np.testing.assert_array_equal(found, expected)


def _recognise_plainly(gauge, light, covered, clipped):
    def blur(picture, width):
        return cv2.GaussianBlur(picture, (0, 0), width, borderType=cv2.BORDER_REFLECT)

    sigma = gauge._noise.sigma(gauge._ambient + np.maximum(light, 0))
    product, power, energy = (np.zeros(light.shape[:2], np.float32) for _ in range(3))
    for c in range(3):
        lit = np.maximum(light[..., c], 0)
        lifted = lit + 4 * sigma[..., c]
        log = np.log(lifted)
        detail, texture = log - blur(log, 4.0), gauge._details[0] * (lit / lifted)
        wide = cv2.dilate(clipped[c], disc(1))
        weight = (1 - wide) / ((sigma[..., c] / lifted) ** 2 + np.float32(0.05**2))
        product += weight * texture * detail
        power += weight * texture * texture
        energy += weight * detail * detail
    product, power, energy = cv2.split(blur(np.stack([product, power, energy], -1), 3.0))
    power = np.maximum(power, 1e-9)
    error = 1 / np.sqrt(power * np.float32(4 * np.pi * 9))
    alike = product > 0.5 * np.sqrt(power * np.maximum(energy, 1e-9))
    mask = ((error < 0.25) & (product / power - 2 * error > 0.4) & alike & (covered == 0)).astype(np.uint8)
    mask = cv2.morphologyEx(mask, cv2.MORPH_CLOSE, disc(2)) & (1 - covered)
    return cv2.morphologyEx(mask, cv2.MORPH_OPEN, disc(1))
