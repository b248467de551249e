"""What changed between two takes of one set: framing, the room's light, and things that were moved."""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import isfinite

import numpy as np
from numpy.typing import NDArray

from lightstack.core.check.compare import compare_exposure
from lightstack.core.check.moved import SAME_SHARE, Moved, find_moved
from lightstack.core.register.register import PoseFit, measure_pose
from lightstack.core.warp import corner_shift_px, warp_picture
from lightstack.records import Figure, Finding, FloatArray, NoiseModel

__all__ = ["Between", "check_between", "check_moved", "compare_takes"]

SHIFT_PX = (0.5, 20.0)  # full-size pixels, worst corner; common practice
AMBIENT_STOPS = (0.10, 1.0)  # common practice: a tenth of a stop is where a match by eye begins to fail
LEAST_AGREEMENT = 0.3  # made rooms in other light agree by 0.43 and more, two rooms of one plan by 0.24 at most
MOVED_SHARE = 0.05  # of the picture in moved things, from which the takes do not belong together


@dataclass(frozen=True, slots=True)
class Between:
    """Two takes compared. ``pose``: of the other take against the reference, full-size pixels; ``shift_px`` (2,) of the
    middle, ``turn_deg``, ``scale``, ``corner_px`` of the worst corner; ``stops`` (3,) by which the other take is
    brighter, NaN not known; ``same_light`` share of the picture that keeps its light; ``moved`` the largest first."""

    pose: PoseFit
    shift_px: tuple[float, float]
    turn_deg: float
    scale: float
    corner_px: float
    stops: NDArray[np.float64]
    same_light: float
    moved: tuple[Moved, ...]


def compare_takes(
    reference: FloatArray,
    other: FloatArray,
    *,
    noise: NoiseModel,
    factor: int = 1,
    averaged: tuple[int, int] = (1, 1),
) -> Between:
    """Compare two takes of one set by a picture of each.

    ``reference``, ``other``: ``(h, w, 3)`` linear light in one space, box-averaged by ``factor``, best means of frames
    in which whoever moves has dropped out; ``averaged``: how many frames each is a mean of. ``noise``: of one frame at
    that size.

    Notes: about 0.2 s at 640 x 360. Nothing is called moved where the framing cannot be matched.
    """
    pose = _fit_pose(reference, other, noise, factor, averaged)
    pose = replace(pose, converged=pose.converged and pose.agreement >= LEAST_AGREEMENT)
    height, width = (side * factor for side in reference.shape[:2])
    matrix = pose.matrix if pose.converged else np.eye(3)
    if corner_shift_px(matrix, (height, width)) < max(0.03, 3 * pose.standard_error_px):
        matrix = np.eye(3)
    middle = matrix @ (width / 2, height / 2, 1)
    moved: tuple[Moved, ...] = ()
    stops, same = np.full(3, np.nan), float("nan")
    if pose.converged:
        laid, seen = warp_picture(np.asarray(other, np.float32), matrix, factor=factor)
        stops = compare_exposure(laid, np.asarray(reference, np.float32), noise=noise)
        # what a registered picture did not see is exactly nothing
        seen = seen & np.any(laid != 0, axis=2) & np.any(np.asarray(reference) != 0, axis=2)
        moved, same = find_moved(reference, laid, noise=noise, factor=factor, averaged=averaged, usable=seen)
    return Between(
        pose=pose,
        shift_px=(float(middle[0] / middle[2] - width / 2), float(middle[1] / middle[2] - height / 2)),
        turn_deg=float(np.degrees(np.arctan2(matrix[1, 0] - matrix[0, 1], matrix[0, 0] + matrix[1, 1]))),
        scale=float(np.sqrt(abs(np.linalg.det(matrix[:2, :2])))),
        corner_px=corner_shift_px(matrix, (height, width)),
        stops=stops,
        same_light=same,
        moved=moved,
    )


def _fit_pose(
    reference: FloatArray, other: FloatArray, noise: NoiseModel, factor: int, averaged: tuple[int, int]
) -> PoseFit:
    """Fit a rigid pose, or a freer one where that moves a corner measurably more."""
    rigid = measure_pose(reference, other, model="euclidean", factor=factor, noise=noise, averaged=averaged)
    if not rigid.converged:
        return rigid
    free = measure_pose(
        reference, other, model="affine", start=rigid.matrix, factor=factor, noise=noise, averaged=averaged
    )
    size = (reference.shape[0] * factor, reference.shape[1] * factor)
    gap = corner_shift_px(free.matrix @ np.linalg.inv(rigid.matrix), size)
    return free if free.converged and gap > max(0.1, 5 * free.standard_error_px) else rigid


def check_between(between: Between, *, names: tuple[str, str] = ("the first take", "the second")) -> Finding:
    """Judge what ``compare_takes`` found between two takes, ``names`` of the reference and the other one."""
    figures = _figures(between)
    if not between.pose.converged:
        says = f"The framing of {names[1]} cannot be matched to that of {names[0]}."
        remedy = "Set the camera back to the mark, with the same lens and zoom, and shoot the take again."
        return Finding("between takes", "reshoot", says, remedy, figures)
    stops = between.stops[np.isfinite(between.stops)]
    ambient = float(np.abs(stops).max(initial=0.0))
    share = sum(thing.share for thing in between.moved)
    sure = between.corner_px > 3 * between.pose.standard_error_px
    levels = [
        int(sure and between.corner_px > SHIFT_PX[0]) + int(sure and between.corner_px >= SHIFT_PX[1]),
        int(ambient > AMBIENT_STOPS[0]) + int(ambient >= AMBIENT_STOPS[1]),
        int(bool(between.moved)) + int(share >= MOVED_SHARE),
    ]
    told, advice = zip(
        _tell_framing(between, levels[0]), _tell_light(between, levels[1]), _tell_moved(between), strict=True
    )
    says = f"{names[1]} against {names[0]}: {'; '.join(part for part in told if part)}."
    boxes = tuple(thing.box for thing in between.moved)
    remedy = " ".join(part for part, level in zip(advice, levels, strict=True) if part and level)
    return Finding("between takes", ("good", "usable", "reshoot")[max(levels)], says, remedy, figures, (), boxes)


def check_moved(between: Between, *, names: tuple[str, str]) -> Finding:
    """Judge things moved alone, between two takes that were registered to each other before."""
    share = sum(thing.share for thing in between.moved)
    level = int(bool(between.moved)) + int(share >= MOVED_SHARE)
    says, remedy = _tell_moved(between)
    figures = (
        Figure("things moved", len(between.moved), "", 0),
        Figure("moved area", 100 * share, "%"),
    )
    boxes = tuple(thing.box for thing in between.moved)
    grade = ("good", "usable", "reshoot")[level]
    return Finding("between takes", grade, f"{names[1]} against {names[0]}: {says}.", remedy, figures, (), boxes)


def _figures(between: Between) -> tuple[Figure, ...]:
    stops = [(n, v) for n, v in zip(("red", "green", "blue"), between.stops, strict=True) if isfinite(v)]
    return (
        Figure("shift across", between.shift_px[0], "px"),
        Figure("shift down", between.shift_px[1], "px"),
        Figure("rotation", between.turn_deg, "°", 3),
        Figure("scale", 100 * (between.scale - 1), "%", 3),
        Figure("worst corner", between.corner_px, "px"),
        Figure("left after registration", between.pose.standard_error_px, "px"),
        *(Figure(f"ambient, {name}", float(value), "stops") for name, value in stops),
        Figure("things moved", len(between.moved), "", 0),
        Figure("moved area", 100 * sum(thing.share for thing in between.moved), "%"),
    )


def _tell_framing(between: Between, level: int) -> tuple[str, str]:
    if not level:
        return f"same framing (worst corner {between.corner_px:.2f} px)", ""
    dx, dy = between.shift_px
    says = f"framing off by {dx:+.2f}, {dy:+.2f} px, {between.turn_deg:+.3f}°, {100 * (between.scale - 1):+.2f} %"
    says = f"{says.replace('-', '−')} (worst corner {between.corner_px:.2f} px); the registration takes it out"
    says += f" to {between.pose.standard_error_px:.2f} px"
    return says, "Set the camera back to its mark, or lock the head; a rim of the picture is lost."


def _tell_light(between: Between, level: int) -> tuple[str, str]:
    known = np.isfinite(between.stops)
    if not known.any():
        return "too dark to compare the room's light", ""
    if not level:
        return "the room's light is the same", ""
    values = ", ".join(
        f"{name} {value:+.2f}"
        for name, value in zip(("red", "green", "blue"), between.stops, strict=True)
        if isfinite(value)
    ).replace("-", "−")
    return f"the room's light differs: {values} stops", (
        "Use one exposure and white for all takes, shut out daylight; if light was added on purpose, state `stops`."
    )


def _tell_moved(between: Between) -> tuple[str, str]:
    if not between.moved:
        plain = between.same_light < SAME_SHARE
        return "nothing with texture was moved" if plain else "nothing was moved", ""
    places = ", ".join(
        f"{thing.where} ({thing.box[2] - thing.box[0]:.0f} x {thing.box[3] - thing.box[1]:.0f} px)"
        for thing in between.moved[:4]
    )
    more = f" and {len(between.moved) - 4} more" if len(between.moved) > 4 else ""
    count = len(between.moved)
    says = f"{count} {'place shows' if count == 1 else 'places show'} something else: {places}{more}"
    if between.same_light < SAME_SHARE:
        says += " (the light differs, so some may be shadows)"
    return says, "Put it back where it stood, or shoot both takes again with the set untouched."
