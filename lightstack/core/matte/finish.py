"""A frame parted at survey size is solved at full size: arithmetic only in the edge band, the rest is known."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from lightstack.core.matte.band import Band, average_band, list_band, pick, sample
from lightstack.core.matte.edges import EdgeColours, carry_figure, solve_band, split_light
from lightstack.core.numbers import sum_channels
from lightstack.core.regions import disc
from lightstack.records import BoolArray, FloatArray, NoiseModel

__all__ = ["FrameMatte", "Mark", "enlarge", "find_box", "finish_frame"]

Box = tuple[slice, slice]
FIGURE_REACH = 40  # survey pixels beside the band in which the figure's colour is looked for
LOOKS = 3  # full-size pixels to a side of a survey pixel that are looked at for it
BOX_MARGIN = 4
ROUGHEN = 1.0  # survey pixels by which the parting's outline may be off


@dataclass(frozen=True, slots=True)
class Mark:
    """A frame parted at survey size: ``figure`` (h, w) bool; ``sure`` and ``band`` (h, w) bool, sure figure and edges;
    ``doubt`` (h, w) 0..1; ``gain`` (h, w, 3) by which the set's picture is multiplied in this frame."""

    figure: BoolArray
    sure: BoolArray
    band: BoolArray
    doubt: NDArray[np.float32]
    gain: NDArray[np.float32]


@dataclass(frozen=True, slots=True, eq=False)
class FrameMatte:
    """``alpha`` (H, W) float32 0..1. `doubt` and `figure` are drawn when they are asked for.

    ``frame`` (H, W, 3) as it was filmed; ``box`` its piece that was solved (None: nothing), ``survey_doubt`` of that
    box, and ``factors`` by which that is smaller; ``edge`` and ``colour`` (n, 3) the band's pixels in the box, and the
    figure's own colour there.
    """

    alpha: NDArray[np.float32]
    frame: FloatArray
    box: Box | None = None
    survey_doubt: NDArray[np.float32] | None = None
    factors: tuple[int, int] = (1, 1)
    edge: Band | None = None
    colour: NDArray[np.float32] | None = None

    @property
    def doubt(self) -> NDArray[np.float32]:
        """(H, W) float32 0..1."""
        doubt = np.zeros(self.alpha.shape, np.float32)
        if self.box is not None and self.survey_doubt is not None:
            doubt[self.box] = enlarge(self.survey_doubt, self.factors, doubt[self.box].shape)
        return doubt

    @property
    def figure(self) -> NDArray[np.float32]:
        """(H, W, 3) float32, the figure's own colour (not multiplied by alpha; 0 where alpha is 0)."""
        figure = np.zeros(self.frame.shape, np.float32)
        if self.box is not None and self.edge is not None and self.colour is not None:
            inner = figure[self.box]
            np.copyto(inner, self.frame[self.box], where=(self.alpha[self.box] > 0)[..., None])
            inner[self.edge.rows, self.edge.columns] = self.colour
        return figure


def finish_frame(
    window: Sequence[FloatArray], centre: int, set_picture: FloatArray, *, mark: Mark, noise: NoiseModel
) -> FrameMatte:
    """Solve a frame's edges at full size.

    ``window``: consecutive full-size frames ``(H, W, 3)``, the one at ``centre`` to be solved; float32 or half floats.
    ``set_picture``: the set in the same place. ``noise``: of one frame at full size.
    """
    full = set_picture.shape[:2]
    alpha = np.zeros(full, np.float32)
    small = find_box(mark.figure | mark.band | (mark.doubt > 0), margin=BOX_MARGIN)
    if small is None:
        return FrameMatte(alpha, window[centre])
    box, factors = enlarge_box(small, mark.figure.shape, full), factors_of(mark.figure.shape, full)
    shape = (box[0].stop - box[0].start, box[1].stop - box[1].start)
    inside = enlarge_mask(mark.sure[small], factors, shape)
    band = list_band(enlarge_mask(mark.band[small], factors, shape) & ~inside, inside)
    alpha[box] = inside
    colour = np.empty((0, 3), np.float32)
    if len(band):
        pieces = [frame[box] for frame in window]
        solved = solve_band(look_at_edge(pieces, centre, set_picture[box], mark, small, band, noise), band, noise=noise)
        alpha[box][band.rows, band.columns], colour = solved.alpha, solved.figure
    return FrameMatte(alpha, window[centre], box, mark.doubt[small], factors, band, colour)


def look_at_edge(
    pieces: Sequence[FloatArray],
    centre: int,
    set_picture: FloatArray,
    mark: Mark,
    small: Box,
    band: Band,
    noise: NoiseModel,
) -> EdgeColours:
    """Gather what is known of the band of a piece of the frame; ``small`` is that piece at survey size."""
    place, inside = (band.rows, band.columns), mark.sure[small]
    factors = factors_of(inside.shape, set_picture.shape)
    seen, share = average_band(pieces, centre, noise, band, shape=set_picture.shape[:2])
    front = sample(look_at_figure(pieces[centre], set_picture, inside, mark.band[small], factors), *place, factors)
    rough = cv2.GaussianBlur(mark.figure[small].astype(np.float32), (0, 0), ROUGHEN)
    soft = sample(np.dstack([mark.gain[small], rough]), *place, factors)
    behind = pick(set_picture, *place) * soft[:, :3]
    return EdgeColours(seen, behind, front[:, :3], front[:, 3:], share, np.ascontiguousarray(soft[:, 3]))


def look_at_figure(
    frame: FloatArray, set_picture: FloatArray, inside: BoolArray, band: BoolArray, scale: tuple[int, int]
) -> NDArray[np.float32]:
    """Carry the figure's colour out of a few pixels of each survey pixel inside it, ``(h, w, 6)`` (`carry_figure`).

    ``inside`` and ``band`` (h, w) at survey size. Where there is no inside, it is taken from where the band lies
    farthest from the set.
    """
    wanted = inside & (cv2.dilate(band.astype(np.uint8), disc(FIGURE_REACH)) > 0)
    mean, square = look_at_pixels(frame, wanted if inside.any() else band, scale)
    mass = wanted.astype(np.float32)
    if not inside.any():
        gap = sum_channels(np.abs(mean - look_at_pixels(set_picture, band, scale)[0])) * band
        mass = (band & (gap >= np.quantile(gap[band], 0.9))).astype(np.float32)
    return carry_figure(mean, square, mass)


def look_at_pixels(
    frame: FloatArray, wanted: BoolArray, scale: tuple[int, int]
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Return means of pixels and of their squares, in luminance and colour differences, ``(h, w, 3)`` each, of the
    survey pixels ``wanted`` (h, w); 0 elsewhere."""
    rows, columns = np.nonzero(wanted)
    mean, square = np.zeros((2, *wanted.shape, 3), np.float32)
    steps = [np.unique(((np.arange(LOOKS) + 0.5) * s / LOOKS).astype(int)) for s in scale]
    for v in steps[0]:
        for u in steps[1]:
            at = rows * scale[0] + v, columns * scale[1] + u
            values = split_light(pick(frame, *at))
            mean[rows, columns] += values
            square[rows, columns] += values**2
    count = np.float32(len(steps[0]) * len(steps[1]))
    return mean / count, square / count


def find_box(mask: BoolArray, *, margin: int) -> Box | None:
    """Return the rows and columns that hold all of a mask, with a margin; None where it is empty."""
    rows, columns = np.flatnonzero(mask.any(1)), np.flatnonzero(mask.any(0))
    if not len(rows):
        return None
    down, across = (
        slice(max(0, int(at[0]) - margin), min(size, int(at[-1]) + 1 + margin))
        for at, size in zip((rows, columns), mask.shape, strict=True)
    )
    return down, across


def enlarge(part: NDArray, factors: tuple[int, int], shape: tuple[int, ...]) -> NDArray:
    """Scale a piece of a survey picture up by whole ``factors``; its last pixels go on as far as ``shape``."""
    height, width = (side * factor for side, factor in zip(part.shape, factors, strict=True))
    large = cv2.resize(part, (width, height), interpolation=cv2.INTER_LINEAR)
    return cv2.copyMakeBorder(large, 0, shape[0] - height, 0, shape[1] - width, cv2.BORDER_REPLICATE)


def enlarge_mask(mask: BoolArray, factors: tuple[int, int], shape: tuple[int, ...]) -> BoolArray:
    """Scale a mask (h, w) up likewise; its outline lies where the interpolated mask is a half."""
    return np.asarray(enlarge(mask.astype(np.uint8) * np.uint8(254), factors, shape) > 127)


def enlarge_box(box: Box, small: tuple[int, ...], full: tuple[int, ...]) -> Box:
    """Return the full-size rows and columns of a box at survey size; the last one takes what is left over."""
    down, across = (
        slice(part.start * (large // little), large if part.stop == little else part.stop * (large // little))
        for part, little, large in zip(box, small, full, strict=True)
    )
    return down, across


def factors_of(small: tuple[int, ...], full: tuple[int, ...]) -> tuple[int, int]:
    """Return how many full-size rows and columns make one at survey size."""
    return full[0] // small[0], full[1] // small[1]
