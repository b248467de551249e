"""Pinhole arithmetic: closed forms on and off the axis, error bars against drawn errors, the card against a sum."""

import numpy as np
import pytest

from lightstack.core.lamp.place import CameraView, card_stops, place_path, place_taped

# 36 mm over 1920 pixels behind 24 mm: a pixel is 36 / 1920 / 24 = 1 / 1280 of the depth
LEVEL = CameraView(24.0, 36.0, (1080, 1920), height_m=1.5, tilt_deg=0.0)
EXACT = {"pixel_error": 0.0, "distance_error_m": 0.0}


def test_a_lamp_in_the_middle_stands_straight_before_the_lens():
    placed = place_taped(LEVEL, (960, 540), 4.0, pixel_error=2.0, distance_error_m=0.1)
    np.testing.assert_allclose(placed.points, [[0, 1.5, -4.0]], atol=1e-12)
    # REFERENCE  similar triangles: 2 px of 1/1280 at 4 m is 6.25 mm across; along the axis the tape's own 0.1 m.
    # TOLERANCE  arithmetic.
    np.testing.assert_allclose(placed.errors, [[0.00625, 0.00625, 0.1]], rtol=1e-12)


def test_a_tilted_camera_looks_down_to_the_floor():
    # REFERENCE  tan: from 1.5 m, 30 degrees down, the axis meets the floor 1.5 / tan(30) = 2.598 m away, 3 m along it.
    # TOLERANCE  arithmetic.
    view = CameraView(24.0, 36.0, (1080, 1920), height_m=1.5, tilt_deg=-30.0)
    placed = place_taped(view, (960, 540), 3.0, **EXACT)
    np.testing.assert_allclose(placed.points, [[0, 0, -1.5 / np.tan(np.radians(30))]], atol=1e-12)


def test_off_the_axis_the_distance_is_the_rays_own():
    # 960 px right of the middle is 0.75 of the depth, 720 px down 0.5625: a 3-4-5 triangle and one more
    placed = place_taped(LEVEL, (1920, 540), 5.0, **EXACT)
    np.testing.assert_allclose(placed.points, [[3.0, 1.5, -4.0]], atol=1e-12)
    assert np.linalg.norm(place_taped(LEVEL, (123, 1000), 7.0, **EXACT).points - [0, 1.5, 0]) == pytest.approx(7.0)
    assert place_taped(LEVEL, (960, 900), 5.0, **EXACT).points[0, 1] < 1.5  # further down the picture is lower


def test_wide_pixels_show_less_height():
    # twice as wide as high: the same pixels down are half as far
    wide = CameraView(24.0, 36.0, (1080, 1920), height_m=0.0, tilt_deg=0.0, pixel_aspect=2.0)
    assert wide.sensor_height_mm == pytest.approx(36.0 * 1080 / 1920 / 2)
    x, y, z = place_taped(wide, (960 + 128, 540 + 128), 1.0, **EXACT).points[0]
    assert (x / -z, y / -z) == (pytest.approx(0.1), pytest.approx(-0.05))


def test_a_path_keeps_its_depth_and_passes_through_the_taped_place():
    at = {"taped_at": (1500, 300), "distance_m": 3.0}
    view = CameraView(24.0, 36.0, (1080, 1920), height_m=1.2, tilt_deg=12.0)
    path = place_path(view, [(1500, 300), (960, 540), (0, 0)], **at, **EXACT)
    np.testing.assert_allclose(path.points[0], place_taped(view, (1500, 300), 3.0, **EXACT).points[0], atol=1e-12)
    tilt = np.radians(12.0)
    axis = np.array([0, np.sin(tilt), -np.cos(tilt)])
    depths = (path.points - [0, 1.2, 0]) @ axis
    # REFERENCE  depth of the taped place: 3 m over the length of (540, 240, 1280) / 1280. TOLERANCE  arithmetic.
    np.testing.assert_allclose(depths, 3.0 * 1280 / np.hypot(np.hypot(540, 240), 1280), rtol=1e-12)


@pytest.mark.parametrize("moving", [False, True])
def test_error_bars_are_those_of_drawn_errors(moving):
    view = CameraView(35.0, 24.9, (1080, 1920), height_m=1.4, tilt_deg=-8.0)
    rng = np.random.default_rng(5)
    drawn = []
    for _ in range(4000):
        seen, taped = np.array([1600.0, 250.0]), np.array([700.0, 800.0])
        seen, taped = seen + 4 * rng.standard_normal(2), taped + 4 * rng.standard_normal(2)
        distance = 3.0 + 0.05 * rng.standard_normal()
        if moving:
            drawn.append(place_path(view, seen, taped_at=taped, distance_m=distance, **EXACT).points[0])
        else:
            drawn.append(place_taped(view, taped, distance, **EXACT).points[0])
    errors = {"pixel_error": 4.0, "distance_error_m": 0.05}
    if moving:
        placed = place_path(view, (1600, 250), taped_at=(700, 800), distance_m=3.0, **errors)
    else:
        placed = place_taped(view, (700, 800), 3.0, **errors)
    # REFERENCE  the same places with errors drawn at random. TOLERANCE  a spread of 4,000 draws is known to 1.1 %: four
    # of those, and what is beyond first order.
    np.testing.assert_allclose(np.std(drawn, axis=0), placed.errors[0], rtol=0.05)


def test_a_card_receives_what_the_balls_visible_side_sends():
    radius = 0.2
    # REFERENCE  irradiance by summing radiance 1 over the solid angle of the ball as the card sees it (a cone of half
    # angle asin(r / d), cosine at the card). TOLERANCE  midpoint rule of 2,000 rings.
    edge = np.arcsin(radius)
    angle = (np.arange(2000) + 0.5) / 2000 * edge
    received = (2 * np.pi * np.sin(angle) * np.cos(angle)).sum() * edge / 2000 / np.pi
    assert 2 ** card_stops(radius) * received == pytest.approx(1.0, rel=1e-5)
