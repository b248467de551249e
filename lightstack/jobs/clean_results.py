"""A clean plate written, drawn and put into words."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from lightstack.core.display import display_srgb
from lightstack.files.plates import write_exr, write_png
from lightstack.jobs.clean import CleanOutcome
from lightstack.records import Hole, Verdict
from lightstack.report.pictures import SIGNAL, draw_reach

__all__ = ["describe_clean", "draw_confidence", "judge_clean", "name_files", "write_clean"]

PICTURE_SIDE = 1920  # pixels of the confidence picture's longer side
TINT = 0.75  # of the signal colour where a place was hardly seen


def name_files(stem: str) -> tuple[str, str, str, str]:
    """Return the names of what `write_clean` writes, the plate first."""
    return f"{stem}.exr", f"{stem}.png", f"{stem}_seen.exr", f"{stem}_seen.png"


def write_clean(folder: Path, stem: str, outcome: CleanOutcome) -> list[tuple[str, str]]:
    """Write a clean plate, the same to look at, and what is known of it; return names and what they are."""
    names = name_files(stem)
    write_exr(folder / names[0], outcome.light, primaries=outcome.primaries)
    write_png(folder / names[1], display_srgb(outcome.light, outcome.primaries))
    known: dict[str, NDArray] = {
        "seen": outcome.seen,
        "frames": outcome.count,
        "hole": outcome.holes,
        "filled": outcome.painted,
    }
    planes = {name: plane.astype(np.float32) for name, plane in known.items()}
    planes |= {f"noise.{c}": outcome.sigma[..., i] for i, c in enumerate("RGB")}
    write_exr(folder / names[2], planes, primaries=outcome.primaries, half=False)
    write_png(folder / names[3], draw_confidence(outcome))
    return [
        (names[0], "clean plate, linear light"),
        (names[1], "clean plate to look at"),
        (names[2], "how often each pixel was seen, of how many frames it is, holes, noise left"),
        (names[3], "confidence picture: tinted where rarely seen, hatched and numbered where nothing clean is known"),
    ]


def draw_confidence(outcome: CleanOutcome) -> NDArray[np.uint8]:
    """Draw how often each place was really seen: tinted where seldom; holes hatched, ringed and numbered."""
    height, width = outcome.seen.shape
    step = max(1, -(-max(height, width) // PICTURE_SIDE))
    bright = display_srgb(outcome.light[::step, ::step], outcome.primaries, exposure_stops=lift_stops(outcome.light))
    share = np.clip(outcome.seen[::step, ::step, None], 0, 1)
    tinted = bright * (1 - TINT * (1 - share)) + np.array(SIGNAL, np.float32) * (TINT * (1 - share))
    places = number_places(outcome)
    sound = ~outcome.holes[::step, ::step]
    return draw_reach(np.rint(tinted).astype(np.uint8), sound, places, full_size=(height, width))


def lift_stops(light: NDArray[np.float32]) -> float:
    """Return by how many stops to brighten a dark set so that it can be read."""
    middle = float(np.percentile(np.maximum(light[::8, ::8], 0).mean(axis=2), 90))
    return float(np.clip(np.log2(0.45 / max(middle, 1e-3)), 0, 4))


def number_places(outcome: CleanOutcome) -> tuple[Hole, ...]:
    """Number holes and restless places through, as the picture shows them."""
    both = (*outcome.places, *outcome.restless)
    return tuple(Hole(i, one.x, one.y, one.area_share, one.where) for i, one in enumerate(both, start=1))


def judge_clean(name: str, outcome: CleanOutcome) -> Verdict:
    """Return the verdict on a clean plate in plain words, with what to do about it."""
    sentences: list[str] = []
    numbered = number_places(outcome)
    holes, restless = numbered[: len(outcome.places)], numbered[len(outcome.places) :]
    if restless:
        sentences.append(
            f"Somebody or something moves at {list_spots(restless)} and never leaves; film a few seconds without it."
        )
    if holes:
        remedy = {
            "longest_rest": "no frame shows the set there; join a take that does.",
            "mean": "whoever passed is mixed into it; use --method median.",
        }.get(outcome.method, "somebody covers it in half of the frames or more; use --method longest_rest.")
        sentences.append(f"Nothing clean is known at {list_spots(holes)}: {remedy}")
    if outcome.painted.any():
        sentences.append(
            f"{100 * outcome.painted.mean():.2f} % of the picture was painted over; it is invented and marked."
        )
    grade = "reshoot" if restless else "usable" if holes else "good"
    lowest = float(np.percentile(outcome.seen, 0.1))
    sentences.append(f"The place seen least often showed in {100 * lowest:.0f} % of the moments.")
    return Verdict(name, grade, tuple(sentences))


def list_spots(places: Sequence[Hole], *, most: int = 4) -> str:
    """Write places as ``1 (bottom left, x 120 y 400)``."""
    spots = [f"{one.number} ({one.where}, x {one.x:.0f} y {one.y:.0f})" for one in places[:most]]
    rest = len(places) - most
    return ", ".join(spots) + (f" and {rest} more" if rest > 0 else "")


def describe_clean(outcome: CleanOutcome) -> dict[str, str]:
    """Return a clean plate's figures, label and value with unit."""
    takes = dict.fromkeys(take for take, _ in outcome.used)
    listed = "; ".join(
        f"{take} {say_ranges([frame for name, frame in outcome.used if name == take])}" for take in takes
    )
    return {
        "method": outcome.method,
        "frames": f"{len(outcome.used)}: {listed}",
        "reduced": outcome.values,
        "noise left": f"{outcome.noise_share:.2f} of one frame's",
        "seen in all moments": f"{100 * float((outcome.seen > 0.995).mean()):.1f} % of the picture",
        "holes": f"{100 * float(outcome.holes.mean()):.2f} % of the picture",
        "filled": f"{100 * float(outcome.painted.mean()):.2f} % of the picture",
        "frames decoded": str(outcome.decoded),
    }


def say_ranges(numbers: Sequence[int]) -> str:
    """Write frame numbers with runs joined: ``3, 7-12``."""
    runs: list[list[int]] = []
    for number in sorted(numbers):
        if runs and number == runs[-1][1] + 1:
            runs[-1][1] = number
        else:
            runs.append([number, number])
    return ", ".join(f"{a}" if a == b else f"{a}-{b}" for a, b in runs)
