"""The hold-out matte of a hero frame: 1 where somebody stands in front of the set, soft where edges are soft.

Two walks. ``learn_hero`` looks at a score of frames at survey size: how the light differs from the set's picture all
the time, and which colours the figure wears. Then, frame by frame and in order, ``MatteFinder.mark`` parts a frame at
survey size into figure and set, and ``finish_frame`` solves its edges at full size. The hero is never resampled: where
it was bumped, the set's picture is moved.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from lightstack.core.doubt import SWING, find_doubt
from lightstack.core.matte_cut import edge_weights, part_picture
from lightstack.core.matte_edges import solve_alpha
from lightstack.core.matte_evidence import Evidence, FigureColours, weigh_difference
from lightstack.core.matte_light import LogSet, carry_on, compare_logs, fit_drift, fit_held_light, prepare_set
from lightstack.core.matte_time import average_still, mark_still
from lightstack.core.regions import disc
from lightstack.core.warp import is_identity, warp_picture
from lightstack.records import BoolArray, FloatArray, NoiseModel

__all__ = ["FrameMatte", "HeroLearned", "Mark", "MatteFinder", "finish_frame", "learn_hero"]

SURE = 3.0  # log-odds at which a pixel speaks for itself
ALIKE_REACH = 0.06  # of the picture's diagonal: how far from a sure figure its colours make the set doubtful
MEMORY = 1.0  # log-odds that a still pixel keeps from the frame before
LEAST_AREA = 2e-4  # of the picture: smaller figures are specks
SMEAR_SIGMA = 3.0
PINHOLE, OPEN = 1e-4, -1.2  # of the picture; mean log-odds below which a hole is one
RIM, MOTION_RIM = 2, 0.02  # edge band: survey pixels always; of the picture's diagonal where something moves


@dataclass(frozen=True, slots=True)
class HeroLearned:
    """``held`` (h, w, 3) logs by which the hero is lit differently all the time, in the origin's place; the figure's
    ``colours``."""

    held: NDArray[np.float32]
    colours: FigureColours


@dataclass(frozen=True, slots=True)
class Mark:
    """A frame parted at survey size: ``figure`` (h, w) bool; ``sure`` and ``band`` (h, w) bool, sure figure and edges;
    ``doubt`` (h, w) 0..1; ``gain`` (h, w, 3) by which the set's picture is multiplied in this frame."""

    figure: BoolArray
    sure: BoolArray
    band: BoolArray
    doubt: NDArray[np.float32]
    gain: NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class FrameMatte:
    """``alpha`` and ``doubt`` (H, W) float32 0..1; ``figure`` (H, W, 3) float32 the figure's own colour (not multiplied
    by alpha; 0 where alpha is 0)."""

    alpha: NDArray[np.float32]
    doubt: NDArray[np.float32]
    figure: NDArray[np.float32]


def learn_hero(
    frames: Sequence[FloatArray],
    sets: Sequence[FloatArray],
    noise: NoiseModel,
    *,
    poses: Sequence[NDArray[np.float64]] | None = None,
) -> HeroLearned:
    """Learn from frames spread over the take, all at survey size ``(h, w, 3)``.

    ``sets``: the set's picture in each frame's place. ``poses``: origin -> frame at survey size; identities if None.
    15 to 25 frames are enough; the more of them show each place free, the better.
    """
    known = [prepare_set(picture, noise) for picture in sets]
    differences = [compare_logs(frame, one) for frame, one in zip(frames, known, strict=True)]
    places = [np.eye(3)] * len(known) if poses is None else list(poses)
    laid = [lay(d, np.linalg.inv(pose)) for d, pose in zip(differences, places, strict=True)]
    held = fit_held_light(laid, known[0])
    colours = FigureColours()
    for difference, one, pose in zip(differences, known, places, strict=True):
        left = difference - lay(held, pose)
        evidence = weigh_difference(one.logs + difference, left - fit_drift(left, one), one)
        colours.add(one.logs + difference, speaks_for_itself(evidence.score))
    return HeroLearned(held, colours)


def lay(picture: NDArray[np.float32], pose: NDArray[np.float64]) -> NDArray[np.float32]:
    """Bring a picture ``(h, w, 3)`` of logs into a pose's place; what comes in from outside is 0."""
    if is_identity(pose):
        return picture
    back = np.asarray(np.linalg.inv(pose), np.float64)
    return np.asarray(warp_picture(picture, back, interpolation="linear")[0], np.float32)


def speaks_for_itself(score: FloatArray) -> BoolArray:
    """Where evidence for a figure is strong over three by three pixels, (h, w) bool."""
    return np.asarray(cv2.erode(np.asarray(score, np.float32), np.ones((3, 3), np.uint8)) > SURE)


class MatteFinder:
    """Part frames that share a pose, in order.

    Parameters
    ----------
    set_picture : ``(h, w, 3)`` the set in these frames' place, survey size.
    noise : of one frame at survey size.
    learned : of the whole hero. pose : origin -> frame at survey size.
    """

    def __init__(
        self,
        set_picture: FloatArray,
        noise: NoiseModel,
        learned: HeroLearned,
        *,
        pose: NDArray[np.float64] | None = None,
    ) -> None:
        self.noise = noise
        self.known = prepare_set(set_picture, noise)
        self._held = learned.held if pose is None else lay(learned.held, pose)
        self._colours = learned.colours
        self._before: tuple[FloatArray, FloatArray] | None = None  # frame and parting

    def mark(self, window: Sequence[FloatArray], centre: int) -> Mark:
        """Part the frame ``window[centre]``; its neighbours lend it quiet where nothing moves."""
        frame = np.asarray(window[centre], np.float32)
        steady, share = average_still(window, centre, self.noise)
        difference = compare_logs(steady, self.known)
        drift = fit_drift(difference - self._held, self.known)
        rest = difference - self._held - drift
        logs = self.known.logs + difference
        evidence = weigh_difference(logs, rest, self.known, noise_share=share)
        score = self._remember(frame, self._weigh_alike(logs, evidence))
        parts = self._part(logs, rest, score)
        figure = clean_parting(parts[1], evidence, score)
        self._before = frame, figure.astype(np.float32)
        doubt = find_doubt((parts[0], parts[2]), figure, evidence.score)
        sure, band = draw_band(figure, self._moving(window, centre), evidence.mismatch)
        gain = np.exp(self._held + drift + carry_shade(rest, self.known, figure | band))
        return Mark(figure, sure, band, doubt, gain.astype(np.float32))

    def _weigh_alike(self, logs: NDArray[np.float32], evidence: Evidence) -> NDArray[np.float32]:
        """Near a sure figure, what looks like the set but wears the figure's colours says nothing."""
        score = evidence.score
        reach = max(3, round(ALIKE_REACH * float(np.hypot(*score.shape))))
        core = speaks_for_itself(score).astype(np.uint8)
        near = cv2.blur(cv2.dilate(core, disc(reach)).astype(np.float32), (reach | 1, reach | 1))
        silent = near * self._colours.likeness(logs) * (1 - evidence.shows_set)
        return np.asarray(np.where(score < 0, score * (1 - silent), score), np.float32)

    def _remember(self, frame: FloatArray, score: NDArray[np.float32]) -> NDArray[np.float32]:
        """Lean on the frame before where nothing moved."""
        if self._before is None:
            return score
        still = mark_still(frame, self._before[0], self.noise)
        return np.asarray(score + MEMORY * still * (2 * self._before[1] - 1), np.float32)

    def _part(
        self, logs: NDArray[np.float32], rest: NDArray[np.float32], score: NDArray[np.float32]
    ) -> tuple[NDArray[np.float32], ...]:
        """Part by the evidence as it is, in the middle, and leaned either way; only near what speaks for a figure."""
        parts = tuple(np.zeros(score.shape, np.float32) for _ in range(3))
        box = find_box(cv2.dilate(((score > SURE)).astype(np.uint8), disc(2)), margin=24)
        if box is None:
            return parts
        sigma = np.sqrt(self.known.variance[box].mean(-1))
        across, down = edge_weights(logs[box], rest[box], sigma)
        middle = part_picture(score[box], across, down)
        parts[1][box] = middle
        for part, lean in ((parts[0], -SWING), (parts[2], SWING)):
            part[box] = part_picture(score[box] + np.float32(lean), across, down, start=middle, rounds=60)
        return parts

    def _moving(self, window: Sequence[FloatArray], centre: int) -> BoolArray:
        moving = np.zeros(window[centre].shape[:2], bool)
        for k in (centre - 1, centre + 1):
            if 0 <= k < len(window):
                moving |= mark_still(window[centre], window[k], self.noise) < 0.5
        return moving


def find_box(mask: NDArray, *, margin: int) -> tuple[slice, slice] | None:
    """Return the rows and columns that hold all of a mask, with a margin; None where it is empty."""
    rows, columns = np.flatnonzero(mask.any(1)), np.flatnonzero(mask.any(0))
    if not len(rows):
        return None
    return tuple(
        slice(max(0, int(at[0]) - margin), min(size, int(at[-1]) + 1 + margin))
        for at, size in zip((rows, columns), mask.shape, strict=True)
    )  # type: ignore[return-value]


def clean_parting(part: FloatArray, evidence: Evidence, score: FloatArray) -> BoolArray:
    """Round a parting's corners, keep figures with a core that speaks for itself, and fill holes that nothing opens.

    ``score``: (h, w) evidence as it was parted; a hole stays where it speaks for the set on average.
    """
    mask = (cv2.GaussianBlur(np.asarray(part, np.float32), (0, 0), 1.0) > 0.5).astype(np.uint8)
    core = speaks_for_itself(evidence.score)
    count, labels, stats, _ = cv2.connectedComponentsWithStats(mask)
    strong = np.bincount(labels[core], minlength=count)
    keep = (stats[:, cv2.CC_STAT_AREA] >= max(6, LEAST_AREA * mask.size)) & (strong >= 4)
    keep[0] = False
    return fill_closed(keep[labels].astype(np.uint8), score)


def fill_closed(mask: NDArray[np.uint8], score: FloatArray) -> BoolArray:
    """Fill pinholes, and larger holes whose evidence does not speak for the set on average."""
    count, labels, stats, _ = cv2.connectedComponentsWithStats(1 - mask, connectivity=4)
    height, width = mask.shape
    left, top, wide, high, area = stats.T
    closed = (left > 0) & (top > 0) & (left + wide < width) & (top + high < height)
    mean = np.bincount(labels.ravel(), np.asarray(score, np.float64).ravel(), count) / np.maximum(area, 1)
    fill = closed & ((area <= max(4, round(PINHOLE * mask.size))) | (mean > OPEN))
    fill[0] = False
    return np.asarray((mask > 0) | fill[labels])


def draw_band(figure: BoolArray, moving: BoolArray, mismatch: FloatArray) -> tuple[BoolArray, BoolArray]:
    """Return sure figure and edge band, (h, w) bool each; the band is as wide as motion smears the edge.

    ``mismatch``: (h, w) distance from the set in sigma. What moves and differs from the set outside the figure is its
    smear; the edge is as soft towards the inside.
    """
    mask = figure.astype(np.uint8)
    band = (cv2.dilate(mask, disc(RIM)) > 0) & (cv2.erode(mask, disc(RIM)) == 0)
    farthest = max(4, round(MOTION_RIM * float(np.hypot(*mask.shape))))
    outside, inside = (cv2.distanceTransform(part, cv2.DIST_L2, 5) for part in (1 - mask, mask))
    smear = moving & (np.asarray(mismatch) > SMEAR_SIGMA) & ~figure & (outside <= farthest)
    smear = cv2.morphologyEx(smear.astype(np.uint8), cv2.MORPH_OPEN, np.ones((3, 3), np.uint8)) > 0
    width = cv2.dilate(np.where(smear, outside, 0).astype(np.float32), disc(farthest))
    band |= smear | (figure & (inside <= width))
    return figure & ~band, np.asarray(band)


def carry_shade(rest: NDArray[np.float32], known: LogSet, covered: BoolArray) -> NDArray[np.float32]:
    """What shadow or glow is left on the set beside the figure, carried on beneath its edges, ``(h, w, 3)`` logs."""
    open_set = (cv2.dilate(covered.astype(np.uint8), disc(1)) == 0).astype(np.float32)
    mass = open_set / known.variance.mean(-1)
    return carry_on(np.clip(rest, -2, 1) * mass[..., None], mass, sigmas=(2.0, 6.0, 20.0))


def finish_frame(
    window: Sequence[FloatArray], centre: int, set_picture: FloatArray, *, mark: Mark, noise: NoiseModel
) -> FrameMatte:
    """Solve a frame's edges at full size.

    ``window``: consecutive full-size frames ``(H, W, 3)``, the middle one to be solved. ``set_picture``: the set in the
    same place. ``noise``: of one frame at full size.
    """
    height, width = set_picture.shape[:2]
    alpha, doubt = np.zeros((2, height, width), np.float32)
    figure = np.zeros((height, width, 3), np.float32)
    small = find_box(mark.figure | mark.band | (mark.doubt > 0), margin=4)
    if small is None:
        return FrameMatte(alpha, doubt, figure)
    box = enlarge_box(small, mark.figure.shape, (height, width))
    size = box[1].stop - box[1].start, box[0].stop - box[0].start
    sure, band, gain, unsure, guess = (
        enlarge(part[small], size) for part in (mark.sure, mark.band, mark.gain, mark.doubt, mark.figure)
    )
    steady, share = average_still([np.asarray(f[box], np.float32) for f in window], centre, noise)
    solved = solve_alpha(
        steady, set_picture[box] * gain, sure > 0.5, (band > 0.5) & (sure <= 0.5), noise=noise, noise_share=share,
        guess=guess, reach=max(1.0, height / mark.figure.shape[0]),
    )  # fmt: skip
    alpha[box], figure[box], doubt[box] = solved.alpha, solved.figure, unsure
    return FrameMatte(alpha, doubt, figure)


def enlarge(part: NDArray, size: tuple[int, int]) -> NDArray[np.float32]:
    """Scale a piece of a survey picture up to ``size`` (width, height)."""
    return np.asarray(cv2.resize(part.astype(np.float32), size, interpolation=cv2.INTER_LINEAR), np.float32)


def enlarge_box(
    box: tuple[slice, slice], small: tuple[int, int], full: tuple[int, int]
) -> tuple[slice, slice]:
    """Return the full-size rows and columns of a box at survey size; the last one takes what is left over."""
    factors = [large // little for large, little in zip(full, small, strict=True)]
    return tuple(
        slice(part.start * f, part.stop * f) for part, f in zip(box, factors, strict=True)
    )  # type: ignore[return-value]
