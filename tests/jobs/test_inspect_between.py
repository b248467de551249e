"""Takes held against each other: what differs on purpose is no alarm, what does not belong there is."""

from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import cv2
import numpy as np
import pytest
from core_helpers import make_encoding
from made import make_room

from lightstack.jobs.inspect.between import (
    compare_all,
    compare_pair,
    compare_with_hero,
    lit_apart,
    rank_all,
    rank_role,
)
from lightstack.jobs.inspect.lamps import find_lamp_set, judge_additivity
from lightstack.jobs.inspect.looked import TakeLooked
from lightstack.jobs.inspect.rest import bring_together, find_lively, join_noise, rest_of, say_apart
from lightstack.jobs.takes.luma import LumaSamples
from lightstack.records import NOT_CHECKED, NoiseModel, ProxyTake, TakeFindings, TakeInfo

NOISE = NoiseModel(np.full(3, 4e-4), np.full(3, 4e-6))
SIZE = (112, 200)


def look(picture, role, *, name=None, frames=24, seed=0):
    """A take that stands still before a noise-free picture."""
    rng = np.random.default_rng(seed)
    sigma = NOISE.sigma(picture)
    rgb = np.stack([picture + sigma * rng.standard_normal(picture.shape) for _ in range(frames)]).astype(np.float16)
    h, w = picture.shape[:2]
    info = TakeInfo(name or role, (Path("x"),), "movie", w, h, Fraction(24), 1, frames, make_encoding(), "none")
    numbers = np.arange(1, frames + 1)
    flags = np.zeros((frames, h, w), np.uint8)
    proxies = ProxyTake(role, rgb, flags, numbers, numbers / 24, 1, (h, w), NOISE, NOISE, np.zeros(frames, bool))
    rest = rgb.mean(axis=0, dtype=np.float32)
    return TakeLooked(
        name or role, role, "", "", info, "bt709", proxies, LumaSamples(set()), False, rest=rest, rest_frames=frames
    )


@pytest.fixture(scope="module")
def room():
    return make_room(6, size=SIZE, frames=60, lead=14, bump_px=0.0, turn_deg=0.0)


@pytest.fixture(scope="module")
def lamps(room):
    return room.clean[24].astype(np.float32), room.clean[38].astype(np.float32)


def test_the_hero_is_what_others_are_held_against():
    assert sorted(["sweep", "take", "empty", "hero"], key=rank_role) == ["hero", "empty", "sweep", "take"]


def test_a_heros_own_lamp_is_no_fault(room, lamps):
    hero, empty = look(room.ambient + lamps[0], "hero"), look(room.ambient, "empty", seed=1)
    assert lit_apart(hero, empty)
    finding, places = compare_pair(hero, empty)
    assert finding.grade == "good" and places == () and "not compared" in finding.says


def test_another_exposure_is_one(room):
    hero, empty = look(room.ambient * 1.4, "hero"), look(room.ambient, "empty", seed=1)
    assert not lit_apart(hero, empty)
    finding, _ = compare_pair(hero, empty)
    assert finding.grade != "good"
    stops = [f.value for f in finding.figures if f.name.startswith("ambient")]
    assert stops and np.allclose(stops, -np.log2(1.4), atol=0.05)


def test_the_same_room_is_the_same(room):
    finding, places = compare_pair(look(room.ambient, "empty"), look(room.ambient, "sweep", seed=1))
    assert finding.grade == "good" and places == ()


def test_a_turned_camera_is_another_format(room):
    turned = np.ascontiguousarray(np.swapaxes(room.ambient, 0, 1))
    finding, _ = compare_pair(look(room.ambient, "hero"), look(turned, "empty"))
    assert finding.grade == "reshoot" and "200 x 112" in finding.says


def test_the_noise_of_a_mean_falls_to_one_code_and_no_further(room):
    few, many = (rest_of(look(room.ambient, "empty", frames=n)) for n in (2, 400))
    assert (join_noise(many, many).b < join_noise(few, few).b).all()
    # REFERENCE  BT.709: 4.5 L at black; one code of 10 bits, limited range, is 1 / 876 of the signal
    assert join_noise(many, many).b[0] >= (1 / 876 / 4.5) ** 2 * 0.99


def test_somebody_who_moves_is_lively(room):
    one = look(room.ambient, "hero")
    rgb = one.proxies.rgb.copy()
    for k in range(len(rgb)):
        rgb[k, 30:90, 20 + 4 * k : 40 + 4 * k] = 0.3
    lively = find_lively(replace(one.proxies, rgb=rgb))
    assert lively[50, 40:110].mean() > 0.9 and lively[:25].mean() < 0.02


def test_lamps_apart_and_together_are_recognised(room, lamps):
    a, b = lamps
    pictures = {"amb": 0 * a, "one": a, "two": b, "both": a + b}
    takes = [look(room.ambient + light, "take", name=n, seed=k) for k, (n, light) in enumerate(pictures.items())]
    found = find_lamp_set(takes[::-1])
    assert found is not None and (found[0].name, found[3].name) == ("amb", "both")
    finding, names = judge_additivity(takes)
    assert finding.grade != NOT_CHECKED and set(names) == set(pictures)


def test_unrelated_takes_are_no_such_set(room, lamps):
    takes = [look(room.ambient + k * lamps[0], "take", name=str(k), seed=k) for k in (0, 1)]
    takes += [look(room.ambient, "empty", name=f"e{k}", seed=9 + k) for k in range(3)]
    finding, names = judge_additivity(takes)
    assert finding.grade == NOT_CHECKED and names == ()


def test_a_check_that_needs_more_takes_is_said_once(room):
    looked = [look(room.ambient, "hero"), look(room.ambient, "empty", seed=1)]
    bare = [TakeFindings(one.name, one.role, "", (), one.proxies.source_frames) for one in looked]
    takes, _ = compare_all(looked, bare)
    assert [[f.check for f in take.findings] for take in takes] == [["additivity"], ["between takes"]]


def test_one_sweep_is_not_ranked(room):
    assert rank_all([look(room.ambient, "sweep")], [TakeFindings("s", "sweep", "", (), np.arange(2))]) is None


def test_a_shifted_take_is_told_in_pixels(room):
    matrix = np.float32([[1, 0, 3.0], [0, 1, 0]])
    moved = cv2.warpAffine(room.ambient, matrix, SIZE[::-1], flags=cv2.INTER_LANCZOS4, borderMode=cv2.BORDER_REFLECT)
    finding, _ = compare_pair(look(room.ambient, "hero"), look(moved, "empty", seed=1))
    across = next(f.value for f in finding.figures if f.name == "shift across")
    assert across == pytest.approx(3.0, abs=0.15)


def test_what_a_take_is_for_is_not_made_up(room, lamps):
    grey = look(room.ambient * 0.9, "grey", seed=1)
    finding, _ = compare_pair(look(room.ambient, "hero"), grey)
    assert finding.grade == "good" and "lamps" not in finding.says and "grey need not show the set" in finding.says
    lit = say_apart(rest_of(look(room.ambient + lamps[0], "hero")), rest_of(look(room.ambient, "empty", seed=1)))
    assert lit.startswith("hero has places up to") and "lamps of its own" in lit


def test_a_take_filmed_smaller_is_compared_at_its_own_fineness(room):
    small = np.asarray(cv2.resize(room.ambient, (100, 56), interpolation=cv2.INTER_AREA))
    large, little = look(room.ambient, "empty"), look(small, "sweep", seed=1)
    for one, two in ((large, little), (little, large)):
        finding, _ = compare_pair(one, two)
        assert finding.grade == "good", finding.says
    one, two, noise = bring_together(rest_of(little), rest_of(large))
    assert one.shape == two.shape == small.shape
    # REFERENCE  a mean of n independent values has 1 / n of their variance; here of 4 pixels
    alone = rest_of(replace(large, proxies=replace(large.proxies, noise_proxy=NoiseModel(NOISE.a, 1e4 * NOISE.b))))
    _, _, noise = bring_together(rest_of(little), alone)
    np.testing.assert_allclose(noise.b - alone.codes.b, alone.noise.b / 4, rtol=1e-3)


def put_box(picture, y, x):
    """The picture with a checked box in it."""
    out = picture.copy()
    checks = (np.add.outer(np.arange(24) // 3, np.arange(20) // 3) % 2)[..., None]
    out[y : y + 24, x : x + 20] = np.where(checks, 0.25, 0.06)
    return out


def test_what_stands_elsewhere_than_in_the_hero_is_told_and_somebody_who_walks_is_not(room):
    hero = look(put_box(room.ambient, 60, 30), "hero")
    rgb = hero.proxies.rgb.copy()
    for k in range(len(rgb)):
        rgb[k, 20:50, 120 + 2 * k : 132 + 2 * k] = 0.3  # somebody who walks
    hero = replace(hero, proxies=replace(hero.proxies, rgb=rgb), rest=rgb.mean(axis=0, dtype=np.float32))
    finding, places = compare_with_hero(rest_of(hero), look(room.ambient, "sweep", seed=1))
    assert finding.grade == "usable" and len(finding.boxes) == len(places) == 1
    x0, y0, x1, y1 = finding.boxes[0]
    assert x0 - 6 < 30 < 50 < x1 + 6 and y0 - 6 < 60 < 84 < y1 + 6
    finding, _ = compare_with_hero(rest_of(hero), look(put_box(room.ambient, 60, 30), "sweep", seed=1))
    assert finding.grade == "good" and "framing" not in finding.says


def test_a_rim_that_a_registered_sweep_did_not_see_was_not_moved(room):
    sweep = look(room.ambient, "sweep", seed=1)
    rest = sweep.rest.copy()
    rest[:, :20] = 0
    finding, _ = compare_with_hero(rest_of(look(room.ambient, "hero")), replace(sweep, rest=rest))
    assert finding.grade == "good", finding.says
