"""Clipped lights and crushed blacks of a take: which channel, how much of the picture, where, and the room above.

Clipping is judged on code values: the survey flags a box in which any full-size pixel is at the ceiling. Crushing is
judged on the survey's boxes: one whose mean lies within half a code of black and stays there holds nothing but floor.

References
----------
Foi et al., Practical Poissonian-Gaussian noise modeling and fitting, IEEE TIP 17(10), 2008, section II: noise vanishes
where codes end, above and below.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from lightstack.core.colour.decoder import code_scales
from lightstack.core.colour.measured import find_curve_of
from lightstack.core.half import to_float
from lightstack.records import NOT_CHECKED, BoolArray, Encoding, Figure, Finding, FloatArray, ProxyTake

__all__ = ["LevelTally", "check_clipping", "find_floor", "gather_levels"]

CHANNELS = ("red", "green", "blue")
# Where "good" ends and where "reshoot" begins, shares of the picture. Common practice of the trade, not a standard: one
# per cent is a lamp's own disc or a window's edge.
CLIPPED_SHARE = (0.01, 0.25)  # mean over the frames
CRUSHED_SHARE = (0.10, 0.60)  # in all channels, over half of the frames
LEVEL_FRAMES = 32
LASTING = 0.5  # of the frames, from which on a place counts as crushed
HEADROOM_QUANTILE = 0.999
BOX_SHARE = 0.004  # of the picture, the least that a place named has
MOST_BOXES = 4
FULL = 0.98  # of the ceiling: a box of such a mean is clipped throughout
CLOSE = 0.05  # of the ceiling: no headroom


@dataclass(frozen=True, slots=True)
class LevelTally:
    """What the frames of a take hold at the ends of their codes.

    ``clipped`` (n, 3): share of the picture per frame and channel. ``alone`` (3,): share, in the mean, where this
    channel clips and another does not: there colour is lost. ``crushed`` (3,) and ``black``: share that is crushed in
    this channel, in all, in most frames. ``often_clipped`` (h, w, 3) and ``often_black`` (h, w): share of the frames.
    ``peak`` (3,): the level that a thousandth of the picture passes, in the brightest frames. ``factor``: proxy factor.
    """

    frames: NDArray[np.int64]
    clipped: NDArray[np.float64]
    alone: NDArray[np.float64]
    crushed: NDArray[np.float64]
    black: float
    often_clipped: NDArray[np.float32]
    often_black: NDArray[np.float32]
    peak: NDArray[np.float64]
    factor: int


def find_floor(encoding: Encoding) -> float | None:
    """Return the linear level half a code above the lowest that the encoding's cameras use, or None where none ends.

    Notes: black of video is its floor. Logarithmic curves put black far above theirs, and linear files have none.
    """
    curve = find_curve_of(encoding)
    if curve is None or encoding.is_float or encoding.ocio_space is not None:
        return None
    black = float(curve.decode(np.array(0.0)))
    if encoding.transfer != "linear" and (abs(black) > 1e-6 or float(curve.decode(np.array(0.2))) < 0.01):
        return None  # signal 0 is not where this curve puts black
    (_, codes), _ = code_scales(encoding)
    return float(curve.decode(np.array(0.5 / codes)))


def gather_levels(
    proxies: ProxyTake,
    *,
    floor: float | None,
    frames: NDArray[np.integer] | None = None,
    blocked: NDArray | None = None,
    ceiling: float | Sequence[float] = np.inf,
) -> LevelTally:
    """Count clipped and crushed places over a take, one reading of the frames.

    Parameters
    ----------
    floor : linear level under which a box is crushed if it does not change either (``find_floor``); None: not judged.
    frames : indices of the frames to look at, all if None; a sweep's lit frames tell of its gel.
    blocked : (n, h, w) or (n, h', w') flags or bools of what lamp and carrier cover, left out.
    ceiling : linear level at which the camera clips, one or per channel; inf: a box with a clipped pixel counts whole.
    """
    tops = np.broadcast_to(np.asarray(ceiling, np.float32), 3)
    chosen = np.arange(len(proxies)) if frames is None else np.asarray(frames, np.int64)
    shape = proxies.rgb.shape[1:3]
    clips, seen = np.zeros((*shape, 3), np.float32), np.zeros(shape, np.float32)
    clipped, alone = np.zeros((len(chosen), 3)), np.zeros((len(chosen), 3))
    for i, k in enumerate(chosen):
        open_here = _find_open(blocked, int(k), shape)
        flags = np.where(open_here, np.asarray(proxies.clipped[k]), 0)
        seen += open_here
        if not flags.any():
            continue
        whole = max(int(open_here.sum()), 1)
        bits = (flags[..., None] >> np.arange(3, dtype=np.uint8)) & 1
        clips += bits
        filled = bits.astype(np.float32)
        if proxies.factor > 1 and np.isfinite(tops).all():
            filled *= _fill_boxes(to_float(np.asarray(proxies.rgb[k])), tops)
        clipped[i] = filled.sum(axis=(0, 1), dtype=np.float64) / whole
        together = np.minimum(np.minimum(filled[..., 0], filled[..., 1]), filled[..., 2])
        alone[i] = clipped[i] - together.sum(dtype=np.float64) / whole
    peak, often = _look_at_ends(proxies, chosen, blocked, floor)
    lasting = (often > LASTING).mean(axis=(0, 1))
    return LevelTally(
        frames=np.asarray(proxies.source_frames)[chosen],
        clipped=clipped,
        alone=alone.mean(axis=0) if len(chosen) else np.zeros(3),
        crushed=lasting[:3].astype(np.float64),
        black=float(lasting[3]),
        often_clipped=(clips / np.maximum(seen, 1)[..., None]).astype(np.float32),
        often_black=often[..., 3],
        peak=peak,
        factor=proxies.factor,
    )


def _fill_boxes(rgb: FloatArray, tops: NDArray[np.float32]) -> NDArray[np.float32]:
    """How much of each survey box can be at the ceiling, (h, w, 3) 0..1, by its mean and its darkest neighbour.

    Notes: a glint of one pixel flags a box of dozens; the box's mean says how little of it there is.
    """
    level = np.minimum(rgb, tops)
    around = cv2.erode(level, np.ones((3, 3), np.uint8))
    return np.where(level > FULL * tops, 1, (level - around) / np.maximum(tops - around, 1e-6)).astype(np.float32)


def _look_at_ends(
    proxies: ProxyTake, chosen: NDArray[np.int64], blocked: NDArray | None, floor: float | None
) -> tuple[NDArray[np.float64], NDArray[np.float32]]:
    """Peaks (3,) of the brightest frames, and how often places lie at the floor: per channel and in all, (h, w, 4).

    Notes: up to 32 frames over the take are looked at; a whole take's halves would cost more than its decoding.
    """
    shape = proxies.rgb.shape[1:3]
    blacks, seen = np.zeros((*shape, 4), np.float32), np.zeros(shape, np.float32)
    few = chosen[np.unique(np.linspace(0, len(chosen) - 1, LEVEL_FRAMES).astype(int))] if len(chosen) else chosen
    peaks = np.zeros((len(few), 3))
    for i, k in enumerate(few):
        open_here = _find_open(blocked, int(k), shape)
        half = np.asarray(proxies.rgb[k])
        peaks[i] = _find_peak(half, open_here)
        if floor is None:
            continue
        seen += open_here
        # halves that are not negative sort as their bits do, and a negative one has a negative number for its bits
        dark = (half.view(np.int16) <= np.float16(floor).view(np.int16)) & open_here[..., None]
        if dark.any():
            before = np.asarray(proxies.rgb[k - 1 if k else min(1, len(proxies) - 1)])
            dark[dark] = np.abs(half[dark] - before[dark]) <= np.float16(0.1 * floor)
            blacks[..., :3] += dark
            blacks[..., 3] += dark[..., 0] & dark[..., 1] & dark[..., 2]
    peak = np.quantile(peaks, 0.95, axis=0) if len(few) else np.full(3, np.nan)
    return peak, (blacks / np.maximum(seen, 1)[..., None]).astype(np.float32)


def _find_open(blocked: NDArray | None, k: int, shape: tuple[int, int]) -> BoolArray:
    if blocked is None:
        return np.ones(shape, bool)
    cover = np.asarray(np.asarray(blocked[k]) > 0, np.uint8)
    if cover.shape != shape:
        cover = np.asarray(cv2.resize(cover, shape[::-1], interpolation=cv2.INTER_NEAREST))
    return cover == 0


def _find_peak(rgb: FloatArray, where: BoolArray) -> NDArray[np.float64]:
    """The level that a thousandth of the open picture passes, (3,); every second pixel is looked at."""
    pixels = rgb[::2, ::2][where[::2, ::2]].astype(np.float32)
    if len(pixels) < 16:
        return np.zeros(3)
    at = min(int(HEADROOM_QUANTILE * len(pixels)), len(pixels) - 1)
    return np.partition(pixels, at, axis=0)[at].astype(np.float64)


def check_clipping(
    levels: LevelTally,
    *,
    ceiling: float | Sequence[float],
    gel: Sequence[float] | None = None,
    crushing_matters: bool = True,
) -> Finding:
    """Judge a take's clipping, crushed blacks and headroom.

    Parameters
    ----------
    levels : from ``gather_levels``.
    ceiling : linear level at which the camera clips, one or per channel (the curve of the encoding's ceiling).
    gel : (3,) colour of the lamp light, where there is one; names the gel's channel.
    crushing_matters : False where only the lamp's own light is wanted of dark places.
    """
    if not len(levels.frames):
        return Finding("clipping", NOT_CHECKED, "No frames to judge clipping by.")
    tops = np.broadcast_to(np.asarray(ceiling, np.float64), 3)
    mean, most = levels.clipped.mean(axis=0), levels.clipped.max(axis=0)
    worst = int(np.argmax(mean))
    with np.errstate(divide="ignore"):
        headroom = np.where(levels.peak > 0, np.log2(tops / np.maximum(levels.peak, 1e-9)), np.inf)
    clip_level = int(mean[worst] > CLIPPED_SHARE[0]) + int(mean[worst] >= CLIPPED_SHARE[1])
    black_level = int(levels.black > CRUSHED_SHARE[0]) + int(levels.black >= CRUSHED_SHARE[1])
    black_level = black_level if crushing_matters else min(black_level, 1)
    boxes = (_find_boxes(levels.often_clipped[..., worst], levels) if clip_level else ()) + (
        _find_boxes(levels.often_black, levels) if black_level else ()
    )
    shown = np.clip(headroom, 0, 99)
    figures = (
        *(Figure(f"clipped {name}", 100 * float(mean[c]), "%") for c, name in enumerate(CHANNELS)),
        *(Figure(f"most clipped {name}", 100 * float(most[c]), "%") for c, name in enumerate(CHANNELS)),
        *(Figure(f"headroom {name}", float(shown[c]), "stops", 1) for c, name in enumerate(CHANNELS)),
        Figure("crushed blacks", 100 * levels.black, "%"),
        *(Figure(f"crushed {name}", 100 * float(levels.crushed[c]), "%") for c, name in enumerate(CHANNELS)),
    )
    says = [_say_clipping(levels, mean, most, worst, clip_level, gel), _say_headroom(headroom, worst, clip_level)]
    if black_level:
        where = _say_places(levels.often_black)
        says.append(f"{100 * levels.black:.0f} % of the picture is crushed to black{where}.")
    remedy = _advise(levels, worst, clip_level, black_level, gel)
    grade = ("good", "usable", "reshoot")[max(clip_level, black_level)]
    frames = _find_frames(levels, worst) if clip_level else ()
    return Finding("clipping", grade, " ".join(s for s in says if s), remedy, figures, frames, boxes)


def _say_clipping(
    levels: LevelTally,
    mean: NDArray[np.float64],
    most: NDArray[np.float64],
    worst: int,
    level: int,
    gel: Sequence[float] | None,
) -> str:
    if not most.any():
        return "Nothing is clipped."
    name = f"{CHANNELS[worst]}{', the gel’s channel' if _is_gels(worst, gel) else ''}"
    says = f"{100 * mean[worst]:.2g} % of the picture is clipped in {name} (at most {100 * most[worst]:.2g} %)"
    if not level:
        return says + "."
    if levels.alone[worst] > 0.5 * mean[worst]:
        says += ", and there in that channel without the others: its colour is lost"
    return says + _say_places(levels.often_clipped[..., worst]) + "."


def _is_gels(channel: int, gel: Sequence[float] | None) -> bool:
    """Whether a channel is the one that the gel lets through most, clearly more than another."""
    return gel is not None and int(np.argmax(gel)) == channel and float(np.max(gel)) > 1.3 * float(np.min(gel))


def _say_headroom(headroom: NDArray[np.float64], worst: int, level: int) -> str:
    c = worst if level else int(np.argmin(headroom))
    if not np.isfinite(headroom[c]):
        return ""
    if headroom[c] < -np.log2(1 - CLOSE):
        return "" if level else f"The brightest places touch the ceiling of {CHANNELS[c]}."
    return f"The brightest places lie {headroom[c]:.1f} stops below the ceiling of {CHANNELS[c]}."


def _advise(levels: LevelTally, worst: int, clip_level: int, black_level: int, gel: Sequence[float] | None) -> str:
    told = []
    if clip_level:
        stops = 1 if levels.clipped[:, worst].mean() < 0.1 else 2
        source = "keep the lamp further off, " if gel is not None else ""
        told.append(f"Expose {stops} stop{'s' * (stops > 1)} lower, {source}or take light off the bright places.")
    if black_level:
        told.append("Expose higher or add fill, and turn off any contrast or black-level setting; film in a log curve.")
    return " ".join(told)


def _find_frames(levels: LevelTally, channel: int) -> tuple[tuple[int, int], ...]:
    """Runs of source frames in which the channel clips over more than is good."""
    spans: list[list[int]] = []
    for number in levels.frames[levels.clipped[:, channel] > CLIPPED_SHARE[0]]:
        if spans and int(number) == spans[-1][1] + 1:
            spans[-1][1] = int(number)
        else:
            spans.append([int(number)] * 2)
    return tuple((a, b) for a, b in spans)


def _find_boxes(often: FloatArray, levels: LevelTally) -> tuple[tuple[float, float, float, float], ...]:
    """The largest places, in full-size pixels, that are at the end of the codes for a tenth of the frames and more."""
    mask = cv2.morphologyEx((np.asarray(often) >= 0.1).astype(np.uint8), cv2.MORPH_CLOSE, np.ones((5, 5), np.uint8))
    _, _, stats, _ = cv2.connectedComponentsWithStats(mask)
    large = sorted(stats[1:].tolist(), key=lambda s: -s[cv2.CC_STAT_AREA])[:MOST_BOXES]
    f = float(levels.factor)
    return tuple(
        (x * f, y * f, (x + w) * f, (y + h) * f) for x, y, w, h, area in large if area >= BOX_SHARE * mask.size
    )


def _say_places(often: FloatArray) -> str:
    """Words for where it is, such as ", mostly top left", or nothing where it is all over."""
    weight = np.asarray(often, np.float64)
    whole = weight.sum()
    if whole <= 0:
        return ""
    h, w = weight.shape
    down = [weight[: h // 3].sum(), weight[h // 3 : -(h // 3)].sum(), weight[-(h // 3) :].sum()] / whole
    across = [weight[:, : w // 3].sum(), weight[:, w // 3 : -(w // 3)].sum(), weight[:, -(w // 3) :].sum()] / whole
    words = [name for name, share in zip(("top", "middle", "bottom"), down, strict=True) if share > 0.6]
    words += [name for name, share in zip(("left", "centre", "right"), across, strict=True) if share > 0.6]
    return f", mostly {' '.join(words)}" if words else ""
