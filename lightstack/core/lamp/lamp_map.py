"""A map of where the lamp was, from how its light falls on the set.

Nobody knows the set's shape or the lamp's way, but both must agree on every frame: a lamp near a wall lights it small
and steep, one behind the camera lights all alike. ``lamp_start`` guesses, ``lamp_model`` improves set and lamps in
turn, and lamps in shot pull the map to where they show.

References: near-field photometric stereo, after Iwahori, Sugie and Ishii 1990, "Reconstructing shape from shading
images under point light source illumination" (ICPR; from memory), here with the lamp's places unknown too.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from lightstack.core.lamp.model import (
    Array,
    Patches,
    Shading,
    compare_light,
    misfit_of,
    predict_light,
    solve_lamps,
    solve_patches,
)
from lightstack.core.lamp.shade import choose_patches, measure_spread
from lightstack.core.lamp.spots import judge_spots
from lightstack.core.lamp.start import BOXES, PATCHES, Box, escape, guess_in_box
from lightstack.core.lamp.view import nearness_of
from lightstack.errors import UnusableTake
from lightstack.records import LampPlaces, LampShades, LampView, LitSet

TANGENT = 0.6  # of half the horizontal angle of view: 62 degrees, a usual wide lens; nobody told
MOST_FRAMES = 120  # are solved together; others are placed afterwards
FEWEST_FRAMES = 8
DRAFT_ROUNDS, JUDGE_ROUNDS, ROUNDS, ESCAPES = 6, 14, 24, (4, 8, 12)
COARSE_ROUNDS, COARSE_STEPS, FINE_STEPS = 15, (0.85, 0.95, 1.0, 1.05, 1.18), (0.95, 1.0, 1.05)
LAMP_STEPS = 2  # for each of the patches
UNIT = 0.9  # mean distance of the set, so that the first guess stays in scale
GAP = 3.0  # times the usual step of frame numbers: the lamp may have moved on unseen
WORST_OFF = 2.0


@dataclass(frozen=True, slots=True)
class Solved:
    """Lamps (n, 3) and patches that explain each other but for ``misfit`` (a sum)."""

    lamps: Array
    patches: Patches
    misfit: float
    rounds: int = 0


def map_lamps(shades: LampShades) -> LampPlaces:
    """Find where the lamp was on every lit frame, from what ``lamp_shade.note_shades`` noted.

    Raises
    ------
    UnusableTake
        If fewer than 8 frames are lit, or their light is under the noise nearly everywhere.

    Notes
    -----
    The map is up to its unit and to the angle of view, which is assumed. Costs some hundred small least squares: time
    grows with the frames up to 120 and hardly beyond.
    """
    level, share, size = shades.level, shades.share, shades.size
    if len(level) < FEWEST_FRAMES:
        raise UnusableTake(f"{len(level)} frames with the lamp on; {FEWEST_FRAMES} or more tell where it was")
    shading, used = choose_patches(level, share, sigma=shades.sigma, tangent=TANGENT)
    middle = np.array([size[1] / 2, size[0] / 2])
    tangents = (shades.spots - [*middle, 0]) * (2 * TANGENT / size[1])
    lamps, in_shot, patches = place_lamps(shading, tangents, shades.source_frames)
    off = compare_light(shading, predict_light(lamps, patches))
    far, near = float(lamps[:, 2].max()), float(lamps[:, 2].min())
    view = LampView(size, TANGENT, near, max(far, near + 1e-6))
    return LampPlaces(
        source_frames=shades.source_frames, in_shot=in_shot * (size[1] / 2 / TANGENT) + middle, map=lamps,
        near=nearness_of(lamps, view), spread=measure_spread(level, share),
        misfit=np.sqrt(np.average(np.clip(off, -WORST_OFF, WORST_OFF) ** 2, axis=1, weights=shading.weight + 1e-9)),
        anchored=bool(np.isfinite(in_shot).any()), view=view,
        lit_set=LitSet(used, patches.rays, patches.depth, patches.facing, patches.bounce, shading.floor),
    )  # fmt: skip


def place_lamps(
    shading: Shading, spots: Array, source_frames: NDArray[np.int64]
) -> tuple[Array, Array, Patches]:
    """Give lamps (n, 3), where they are in shot (n, 2) as tangents, and the patches that they light.

    First without any spot, which says which of ``spots`` (n, c, 3) the light could come from; then with those.
    """
    some = np.unique(np.linspace(0, len(shading.light) - 1, MOST_FRAMES).astype(int))
    few, follows = shading.pick(some), follow_on(source_frames[some])
    free = np.full((len(some), 2), np.nan)
    solved, box = solve_from_boxes(few, free, follows)
    found = judge_spots(few, solved.lamps, solved.patches, spots[some])
    if np.isfinite(found).any():
        solved = refine(few, start_in_box(few, box, found, follows), found, follows, ROUNDS)
    else:
        solved = refine(few, solved, free, follows, ROUNDS)
    lamps = np.stack([np.interp(source_frames, source_frames[some], axis) for axis in solved.lamps.T], axis=1)
    in_shot = judge_spots(shading, lamps, solved.patches, spots)
    if len(some) < len(lamps):
        for _ in range(2 * LAMP_STEPS):
            lamps, _ = solve_lamps(shading, lamps, solved.patches, in_shot, np.zeros(len(lamps), bool))
        lamps[some] = solved.lamps
    return lamps, in_shot, solved.patches


def follow_on(numbers: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Tell which frames have the one before and the one after them right beside, (n,)."""
    steps = np.diff(numbers)
    close = steps <= GAP * np.median(steps)
    return np.concatenate([[False], close]) & np.concatenate([close, [False]])


def solve_from_boxes(shading: Shading, anchors: Array, follows: NDArray[np.bool_]) -> tuple[Solved, Box]:
    """Start from every box, go on with the one that explains the light best after a few rounds."""
    drafts = [
        (refine(shading, start_in_box(shading, box, anchors, follows), anchors, follows, DRAFT_ROUNDS), box)
        for box in BOXES
    ]
    best, box = min(drafts, key=lambda draft: draft[0].misfit)
    return refine(shading, best, anchors, follows, JUDGE_ROUNDS), box


def start_in_box(shading: Shading, box: Box, anchors: Array, follows: NDArray[np.bool_]) -> Solved:
    """Guess lamps and patches in one box."""
    return Solved(*guess_in_box(shading, box, anchors, follows, searched(shading)), np.inf)


def searched(shading: Shading) -> NDArray[np.int64]:
    """Patches that searches look at: some, evenly mixed."""
    return np.random.default_rng(0).permutation(len(shading.rays))[:PATCHES]


def refine(shading: Shading, solved: Solved, anchors: Array, follows: NDArray[np.bool_], rounds: int) -> Solved:
    """Improve lamps and patches in turn until ``rounds`` rounds have been made since the guess."""
    lamps, patches, misfit = solved.lamps, solved.patches, solved.misfit
    for number in range(solved.rounds, rounds):
        if number in ESCAPES:
            lamps = escape(shading, lamps, patches, anchors, follows, searched(shading))
        for _ in range(LAMP_STEPS):
            lamps, _ = solve_lamps(shading, lamps, patches, anchors, follows)
        lamps, patches = hold_unit(lamps, patches)
        patches = solve_patches(shading, lamps, patches, COARSE_STEPS if number < COARSE_ROUNDS else FINE_STEPS)
        off = compare_light(shading, predict_light(lamps, patches))
        misfit = float((misfit_of(off) * shading.weight).sum())
    return Solved(lamps, patches, misfit, rounds)


def hold_unit(lamps: Array, patches: Patches) -> tuple[Array, Patches]:
    """Bring the set's mean distance back to the unit; the light stays as it is, as far as it is direct."""
    scale = float(np.exp(np.mean(np.log(patches.depth)))) / UNIT
    return lamps / scale, replace(patches, depth=patches.depth / scale, facing=patches.facing / scale**2)
