"""Which take gets which part."""

import numpy as np
import pytest

from lightstack.core.check.casting import Candidate, cast_takes
from lightstack.core.check.guess import GRID, TakeLook

DARK = np.full((*GRID, 3), 0.05, np.float32)
LIT = DARK.copy()
LIT[:, :30] *= 3


def look(kind, *, rest=DARK, dark=DARK, moving=0.05, gel=(0.6, 0.1, 1.0)):
    numbers = {
        "sweep": (0.95, 0.95, 0.5, 0.05, 0.2, 0.6, 0.1),
        "moving": (0.1, 0.6, 0.5, moving, 2 * moving, 0.3, 0.0),
        "still": (0.0, 0.5, 0.0, 0.0, 0.0, 0.0, 0.0),
        "unsteady": (0.5, 0.5, 0.5, 0.3, 0.8, 0.9, 0.8),
    }[kind]
    lit, brightens, travel, moves, most, ever, restless = numbers
    return TakeLook(lit, brightens, travel, moves, most, ever, restless, 1.0, rest, dark, np.array(gel))


def candidate(name, kind, *, frames=100, shape=(640, 360), **options):
    return Candidate(name, frames, shape, look(kind, **options))


def roles(*takes):
    return {(part.role, part.takes) for part in cast_takes(takes).parts}


def test_the_usual_shot():
    takes = (candidate("a", "still"), candidate("b", "moving"), candidate("c", "sweep"))
    assert roles(*takes) == {("empty", ("a",)), ("hero", ("b",)), ("sweep", ("c",))}
    assert all(part.reason for part in cast_takes(takes).parts)


def test_order_does_not_matter():
    takes = [
        candidate("a", "still"),
        candidate("b", "moving"),
        candidate("c", "sweep"),
        candidate("d", "unsteady"),
    ]
    assert roles(*takes) == roles(*reversed(takes))
    assert ("", ("d",)) in roles(*takes)


def test_a_prop_pass_is_not_the_hero():
    found = roles(candidate("hat", "moving", frames=24, moving=0.03), candidate("b", "moving", frames=100))
    assert found == {("hero", ("b",)), ("", ("hat",))}


def test_a_bumped_empty_take_is_found_where_none_is_still():
    takes = (candidate("a", "moving", moving=0.003), candidate("b", "moving"), candidate("c", "sweep"))
    assert ("empty", ("a",)) in roles(*takes)
    with_still = roles(*takes, candidate("d", "still"))
    assert {("empty", ("d",)), ("", ("a",))} <= with_still
    assert ("", ("a",)) in roles(candidate("a", "moving", moving=0.03), *takes[1:])


def test_empty_and_empty_lit_are_told_by_their_light():
    takes = (
        candidate("lit", "still", rest=LIT),
        candidate("dark", "still"),
        candidate("hero", "moving", rest=LIT),
        candidate("sweep", "sweep"),
    )
    assert {("empty", ("dark",)), ("empty_lit", ("lit",))} <= roles(*takes)
    assert {("empty", ("dark",)), ("empty_lit", ("lit",))} <= roles(*takes[:3])  # also without a sweep


def test_a_single_still_take_that_is_lit_as_the_hero_is():
    bright = 4 * DARK
    takes = (
        candidate("a", "still", rest=bright),
        candidate("b", "moving", rest=bright),
        candidate("c", "sweep"),
    )
    assert ("empty_lit", ("a",)) in roles(*takes)


def test_passes_with_one_gel_are_one_sweep_and_another_gel_is_another():
    takes = (
        candidate("one", "sweep"),
        candidate("two", "sweep", gel=(0.63, 0.12, 1.0)),
        candidate("red", "sweep", gel=(1.0, 0.1, 0.1)),
        candidate("small", "sweep", shape=(320, 180)),
    )
    assert roles(*takes) == {("sweep", ("one", "two")), ("sweep", ("red",)), ("sweep", ("small",))}


def test_an_empty_room_as_hero():
    assert roles(candidate("a", "still"), candidate("c", "sweep")) == {("empty", ("a",)), ("sweep", ("c",))}
    longest = roles(
        candidate("a", "still", frames=24), candidate("b", "still", frames=90), candidate("c", "sweep")
    )
    assert longest == {("empty", ("a",)), ("hero", ("b",)), ("sweep", ("c",))}


def test_somebody_who_sits_still_is_found_against_the_dark_frames():
    sitting = DARK.copy()
    sitting[20:40, 40:60] *= 0.3
    takes = (
        candidate("empty", "still", frames=200),
        candidate("hero", "still", frames=90, rest=sitting),
        candidate("sweep", "sweep"),
    )
    assert ("hero", ("hero",)) in roles(*takes)


@pytest.mark.parametrize("kind", ["sweep", "moving", "still", "unsteady"])
def test_a_single_take(kind):
    (part,) = cast_takes([candidate("a", kind)]).parts
    assert part.role == {"sweep": "sweep", "moving": "hero", "still": "hero", "unsteady": ""}[kind]
