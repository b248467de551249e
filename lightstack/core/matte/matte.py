"""The hold-out matte of a hero frame: 1 where somebody stands in front of the set, soft where edges are soft.

Two walks. ``learn_hero`` looks at a score of frames at survey size: how the light differs from the set's picture all
the time, and which colours the figure wears. Then, frame by frame and in order, ``MatteFinder.mark`` parts a frame at
survey size into figure and set, and ``finish_frame`` solves its edges at full size. The hero is never resampled: where
it was bumped, the set's picture is moved.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from lightstack.core.matte.cut import edge_weights, part_picture
from lightstack.core.matte.doubt import SWING, find_doubt, find_second_pieces, find_unexplained, pick_hanging
from lightstack.core.matte.evidence import (
    WORN_SHARE,
    Evidence,
    ShadeLook,
    find_changed,
    fit_shade,
    weigh_difference,
)
from lightstack.core.matte.finish import FrameMatte, Mark, find_box, finish_frame
from lightstack.core.matte.follow import follow, measure_speed
from lightstack.core.matte.light import LogSet, carry_on, compare_logs, fit_drift, fit_held_light, prepare_set
from lightstack.core.matte.over_time import average_still, mark_still
from lightstack.core.matte.texture import weigh_texture
from lightstack.core.matte.worn import FigureColours
from lightstack.core.numbers import mean_channels
from lightstack.core.regions import disc
from lightstack.core.warp import is_identity, warp_picture
from lightstack.records import BoolArray, FloatArray, NoiseModel

__all__ = ["FrameMatte", "HeroLearned", "Mark", "MatteFinder", "finish_frame", "learn_hero"]

SHOWN = 1.0  # log-odds at which texture is seen
SURE = 3.0  # log-odds at which a pixel speaks for itself
FAIR, TOGETHER = 1.0, 9  # log-odds in the mean over so many pixels square
ALIKE_REACH = 0.06  # of the picture's diagonal: how far from a sure figure its colours are looked for
MEMORY = 1.0  # log-odds that a pixel keeps from the frame before
LEAST_AREA = 2e-4  # of the picture: smaller figures are specks
SMEAR_SIGMA = 3.0
PINHOLE, OPEN = 1e-4, -1.2  # of the picture; mean log-odds below which a hole is one
BRIDGE, UNCLEAR = 0.025, -0.7  # of the picture's diagonal; log-odds above which the set is not clearly seen
NOISY = 0.12  # of a level: the noise of one survey pixel beyond which texture hardly tells a shadow from a body
LEAST_SPEED, CORE = 1.5, 0.5  # pixels to a frame; of a limb's thickness
RIM, MOTION_RIM = 2, 0.02  # edge band: survey pixels always; of the picture's diagonal where something moves


@dataclass(frozen=True, slots=True)
class HeroLearned:
    """``held`` (h, w, 3) logs by which the hero is lit differently all the time, in the origin's place, and ``relit``
    (h, w) 0..1 where that brings another texture; the figure's ``colours``; what ``shade`` looks like on the set."""

    held: NDArray[np.float32]
    relit: NDArray[np.float32]
    colours: FigureColours
    shade: ShadeLook


def learn_hero(
    frames: Sequence[FloatArray],
    sets: Sequence[FloatArray],
    noise: NoiseModel,
    *,
    poses: Sequence[NDArray[np.float64]] | None = None,
    relit: bool = True,
) -> HeroLearned:
    """Learn from frames spread over the take, all at survey size ``(h, w, 3)``.

    ``sets``: the set's picture in each frame's place. ``poses``: origin -> frame at survey size; identities if None.
    ``relit``: light may change the set's very texture; without, what stood in the set's picture stays to be found.
    15 to 25 frames are enough; the more of them show each place free, the better.
    """
    known = [prepare_set(picture, noise) for picture in sets]
    differences = [compare_logs(frame, one) for frame, one in zip(frames, known, strict=True)]
    places = [np.eye(3)] * len(known) if poses is None else list(poses)
    laid = [lay(d, np.linalg.inv(pose)) for d, pose in zip(differences, places, strict=True)]
    held, changed = fit_held_light(laid, known[0], shows_set=find_shown(laid, known[0]) if relit else None)
    lefts = []
    for difference, one, pose in zip(differences, known, places, strict=True):
        left = difference - lay(held, pose)
        lefts.append(left - fit_drift(left, one))
    triples = list(zip(differences, lefts, known, strict=True))
    shade = fit_shade([(one.logs + d, left, one) for d, left, one in triples])
    colours = FigureColours()
    for difference, left, one in triples:
        logs = one.logs + difference
        evidence = weigh_difference(logs, left, one, shade=shade)
        colours.add(logs, speaks_for_itself(evidence.less_outline(shade.sharp)))
    return HeroLearned(held, changed, colours, shade)


def find_shown(differences: Sequence[NDArray[np.float32]], known: LogSet) -> BoolArray:
    """Where the set's own texture is seen in the median of differences ``(h, w, 3)`` over a take, (h, w) bool."""
    middle = np.median(np.stack(differences), axis=0).astype(np.float32)
    logs = known.logs + middle
    variance = known.variance_at(logs)
    whole = np.median(middle, axis=(0, 1)).astype(np.float32)
    changed = find_changed(middle - whole, variance)
    return np.asarray(weigh_texture(logs, known, variance, changed=changed).odds < -SHOWN)


def lay(picture: NDArray[np.float32], pose: NDArray[np.float64]) -> NDArray[np.float32]:
    """Bring a picture ``(h, w, 3)`` of logs into a pose's place; what comes in from outside is 0."""
    if is_identity(pose):
        return picture
    back = np.asarray(np.linalg.inv(pose), np.float64)
    return np.asarray(warp_picture(picture, back, interpolation="linear")[0], np.float32)


def speaks_for_itself(score: FloatArray) -> BoolArray:
    """Where evidence for a figure is strong over three by three pixels, or fair over many, (h, w) bool."""
    score = np.asarray(score, np.float32)
    strong = cv2.erode(score, np.ones((3, 3), np.uint8)) > SURE
    fair = cv2.blur(score, (TOGETHER, TOGETHER), borderType=cv2.BORDER_REPLICATE) > FAIR
    return np.asarray(strong | (fair & (score > 0)))


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
        self._noisy = cv2.blur(np.sqrt(mean_channels(self.known.variance)), (5, 5)) > NOISY
        place = np.eye(3) if pose is None else pose
        self._held = lay(learned.held, place)
        relit = lay(learned.relit[..., None] * learned.held, place)
        self._shown = replace(self.known, logs=self.known.logs + relit)
        self._colours, self._shade = learned.colours, learned.shade
        self._before: tuple[FloatArray, FloatArray] | None = None  # frame and parting

    def mark(self, window: Sequence[FloatArray], centre: int) -> Mark:
        """Part the frame ``window[centre]``; its neighbours lend it quiet where nothing moves."""
        frame = np.asarray(window[centre], np.float32)
        steady, share = average_still(window, centre, self.noise)
        difference = compare_logs(steady, self.known)
        drift = fit_drift(difference - self._held, self.known)
        rest = difference - self._held - drift
        logs = self.known.logs + difference
        evidence = weigh_difference(logs, rest, self._shown, noise_share=share, shade=self._shade)
        part, alike = self._follow(frame)
        score = self._weigh_worn(logs, evidence, part) + MEMORY * alike * (2 * part - 1)
        parts = self._part(logs, rest, score)
        figure, filled = clean_parting(parts[1], evidence, score)
        self._before = frame, figure.astype(np.float32)
        unclear = find_unexplained(figure, score, evidence.mismatch, evidence.shows_set)
        figure = claim_parts(figure, unclear & self._noisy)
        seen = np.where(filled, np.float32(-1), score)
        sure, band = draw_band(figure, self._moving(window, centre), evidence.mismatch, self._speed(window, centre))
        unclear |= find_second_pieces(figure, evidence.by_colour(), band)
        doubt = find_doubt((parts[0], parts[2]), figure, seen, unexplained=unclear)
        gain = np.exp(self._held + drift + carry_shade(rest, self.known, figure | band))
        return Mark(figure, sure, band, doubt, gain.astype(np.float32))

    def _weigh_worn(
        self, logs: NDArray[np.float32], evidence: Evidence, before: NDArray[np.float32]
    ) -> NDArray[np.float32]:
        """Near a sure figure, and where it was before, its own colours are the likelier ones."""
        reach = max(3, round(ALIKE_REACH * float(np.hypot(*logs.shape[:2]))))
        core = (speaks_for_itself(evidence.score) | (before > 0.5)).astype(np.uint8)
        near = cv2.blur(cv2.dilate(core, disc(reach)).astype(np.float32), (reach | 1, reach | 1))
        return evidence.wearing(self._colours.density(logs), WORN_SHARE * near)

    def _follow(self, frame: FloatArray) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
        """The parting of the frame before, carried along the motion, and how surely both show the same, (h, w)."""
        if self._before is None:
            blank = np.zeros(frame.shape[:2], np.float32)
            return blank, blank
        picture, part = follow(frame, self._before[0], self._before[1], self.known.floor)
        return part, mark_still(frame, picture, self.noise)

    def _part(
        self, logs: NDArray[np.float32], rest: NDArray[np.float32], score: NDArray[np.float32]
    ) -> tuple[NDArray[np.float32], ...]:
        """Part by the evidence as it is, in the middle, and leaned either way; only near what speaks for a figure."""
        parts = tuple(np.zeros(score.shape, np.float32) for _ in range(3))
        box = find_box(cv2.dilate(speaks_for_itself(score).astype(np.uint8), disc(2)), margin=24)
        if box is None:
            return parts
        sigma = np.sqrt(mean_channels(self.known.variance[box]))
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


    def _speed(self, window: Sequence[FloatArray], centre: int) -> NDArray[np.float32]:
        """How fast things move here, (h, w) pixels to a frame."""
        near = [k for k in (centre + 1, centre - 1) if 0 <= k < len(window)]
        if not near:
            return np.zeros(window[centre].shape[:2], np.float32)
        return measure_speed(window[centre], window[near[0]], self.known.floor)


def clean_parting(part: FloatArray, evidence: Evidence, score: FloatArray) -> tuple[BoolArray, BoolArray]:
    """Round a parting's corners, keep figures with a core that speaks for itself, and fill holes that nothing opens.

    ``score``: (h, w) evidence as it was parted; a hole stays where it speaks for the set on average. Returns the
    figure and what of it was filled across gaps that lead out of it.
    """
    mask = (cv2.GaussianBlur(np.asarray(part, np.float32), (0, 0), 1.0) > 0.5).astype(np.uint8)
    core = speaks_for_itself(evidence.score)
    count, labels, stats, _ = cv2.connectedComponentsWithStats(mask)
    strong = np.bincount(labels[core], minlength=count)
    keep = (stats[:, cv2.CC_STAT_AREA] >= max(6, LEAST_AREA * mask.size)) & (strong >= 4)
    keep[0] = False
    solid = fill_closed(keep[labels].astype(np.uint8), score)
    whole = bridge_gaps(solid, score)
    return whole, whole & ~solid


def claim_parts(figure: BoolArray, unclear: BoolArray) -> BoolArray:
    """Give the figure what hangs on it and nothing explains, (h, w) bool; it stays in doubt.

    ``unclear``: see `find_unexplained`, where noise hides texture.

    Notes: a body in the shade of a dark room looks like a deep shadow; light shining through it is the worse mistake.
    What is larger than the figure itself, or merely touches it, is left.
    """
    hanging = pick_hanging(figure, unclear)
    claimed = (figure | hanging).astype(np.uint8)
    joined = cv2.morphologyEx(claimed, cv2.MORPH_CLOSE, disc(RIM)) > 0
    beside = cv2.dilate(hanging.astype(np.uint8), disc(RIM)) > 0
    return np.asarray(figure | (joined & beside))


def bridge_gaps(figure: BoolArray, score: FloatArray) -> BoolArray:
    """Join the parts of a body across gaps where evidence does not speak clearly for the set."""
    reach = disc(max(3, round(BRIDGE * float(np.hypot(*figure.shape)))))
    room = len(reach)
    padded = cv2.copyMakeBorder(figure.astype(np.uint8), room, room, room, room, cv2.BORDER_REPLICATE)
    closed = cv2.morphologyEx(padded, cv2.MORPH_CLOSE, reach)[room:-room, room:-room]
    gaps = ((closed > 0) & ~figure & (cv2.blur(np.asarray(score, np.float32), (5, 5)) > UNCLEAR)).astype(np.uint8)
    gaps = cv2.morphologyEx(gaps, cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
    return np.asarray(figure | (gaps > 0))


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


def draw_band(
    figure: BoolArray, moving: BoolArray, mismatch: FloatArray, speed: FloatArray
) -> tuple[BoolArray, BoolArray]:
    """Return sure figure and edge band, (h, w) bool each; the band is as wide as motion smears the edge.

    ``mismatch``: (h, w) distance from the set in sigma; ``speed`` (h, w) pixels to a frame. What moves and differs
    from the set outside the figure is its smear; the edge is as soft towards the inside, or softer: a shutter may be
    open all the time, and of a smear that is clear to see most was counted as figure.
    """
    mask = figure.astype(np.uint8)
    band = (cv2.dilate(mask, disc(RIM)) > 0) & (cv2.erode(mask, disc(RIM)) == 0)
    farthest = max(4, round(MOTION_RIM * float(np.hypot(*mask.shape))))
    outside, inside = (cv2.distanceTransform(part, cv2.DIST_L2, 5) for part in (1 - mask, mask))
    smear = moving & (np.asarray(mismatch) > SMEAR_SIGMA) & ~figure & (outside <= farthest)
    smear = cv2.morphologyEx(smear.astype(np.uint8), cv2.MORPH_OPEN, np.ones((3, 3), np.uint8)) > 0
    width = cv2.dilate(np.where(smear, outside, 0).astype(np.float32), disc(farthest))
    within = cv2.blur(mask.astype(np.float32), (2 * farthest + 1,) * 2)
    fast = cv2.blur(np.asarray(speed, np.float32) * mask, (2 * farthest + 1,) * 2) / np.maximum(within, 1e-3)
    core = (1 - CORE) * cv2.dilate(inside, disc(farthest))  # a limb keeps an inside, by which its colour is known
    deep = moving & (inside <= np.minimum(np.minimum(fast, farthest), core)) & (fast >= LEAST_SPEED)
    band |= smear | (figure & ((inside <= width) | deep))
    return figure & ~band, np.asarray(band)


def carry_shade(rest: NDArray[np.float32], known: LogSet, covered: BoolArray) -> NDArray[np.float32]:
    """What shadow or glow is left on the set beside the figure, carried on beneath its edges, ``(h, w, 3)`` logs."""
    open_set = (cv2.dilate(covered.astype(np.uint8), disc(1)) == 0).astype(np.float32)
    mass = open_set / mean_channels(known.variance)
    return carry_on(np.clip(rest, -2, 1) * mass[..., None], mass, sigmas=(2.0, 6.0, 20.0))
