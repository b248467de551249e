"""Give each take its part in a shot: hero, empty, empty_lit, sweep, or none, with a reason in plain words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from lightstack.core.check.guess import TakeLook, differing_share, gel_angle_degrees, light_difference, name_kind

__all__ = ["Candidate", "Cast", "Part", "cast_takes"]

SAME_GEL_DEGREES = 12.0  # noise and the room's own colours turn one gel's light by a few degrees
SAME_LIGHT_STOPS = 0.15
LIT_MORE_STOPS = 0.4
NEARLY_STILL = 0.02  # of the picture at most
LEAST_FIGURE = 0.01  # of the picture: somebody who hardly moves is larger


@dataclass(frozen=True, slots=True)
class Candidate:
    """A take that was looked at. ``shape`` (W, H) of the upright picture; ``frame_count`` as declared."""

    name: str
    frame_count: int
    shape: tuple[int, int]
    look: TakeLook

    @property
    def kind(self) -> str:
        return name_kind(self.look)


@dataclass(frozen=True, slots=True)
class Part:
    """What one or more takes (a sweep in several passes) are used as, and why. ``role`` "" = left out."""

    role: str
    takes: tuple[str, ...]
    reason: str
    gel: tuple[float, float, float] = (1.0, 1.0, 1.0)


@dataclass(frozen=True, slots=True)
class Cast:
    """All parts; sweeps in the order of the takes."""

    parts: tuple[Part, ...] = field(default=())

    def find(self, role: str) -> tuple[Part, ...]:
        """Return the parts of a role; "" for what was left out."""
        return tuple(part for part in self.parts if part.role == role)


def cast_takes(takes: Sequence[Candidate]) -> Cast:
    """Guess which take is which.

    Notes
    -----
    A sweep is told by its light alone. Of the others the hero is the take in which most moves for longest,
    and, where nothing moves at all, the longest. Of the takes that stand still the empty one has the light
    of the sweep's dark frames; one that is lit more, as the hero is, is the empty set with the hero's lamps.
    """
    kinds = ("sweep", "moving", "still", "unsteady")
    by_kind = {kind: [take for take in takes if take.kind == kind] for kind in kinds}
    sweeps = by_kind["sweep"]
    parts = _join_sweeps(sweeps)
    hero, reason = _pick_hero(by_kind["moving"], by_kind["still"], sweeps)
    if hero:
        parts.append(Part("hero", (hero.name,), reason))
    still = [take for take in by_kind["still"] if take is not hero]
    still = still or _find_nearly_still(by_kind["moving"], hero)
    parts += _cast_still(still, hero, sweeps)
    parts += [_leave_out_moving(take) for take in by_kind["moving"] if take is not hero and take not in still]
    unsteady = "nearly the whole picture changes, and not by a lamp: does the camera move?"
    parts += [Part("", (take.name,), unsteady) for take in by_kind["unsteady"]]
    return Cast(tuple(parts))


def _find_nearly_still(moving: Sequence[Candidate], hero: Candidate | None) -> list[Candidate]:
    """Find the empty take where none is quite still, as a small bump or a heavy codec can bring about."""
    if hero is None or hero.kind != "moving":
        return []
    near = [
        take
        for take in moving
        if take.look.most_moving < NEARLY_STILL and take.look.moving_share < 0.2 * hero.look.moving_share
    ]
    return [min(near, key=lambda take: take.look.ever_moving)] if near else []


def _leave_out_moving(take: Candidate) -> Part:
    share = _percent(take.look.most_moving)
    return Part(
        "", (take.name,), f"up to {share} of its picture moves, less or for less long than the hero's"
    )


def _join_sweeps(sweeps: Sequence[Candidate]) -> list[Part]:
    """Put passes with one gel and one picture size together; another gel is another sweep."""
    groups: list[list[Candidate]] = []
    for take in sweeps:
        for group in groups:
            first = group[0]
            same_gel = gel_angle_degrees(first.look.gel, take.look.gel) < SAME_GEL_DEGREES
            if same_gel and first.shape == take.shape:
                group.append(take)
                break
        else:
            groups.append([take])
    return [_describe_sweep(group) for group in groups]


def _describe_sweep(group: Sequence[Candidate]) -> Part:
    looks = [take.look for take in group]
    gel = np.mean([look.gel for look in looks], axis=0)
    gel = gel / gel.max()
    lit = 100 * max(look.lit_share for look in looks)
    reason = (
        f"a light travels through the room: {lit:.0f} % of the picture is lit by it at some moment, at "
        "different places at different times; "
        f"its colour is about {gel[0]:.2f} {gel[1]:.2f} {gel[2]:.2f} (linear R G B)"
    )
    if len(group) > 1:
        reason += f"; {len(group)} passes with the same gel"
    return Part(
        "sweep", tuple(take.name for take in group), reason, gel=(float(gel[0]), float(gel[1]), float(gel[2]))
    )


def _pick_hero(
    moving: Sequence[Candidate], still: Sequence[Candidate], sweeps: Sequence[Candidate]
) -> tuple[Candidate | None, str]:
    """Return the hero and the reason."""
    if moving:
        hero = max(moving, key=lambda take: take.look.moving_share * take.frame_count)
        return hero, _explain_motion(hero, alone=len(moving) == 1)
    if not still or (len(still) == 1 and sweeps):
        return None, ""  # one take that stands still beside a sweep serves best as the empty take
    if sweeps and len(still) > 1:
        shares = [differing_share(take.look.rest, sweeps[0].look.dark) for take in still]
        most = int(np.argmax(shares))
        if shares[most] > LEAST_FIGURE and shares[most] > 2 * sorted(shares)[-2]:
            share = f"{100 * shares[most]:.0f} %"
            reason = f"hardly anything moves, but {share} of the picture is not as in the sweep's dark frames"
            return still[most], reason
    hero = max(still, key=lambda take: take.frame_count)
    return hero, "nothing moves in any take, and of those without a travelling light this is the longest"


def _explain_motion(hero: Candidate, *, alone: bool) -> str:
    look = hero.look
    reason = (
        f"something moves over {_percent(look.ever_moving)} of the picture "
        f"(at most {_percent(look.most_moving)} at once) before a background that stays"
    )
    return reason + ("" if alone else ", more and for longer than in any other take")


def _percent(share: float) -> str:
    return f"{100 * share:.0f} %" if share >= 0.0095 else f"{100 * share:.1f} %"


def _cast_still(
    still: Sequence[Candidate], hero: Candidate | None, sweeps: Sequence[Candidate]
) -> list[Part]:
    """Tell empty from empty_lit by the light: the sweep's dark frames show what the room is by itself."""
    if not still:
        return []
    empty, reason = _pick_empty(still, sweeps)
    stops = _lamp_stops(empty, hero, sweeps)
    if stops is not None:
        reason = (
            f"nothing moves, and as the hero it is lit {stops:.1f} stops more than the sweep's dark frames"
        )
        return [Part("empty_lit", (empty.name,), reason), *_leave_out(still, [empty])]
    parts = [Part("empty", (empty.name,), reason)]
    lit = [take for take in still if take is not empty and _is_lit_more(take, empty)]
    if not lit:
        return [*parts, *_leave_out(still, [empty])]
    chosen = min(lit, key=lambda take: light_difference(take.look.rest, hero.look.rest) if hero else 0.0)
    more = _largest_gain_stops(chosen, empty)
    reason = f"nothing moves, and parts of it are lit {more:.1f} stops more than the empty take"
    return [*parts, Part("empty_lit", (chosen.name,), reason), *_leave_out(still, [empty, chosen])]


def _pick_empty(still: Sequence[Candidate], sweeps: Sequence[Candidate]) -> tuple[Candidate, str]:
    """Return the take that stands still with the least light of its own, and the reason."""
    if sweeps:
        dark = sweeps[0].look.dark
        empty = min(still, key=lambda take: light_difference(take.look.rest, dark))
        near = light_difference(empty.look.rest, dark)
        return (
            empty,
            f"{_motion(empty)} moves, and its light is within {near:.2f} stops of the sweep's dark frames",
        )
    empty = min(still, key=_level)
    more = ", and it is the darkest of such takes" if len(still) > 1 else ""
    return empty, f"{_motion(empty)} moves{more}"


def _motion(take: Candidate) -> str:
    return "nothing" if take.kind == "still" else "hardly anything"


def _lamp_stops(empty: Candidate, hero: Candidate | None, sweeps: Sequence[Candidate]) -> float | None:
    """Return by how many stops an empty take is lit more than the sweep's dark frames, if the hero is too."""
    if not sweeps or hero is None:
        return None
    stops = light_difference(empty.look.rest, sweeps[0].look.dark)
    as_hero = light_difference(empty.look.rest, hero.look.rest) < stops
    return stops if stops > LIT_MORE_STOPS and as_hero and _level(empty) > 0 else None


def _leave_out(takes: Sequence[Candidate], used: Sequence[Candidate]) -> list[Part]:
    names = [take.name for take in used]
    return [
        Part("", (take.name,), "nothing moves; another such take is used")
        for take in takes
        if take.name not in names
    ]


def _level(take: Candidate) -> float:
    return float(np.mean(take.look.rest))


def _largest_gain_stops(take: Candidate, empty: Candidate) -> float:
    """How much brighter the most brightened twentieth of the picture is, in stops."""
    a, b = (np.maximum(picture.mean(axis=2), 0) + 1e-3 for picture in (take.look.rest, empty.look.rest))
    return float(np.percentile(np.log2(a / b), 95))


def _is_lit_more(take: Candidate, empty: Candidate) -> bool:
    """A fixed lamp brightens some of the picture clearly and darkens none of it."""
    return _largest_gain_stops(take, empty) > SAME_LIGHT_STOPS and _level(take) > 1.02 * _level(empty)
