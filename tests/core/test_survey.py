"""The numbers that a survey takes of every frame, on made rooms and by construction."""

import cv2
import numpy as np
import pytest
from made import make_room, proxy_arrays

from lightstack.core.sweep.survey import average_frames, find_lamp_off, split_stretches, survey_sweep
from lightstack.errors import UnusableTake
from lightstack.records import NoiseModel, ProxyTake, Registration, Stretch

SMALL = {"size": (63, 112), "frames": 50}


def make_proxies(rgb, *, noise=(4e-4, 4e-6), clipped=None, seconds=None):
    n, h, w, _ = rgb.shape
    model = NoiseModel(np.full(3, noise[0]), np.full(3, noise[1]))
    return ProxyTake(
        "sweep", rgb.astype(np.float16), np.zeros((n, h, w), np.uint8) if clipped is None else clipped,
        np.arange(1, n + 1), np.arange(n) / 24.0 if seconds is None else seconds, 1, (h, w), model, model,
        np.zeros(n, bool),
    )  # fmt: skip


def take_of(room, frames=None):
    rgb, clipped, _ = proxy_arrays(room, frames=frames)
    return make_proxies(rgb, noise=room.noise, clipped=clipped)


@pytest.mark.parametrize(
    "kind",
    [
        {},
        {"gel": "red", "dim_corner": True},
        {"gel": "blue", "big_carrier": True},
        {"drift_stops": 0.15},
        {"gap": 20, "walker": True},
        {"lead": 3, "noise": (1.5e-3, 2e-5), "bits": 8},
        {"curve": "slog3"},
        {"bump_px": 0, "turn_deg": 0, "still_lamp": True, "carrier": False},
    ],
    ids=lambda kind: "-".join(kind) or "plain",
)
def test_lamp_off_frames_are_found_in_made_rooms(kind):
    room = make_room(1, **SMALL, **kind)
    np.testing.assert_array_equal(find_lamp_off(take_of(room)), ~room.lamp_on)


def test_a_take_that_never_goes_dark_has_no_lamp_off_frames():
    room = make_room(1, **SMALL)
    proxies = take_of(room, frames=range(13, 37))
    assert not find_lamp_off(proxies).any()
    assert not find_lamp_off(proxies, ambient=room.ambient).any()
    with pytest.raises(UnusableTake, match="no lamp-off frames"):
        average_frames(proxies, [])


def test_a_take_that_starts_lit_and_a_nearly_black_room_are_understood():
    room = make_room(2, **SMALL, lamp_on_first=True)
    np.testing.assert_array_equal(find_lamp_off(take_of(room)), ~room.lamp_on)
    rng = np.random.default_rng(4)
    light = np.zeros((30, 36, 64, 3))
    light[10:20] += 0.01 * np.linspace(0, 1, 64)[:, None]
    noisy = light + rng.normal(0, 0.002, light.shape)
    np.testing.assert_array_equal(find_lamp_off(make_proxies(noisy)), light.max((1, 2, 3)) == 0)


def test_average_reaches_the_standard_error_and_forgets_a_passer_by():
    # REFERENCE  standard error of a mean: sigma / sqrt(n) (any handbook of statistics).
    # TOLERANCE  the root mean square of 36 x 64 x 3 errors within 5 %; a little is lost where somebody stood.
    rng = np.random.default_rng(2)
    truth = 0.05 + 0.05 * rng.random((36, 64, 3))
    sigma = np.sqrt(4e-4 * truth + 4e-6)
    frames = truth + sigma * rng.standard_normal((40, 36, 64, 3))
    error = (average_frames(make_proxies(frames), range(40)) - truth) / sigma
    assert np.sqrt(np.mean(error**2)) == pytest.approx(40**-0.5, rel=0.05)
    frames[10:24, 8:30, 20:40] = 0.001
    error = (average_frames(make_proxies(frames), range(40)) - truth) / sigma
    assert np.sqrt(np.mean(error[8:30, 20:40] ** 2)) == pytest.approx(26**-0.5, rel=0.08)


def test_average_equals_its_slow_twin_and_ignores_the_order():
    rng = np.random.default_rng(3)
    frames = (0.1 + 0.02 * rng.standard_normal((9, 5, 6, 3))).astype(np.float16)
    proxies = make_proxies(frames)
    stack = frames.astype(np.float32)
    middle = np.median(stack, axis=0)
    limit = 4 * proxies.noise_proxy.sigma(middle) * np.sqrt(1 + np.pi / 18)
    slow = np.array([
        [[np.mean([v for v in stack[:, y, x, c] if abs(v - middle[y, x, c]) <= limit[y, x, c]] or [middle[y, x, c]])
          for c in range(3)] for x in range(6)] for y in range(5)
    ])  # fmt: skip
    np.testing.assert_allclose(average_frames(proxies, range(9)), slow, rtol=1e-5)
    np.testing.assert_allclose(average_frames(proxies, [8, 3, 1, 0, 2, 7, 6, 5, 4]), slow, rtol=1e-5)


def test_stretches_part_at_a_second_of_dark():
    seconds = np.arange(100) / 25.0
    lit = np.zeros(100, bool)
    lit[5:20] = lit[22:40] = lit[65:90] = True  # 2 dark frames, then 25 dark frames = 1.0 s
    stretch = split_stretches(lit, seconds)
    assert set(stretch[5:20]) == set(stretch[22:40]) == {0}
    assert set(stretch[65:90]) == {1} and set(stretch[~lit]) == {-1}
    lit[40] = True  # 24 dark frames
    assert set(split_stretches(lit, seconds)[65:90]) == {0}


def test_lamp_energy_and_clipping_are_plain_means():
    rng = np.random.default_rng(5)
    ambient = np.full((36, 64, 3), 0.02)
    light = np.zeros((12, 36, 64, 3))
    light[3:9, 10:30, 10:40] = [0.3, 0.1, 0.2]
    clipped = np.zeros((12, 36, 64), np.uint8)
    clipped[4, :18, :32] = 5
    proxies = make_proxies(ambient + light + rng.normal(0, 1e-4, light.shape), clipped=clipped)
    table = survey_sweep(proxies, ambient, lamp_off=light.max((1, 2, 3)) == 0)
    share = 20 * 30 / (36 * 64)
    expected = share * (0.2126 * 0.3 + 0.7152 * 0.1 + 0.0722 * 0.2)
    np.testing.assert_allclose(table.lamp_energy[3:9], expected, rtol=2e-3)
    np.testing.assert_allclose(table.clipped[4], [0.25, 0, 0.25])
    assert table.lamp_sigma[3] > 100 and abs(table.lamp_sigma[1]) < 5
    assert table.weight[1] == 0 and table.weight[6] > 0.9
    np.testing.assert_array_equal(table.stretch, [-1] * 3 + [0] * 6 + [-1] * 3)


def test_change_of_pure_noise_is_what_statistics_say():
    # REFERENCE  mean |x - y| of two normal values is 2 sigma / sqrt(pi) = 1.1284 sigma (handbook value).
    # TOLERANCE  2 %: frames are stored as half floats.
    rng = np.random.default_rng(6)
    ambient = np.full((72, 128, 3), 0.05)
    noise = np.sqrt(4e-4 * 0.05 + 4e-6)
    proxies = make_proxies(ambient + rng.normal(0, noise, (6, 72, 128, 3)))
    table = survey_sweep(proxies, ambient, lamp_off=np.ones(6, bool))
    np.testing.assert_allclose(table.change_sigma[1:], 2 / np.sqrt(np.pi), rtol=0.02)


def test_drift_is_read_in_stops_and_a_steady_camera_has_none():
    drifting = make_room(1, **SMALL, bump_px=0, turn_deg=0, drift_stops=0.2, unreached=True)
    proxies = take_of(drifting)
    table = survey_sweep(proxies, drifting.ambient)
    truth = np.log2(drifting.drift)
    assert np.abs(table.drift_stops - truth)[~drifting.lamp_on].max() < 0.05  # noise of a small dark picture
    assert np.median(np.abs(table.drift_stops - truth)) < 0.02
    steady = make_room(1, **SMALL, bump_px=0, turn_deg=0)
    assert np.abs(survey_sweep(take_of(steady), steady.ambient).drift_stops).max() < 0.08


@pytest.mark.parametrize("colour", [(0.5, 0.12, 1.0), (0.0, 0.0, 1.0)])
def test_a_lamp_that_reaches_every_place_is_no_drift(colour):
    rng = np.random.default_rng(12)
    scene = cv2.GaussianBlur(rng.uniform(0.0, 0.5, (60, 100, 3)), (0, 0), 2) + 0.004
    x = np.linspace(0, 1, 100)[None, :, None]
    frames = []
    for k in range(30):
        lit = 0.0 if k < 8 or k >= 22 else 0.25
        light = scene * (1 + lit * np.array(colour) / (1 + 2 * (x - k / 30) ** 2))
        frames.append(light + np.sqrt(4e-5 * light + 4e-7) * rng.standard_normal(light.shape))
    off = np.r_[np.ones(8, bool), np.zeros(14, bool), np.ones(8, bool)]
    proxies = make_proxies(np.stack(frames), noise=(4e-5, 4e-7))
    table = survey_sweep(proxies, average_frames(proxies, np.flatnonzero(off)), lamp_off=off)
    # TOLERANCE  means of thousands of pixels; the lamp itself brightens blue by 0.15 to 0.3 stops
    assert np.abs(table.drift_stops).max() < 0.02


TIMES = np.arange(50)


def film_past_window(hidden, drift):
    """Survey a lamp that reaches all but a window's panes; its carrier hides columns of frame ``k`` by ``hidden(k)``.

    ``drift``: (50,) stops of exposure. Returns what was measured of it.
    """
    rng = np.random.default_rng(13)
    ambient = np.full((60, 100, 3), 0.02)
    ambient[15:35, 40:60] = [0.3, 0.35, 0.45]
    off = np.r_[np.ones(8, bool), np.zeros(34, bool), np.ones(8, bool)]
    frames = []
    for k in TIMES:
        frame = ambient.copy()
        if not off[k]:
            frame[ambient[..., 0] < 0.1] += [0.02, 0.08, 0.15]
            frame[5:60, hidden(k)] = 0.002
        frame *= 2.0 ** drift[k]
        frames.append(frame + np.sqrt(4e-5 * frame + 4e-7) * rng.standard_normal(frame.shape))
    return survey_sweep(make_proxies(np.stack(frames), noise=(4e-5, 4e-7)), ambient, lamp_off=off)


def test_somebody_who_steps_before_the_window_is_no_drift():
    """He walks past the panes and hides every one of them for a while."""
    table = film_past_window(lambda k: slice(max(3 * (k - 12), 0), max(3 * (k - 12) + 28, 0)), np.zeros(50))
    # TOLERANCE  as of a lamp that reaches every place
    assert np.abs(table.drift_stops).max() < 0.02


@pytest.mark.parametrize(
    "truth",
    [
        np.where(TIMES < 30, 0.0, -0.3),
        np.where(TIMES < 30, 0.0, 0.3),
        0.25 * np.exp(-(((TIMES - 25) / 6) ** 2)),  # gone when the lamp is
    ],
)
def test_a_drift_is_read_although_somebody_steps_before_the_window(truth):
    table = film_past_window(lambda k: slice(5 * (k - 5), 5 * (k - 5) + 20) if 10 <= k < 18 else slice(0), truth)
    np.testing.assert_allclose(table.drift_stops, np.repeat(truth[:, None], 3, axis=1), atol=0.025)


@pytest.mark.parametrize("strength", [0.1, 0.4, 3.0])
def test_a_lamp_of_the_rooms_own_colour_that_reaches_every_place_is_no_drift(strength):
    room = make_room(322, size=(90, 160), frames=48, lead=10, bump_px=0, turn_deg=0)
    ambient, luma = 10 * room.ambient, np.array([0.2126, 0.7152, 0.0722])
    rng, frames = np.random.default_rng(5), []
    for k in range(len(room)):
        share = (room.clean[k].astype(np.float64) @ luma) / (room.ambient @ luma + 1e-4)
        frame = ambient * (1 + strength * np.maximum(share, 0))[..., None]
        frames.append(frame + np.sqrt(2e-5 * frame + 2e-7) * rng.standard_normal(frame.shape))
    proxies = make_proxies(np.stack(frames), noise=(2e-5, 2e-7))
    # TOLERANCE  2 % of light, below which a place counts as unlit
    assert np.abs(survey_sweep(proxies, ambient, lamp_off=~room.lamp_on).drift_stops).max() < 0.03


def test_frames_left_out_by_registration_get_no_weight():
    room = make_room(1, **SMALL, bump_px=0, turn_deg=0)
    whole = Stretch(1, 50, np.eye(3), True, 0.25, 0.01, 50)
    table = survey_sweep(take_of(room), room.ambient, Registration("sweep", "translation", (whole,), (30, 31)))
    assert table.weight[29] == table.weight[30] == 0 and table.weight[31] > 0
    assert set(table.shift_px) == {0.25}


def test_blocked_pixels_do_not_darken_the_lamp_energy():
    ambient, light = np.full((36, 64, 3), 0.1), np.zeros((6, 36, 64, 3))
    light[1:5] = 0.2
    light[2, :18] = -0.09
    blocked = light[..., 0] < 0
    off = np.array([1, 0, 0, 0, 0, 1], bool)
    table = survey_sweep(make_proxies(ambient + light), ambient, blocked=blocked, lamp_off=off)
    np.testing.assert_allclose(table.lamp_energy[1:5], 0.2, rtol=2e-3)
    assert table.blocked[2] == 0.5
