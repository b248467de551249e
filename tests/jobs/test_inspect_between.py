"""Takes held against each other: what differs on purpose is no alarm, what does not belong there is."""

from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import cv2
import numpy as np
import pytest
from core_helpers import make_encoding
from made import make_room

from lightstack.jobs.inspect_between import (
    compare_all,
    compare_pair,
    find_lively,
    lit_apart,
    noise_of_means,
    rank_all,
    rank_role,
)
from lightstack.jobs.inspect_lamps import find_lamp_set, judge_additivity
from lightstack.jobs.inspect_looked import TakeLooked
from lightstack.jobs.inspect_luma import LumaSamples
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
    few, many = (look(room.ambient, "empty", frames=n) for n in (2, 400))
    assert (noise_of_means(many, many).b < noise_of_means(few, few).b).all()
    # REFERENCE  BT.709: 4.5 L at black; one code of 10 bits, limited range, is 1 / 876 of the signal
    assert noise_of_means(many, many).b[0] >= (1 / 876 / 4.5) ** 2 * 0.99


def test_somebody_who_moves_is_lively(room):
    one = look(room.ambient, "hero")
    rgb = one.proxies.rgb.copy()
    for k in range(len(rgb)):
        rgb[k, 30:90, 20 + 4 * k : 40 + 4 * k] = 0.3
    lively = find_lively(replace(one, proxies=replace(one.proxies, rgb=rgb)))
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
