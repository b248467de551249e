"""From the light stack's working copy to a plate, band by band."""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from lightstack.core.matte.carry import carry_nearest
from lightstack.core.sweep.accumulate import RULES, AccumulateSetting, Offered
from lightstack.core.sweep.grain_off import take_off_grain
from lightstack.core.sweep.residue import floor_residue
from lightstack.files.called_off import go_on
from lightstack.files.kept.stack import LightStack
from lightstack.files.processors import usable_processors
from lightstack.files.shot.schema import Sweep
from lightstack.jobs.spread.pieces import Spread, cut_range
from lightstack.jobs.sweep.seams import Carried, carry_over_seams
from lightstack.records import BoolArray, StillNotes

BORDER_REACH = 0.01  # of the width
MISSING_SHARE = 0.15  # of the stills
SMOOTHED_RULES = ("max", "softmax")  # they take a place from single frames; the others add frames up


@dataclass(frozen=True, slots=True)
class Plate:
    """``light`` (H, W, 3) float32; ``peak`` (H, W, G) the strongest guide in sigma of one frame;
    ``winner`` (H, W, G) index of the still it came from, -1 none; ``valid`` (H, W) largest validity;
    ``missing`` (H, W) share of the stills that do not show a place; ``carried`` what was raised beside masks."""

    light: NDArray[np.float32]
    peak: NDArray[np.float32]
    winner: NDArray[np.int16]
    valid: NDArray[np.float32]
    missing: NDArray[np.float32]
    carried: Carried = field(default_factory=Carried)

    def put(self, rows: slice, part: Plate) -> None:
        """Put the rows of one band in their place."""
        for name in ("light", "peak", "winner", "valid", "missing"):
            getattr(self, name)[rows] = getattr(part, name)


def accumulate_stack(
    stack: LightStack,
    ambient: NDArray[np.float32],
    *,
    rule: str,
    setting: AccumulateSetting,
    shares: Sequence[float] | None = None,
    gains: Sequence[NDArray[np.float32]] | None = None,
    stills: Sequence[int] | None = None,
    threads: int = 0,
    spread: Spread | None = None,
) -> Plate:
    """Accumulate the stills of a working copy (or the subset ``stills``) into a plate.

    ``ambient`` (H, W, 3). ``shares``: weight per still for rules that add.
    ``gains``: (3,) per still that its light was multiplied by, which its noise then was too. Bands are
    independent, so the result is the same at any number of ``threads`` (0 = all processors), and where ``spread`` has
    them accumulated elsewhere.
    """
    height, width, groups = stack.shape.height, stack.shape.width, stack.shape.guides
    plate = Plate(
        np.zeros((height, width, 3), np.float32),
        np.zeros((height, width, groups), np.float32),
        np.full((height, width, groups), -1, np.int16),
        np.zeros((height, width), np.float32),
        np.zeros((height, width), np.float32),
    )
    chosen = list_chosen(stack, stills, gains)
    job = BandsJob(stack, ambient, rule, setting, shares, gains, chosen)
    if spread is not None:
        pieces = cut_range(stack.shape.bands, spread.hands)
        for piece, parts in zip(pieces, spread.run(accumulate_bands, job, pieces), strict=True):
            for band, part in zip(piece, parts, strict=True):
                plate.put(stack.rows_of(band), part)
        return plate
    with ThreadPoolExecutor(threads or usable_processors()) as pool:
        list(pool.map(lambda band: plate.put(stack.rows_of(band), job.accumulate(band)), range(stack.shape.bands)))
    return plate


def list_chosen(
    stack: LightStack, stills: Sequence[int] | None, gains: Sequence[NDArray] | NDArray | None
) -> tuple[int, ...]:
    """Return the stills that a plate is made of; one that is turned off has neither light nor noise."""
    chosen = range(stack.shape.stills) if stills is None else sorted(stills)
    return tuple(k for k in chosen if gains is None or np.any(gains[k]))


@dataclass(frozen=True, slots=True, eq=False)
class BandsJob:
    """What is accumulated, and how; see `accumulate_stack`."""

    stack: LightStack
    ambient: NDArray[np.float32]
    rule: str
    setting: AccumulateSetting
    shares: Sequence[float] | None
    gains: Sequence[NDArray[np.float32]] | None
    chosen: tuple[int, ...]

    def accumulate(self, band: int) -> Plate:
        """Return the plate's rows of one band."""
        made, rows = RULES[self.rule], self.stack.rows_of(band)
        state = made.start(self.ambient[rows], self.setting)
        missing = np.zeros(self.ambient[rows].shape[:2], np.float32)
        for index in self.chosen:
            light, valid, guide = self.stack.read_band(band, index)
            missing += (valid <= 0) * np.float32(1 / len(self.chosen))
            share = 1.0 if self.shares is None else float(self.shares[index])
            gain = 1.0 if self.gains is None else self.gains[index]
            made.add(state, Offered(light, guide, valid, index, share, gain))
        return Plate(made.finish(state), state.peak, state.winner, state.best_valid, missing)


def accumulate_bands(job: BandsJob, bands: Sequence[int]) -> list[Plate]:
    """Accumulate some bands of a job."""
    plates = []
    for band in bands:
        go_on()
        plates.append(job.accumulate(band))
    return plates


def accumulate_plate(
    stack: LightStack,
    ambient: NDArray[np.float32],
    notes: StillNotes,
    sweep: Sweep,
    *,
    stills: Sequence[int] | None = None,
    threads: int,
    spread: Spread | None = None,
) -> Plate:
    """Accumulate a stack, or some of its ``stills``, by the rule of the settings; take the grain of single frames off,
    carry light on past masks, and roll residue off where asked. ``ambient`` (H, W, 3)."""
    plate = accumulate_stack(
        stack,
        ambient,
        rule=sweep.combine,
        setting=AccumulateSetting(recipe=notes.recipe, white=sweep.screen_white),
        shares=notes.shares.tolist() if sweep.combine == "sum" else None,
        gains=list(notes.gains),
        stills=stills,
        threads=threads,
        spread=spread,
    )
    if sweep.combine in SMOOTHED_RULES:
        plate = mend_single_frames(plate, stack, ambient, notes, sweep, stills=stills, threads=threads)
    plate = carry_over_border(plate)
    if sweep.floor_sigma > 0:
        floored = floor_residue(plate.light, plate.peak, floor_sigma=sweep.floor_sigma)
        plate = replace(plate, light=floored)
    return plate


def mend_single_frames(
    plate: Plate,
    stack: LightStack,
    ambient: NDArray[np.float32],
    notes: StillNotes,
    sweep: Sweep,
    *,
    stills: Sequence[int] | None,
    threads: int,
) -> Plate:
    """Take the grain of single frames off a plate, and carry its light on past their masks, as the settings say."""
    if sweep.smooth:
        smooth = take_off_grain(
            plate.light,
            ambient,
            plate.valid > 0,
            noise=notes.noise,
            gains=notes.gains if np.any(notes.gains != 1) else None,
            winner=plate.winner[..., 0],
        )
        plate = replace(plate, light=smooth)
    if sweep.carry:
        shown = list_chosen(stack, stills, notes.gains)
        carried = carry_over_seams(
            plate.light, stack, shown, noise=notes.noise, gains=notes.gains, threads=threads
        )
        plate = replace(plate, carried=carried)
    return plate


def carry_over_border(plate: Plate) -> Plate:
    """Carry a plate on to the picture's border where many stills do not show it: the sweep was nudged there.

    Notes: only a narrow strip along the border. There the light of those stills is missing, which would show as a dark
    line.
    """
    lost = find_lost_border(plate.missing)
    return plate if lost is None else replace(plate, light=carry_nearest(plate.light, ~lost))


def find_lost_border(missing: NDArray[np.float32]) -> BoolArray | None:
    """Return where along the border the share of stills that is ``missing`` (H, W) is too large; None: nowhere."""
    height, width = missing.shape
    reach = max(2, round(BORDER_REACH * width))
    strip = np.ones((height, width), bool)
    strip[reach:-reach, reach:-reach] = False
    edge = np.zeros((height, width), bool)
    edge[[0, -1]] = edge[:, [0, -1]] = True
    unknown = strip & (missing > MISSING_SHARE)
    _, labels = cv2.connectedComponents(unknown.astype(np.uint8), connectivity=4)
    touching = np.unique(labels[edge & unknown])
    lost = np.asarray(unknown & np.isin(labels, touching))
    return None if not lost.any() or lost.all() else lost
