"""Two made-up people built of smooth limbs, and the hat: where everything that moves is at each frame."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline, PchipInterpolator

from footage.room import PEG
from footage.shapes import Mesh, join, make_tube, make_turned, shift, turn

THIGH, SHIN, UPPER_ARM, FOREARM = 0.46, 0.45, 0.29, 0.27
UP = np.array([0.0, 1.0, 0.0])


@dataclass(frozen=True, slots=True)
class Pose:
    """One body at one moment: place on the floor, heading (degrees, 0 looks along +z), walk phase
    (radians), stride (metres), lean (degrees forward), and where each hand is (None: hangs)."""

    place: NDArray
    heading: float
    phase: float
    stride: float
    lean: float
    left_hand: NDArray | None
    right_hand: NDArray | None


def bend(root: NDArray, target: NDArray, first: float, second: float, pole: NDArray) -> tuple[NDArray, NDArray]:
    """Middle joint and end of a two-part limb from root towards target, bent towards pole."""
    way = target - root
    distance = np.clip(np.linalg.norm(way), 0.05, 0.999 * (first + second))
    way = way / max(np.linalg.norm(way), 1e-9)
    along = (first**2 - second**2 + distance**2) / (2 * distance)
    out = pole - (pole @ way) * way
    out /= np.linalg.norm(out) + 1e-9
    return root + along * way + np.sqrt(max(first**2 - along**2, 0)) * out, root + distance * way


def make_body(pose: Pose, *, smock: bool) -> dict[str, Mesh]:
    """Build a body by part: "top", "trousers", "skin", "hair", "shoes". ``smock``: a long loose garment."""
    frame = turn("y", pose.heading)[:3, :3]
    right, front = -frame[:, 0], frame[:, 2]
    bob = 0.02 * np.cos(2 * pose.phase) * (pose.stride > 0)
    hips = pose.place + (0.955 + bob) * UP - 0.06 * np.sin(np.radians(pose.lean)) * front
    tilt = np.radians(pose.lean)
    spine = np.cos(tilt) * UP + np.sin(tilt) * front
    chest, neck = hips + 0.34 * spine, hips + 0.5 * spine
    head = neck + 0.165 * (0.6 * spine + 0.4 * UP) + 0.025 * front
    parts: dict[str, list[Mesh]] = {"top": [], "trousers": [], "skin": [], "hair": [], "shoes": []}
    for sign in (-1, 1):
        _add_leg(parts, pose, hips, right * sign, front, sign)
        _add_arm(parts, pose, chest + 0.1 * spine + 0.19 * right * sign, right * sign, front, sign)
    waist = [hips - 0.05 * spine, hips + 0.12 * spine, chest, chest + 0.12 * spine, neck - 0.01 * spine]
    widths = [(0.165, 0.12), (0.15, 0.115), (0.185, 0.125), (0.175, 0.1), (0.075, 0.07)]
    if smock:
        waist = [hips - 0.3 * UP, *waist]
        widths = [(0.215, 0.15), (0.18, 0.13), (0.165, 0.125), (0.19, 0.13), (0.18, 0.105), (0.075, 0.07)]
    parts["top"].append(make_tube(waist, widths, side=right, steps=40, sides=32))
    parts["skin"].append(make_tube([neck - 0.05 * spine, head - 0.02 * front], (0.062, 0.056), side=right, steps=6))
    parts["skin"] += [_make_head(head, right, front), _make_nose(head, front)]
    parts["hair"].append(_make_hair(head, right, front, hood=not smock))
    return {name: join(*meshes) for name, meshes in parts.items()}


def _make_head(head: NDArray, right: NDArray, front: NDArray) -> Mesh:
    profile = [
        (0.0, -0.125),
        (0.04, -0.12),
        (0.06, -0.085),
        (0.07, -0.02),
        (0.074, 0.03),
        (0.066, 0.08),
        (0.04, 0.115),
        (0, 0.125),
    ]
    matrix = np.eye(4)
    matrix[:3, :3] = np.stack([right, UP, 1.18 * front], axis=1)
    matrix[:3, 3] = head
    return make_turned(profile, sides=24).moved(matrix)


def _make_nose(head: NDArray, front: NDArray) -> Mesh:
    return make_tube(
        [head + 0.035 * UP + 0.08 * front, head - 0.02 * UP + 0.1 * front], (0.01, 0.016), steps=4, sides=8
    )


def _make_hair(head: NDArray, right: NDArray, front: NDArray, *, hood: bool) -> Mesh:
    back = head - 0.02 * front
    if hood:
        path = [
            back - 0.17 * UP - 0.02 * front,
            back - 0.05 * UP - 0.02 * front,
            back + 0.06 * UP - 0.015 * front,
            back + 0.1 * UP,
        ]
        return make_tube(path, [(0.11, 0.1), (0.095, 0.095), (0.09, 0.1), (0.06, 0.07)], side=right, sides=24)
    path = [
        back - 0.06 * UP - 0.035 * front,
        back + 0.02 * UP - 0.02 * front,
        back + 0.07 * UP - 0.004 * front,
        back + 0.1 * UP,
    ]
    return make_tube(path, [(0.062, 0.045), (0.08, 0.068), (0.079, 0.082), (0.055, 0.06)], side=right, sides=24)


def _add_leg(parts: dict, pose: Pose, hips: NDArray, outward: NDArray, front: NDArray, sign: int) -> None:
    swing = pose.phase + (0 if sign > 0 else np.pi)
    lift = 0.1 * max(np.cos(swing), 0) * min(pose.stride / 0.3, 1)
    ankle = pose.place + 0.09 * outward + pose.stride * np.sin(swing) * front + (0.08 + lift) * UP
    hip = hips + 0.085 * outward
    knee, foot = bend(hip, ankle, THIGH, SHIN, front)
    parts["trousers"].append(
        make_tube(
            [hip + 0.03 * UP, (hip + knee) / 2, knee, (knee + foot) / 2, foot],
            (0.088, 0.08, 0.062, 0.06, 0.056),
            side=outward,
            steps=20,
        )
    )
    parts["shoes"].append(
        make_tube(
            [
                foot - 0.03 * UP - 0.05 * front,
                foot - 0.04 * UP + 0.06 * front,
                foot - 0.055 * UP + 0.17 * front,
            ],
            [(0.042, 0.045), (0.046, 0.036), (0.038, 0.022)],
            side=outward,
            steps=10,
        )
    )


def _add_arm(parts: dict, pose: Pose, shoulder: NDArray, outward: NDArray, front: NDArray, sign: int) -> None:
    target = pose.right_hand if sign > 0 else pose.left_hand
    if target is None:
        swing = np.sin(pose.phase + (np.pi if sign > 0 else 0)) * min(pose.stride, 0.3)
        target = shoulder - 0.52 * UP + 0.06 * outward + (0.08 + 0.6 * swing) * front
    elbow, wrist = bend(shoulder, target, UPPER_ARM, FOREARM, -0.6 * UP + 0.5 * outward - 0.4 * front)
    way = (wrist - elbow) / np.linalg.norm(wrist - elbow)
    parts["top"].append(
        make_tube(
            [
                shoulder - 0.02 * outward + 0.01 * UP,
                (shoulder + elbow) / 2,
                elbow,
                (elbow + wrist) / 2,
                wrist - 0.03 * way,
            ],
            (0.066, 0.056, 0.05, 0.044, 0.04),
            side=front,
            steps=20,
        )
    )
    parts["skin"].append(
        make_tube(
            [wrist - 0.05 * way, wrist + 0.02 * way, wrist + 0.07 * way, wrist + 0.12 * way],
            [(0.026, 0.026), (0.04, 0.024), (0.042, 0.024), (0.025, 0.016)],
            side=outward,
            steps=10,
        )
    )


# --- the sweep -------------------------------------------------------------------------------------

# share of the sweep, body x, body z, lamp x, lamp y, lamp z
SWEEP_STATIONS = np.array(
    [
        (0.00, -1.75, 6.60, -1.25, 1.55, 6.05),
        (0.08, -1.55, 5.75, -1.15, 1.75, 5.20),
        (0.16, -1.45, 4.90, -1.30, 1.15, 4.30),
        (0.24, -1.15, 3.95, -1.15, 1.60, 3.45),
        (0.31, -1.05, 3.05, -1.30, 2.05, 2.65),
        (0.38, -1.25, 2.00, -1.55, 1.45, 1.60),
        (0.45, -1.10, 1.75, -1.15, 1.25, 1.25),
        (0.52, -0.30, 1.70, -0.35, 2.05, 1.25),
        (0.58, 0.35, 1.75, 0.65, 1.55, 1.30),
        (0.64, 0.95, 1.85, 1.25, 2.20, 1.50),
        (0.70, 1.35, 2.00, 1.75, 1.20, 1.65),
        (0.76, 1.55, 2.85, 1.85, 0.75, 2.45),
        (0.82, 1.75, 3.70, 1.45, 1.75, 3.40),
        (0.87, 1.70, 4.60, 1.25, 1.05, 4.35),
        (0.92, 1.40, 5.40, 0.90, 1.25, 5.25),
        (0.96, 1.25, 5.75, 0.55, 1.45, 5.60),
        (1.00, 1.60, 6.10, 1.35, 1.85, 5.70),
    ]
)


def pose_carrier(share: float) -> tuple[Pose, NDArray]:
    """The carrier and the lamp's centre at a share 0..1 of the sweep; the hand shakes a little."""
    path = CubicSpline(SWEEP_STATIONS[:, 0], SWEEP_STATIONS[:, 1:])
    body, way = path(share)[:2], path(share, 1)[:2]
    lamp = path(share)[2:] + 0.014 * np.sin(share * np.array([171.0, 133.0, 97.0]) + np.array([0.3, 1.1, 2.0]))
    place = np.array([body[0], 0, body[1]])
    to_lamp = lamp - place
    walk = np.degrees(np.arctan2(way[0], way[1]))
    look = np.degrees(np.arctan2(to_lamp[0], to_lamp[2]))
    heading = look - 25 + 0.25 * ((walk - look + 180) % 360 - 180)
    travelled = path_length(path, share)
    hand = lamp - np.array([0, 0.13, 0])
    shoulder = place + 1.4 * UP
    reach = UPPER_ARM + FOREARM
    away = hand - shoulder
    lean = float(np.clip(22 * (np.linalg.norm(away) - reach), -4, 12))
    if np.linalg.norm(away) > 1.1 * reach:  # the body follows the lamp, never the lamp the body
        place = place + (away * (1 - 1.1 * reach / np.linalg.norm(away))) * np.array([1, 0, 1])
    return Pose(
        place, heading, 2 * np.pi * travelled / 1.4, 0.27, lean, None, hand - 0.1 * _unit(hand - shoulder)
    ), lamp


def _unit(vector: NDArray) -> NDArray:
    return vector / (np.linalg.norm(vector) + 1e-9)


def path_length(path: CubicSpline, share: float) -> float:
    """Distance walked since the start of the sweep, metres."""
    at = np.linspace(0, share, 60)
    steps = np.diff(path(at)[:, :2], axis=0)
    return float(np.hypot(steps[:, 0], steps[:, 1]).sum())


def make_handle(lamp: NDArray) -> Mesh:
    """The stick under the lamp."""
    return make_tube([lamp - (0, 0.2, 0), lamp - (0, 0.055, 0)], (0.013, 0.02), steps=3, sides=10)


# --- the hero --------------------------------------------------------------------------------------

# share of the take, x, z, heading, stride, lean, right hand offset (x, y, z), left hand offset
HERO_STATIONS = np.array(
    [
        (0.00, -1.20, 1.85, 35, 0.00, 4, 0.18, 0.95, 0.30, -0.20, 0.88, 0.15),
        (0.10, -1.18, 1.90, 45, 0.05, 3, 0.15, 0.92, 0.30, -0.20, 0.86, 0.15),
        (0.30, -0.85, 2.55, 50, 0.24, 2, 0.12, 0.86, 0.18, -0.22, 0.84, 0.10),
        (0.45, -0.50, 3.02, 80, 0.10, 8, 0.42, 1.10, 0.06, -0.10, 0.86, 0.22),
        (0.58, -0.44, 3.05, 95, 0.00, 16, 0.58, 1.16, -0.05, 0.10, 0.95, 0.24),
        (0.70, -0.50, 3.05, 92, 0.04, 4, 0.50, 1.35, 0.00, 0.00, 1.02, 0.26),
        (0.85, -0.72, 3.02, 85, 0.08, -6, 0.38, 1.48, 0.10, -0.05, 1.10, 0.30),
        (1.00, -0.80, 3.00, 82, 0.00, -7, 0.36, 1.55, 0.10, -0.04, 1.18, 0.30),
    ]
)


def pose_hero(share: float) -> Pose:
    """The figure of the hero take at a share 0..1: leaves the bench, bends to the chest, steps back."""
    now = PchipInterpolator(HERO_STATIONS[:, 0], HERO_STATIONS[:, 1:])(share)
    place = np.array([now[0], 0, now[1]])
    right, left = place + now[5:8], place + now[8:11]
    return Pose(place, now[2], 2 * np.pi * share * 4.5, now[3], now[4], left, right)


# --- the hat ---------------------------------------------------------------------------------------


def pose_hat(seconds: float, attempt: int) -> NDArray:
    """4 x 4 pose of the hat: hung on its peg until 0.2 s, then falling; ``attempt`` 0 means it hangs."""
    hung = shift(*(PEG + (0.0, -0.03, 0.075))) @ turn("x", 74)
    time = max(seconds - 0.2, 0.0)
    if attempt == 0 or time == 0:
        return hung
    drift = {1: (0.05, 0.35), 2: (-0.22, 0.5), 3: (0.12, 0.75)}[attempt]
    spin = {1: (-90, 10), 2: (230, 60), 3: (-380, -45)}[attempt]
    landing = np.sqrt(2 * (PEG[1] - 0.05) / 9.81)
    t = min(time, landing)
    slide = min(max(time - landing, 0), 0.18) * 0.8
    place = PEG + (drift[0] * (t + slide), -0.03 - 4.905 * t**2, 0.075 + drift[1] * (t + slide))
    place[1] = max(place[1], 0.035)
    level = 74 + (round((74 + spin[0]) / 360) * 360 - 74) * t / landing
    return shift(*place) @ turn("y", spin[1] * t / landing) @ turn("x", level)
