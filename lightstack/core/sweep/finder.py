"""The mask of one frame: where the evidence for cover comes together.

Lengths are in pixels of a picture 320 across, at which masks are found whatever the survey's size.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

import cv2
import numpy as np
from numpy.typing import NDArray

from lightstack.core.numbers import only_numbers
from lightstack.core.regions import (
    close_gaps,
    disc,
    drop_known,
    fill_holes,
    find_glints,
    grow_within,
    join_border,
    join_lamp,
    keep_large,
    keep_steep,
)
from lightstack.core.sweep.evidence import (
    CEILING_GAP,
    CoverGauge,
    average_scene_light,
    brightest_channel,
    find_ceiling,
    measure_disagreement,
)
from lightstack.core.sweep.outlines import GLINT_AREA, USUAL_QUANTILE, Outlines
from lightstack.core.sweep.recognition import SetGauge, usual_light
from lightstack.core.sweep.veil import find_veil
from lightstack.records import FloatArray, NoiseModel

COVERED, LAMP, GLOW, CARRIER, GLINT, RIM = 1, 2, 4, 8, 16, 32
CLOSED = COVERED | LAMP | GLOW | CARRIER
BLOCKED = CLOSED | RIM

WORK_WIDTH = 320  # pixels across at which masks are found; all lengths and areas below are in such pixels
DRAFT_WIDTH = 160
ALL_CLIPPED = 7
SCENE_FRAMES = 48  # of them are averaged for the set's own light
SAMPLE_FRAMES = 96  # frames from which the set is learned, evenly spaced over the take
FIXED_FRAMES = 25  # lamp-off frames in which fixed lights are looked for
COVER_SEED, COVER_WEAK = 0.4, 0.25  # share of the ambient gone: surely covered, and covered next to what surely is
SEED_AREA = 12  # smaller seeds are noise
DISAGREE = 6.0  # chi-square units of the small window by which the set must be the poorer explanation
WINNER_SHARE, WINNER_DISAGREE = 0.5, 300.0  # half as bright as the place gets: the plate may need it, so be surer
OUTSHINE = 1.5  # times as bright as the place usually gets at most: may print into a maximum
STEEP = 2.0  # fall of level across the outline of a lit hand
GROW_STEPS = 15  # how far from seeds, lamp and excess weaker evidence is believed
CLOSE_RADIUS, HOLE_AREA = 7, 150
LAMP_RIM, EXCESS_RIM, DARK_RIM = 3, 2, 4
NEAR_GAP, NEAR_AREA = 28, 300  # of a lit body close to the camera: farthest from its arm, smallest
BESIDE, BESIDE_OUTSHINE = 7, 1.25  # a lit edge is so many times brighter than the set within so many pixels beside it
ARM_REACH, BODY_AREA = 20.0, 150  # from the lamp to the body it is joined to, and how large that must be


class Finder:
    """One sweep at working size: what is the same for all frames, learned once; then frames in any order.

    ``light``, ``clipped``: as for ``find_blockers``. ``lit``: indices of the frames with the lamp on. ``step``: pixels
    of the survey per working pixel; ``unit``: how wide the working picture is, 1 = 320.
    """

    def __init__(
        self, light: NDArray, ambient: FloatArray, noise: NoiseModel, clipped: NDArray[np.uint8],
        lit: NDArray[np.int64], *, width: int = WORK_WIDTH, draft: Mapping[int, NDArray[np.uint8]] | None = None,
    ) -> None:  # fmt: skip
        self.step = max(1, round(ambient.shape[1] / width))
        self.unit = ambient.shape[1] / self.step / WORK_WIDTH
        self._light, self._clipped, self._lit, self._draft = light, clipped, lit, draft
        self.noise = NoiseModel(noise.a / self.step**2, noise.b / self.step**2, noise.scale * self.step)
        self.ambient = np.maximum(shrink(np.asarray(ambient, np.float32), self.step), 0)
        self._gauge = CoverGauge(self.ambient, self.noise)
        self._fixed = self._find_fixed_lights()
        self._floor = 3 * brightest_channel(self.noise.sigma(self.ambient))
        peaks, scene = self._look_at_sample()
        self._ceiling = self._find_ceiling(peaks)
        self._scene, usual = self._average_scene(scene)
        self._set = SetGauge([usual, self.ambient.sum(axis=2)], self.ambient, self.noise)

    def frame(self, place: int) -> NDArray[np.float32]:
        """Lit frame ``place`` at working size, 0 outside the picture."""
        return shrink(only_numbers(self._light[self._lit[place]]), self.step)

    def find(self, place: int) -> NDArray[np.uint8]:
        """Flags of lit frame ``place``, (h, w) at working size."""
        light = self.frame(place)
        cover = self._gauge.measure(light)
        peak = brightest_channel(light)
        cores, glints = self._cores(place)
        seed = self._seed(cover)
        lamp = cv2.dilate(cores, disc(math.ceil(LAMP_RIM * self.unit)))
        start = seed | lamp
        known = self._set.recognise(light, (cover > COVER_WEAK).astype(np.uint8) | start, self._clipped_channels(place))
        excess = self._excess(peak, start, cover) & (1 - glints)
        excess = drop_known(excess, known)
        start |= excess
        weak, sure = (found & (1 - known) for found in self._weak(light, cover))
        body = grow_within(start, weak | start, self._px(GROW_STEPS))
        near = join_border(body, sure, reach=self._px(NEAR_GAP), area=self._area(NEAR_AREA))
        body |= grow_within(near, weak | near, self._px(GROW_STEPS))
        body = close_gaps(body, self._px(CLOSE_RADIUS))
        body |= join_lamp(cores, body, reach=ARM_REACH * self.unit, area=self._area(BODY_AREA))
        body = fill_holes(body, self._area(HOLE_AREA))
        body |= cv2.dilate(excess, disc(self._px(EXCESS_RIM)))  # its blurred edge is bright too
        rim = cv2.dilate(body, disc(self._px(DARK_RIM)))
        found = _flag(body | self._bright_margin(peak, rim, body), lamp, seed, glints, rim)
        # a veil hides the set's texture; where that shows, the lamp merely lights a wall close by
        veil = drop_known(find_veil(cores, peak, self._floor), known)
        return np.where(found & LAMP, found, found | veil * GLOW).astype(np.uint8)

    def learn_outlines(self, flags: NDArray[np.uint8]) -> Outlines:
        """What ``settle`` needs of the whole sweep; ``flags``: (lit frames, h, w) of ``find``."""
        places = sample_places(len(self._lit), SAMPLE_FRAMES)
        peaks = [np.maximum(brightest_channel(self.frame(int(p))), 0) for p in places]
        usual = usual_light(peaks, [flags[p] & CLOSED for p in places], quantile=USUAL_QUANTILE)
        return Outlines(usual, self.ambient, self._floor, unit=self.unit)

    def settle(self, place: int, flags: NDArray[np.uint8], outlines: Outlines) -> NDArray[np.uint8]:
        """Judge what ``find`` left of lit frame ``place`` once more, by its outlines."""
        peak = brightest_channel(self.frame(place))
        dark, lamp = ((flags & COVERED) > 0).astype(np.uint8), ((flags & LAMP) > 0).astype(np.uint8)
        lit = ((flags & (CARRIER | GLOW)) > 0).astype(np.uint8) & (1 - dark) & (1 - lamp)
        opened = outlines.open_lit_set(peak, lit=lit, dark=dark, lamp=lamp)
        settled = np.where(opened > 0, flags & ~np.uint8(CARRIER | GLOW), flags)
        body = ((settled & CLOSED) > 0).astype(np.uint8)
        figures = outlines.close_lit_figures(peak, dark=dark, body=body) & (flags & GLINT == 0)
        return np.asarray(settled | figures * CARRIER, np.uint8)

    def _bright_margin(
        self, peak: NDArray[np.float32], rim: NDArray[np.uint8], body: NDArray[np.uint8]
    ) -> NDArray[np.uint8]:
        """What of the rim may be the lit edge of a figure: brighter than the place ever is, and than the set beside it.

        The rest of the rim does no harm to a maximum, and next to the lamp it holds the set's best light.
        """
        beside = cv2.dilate(np.where(rim > 0, 0, peak).astype(np.float32), disc(self._px(BESIDE)))
        usual = np.maximum(OUTSHINE * self._usual_top, BESIDE_OUTSHINE * beside) + self._floor
        return (rim & (1 - body) & (peak > usual)).astype(np.uint8)

    def _px(self, length: float) -> int:
        return max(1, round(length * self.unit))

    def _area(self, area: float) -> int:
        return max(2, round(area * self.unit**2))

    def _seed(self, cover: NDArray[np.float32]) -> NDArray[np.uint8]:
        mask = cv2.morphologyEx((cover > COVER_SEED).astype(np.uint8), cv2.MORPH_OPEN, np.ones((2, 2), np.uint8))
        return keep_large(mask, self._area(SEED_AREA))

    def _cores(self, place: int) -> tuple[NDArray[np.uint8], NDArray[np.uint8]]:
        """Saturated in all channels: the lamp, and what is but a reflection of it."""
        bits = np.asarray(self._clipped[self._lit[place]])
        full = _join_boxes(bits == ALL_CLIPPED, self.step)
        full = cv2.morphologyEx(full, cv2.MORPH_CLOSE, disc(1)) & (1 - self._fixed)
        glints = find_glints(full)
        return full & (1 - glints), glints

    def _clipped_channels(self, place: int) -> list[NDArray[np.uint8]]:
        bits = np.asarray(self._clipped[self._lit[place]])
        joined = _join_boxes(bits, self.step)
        return [np.asarray((joined >> c) & 1, np.uint8) for c in range(3)]

    def _find_fixed_lights(self) -> NDArray[np.uint8]:
        """Saturated for most of the time without the lamp, or nearly always: a fixed light in shot, not the lamp."""
        frames = np.setdiff1d(np.arange(len(self._clipped)), self._lit)
        share = 0.5
        if len(frames) == 0:
            frames, share = self._lit, 0.95
        some = frames[np.unique(np.linspace(0, len(frames) - 1, FIXED_FRAMES).astype(int))]
        often = np.mean([np.asarray(self._clipped[k]) == ALL_CLIPPED for k in some], axis=0) >= share
        return cv2.dilate(_join_boxes(often, self.step), disc(self._px(2)))

    def _weak(
        self, light: NDArray[np.float32], cover: NDArray[np.float32]
    ) -> tuple[NDArray[np.uint8], NDArray[np.uint8]]:
        """Weaker evidence of any kind, and what of it is bright and yet surely not the set."""
        small, large = measure_disagreement(light, self.ambient, self._scene, noise=self.noise)
        # the large window speaks where the small one is undecided; it sums five times as many pixels
        peak = brightest_channel(light)
        bright = peak > WINNER_SHARE * self._usual_top
        limit = np.where(bright, WINNER_DISAGREE, DISAGREE)
        disagree = np.where(np.abs(small) > DISAGREE, small, large / 4) > limit
        weak = (disagree | (cover > COVER_WEAK)).astype(np.uint8)
        sure = (disagree & bright).astype(np.uint8)
        return cv2.morphologyEx(weak, cv2.MORPH_OPEN, disc(1)), cv2.morphologyEx(sure, cv2.MORPH_OPEN, disc(2))

    def _excess(
        self, peak: NDArray[np.float32], start: NDArray[np.uint8], cover: NDArray[np.float32]
    ) -> NDArray[np.uint8]:
        """Brighter than the set ever gets: parts that touch the body, and any that are too large for a glint."""
        mask = cv2.morphologyEx((peak > self._ceiling).astype(np.uint8), cv2.MORPH_OPEN, disc(1))
        if not mask.any():
            return mask
        mask = keep_steep(mask, peak + self._floor, ignore=(start > 0) | (cover > COVER_WEAK), ratio=STEEP)
        labels = cv2.connectedComponents(mask)[1]
        touching = np.unique(labels[cv2.dilate(start, disc(self._px(3))) > 0])
        joined = np.isin(labels, touching[touching > 0]).astype(np.uint8)
        return joined | keep_large(mask, self._area(GLINT_AREA))

    def _look_at_sample(self) -> tuple[NDArray[np.float32], dict[int, NDArray[np.float32]]]:
        """Brightest channel of sampled frames (k, h, w) to half float precision, -2 where the draft closes them, and by
        place those whole that the set's own light is averaged from.
        """
        places = sample_places(len(self._lit), SAMPLE_FRAMES)
        averaged = set(places[:: max(1, SAMPLE_FRAMES // SCENE_FRAMES)].tolist())
        scene: dict[int, NDArray[np.float32]] = {}
        peaks = np.empty((len(places), *self.ambient.shape[:2]), np.float32)
        for peak, place in zip(peaks, places.tolist(), strict=True):
            frame = self.frame(place)
            peak[:] = brightest_channel(frame).astype(np.float16)
            peak[self._drafted(place) > 0] = -2
            if place in averaged:
                scene[place] = frame
        return peaks, scene

    def _drafted(self, place: int) -> NDArray[np.uint8]:
        """What the draft found covered in a frame, at working size."""
        if self._draft is None or place not in self._draft:
            return np.zeros(self.ambient.shape[:2], np.uint8)
        height, width = self.ambient.shape[:2]
        return cv2.resize(self._draft[place], (width, height), interpolation=cv2.INTER_NEAREST)

    def _find_ceiling(self, peaks: NDArray[np.float32]) -> NDArray[np.float32]:
        hidden = peaks < -1
        least = np.where(hidden, np.float32(np.inf), peaks).min(axis=0)
        stack = np.where(hidden, np.where(np.isfinite(least), least, 0), peaks)
        ceiling = find_ceiling(stack, self._floor)
        known = np.where(stack <= ceiling, stack, 0)
        if self._draft is not None:  # what the draft took out may still be there to be found
            ceiling = np.minimum(ceiling, CEILING_GAP * (known.max(axis=0) + self._floor) - self._floor)
        rank = min(len(known), 2 + round(len(known) / 100))  # the brightest but one, or a few more of many
        self._usual_top = -np.partition(-known, rank - 1, axis=0)[rank - 1]
        return ceiling

    def _average_scene(
        self, frames: Mapping[int, NDArray[np.float32]]
    ) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
        """Mean lamp light where the set is open, and the luminance with which it usually answers the lamp."""
        masks = []
        for p, frame in frames.items():
            covered = cv2.dilate((self._gauge.measure(frame) > 0.4).astype(np.uint8), disc(self._px(3)))
            clipped = _join_boxes(np.asarray(self._clipped[self._lit[p]]) > 0, self.step)
            masks.append((covered | clipped | self._drafted(p)) == 0)
        lumas = [frame[..., 0] + frame[..., 1] + frame[..., 2] for frame in frames.values()]  # a sum of three is slow
        usual = usual_light(lumas, [1 - m for m in masks])
        return average_scene_light(list(frames.values()), masks), usual


def _flag(
    body: NDArray[np.uint8], lamp: NDArray[np.uint8], seed: NDArray[np.uint8], glints: NDArray[np.uint8],
    rim: NDArray[np.uint8],
) -> NDArray[np.uint8]:  # fmt: skip
    dark = cv2.dilate(seed, disc(1)) & body & (1 - lamp)
    lit = body & (1 - lamp) & (1 - dark)
    edge = rim & (1 - body) & (1 - lamp)
    return (lamp * LAMP | dark * COVERED | lit * CARRIER | glints * GLINT | edge * RIM).astype(np.uint8)


def sample_places(count: int, most: int) -> NDArray[np.int64]:
    """Indices of at most ``most`` of ``count`` frames, evenly spaced."""
    return np.unique(np.linspace(0, count - 1, min(count, most)).astype(np.int64))


def shrink(picture: NDArray[np.float32], step: int) -> NDArray[np.float32]:
    """Average boxes of ``step`` x ``step`` pixels; the last column and row may be averaged over fewer."""
    if step == 1:
        return picture
    height, width = (-(-side // step) for side in picture.shape[:2])
    down, right = height * step - picture.shape[0], width * step - picture.shape[1]
    if down or right:
        picture = cv2.copyMakeBorder(picture, 0, down, 0, right, cv2.BORDER_REPLICATE)
    return np.asarray(cv2.resize(picture, (width, height), interpolation=cv2.INTER_AREA), np.float32)


def _join_boxes(flags: NDArray, step: int) -> NDArray[np.uint8]:
    """Join bits over boxes of ``step`` x ``step`` pixels; the last column and row may hold fewer."""
    joined = np.zeros([-(-side // step) for side in flags.shape], np.uint8)
    for row in range(step):
        for column in range(step):
            part = flags[row::step, column::step]
            joined[: part.shape[0], : part.shape[1]] |= part
    return joined
