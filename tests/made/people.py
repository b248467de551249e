"""Who carries the lamp: a path through the room and a figure of capsules that reaches for the lamp."""

from dataclasses import dataclass

import numpy as np

from made.scene import SKIN, capsule

CLOTH = (0.035, 0.035, 0.042)


@dataclass(frozen=True)
class Walk:
    """Per frame: lamp position (n, 3), foot position (n, 2) in x and z, lamp lit (n,), figure there (n,)."""

    lamp: np.ndarray
    foot: np.ndarray
    lit: np.ndarray
    present: np.ndarray


def spline_through(points, count):
    """Catmull-Rom through ``points`` at ``count`` even steps."""
    p = np.asarray(points, float)
    p = np.vstack([2 * p[0] - p[1], p, 2 * p[-1] - p[-2]])
    u = np.linspace(0, len(p) - 3 - 1e-9, count)
    i = u.astype(int)
    t = (u - i)[:, None]
    a, b, c, d = p[i], p[i + 1], p[i + 2], p[i + 3]
    return 0.5 * (2 * b + (c - a) * t + (2 * a - 5 * b + 4 * c - d) * t**2 + (3 * b - a - 3 * c + d) * t**3)


def _way_points(room, rng, *, big_carrier, unreached, dim_corner):
    """Foot (x, z) and lamp (x, y, z) at each way point; the lamp leads towards walls and ceiling."""
    x0, x1, y1 = room[0], room[3], room[4]
    rows = [
        ((-0.9, -1.0), (x0 + 0.8, 1.3, -0.5)),
        ((x0 + 1.1, 0.3), (x0 + 0.55, 1.9, 0.9)),
        ((x0 + 1.2, 1.7), (x0 + 0.7, 0.9, 2.1)),
        ((x0 + 1.3, 3.0), (x0 + 0.95, 1.7, 3.5)),
        ((-0.6, 3.6), (-0.9, 1.0, 4.1)),
        ((-0.1, 3.9), (-0.1, 2.05, 4.4)),
        ((0.3, 3.8), (0.8, 1.2, 4.2)),
        ((0.5, 2.9), (1.0, 1.9, 3.3)),
        ((0.6, 1.7), (1.15, 0.8, 2.2)),
        ((0.3, 1.2), (0.2, y1 - 0.55, 1.9)),
        ((0.5, 0.55), (0.22, 1.25, 0.75)),
        ((1.0, -0.6), (x1 - 0.6, 1.4, -0.2)),
        ((0.4, -1.3), (0.9, 2.0, -0.9)),
    ]
    if big_carrier:
        rows[8:11] = [((0.3, 1.5), (0.75, 1.5, 1.9)), ((-0.1, 0.95), (0.35, 1.3, 1.35)), ((0.25, 0.8), (0.7, 1.5, 1.2))]
    if unreached:
        rows = [*rows[:6], ((-0.5, 1.6), (-0.45, 2.1, 2.0)), ((x0 + 1.3, 0.9), (x0 + 0.9, 1.2, 1.5))]
    elif dim_corner:
        rows = [*rows[:6], *rows[9:]]
    foot = np.array([r[0] for r in rows], float) + rng.uniform(-0.12, 0.12, (len(rows), 2))
    lamp = np.array([r[1] for r in rows], float) + rng.uniform(-0.15, 0.15, (len(rows), 3)) * [1, 1, 0.7]
    return foot, lamp


def plan_walk(room, rng, *, count, lead, gap, backwards, big_carrier, unreached, dim_corner, walker, lamp_on_first):
    """Walk the lamp round the room in ``count`` frames, ``lead`` of them dark at each end.

    ``gap``: frames in the middle with the lamp covered. ``walker``: somebody in dark clothes crosses the dark
    lead-in or the gap without a lit lamp. ``lamp_on_first``: the take starts with the lamp on.
    """
    foot_points, lamp_points = _way_points(
        room, rng, big_carrier=big_carrier, unreached=unreached, dim_corner=dim_corner
    )
    if backwards:
        foot_points, lamp_points = foot_points[::-1], lamp_points[::-1]
    start = 0 if lamp_on_first else lead
    lit = np.zeros(count, bool)
    lit[start : count - lead] = True
    middle = start + (count - lead - start) // 2
    lit[middle - gap // 2 : middle - gap // 2 + gap] = False
    steps = int(lit.sum())
    t = np.linspace(0, 1, steps)
    wobble = sum(
        rng.normal(0, 0.018, 3) * np.sin(2 * np.pi * (rng.uniform(2, 9) * t[:, None] + rng.uniform(0, 1, 3)))
        for _ in range(4)
    )
    lamp, foot = np.zeros((count, 3)), np.zeros((count, 2))
    lamp[lit] = spline_through(lamp_points, steps) + wobble
    foot[lit] = spline_through(foot_points, steps)
    present = lit.copy()
    if walker:
        dark = np.arange(middle - gap // 2, middle - gap // 2 + gap) if gap else np.arange(max(start, 1))
        share = np.linspace(0, 1, len(dark))[:, None]
        foot[dark] = np.array([-1.6, 2.6]) * (1 - share) + np.array([1.6, 2.4]) * share
        lamp[dark] = np.column_stack([foot[dark, 0] + 0.3, np.full(len(dark), 0.9), foot[dark, 1]])
        present[dark] = True
    return Walk(lamp, foot, lit, present)


def plan_hero(count, lead):
    """Somebody crosses the room between ``lead`` empty frames at each end; no carried lamp."""
    foot, lamp, present = np.zeros((count, 2)), np.zeros((count, 3)), np.zeros(count, bool)
    present[lead : count - lead] = True
    share = np.linspace(0, 1, int(present.sum()))[:, None]
    foot[present] = np.array([-1.3, 3.2]) * (1 - share) + np.array([0.9, 2.0]) * share
    lamp[present] = np.column_stack([foot[present, 0] + 0.5, 1.1 + 0.3 * np.sin(6 * share[:, 0]), foot[present, 1]])
    return Walk(lamp, foot, np.zeros(count, bool), present)


def figure(lamp, foot, cloth=CLOTH):
    """Capsules of a standing figure whose right hand holds the lamp, their albedo, and a ball round them all."""
    lamp, ground = np.asarray(lamp, float), np.array([foot[0], 0.0, foot[1]])
    out = lamp - ground
    out[1] = 0
    reach = np.linalg.norm(out) + 1e-9
    ahead = out / reach
    side = np.array([ahead[2], 0.0, -ahead[0]])
    lean = ahead * min(0.25, max(0.0, reach - 0.55))
    hips, chest = ground + [0, 0.95, 0] + 0.3 * lean, ground + [0, 1.36, 0] + lean
    head = ground + [0, 1.66, 0] + 1.2 * lean
    hand = lamp - [0, 0.12, 0] - 0.03 * ahead
    shoulder = chest + 0.19 * side + [0, 0.06, 0]
    middle = 0.5 * (shoulder + hand)
    slack = max(0.0, 0.36**2 - float(np.sum((hand - shoulder) ** 2)) / 4) ** 0.5
    elbow = middle + 0.6 * slack * side - [0, 0.5 * slack, 0]
    other = chest - 0.2 * side + [0, 0.04, 0]
    parts = [
        (capsule(hips + 0.07 * side, chest + 0.09 * side, 0.14), cloth),
        (capsule(hips - 0.07 * side, chest - 0.09 * side, 0.14), cloth),
        (capsule(chest + [0, 0.1, 0], head - [0, 0.1, 0], 0.07), cloth),
        (capsule(head, head + [0, 0.05, 0] - 0.02 * ahead, 0.105), cloth),
        (capsule(head + 0.045 * ahead - [0, 0.05, 0], head + 0.05 * ahead + [0, 0.03, 0], 0.085), SKIN),
        (capsule(hips + 0.10 * side, ground + 0.11 * side + [0, 0.08, 0], 0.085), cloth),
        (capsule(hips - 0.10 * side, ground - 0.11 * side + [0, 0.08, 0], 0.085), cloth),
        (capsule(shoulder, elbow, 0.06), cloth),
        (capsule(elbow, hand - 0.08 * (hand - elbow), 0.05), cloth),
        (capsule(hand - 0.05 * ahead, hand + [0, 0.05, 0], 0.042), SKIN),
        (capsule(other, other - [0, 0.5, 0] - 0.06 * side, 0.06), cloth),
        (capsule(other - [0, 0.58, 0] - 0.06 * side, other - [0, 0.66, 0] - 0.06 * side, 0.045), SKIN),
    ]
    people = np.array([p[0] for p in parts], np.float64)
    ends = np.vstack([people[:, 2:5], people[:, 5:8]])
    centre = 0.5 * (ends.min(0) + ends.max(0))
    radius = np.max(np.linalg.norm(ends - centre, axis=1)) + 0.16
    return people, np.array([p[1] for p in parts], np.float64), np.array([*centre, radius])


NOBODY = (np.zeros((0, 10)), np.zeros((0, 3)), np.array([0.0, -100.0, 0.0, 0.001]))
