"""Verdicts in plain words: what each figure of a take means and what to do about it."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

import numpy as np
from numpy.typing import NDArray

from lightstack.records import FrameTable, Hole, Registration, Verdict
from lightstack.report.phrases import say_count, say_frames, say_list, say_px, say_share, say_sigma, say_stops

GRADES = ("good", "usable", "reshoot")

# Where "good" ends and where "reshoot" begins. Common practice of the trade, not a standard: a per
# cent of clipped pixels is a lamp's own disc, a tenth of a stop is what an eye finds in a cut.
CLIPPED_SHARE = (0.01, 0.25)  # mean over the lit frames, worst channel
DRIFT_STOPS = (0.10, 1.0)  # largest over the lit frames, any channel
SMEAR_PX = (4.0, 24.0)  # median over the lit frames, at full size
BLOCKED_SHARE = (0.15, 0.60)  # mean over the lit frames
FLARE_SHARE = (0.10, 0.60)  # mean over the lit frames
LEFT_OUT_SHARE = (0.05, 0.40)  # frames whose position is not to be believed
SHIFT_PX = (0.5, 20.0)  # largest corner shift that was put back
REACH_SHARE = (0.97, 0.60)  # of the picture; falls
LAMP_SIGMA = (20.0, 5.0)  # the brightest frame's lamp light in standard errors; falls
COVERAGE = (0.98, 0.80)  # falls
LIT_FRAMES = (24, 3)  # falls
DARK_SECONDS_ADVICE = "three seconds with the lamp covered at the head and the tail"


def grade_value(value: float, limits: tuple[float, float]) -> int:
    """Return 0 good, 1 usable, 2 reshoot. ``limits`` = (end of good, start of reshoot), rising or falling;
    a value that was not measured (NaN) counts as good."""
    good, bad = limits
    if math.isnan(value):
        return 0
    if bad >= good:
        return int(value > good) + int(value >= bad)
    return int(value < good) + int(value <= bad)


def worst_grade(grades: Iterable[str]) -> str:
    """Return the worst of some grades; "good" where there are none."""
    return max((g for g in grades if g in GRADES), key=GRADES.index, default="good")


def grade_sweep(
    take: str,
    table: FrameTable,
    *,
    coverage: float = math.nan,
    key_count: int | None = None,
    reach_share: float = math.nan,
    holes: Sequence[Hole] = (),
    registration: Registration | None = None,
) -> Verdict:
    """Judge a sweep take from its per-frame numbers.

    ``coverage`` 0..1 of the chosen key frames, ``reach_share`` 0..1 of the picture. Figures that are NaN
    were not measured and are not judged. The worst single figure decides the grade; every figure that is
    not good brings one sentence that says what to do about it.
    """
    lit = np.asarray(table.lamp_on, bool)
    if not lit.any():
        return Verdict(
            take, "reshoot", ("The lamp is not seen at all: no frame is brighter than the noise.",)
        )
    findings = [
        _find_lamp(table, lit),
        _find_dark(lit),
        _find_clipping(table, lit),
        _find_smear(table, lit),
        _find_blocked(table, lit),
        _find_flare(table, lit),
        _find_drift(table, lit),
        *([_find_movement(registration, len(lit))] if registration else []),
        _find_coverage(coverage, key_count),
        _find_reach(reach_share, holes),
    ]
    return _gather(take, [f for f in findings if f[1]])


def grade_locked(
    take: str, registration: Registration, frame_count: int, *, drift_stops: float = math.nan
) -> Verdict:
    """Judge a hero, empty or clean take: did the camera stand still, did exposure or white balance wander."""
    findings = [_find_movement(registration, frame_count)]
    level = grade_value(abs(drift_stops), DRIFT_STOPS)
    if level:
        findings.append(
            (
                level,
                f"Exposure or white balance wandered by {say_stops(drift_stops, signed=False)}; lock both.",
            )
        )
    return _gather(take, findings)


def _gather(take: str, findings: Sequence[tuple[int, str]]) -> Verdict:
    """Make a verdict: the worst finding first, the rest in their order."""
    worst = max((level for level, _ in findings), default=0)
    ordered = sorted(findings, key=lambda finding: -finding[0])
    return Verdict(take, GRADES[worst], tuple(sentence for _, sentence in ordered))


def _mean(values: NDArray) -> float:
    """Mean of what was measured; NaN where nothing was (numpy would warn)."""
    kept = values[np.isfinite(values)]
    return float(kept.mean()) if kept.size else math.nan


def _worst_channel(values: NDArray) -> tuple[float, str]:
    """The largest per-channel mean of ``(n, 3)`` and that channel's name."""
    means = [_mean(values[:, c]) for c in range(3)]
    worst = int(np.argmax([-1.0 if math.isnan(m) else m for m in means]))
    return means[worst], ("red", "green", "blue")[worst]


def _find_lamp(table: FrameTable, lit: NDArray[np.bool_]) -> tuple[int, str]:
    count, stretches = int(lit.sum()), len(set(table.stretch[lit].tolist()) - {-1})
    measured = np.asarray(table.lamp_sigma, float)[lit]
    measured = measured[np.isfinite(measured)]
    strongest = float(measured.max()) if measured.size else math.nan
    level = max(grade_value(count, LIT_FRAMES), grade_value(strongest, LAMP_SIGMA))
    frames = table.source_frames[lit]
    told = f"The lamp is on in {say_count(count, 'frame')} ({say_frames(frames.tolist())})"
    told += f", in {stretches} stretches" if stretches > 1 else ""
    if grade_value(strongest, LAMP_SIGMA):
        told += f" but rises to only {say_sigma(strongest)}: bring a stronger lamp, or open the lens"
    elif level:
        told += ": walk slower, so that every place is lit for a moment"
    return level, told + "."


def _find_dark(lit: NDArray[np.bool_]) -> tuple[int, str]:
    dark = int((~lit).sum())
    if dark >= 12:
        return 0, f"{say_count(dark, 'frame')} without the lamp give the room's own light."
    told = f"Only {dark} frames" if dark > 1 else say_count(dark, "frame").capitalize()
    return 1, f"{told} without the lamp: leave {DARK_SECONDS_ADVICE}, or film an empty take."


def _find_clipping(table: FrameTable, lit: NDArray[np.bool_]) -> tuple[int, str]:
    share, channel = _worst_channel(np.asarray(table.clipped)[lit])
    level = grade_value(share, CLIPPED_SHARE)
    if not level:
        return 0, ""
    return level, (
        f"{say_share(share)} of the picture is clipped in {channel} while the lamp is on: "
        "the gel's colour is lost there. Expose lower or keep the lamp further off."
    )


def _find_smear(table: FrameTable, lit: NDArray[np.bool_]) -> tuple[int, str]:
    smear = np.asarray(table.smear_px)[lit]
    smear = smear[np.isfinite(smear)]
    middle = float(np.median(smear)) if smear.size else math.nan
    level = grade_value(middle, SMEAR_PX)
    return (
        level,
        f"The light's edges move {say_px(middle)} while the shutter is open: carry the lamp slower." if level else "",
    )


def _find_blocked(table: FrameTable, lit: NDArray[np.bool_]) -> tuple[int, str]:
    share = _mean(np.asarray(table.blocked)[lit])
    level = grade_value(share, BLOCKED_SHARE)
    if not level:
        return 0, ""
    return level, (
        f"Lamp and carrier cover {say_share(share)} of the picture on average: "
        "stay out of frame where you can and walk a second pass the other way."
    )


def _find_flare(table: FrameTable, lit: NDArray[np.bool_]) -> tuple[int, str]:
    share = _mean(np.asarray(table.flare)[lit])
    level = grade_value(share, FLARE_SHARE)
    if not level:
        return 0, ""
    return (
        level,
        f"The lamp veils the lens (flare {say_share(share)} of its light): keep the beam off the lens.",
    )


def _find_drift(table: FrameTable, lit: NDArray[np.bool_]) -> tuple[int, str]:
    drift = np.asarray(table.drift_stops, float)
    drift = drift[lit & np.isfinite(drift).all(axis=1)]
    worst = float(np.abs(drift).max()) if drift.size else math.nan
    level = grade_value(worst, DRIFT_STOPS)
    if not level:
        return 0, ""
    return level, (
        f"Exposure or white balance wanders by up to {say_stops(worst, signed=False)}: "
        "lock both; for this take set hold_exposure = true."
    )


def _find_movement(registration: Registration, frame_count: int) -> tuple[int, str]:
    moved = [s for s in registration.stretches if not s.identity]
    left_out = len(registration.left_out)
    shift = max((s.shift_px for s in moved), default=0.0)
    level = max(grade_value(left_out / max(frame_count, 1), LEFT_OUT_SHARE), grade_value(shift, SHIFT_PX))
    if not moved and not left_out:
        return 0, "The camera stood still."
    told = []
    if moved:
        runs = say_list([f"{s.first}\u2013{s.last}" for s in moved[:6]])
        told.append(f"The camera moved by up to {say_px(shift)} and was put back (frames {runs})")
    if left_out:
        told.append(
            f"{say_count(left_out, 'frame')} left out, position unsure ({say_frames(registration.left_out)})"
        )
    return level, "; ".join(told) + "."


def _find_coverage(coverage: float, key_count: int | None) -> tuple[int, str]:
    if math.isnan(coverage):
        return 0, ""
    level = grade_value(coverage, COVERAGE)
    chosen = f"{say_count(key_count, 'key frame')} hold" if key_count else "The key frames hold"
    told = f"{chosen} {say_share(coverage)} of what the whole sweep lights."
    return level, told + (" Allow more key frames (max_keys)." if level else "")


def _find_reach(share: float, holes: Sequence[Hole]) -> tuple[int, str]:
    if math.isnan(share):
        return 0, ""
    level = grade_value(share, REACH_SHARE)
    told = f"The light reached {say_share(share)} of the picture"
    if holes:
        told += f"; {say_count(len(holes), 'place')} left dark: {say_list([h.where for h in holes[:6]])}"
    return level, told + ("; light them in a further pass." if level else ".")
