"""What a codec did to a take: edges of its blocks, blocks that stand still, noise that hangs together in time.

References
----------
Between independent noise, the frames k and k + 1 differ as much as k and k + 8; noise that lasts differs less.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from lightstack.core.check.block_grid import BlockGrid, find_grid, measure_blockiness
from lightstack.records import NOT_CHECKED, BoolArray, Figure, Finding, ProxyTake

__all__ = ["CodecTraces", "check_compression", "compare_tiles", "gather_traces", "measure_blockiness"]

TILE = 4  # proxy pixels: a tile that is equal to the last bit in all of them was left standing by the codec
CELL = 8  # proxy pixels, in which noise is measured
LONG_LAG = 8  # frames
BLACK = 1e-3  # linear
RUNS, RUN_FRAMES = 3, 32  # stretches of frames that are looked at
# Where "good" ends and where "reshoot" begins. Common practice of the trade, not a standard. Blocks that stand still
# among living noise show when light is taken out of the picture; where a codec smooths all noise away they do not, and
# what it costs is told by its grid.
STALE_SHARE = (0.15, 0.97)  # of the picture that is neither clipped nor black, in the mean
BLOCKINESS = (0.45, 1.50)  # excess of the differences across the grid
# The same in codes of 8 bits: below the rounding to such codes (EMVA 1288: variance 1/12) a grid is not seen, however
# clean the picture beside it is.
GRID_STEP = (12**-0.5, 1.0)
# Noise that the next frame shares by less than this lives; where most of the picture stands, a codec with frequent
# refreshes is told from blocks that hang only by noise that is wholly new.
LIVELY, LIVELY_AMONG_MOST, MOST_STANDING = 0.5, 0.2, 0.6
# Noise that is there, lasts, and was left standing nowhere is not a codec's doing but a noise reduction's over time,
# which drags light that moves: shared part above, standing share below, signal to noise at grey below.
HELD_NOISE = (0.6, 0.01, 60.0)
TOO_CLEAN = 150.0  # signal to noise at 18 % grey of one pixel: no sensor holds the 22,500 electrons for it there
GREY = 0.18


@dataclass(frozen=True, slots=True)
class CodecTraces:
    """Traces of a codec in a surveyed take.

    ``stale`` (n,): share of the tiles equal to the frame before, NaN where not looked at. ``lasting``: part of the
    living tiles' noise variance that the next frame shares, ``clean``: their signal to noise at 18 % grey, for one
    full-size pixel; NaN unknown. ``group``: frames between refreshes, 0 unknown. ``factor``: the survey's.
    """

    stale: NDArray[np.float64]
    lasting: float
    clean: float
    group: int
    factor: int


def gather_traces(proxies: ProxyTake, *, frames: NDArray[np.integer] | None = None) -> CodecTraces:
    """Look for standing tiles and lasting noise in a few stretches of frames.

    ``frames``: indices of the frames to look at, all if None; a sweep's unlit ones show most.
    """
    chosen = np.arange(len(proxies)) if frames is None else np.asarray(frames, np.int64)
    stale = np.full(len(proxies), np.nan)
    pairs: list[_LagPair] = []
    for run in _pick_runs(chosen):
        for a, b in pairwise(run):
            if proxies.duplicate[b]:
                continue
            equal, live = compare_tiles(proxies, a, b)
            if live.mean() > 0.05:
                stale[b] = (equal & live).sum() / live.sum()
            if a + LONG_LAG <= run[-1] and (a - run[0]) % 2 == 0:
                pairs += _compare_lags(proxies, a)
    usual = np.nanmedian(stale) if np.isfinite(stale).any() else 0.0
    between = [pair for pair in pairs if not stale[pair.frame] < 0.5 * usual]  # a refresh is no usual frame
    lasting, clean = _settle_pairs(between)
    return CodecTraces(stale, lasting, clean, _find_group(stale), proxies.factor)


def _pick_runs(chosen: NDArray[np.int64]) -> list[list[int]]:
    """Up to three stretches of frames that follow each other."""
    breaks = np.flatnonzero(np.diff(chosen) != 1) + 1
    whole = [run for run in np.split(chosen, breaks) if len(run) > 1]
    if not whole:
        return []
    if len(whole) > 1:
        longest = sorted(whole, key=len)[-RUNS:]
        return [run[:RUN_FRAMES].tolist() for run in longest]
    run = whole[0]
    if len(run) <= RUNS * RUN_FRAMES:
        return [run.tolist()]
    starts = np.linspace(0, len(run) - RUN_FRAMES, RUNS).astype(int)
    return [run[s : s + RUN_FRAMES].tolist() for s in starts]


def compare_tiles(proxies: ProxyTake, a: int, b: int) -> tuple[BoolArray, BoolArray]:
    """Which tiles (th, tw) are equal in two frames, and which may be judged: neither clipped nor at the floor."""
    first, second = np.asarray(proxies.rgb[a]), np.asarray(proxies.rgb[b])
    same = first.view(np.uint16) == second.view(np.uint16)
    equal = same[..., 0] & same[..., 1] & same[..., 2]
    flags = np.asarray(proxies.clipped[a]) | np.asarray(proxies.clipped[b])
    # black that no noise reaches is the same in every frame without any codec
    dark = second[..., 1] < np.float16(BLACK)
    return _all_of_tiles(equal), ~_all_of_tiles(dark) & _all_of_tiles(flags == 0)


def _all_of_tiles(mask: NDArray) -> BoolArray:
    h, w = (s // TILE * TILE for s in mask.shape)
    rows = np.logical_and.reduce([mask[k:h:TILE, :w] for k in range(TILE)])
    return np.asarray(np.logical_and.reduce([rows[:, k::TILE] for k in range(TILE)]))


@dataclass(frozen=True, slots=True)
class _LagPair:
    """Of a frame's living cells, the medians: noise variance at the long lag, the part that the next frame shares, and
    the signal to noise at 18 % grey."""

    frame: int
    far: float
    shared: float
    clean: float


def _compare_lags(proxies: ProxyTake, k: int) -> list[_LagPair]:
    """Compare the noise at a short and at a long lag from frame ``k``; nothing where too little lives.

    Notes: each cell's mean difference is taken out, so that light which changes is no noise. Cells that stand still are
    left out: they are counted elsewhere.
    """
    near, far = (_cell_variance(proxies, k, k + lag) for lag in (1, LONG_LAG))
    known = (far > 0) & (near > 0) & np.isfinite(near) & np.isfinite(far)
    if known.sum() < 16:
        return []
    green = np.asarray(proxies.rgb[k])[..., 1].astype(np.float32)
    h, w = (side * CELL for side in near.shape)
    level = green[:h, :w].reshape(h // CELL, CELL, w // CELL, CELL).mean(axis=(1, 3))
    # photons: the ratio's square goes with the level; half the difference's variance is one frame's
    squared = GREY * np.maximum(level, 0)[known] / (0.5 * near[known] * proxies.factor**2)
    shared = 1 - float(np.median(near[known] / far[known]))
    return [_LagPair(k + 1, float(np.median(far[known])), shared, float(np.sqrt(np.median(squared))))]


def _settle_pairs(pairs: list[_LagPair]) -> tuple[float, float]:
    """Shared part (within 0 and 1) and signal to noise, medians over the stillest third of the pairs; NaN unknown."""
    if len(pairs) < 2:
        return float("nan"), float("nan")
    still = sorted(pairs, key=lambda pair: pair.far)[: max(2, len(pairs) // 3)]
    shared = float(np.clip(np.median([pair.shared for pair in still]), 0, 1))
    return shared, float(np.median([pair.clean for pair in still]))


def _cell_variance(proxies: ProxyTake, a: int, b: int) -> NDArray[np.float64]:
    """Variance of the green difference in cells, means taken out; clipped cells are NaN."""
    first, second = (np.asarray(proxies.rgb[k])[..., 1].astype(np.float32) for k in (a, b))
    h, w = (s // CELL * CELL for s in first.shape)
    change = (second - first)[:h, :w].astype(np.float64)
    middle = np.repeat(np.repeat(_mean_of_cells(change), CELL, axis=0), CELL, axis=1)
    variance = _mean_of_cells((change - middle) ** 2)
    flags = (np.asarray(proxies.clipped[a]) | np.asarray(proxies.clipped[b]))[:h, :w]
    clipped = _mean_of_cells(flags > 0) > 0
    return np.where(clipped, np.nan, variance)


def _mean_of_cells(picture: NDArray) -> NDArray[np.float64]:
    """Mean (h / CELL, w / CELL) of each cell; row by row, which is many times faster than over two axes at once."""
    h, w = picture.shape
    across = picture.reshape(h, w // CELL, CELL).astype(np.float64) @ np.full(CELL, 1 / CELL)
    return np.asarray(across.reshape(h // CELL, CELL, w // CELL).mean(axis=1))


def _find_group(stale: NDArray[np.float64]) -> int:
    """Every how many frames nearly nothing stands: a codec's refresh; 0 where there is no such beat."""
    known = np.flatnonzero(np.isfinite(stale))
    if len(known) < 16 or np.nanmean(stale) < 0.05:
        return 0
    fresh = known[stale[known] < 0.3 * np.nanmedian(stale)]
    steps = np.array([b - a for a, b in pairwise(fresh) if np.isfinite(stale[a:b]).all()])
    if len(steps) < 2:
        return 0
    usual = int(np.median(steps))
    return usual if usual > 1 and np.mean(steps == usual) > 0.7 else 0


def check_compression(
    traces: CodecTraces, planes: Sequence[NDArray] = (), *, codec: str = "", bits: int = 8, noiseless: bool = False
) -> Finding:
    """Judge what a codec left of a take.

    Parameters
    ----------
    traces : from ``gather_traces``.
    planes : a few full-size luma planes in code values; without them the grid of blocks is not judged.
    codec : its name, for the sentence.
    bits : of the planes' code values; planes of floating point reach to 1.
    noiseless : whether no noise lives in the take (``is_noiseless``), so that what stands tells nothing of a codec.
    """
    known = traces.stale[np.isfinite(traces.stale)]
    if not len(known) and not planes:
        return Finding("compression", NOT_CHECKED, "No two neighbouring frames to tell the codec's work by.")
    stale = float(known.mean()) if len(known) else float("nan")
    found = find_grid(planes)
    step = found.step * _scale_to_8_bits(planes, bits)
    smoothed = noiseless or traces.clean > TOO_CLEAN or traces.lasting >= _lively_from(stale)
    held = not noiseless and _holds_noise(traces, stale)
    stands = 0 if smoothed else _grade(stale, STALE_SHARE)
    shows = min(_grade(_sure_excess(found), BLOCKINESS), _grade(step, GRID_STEP))
    says = [
        *([_say_standing(stale, traces.group)] if stands else []),
        *_say_grid(found, step, shows=bool(shows)),
        *_say_noise(traces.lasting, held=held, noiseless=noiseless, smoothed=smoothed),
    ]
    level = max(stands, shows, int(held))
    remedy = ""
    if level:
        remedy = "Record at a higher bit rate or with every frame coded by itself, noise reduction off, and film again."
    name = f" ({codec})" if codec and level else ""
    grade = ("good", "usable", "reshoot")[level]
    sentence = " ".join(says or [_say_fine(stale, traces.lasting)])[:-1] + f"{name}."
    return Finding("compression", grade, sentence, remedy, _list_figures(traces, stale, found, step))


def _lively_from(stale: float) -> float:
    """Return the share of shared noise from which on a codec was at work."""
    return LIVELY_AMONG_MOST if stale > MOST_STANDING else LIVELY


def _holds_noise(traces: CodecTraces, stale: float) -> bool:
    """Tell whether noise stays from frame to frame though little of the picture stands."""
    shared, standing, clean = HELD_NOISE
    return traces.lasting > shared and not stale > standing and traces.clean < clean


def _sure_excess(found: BlockGrid) -> float:
    """Return by how much steps across the grid surely exceed those beside it; 0 for an enlarged picture."""
    return max(found.excess - 3 * found.error, 0.0) if np.isfinite(found.excess) and not found.enlarged else 0.0


def _say_standing(stale: float, group: int) -> str:
    refresh = f", renewed every {group} frames" if group else ""
    return f"{100 * stale:.0f} % of the picture stands still from frame to frame{refresh}."


def _say_grid(found: BlockGrid, step: float, *, shows: bool) -> list[str]:
    says = []
    if shows:
        says.append(
            f"A grid of {found.side} px blocks shows: steps across it are {100 * found.excess:.0f} % larger than "
            f"beside it, by {step:.1f} codes of 8 bits."
        )
    if found.enlarged and _grade(found.excess, BLOCKINESS):
        pixels = f"Pixels of {found.side} x {found.side} px show"
        says.append(f"{pixels}, as of a smaller picture that was enlarged: no codec's grid.")
    return says


def _say_noise(lasting: float, *, held: bool, noiseless: bool, smoothed: bool) -> list[str]:
    if held:
        return [f"{100 * lasting:.0f} % of the noise stays from one frame to the next."]
    if noiseless:
        return [
            "No noise is left, as in a render or where the codec or the camera smoothed it away: what does not move "
            "stays equal to the last bit."
        ]
    if smoothed:
        return ["The codec or the camera smoothed the noise away, in time too: what is left of it says little."]
    return []


def _list_figures(traces: CodecTraces, stale: float, found: BlockGrid, step: float) -> tuple[Figure, ...]:
    figures = [
        Figure("standing blocks", 100 * stale, "%", 1),
        Figure("noise shared with the next frame", 100 * traces.lasting, "%", 0),
        Figure("refresh", float(traces.group), "frames", 0),
    ]
    if np.isfinite(found.excess):
        figures += [
            Figure("blockiness", 100 * found.excess, "%", 1),
            Figure("block size", float(found.side), "px", 0),
            Figure("step across blocks", step, "codes of 8 bits", 2),
        ]
    return tuple(figures)


def _scale_to_8_bits(planes: Sequence[NDArray], bits: int) -> float:
    """Return what turns the planes' values into codes of 8 bits."""
    return 255.0 if len(planes) and np.issubdtype(planes[0].dtype, np.floating) else 2.0 ** (8 - bits)


def _grade(value: float, limits: tuple[float, float]) -> int:
    return 0 if not np.isfinite(value) else int(value > limits[0]) + int(value >= limits[1])


def _say_fine(stale: float, lasting: float) -> str:
    parts = []
    if np.isfinite(stale):
        parts.append(f"{100 * stale:.1f} % of the picture stands still from frame to frame")
    if np.isfinite(lasting):
        parts.append(f"{100 * lasting:.0f} % of the noise lasts into the next")
    return ("; ".join(parts) or "No grid of blocks shows") + "."
