"""What a take looks like, on scenes made here and on made rooms."""

import numpy as np
import pytest
from made import make_room

from lightstack.core.check.guess import (
    GRID,
    differing_share,
    gel_angle_degrees,
    light_difference,
    look_at_take,
    name_kind,
)

H, W, N = 54, 96, 24


def make_wall(rng):
    """A textured wall at about 5 % light, (H, W, 3) float64."""
    return 0.05 * rng.uniform(0.5, 1.5, (H, W, 1)) * np.array([1.0, 0.9, 0.8])


def add_noise(frames, rng, *, sigma=0.001):
    return (frames + rng.normal(0, sigma, np.shape(frames))).astype(np.float32)


def film_still(rng):
    return add_noise(np.repeat(make_wall(rng)[None], N, axis=0), rng)


def film_person(rng, *, width=8):
    frames = np.repeat(make_wall(rng)[None], N, axis=0)
    for number in range(4, N):
        left = 3 * number
        frames[number, 15:50, left : left + width] = 0.02 if number % 2 else 0.12
    return add_noise(frames, rng)


def film_sweep(rng, *, gel=(0.6, 0.1, 1.0)):
    wall, y, x = make_wall(rng), *np.mgrid[:H, :W]
    frames = np.repeat(wall[None], N, axis=0)
    for number in range(4, N - 4):
        distance = (x - W * (number - 4) / (N - 9)) ** 2 + (y - H / 2) ** 2 + 200
        frames[number] += 40 * (wall * 200) * np.array(gel) / distance[..., None] / 10
    return add_noise(frames, rng)


def film_switch(rng):
    """A lamp that stands still and is switched on: bright, but it does not travel."""
    frames = np.repeat(make_wall(rng)[None], N, axis=0)
    frames[N // 2 :] *= 4
    return add_noise(frames, rng)


def film_pan(rng):
    """A camera that turns over a coarsely textured room."""
    wide = np.kron(rng.uniform(0.01, 0.2, (9, 60, 1)), np.ones((6, 6, 3)))
    return add_noise(np.stack([wide[:, 9 * n : 9 * n + W] for n in range(N)]), rng)


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize(
    ("film", "kind"),
    [(film_still, "still"), (film_person, "moving"), (film_sweep, "sweep"), (film_pan, "unsteady")],
)
def test_kinds_by_construction(film, kind, seed):
    assert name_kind(look_at_take(film(np.random.default_rng(seed)))) == kind


def film_bright_clothes(rng):
    """Somebody in clothes three times as bright as the set crosses it, for all of the take but a few frames."""
    frames = np.repeat(make_wall(rng)[None], N, axis=0)
    for number in range(4, N):
        left = 4 * (number - 4)
        frames[number, 4:54, left : left + 14] = 0.16
    return add_noise(frames, rng)


@pytest.mark.parametrize("seed", range(4))
def test_bright_clothes_are_no_lamp(seed):
    look = look_at_take(film_bright_clothes(np.random.default_rng(seed)))
    # by construction everything that brightens does so at different places at different times, as by a lamp
    assert look.lit_share > 0.4 and look.brightens > 0.7 and look.travel > 0.1
    assert look.kept < 0.1
    assert name_kind(look) == "moving"


@pytest.mark.parametrize("gel", [(1.0, 1.0, 1.0), (1.0, 0.02, 0.02), (0.0, 0.0, 1.0)])
@pytest.mark.parametrize("dimmer", [1, 4])
def test_light_keeps_the_sets_texture(gel, dimmer):
    frames = film_sweep(np.random.default_rng(2), gel=np.array(gel))
    dimmed = frames[:1] + (frames - frames[:1]) / dimmer
    # by construction light multiplies what it falls on; the noise of the dark frames pulls by a few percent
    assert look_at_take(dimmed).kept == pytest.approx(1, abs=0.15)
    if dimmer == 1:
        assert name_kind(look_at_take(dimmed)) == "sweep"


def test_a_plain_set_has_no_texture_to_tell_by():
    rng = np.random.default_rng(1)
    plain = add_noise(np.full((N, H, W, 3), 0.05) * np.linspace(1, 3, N)[:, None, None, None], rng)
    assert np.isnan(look_at_take(plain).kept)


def test_a_switched_lamp_is_no_sweep():
    look = look_at_take(film_switch(np.random.default_rng(0)))
    assert look.travel < 0.02
    assert look.lit_share > 0.95
    assert name_kind(look) != "sweep"
    # by construction: the brighter half is 4 times the darker, both far above the black level of the measure
    assert look.lamp_stops == pytest.approx(2, abs=0.06)


def test_shares_and_colour_by_construction():
    rng = np.random.default_rng(1)
    look = look_at_take(film_person(rng))
    person = 35 * 8 / (H * W)
    assert look.most_moving == pytest.approx(person, rel=0.35)  # smoothing rounds its corners
    gel = np.array([1.0, 0.25, 0.5])
    # by construction the added light is gel times the wall's colour
    added = gel * np.array([1.0, 0.9, 0.8])
    assert gel_angle_degrees(look_at_take(film_sweep(rng, gel=gel)).gel, added) < 1


def test_angles_and_differences():
    assert gel_angle_degrees(np.array([1.0, 0, 0]), np.array([0, 2.0, 0])) == pytest.approx(90)
    assert gel_angle_degrees(np.array([1.0, 2, 3]), np.array([2.0, 4, 6])) == pytest.approx(0, abs=1e-5)
    a = np.full((*GRID, 3), 1.0, np.float32)
    assert light_difference(a, 4 * a) == pytest.approx(2, abs=0.01)
    b = a.copy()
    b[:, :24] *= 2
    assert differing_share(a, b) == 0.25
    assert differing_share(a, 3 * a) == 0


def test_more_light_in_all_does_not_change_the_kind():
    for film in (film_still, film_person, film_sweep):
        frames = film(np.random.default_rng(3))
        assert name_kind(look_at_take(frames)) == name_kind(look_at_take(4 * frames))


def test_single_black_and_broken_frames():
    black = np.zeros((5, H, W, 3), np.float32)
    assert name_kind(look_at_take(black)) == "still"
    assert name_kind(look_at_take(film_person(np.random.default_rng(0))[:1])) == "still"
    black[2, 3, 4] = np.nan
    assert name_kind(look_at_take(black)) == "still"
    assert np.isfinite(look_at_take(np.ones((2, 1, 1, 3), np.float32)).lamp_stops)


@pytest.mark.parametrize(("take", "kind"), [("sweep", "sweep"), ("hero", "moving"), ("empty", "still")])
def test_kinds_of_made_rooms(take, kind):
    # REFERENCE  the made room knows which take it filmed.
    room = make_room(2, size=(90, 160), frames=48, take=take, bump_px=0.7, chroma="420", bits=8)
    numbers = np.linspace(0, len(room) - 1, 24).round().astype(int)
    frames = np.stack([room.filmed(number) for number in numbers]).astype(np.float32)
    assert name_kind(look_at_take(frames)) == kind
