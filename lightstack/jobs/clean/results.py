"""A clean plate written, drawn and put into words."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import ExitStack
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from lightstack.core.clean.median import noise_share
from lightstack.core.colour.display import display_srgb
from lightstack.errors import OutputError
from lightstack.files.folder import replaced_whole
from lightstack.files.write.plates import write_exr, write_png
from lightstack.jobs.clean.clean import CleanOutcome
from lightstack.jobs.takes.lamp_light import shrink_mean
from lightstack.records import BoolArray, CleanReport, Hole, Verdict
from lightstack.report.clean import draw_noise, draw_trust
from lightstack.report.phrases import say_ranges, say_share

__all__ = [
    "describe_clean",
    "draw_confidence",
    "judge_clean",
    "list_doubts",
    "name_files",
    "report_clean",
    "warn_clean",
    "write_clean",
    "write_together",
]

PICTURE_SIDE = 1920  # pixels of the confidence picture's longer side
MIDDLE_SIDE = 960  # of the noise
MAJORITY = 0.5


def name_files(stem: str) -> tuple[str, str, str, str]:
    """Return the names of what `write_clean` writes, the plate first."""
    return f"{stem}.exr", f"{stem}.png", f"{stem}_seen.exr", f"{stem}_seen.png"


def write_clean(folder: Path, stem: str, outcome: CleanOutcome) -> list[tuple[str, str]]:
    """Write a clean plate, the same to look at, and what is known of it; return names and what they are.

    Raises OutputError where one of them cannot be written; none is then, and what was there before stays.
    """
    space = outcome.primaries
    names = name_files(stem)
    write_together(
        folder,
        {
            names[0]: lambda path: write_exr(path, outcome.light, primaries=space),
            names[1]: lambda path: write_png(path, display_srgb(outcome.light, space)),
            names[2]: lambda path: write_exr(path, list_known(outcome), primaries=space, half=False),
            names[3]: lambda path: write_png(path, draw_confidence(outcome)),
        },
    )
    return [
        (names[0], "clean plate, linear light"),
        (names[1], "clean plate to look at"),
        (names[2], "how often each pixel was seen, of how many frames it is, holes, noise left"),
        (names[3], "confidence picture: tinted where rarely seen, hatched and numbered where nothing clean is known"),
    ]


def write_together(folder: Path, writers: dict[str, Callable[[Path], None]]) -> None:
    """Write several files under temporary names; only when all are whole do they get their own."""
    with ExitStack() as parts:
        for name, write in writers.items():
            part = parts.enter_context(replaced_whole(folder / name))
            try:
                write(part)
            except OutputError as error:  # it names the temporary file
                raise OutputError(str(error).replace(str(part), str(folder / name))) from error


def list_known(outcome: CleanOutcome) -> dict[str, NDArray[np.float32]]:
    """Return what is known of every pixel, by channel."""
    known: dict[str, NDArray] = {"seen": outcome.seen, "frames": outcome.count}
    known |= {"hole": outcome.holes, "filled": outcome.painted}
    planes = {name: plane.astype(np.float32) for name, plane in known.items()}
    return planes | {f"noise.{c}": outcome.sigma[..., i] for i, c in enumerate("RGB")}


def draw_confidence(outcome: CleanOutcome, side: int = PICTURE_SIDE) -> NDArray[np.uint8]:
    """Draw how often each place was really seen: tinted where seldom; what is in doubt hatched, ringed and numbered."""
    full = (outcome.seen.shape[0], outcome.seen.shape[1])
    step = thin_step(outcome, side)
    bright = display_srgb(outcome.light[::step, ::step], outcome.primaries, exposure_stops=lift_stops(outcome.light))
    places = [hole for hole, _ in list_doubts(outcome)]
    return draw_trust(bright, outcome.seen[::step, ::step], find_sound(outcome, step), places, full_size=full)


def thin_step(outcome: CleanOutcome, side: int) -> int:
    """Return which pixels of a row and column to draw for a picture of at most ``side``: every how many-th."""
    return max(1, -(-max(outcome.seen.shape) // side))


def find_sound(outcome: CleanOutcome, step: int) -> BoolArray:
    """Tell of every ``step``-th pixel whether something clean is known there and nobody moves there for good."""
    holes = outcome.holes[::step, ::step]
    size = (holes.shape[1], holes.shape[0])
    stays = cv2.resize(outcome.stays.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST)
    return np.asarray(~holes & (stays == 0))


def lift_stops(light: NDArray[np.float32]) -> float:
    """Return by how many stops to brighten a dark set so that it can be read."""
    middle = float(np.percentile(np.maximum(light[::8, ::8], 0).mean(axis=2), 90))
    return float(np.clip(np.log2(0.45 / max(middle, 1e-3)), 0, 4))


def list_doubts(outcome: CleanOutcome) -> list[tuple[Hole, str]]:
    """List everything that may not be the set, numbered as the picture shows it, with a line on each."""
    lines = [say_hole(outcome.method, share) for share in outcome.covered]
    stays = "moves here in every frame looked at and never leaves; film a few seconds without it"
    both = [*zip(outcome.places, lines, strict=True), *((one, stays) for one in outcome.restless)]
    return [
        (Hole(i, one.x, one.y, one.area_share, one.where), f"{one.where}, {say_share(one.area_share)}: {line}")
        for i, (one, line) in enumerate(both, start=1)
    ]


def number_places(outcome: CleanOutcome) -> tuple[list[Hole], list[Hole]]:
    """Return holes and the places of whoever never leaves, numbered through as the picture shows them."""
    numbered = [hole for hole, _ in list_doubts(outcome)]
    return numbered[: len(outcome.places)], numbered[len(outcome.places) :]


def say_hole(method: str, covered: float) -> str:
    """Say what is wrong with a hole that is covered in a share of the frames used, and what to do."""
    if method == "longest_rest":
        return "no frame used shows the set here; join a take that does"
    if method == "mean":
        return f"covered in {say_share(covered)} of the frames used and mixed in; take the median"
    if covered > MAJORITY:
        return f"covered in {say_share(covered)} of the frames used, so a ghost is left; use longest_rest"
    return "fewer than half of the frames used agree here; use longest_rest, or name other frames"


def judge_clean(name: str, outcome: CleanOutcome) -> Verdict:
    """Return the verdict on a clean plate in plain words, with what to do about it."""
    sentences: list[str] = []
    holes, restless = number_places(outcome)
    if restless:
        sentences.append(
            f"Somebody or something moves at {list_spots(restless)} and never leaves; film a few seconds without it."
        )
    if holes:
        sentences.append(f"Nothing clean is known at {list_spots(holes)}: {say_remedy(outcome)}")
    if outcome.painted.any():
        sentences.append(
            f"{100 * outcome.painted.mean():.2f} % of the picture was painted over; it is invented and marked."
        )
    grade = "reshoot" if restless else "usable" if holes else "good"
    lowest = float(np.percentile(outcome.seen, 0.1))
    sentences.append(f"The place seen least often showed in {100 * lowest:.0f} % of the moments.")
    return Verdict(name, grade, tuple(sentences))


def say_remedy(outcome: CleanOutcome) -> str:
    """Say what to do about holes."""
    if outcome.method == "longest_rest":
        return "no frame shows the set there; join a take that does."
    if outcome.method == "mean":
        return "whoever passed is mixed into it; use the method median."
    worst = max(outcome.covered, default=0.0)
    if worst > MAJORITY:
        return f"somebody covers it in up to {say_share(worst)} of the frames used; use the method longest_rest."
    return "the frames used disagree there; use the method longest_rest, or name other frames."


def warn_clean(name: str, outcome: CleanOutcome) -> tuple[str, ...]:
    """Return the warnings on a clean plate: those of its takes, and whoever it still shows."""
    lines = list(outcome.warnings)
    holes, restless = number_places(outcome)
    if restless:
        lines.append(f"{name}: still shows who or what never leaves, at {list_spots(restless)}")
    ghosts = [hole for hole, share in zip(holes, outcome.covered, strict=True) if share > MAJORITY]
    if ghosts and outcome.method in ("median", "sigma_clip"):
        spots = list_spots(ghosts)
        lines.append(f"{name}: a ghost is left where most frames used are covered, at {spots}; use longest_rest")
    return tuple(lines)


def report_clean(outcome: CleanOutcome) -> CleanReport:
    """Return a clean plate's section of the report."""
    light = shrink_mean(outcome.light, thin_step(outcome, PICTURE_SIDE))
    coarse = thin_step(outcome, MIDDLE_SIDE)
    share = noise_share(outcome.count[::coarse, ::coarse], method=outcome.reduced_by)
    noise, ends = draw_noise(share, find_sound(outcome, coarse))
    return CleanReport(
        plate=display_srgb(light, outcome.primaries, exposure_stops=lift_stops(outcome.light)),
        confidence=draw_confidence(outcome),
        noise=noise,
        noise_range=ends,
        places=tuple((hole.number, line) for hole, line in list_doubts(outcome)),
        numbers=tuple(describe_clean(outcome).items()),
    )


def list_spots(places: Sequence[Hole], *, most: int = 4) -> str:
    """Write places as ``1 (bottom left, x 120 y 400)``."""
    spots = [f"{one.number} ({one.where}, x {one.x:.0f} y {one.y:.0f})" for one in places[:most]]
    rest = len(places) - most
    return ", ".join(spots) + (f" and {rest} more" if rest > 0 else "")


def describe_clean(outcome: CleanOutcome) -> dict[str, str]:
    """Return a clean plate's figures, label and value with unit."""
    takes = dict.fromkeys(take for take, _ in outcome.used)
    listed = "; ".join(
        f"{take} {say_ranges([frame for name, frame in outcome.used if name == take], most=None)}" for take in takes
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
