"""From gathered patches and windows to a grain profile: which places were still, strength by level, texture.

References
----------
EMVA Standard 1288, release 4.0, 2021: variance = a * level + b.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import nnls

from lightstack.core.grain.detail import find_power, measure_detail
from lightstack.core.grain.line import Line, fit_line
from lightstack.core.grain.measure import PATCH, BurstTally, Patches, Windows
from lightstack.core.grain.texture import MOST_COARSE, measure_texture, measure_whiteness
from lightstack.errors import UnusableTake
from lightstack.records import BoolArray, GrainProfile
from lightstack.records.grain import REACH

__all__ = ["LEAST_STILL", "Footage", "find_still", "make_profile"]

LEAST_STILL = 96  # patches that must be still in all
LEAST_PIXELS, LEAST_PIXEL_SHARE = 4000, 1.5e-3  # of a bin
BINS = 28
OUTLIERS = 60.0  # times the typical square: heavy tails of a codec lie below
DARK = 2e-3  # level below which bins are even in light, not in stops
CURVE_SIDES = 12.0  # times the still patches' variance at a level: what stands above is no grain
PLACE_SIDE = 2.0  # times a place's own quiet variance
SHIFT_SIDE = 9.0  # squared standard errors of a patch's mean
MOVED_SIDE = 2.5  # times what the other levels say: only people in motion are there
NO_GRAIN = 0.75  # correlation three pixels apart (green): no camera's grain, nor a codec's, is as coarse
NEW_EACH_FRAME = 0.05  # correlation in time
WHITE = 0.08  # correlation of neighbours below which pixels count as independent
LINE_ERROR = 0.12  # share by which a level's variance may miss the line of linear footage
CLIP_SIGMAS = 3.0
HANGS = 0.15  # correlation in time that is worth a word
STALE = 0.05
FEW_STILL = 0.1
FLATTENED = 0.25  # of the variance that the line gives at a dark level


@dataclass(frozen=True, slots=True)
class Footage:
    """What a profile says of its take. ``ceiling``: linear level at which it clips. ``encode`` and ``scale`` (zero
    code, codes per 1.0 of signal): from light to codes; None where that is not known."""

    take: str
    size: tuple[int, int]
    encoding: str
    primaries: str
    ceiling: float = np.inf
    encode: Callable[[NDArray], NDArray] | None = None
    scale: tuple[float, float] = (0.0, 1.0)


def make_profile(tally: BurstTally, footage: Footage) -> GrainProfile:
    """Make a profile of what a tally gathered.

    Raises UnusableTake where too few places were still.
    """
    take = footage.take
    if not tally.columns:
        raise UnusableTake(f"{take}: grain cannot be measured: no two frames of one pose; film a second without a bump")
    patches, windows = tally.patches(), tally.windows()
    still = find_still(patches)
    _check_enough(take, patches, still)
    coarse = _coarseness(patches, still)
    bins = _bin_levels(windows, still, coarse, footage.ceiling)
    variance = _pool_variance(patches, still) / (1 - coarse / PATCH**2)
    line = fit_line(patches.level[still], variance, patches.burst[still])
    return _finish(_draft(tally, patches, still, bins, line, footage), windows, still, find_power(footage.encode))


# --- which places were still -----------------------------------------------------------------------


def find_still(patches: Patches) -> BoolArray:
    """Tell which patches show nothing but grain change, (n,).

    A patch is still where its variance is near what quiet patches of its level have, near what its own place has in
    quiet bursts, and where its mean did not change beyond its error.

    Notes: a codec may leave of a dark block's grain nothing but its mean, so means are held against what is usual at
    their level, not against the block's own variance alone.
    """
    usable = ~patches.stale & ~patches.clipped & (patches.variance > 0).all(axis=1)
    if usable.sum() < LEAST_STILL:
        return usable
    still, usual = usable.copy(), np.zeros_like(patches.variance)
    for c in range(3):
        quiet = _quiet_curve(patches.level[usable, c], patches.variance[usable, c])
        usual[:, c] = quiet(patches.level[:, c])
        still &= patches.variance[:, c] <= CURVE_SIDES * usual[:, c]
    still &= _near_own_quiet(patches, usable)
    ratio = patches.shift / np.maximum(np.maximum(patches.variance, usual), 1e-30)
    if not still.any():
        return still
    # most of what is left is still: half of a chi-square of one degree of freedom lies below 0.455
    typical = np.minimum(np.median(ratio[still], axis=0) / 0.455, 2 * MOST_COARSE / PATCH**2)
    return np.asarray(still & (ratio <= SHIFT_SIDE * typical).all(axis=1))


def _quiet_curve(
    level: NDArray[np.float64], variance: NDArray[np.float64]
) -> Callable[[NDArray[np.float64]], NDArray[np.float64]]:
    """Return what quiet patches have at a level, as a function: the lower quartile of patches of like level."""
    order = np.argsort(level, kind="stable")
    groups = [g for g in np.array_split(order, max(1, min(BINS, len(order) // 48))) if len(g)]
    at = np.array([level[g].mean() for g in groups])
    quiet = np.array([np.quantile(variance[g], 0.25) for g in groups])
    return lambda x: np.asarray(np.interp(x, at, quiet))


def _near_own_quiet(patches: Patches, usable: BoolArray) -> BoolArray:
    """Tell which patches are as quiet as their place is in its quieter bursts, (n,); true for few bursts."""
    bursts, places = int(patches.burst.max()) + 1, int(patches.place.max()) + 1
    if bursts < 4:
        return np.ones(len(usable), bool)
    table = np.full((bursts, places, 3), np.nan)
    table[patches.burst[usable], patches.place[usable]] = patches.variance[usable]
    seen = np.isfinite(table[..., 0]).sum(axis=0)
    table = np.sort(table, axis=0)  # what is not known goes last
    rank = np.maximum(np.round(0.3 * (seen - 1)).astype(int), 0)
    quiet = np.take_along_axis(table, rank[None, :, None], axis=0)[0]
    return np.asarray((patches.variance <= PLACE_SIDE * np.nan_to_num(quiet[patches.place])).all(axis=1) & usable)


def _check_enough(take: str, patches: Patches, still: BoolArray) -> None:
    if still.sum() >= LEAST_STILL:
        return
    if patches.clipped.mean() > 0.5:
        raise UnusableTake(
            f"{take}: {100 * patches.clipped.mean():.0f} % of the picture is clipped, too little is left to measure "
            "grain in; name a take that was exposed for the set"
        )
    if patches.stale.mean() > 0.5:
        raise UnusableTake(
            f"{take}: {100 * patches.stale.mean():.0f} % of the places repeat from frame to frame to the last code: "
            "there is no grain to measure; name the take as the camera recorded it"
        )
    raise UnusableTake(
        f"{take}: {still.sum()} still patches of 8 x 8 pixels, at least {LEAST_STILL} were expected; "
        "name a take in which something holds still, such as the empty one"
    )


def _coarseness(patches: Patches, still: BoolArray) -> NDArray[np.float64]:
    """Return the sum of the grain's autocorrelation per channel, (3,), from how patch means waver; 1 is white."""
    ratio = np.median(patches.shift[still] / (2 * patches.variance[still]), axis=0) / 0.455
    raw = ratio * PATCH**2  # of the variance that is left when the mean is out
    return np.asarray(np.clip(raw / (1 + ratio), 0.1, MOST_COARSE))


def _pool_variance(patches: Patches, still: BoolArray) -> NDArray[np.float64]:
    """Return the variance of still patches (n, 3): of all pairs where grain is new in each frame, else of far ones."""
    far, near = patches.variance[still], patches.near[still]
    white = np.abs(np.nan_to_num(measure_whiteness(patches, still), nan=1.0)) < NEW_EACH_FRAME
    if not white.all():
        return far
    return np.asarray((4 * far + 3 * near[:, 0] + 2 * near[:, 1] + near[:, 2]) / 10)  # by how many pairs there are


# --- strength by level -----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Bins:
    levels: NDArray[np.float64]
    variances: NDArray[np.float64]
    counts: NDArray[np.int64]


def _bin_levels(windows: Windows, still: BoolArray, coarse: NDArray[np.float64], ceiling: float) -> tuple[_Bins, ...]:
    """Return mean level and variance in bins of like level, one set a channel, from single pixels of still patches.

    Notes: bins near the ceiling are left out, for there noise is cut off.
    """
    known = still[windows.patches].reshape(-1, 2, 2).repeat(PATCH, axis=1).repeat(PATCH, axis=2)
    count = np.maximum(known.sum(axis=(1, 2)), 1)
    mean = (windows.difference * known[..., None]).sum(axis=(1, 2)) / count[:, None]
    apart = windows.difference - mean[:, None, None].astype(np.float32)
    found = []
    for c in range(3):
        lost = 1 - coarse[c] / np.maximum(count, PATCH**2)  # of the variance, which the mean took along
        level = windows.level[..., c][known].astype(np.float64)
        power = (apart[..., c].astype(np.float64) ** 2 / lost[:, None, None])[known]
        even = np.broadcast_to(windows.even[:, None, None], known.shape)[known]
        bins = _make_bins(level, power, even)
        below = bins.levels + CLIP_SIGMAS * np.sqrt(bins.variances) < ceiling
        if below.any():
            bins = _Bins(bins.levels[below], bins.variances[below], bins.counts[below])
        found.append(_drop_movers(bins))
    return tuple(found)


def _make_bins(level: NDArray[np.float64], power: NDArray[np.float64], even: BoolArray) -> _Bins:
    """Bin by steps that are even in stops of the level (but for the darkest), joined until each holds enough pixels.

    ``even`` (n,): pixels that stand for the picture as it is; others only fill up bins that have too few of these. What
    is left over at the bright end is too little to tell; the line goes on from there.
    """
    axis = np.log(np.maximum(level, 0) + DARK)
    edges = np.linspace(axis.min(), axis.max() + 1e-9, BINS + 1)
    place = np.clip(np.searchsorted(edges, axis, side="right") - 1, 0, BINS - 1)
    counts = np.bincount(place, minlength=BINS)
    least = max(LEAST_PIXELS, LEAST_PIXEL_SHARE * len(level))
    group, filled = np.zeros(BINS, int), 0
    for k in range(BINS):
        group[k] = filled
        if counts[group == filled].sum() >= least:
            filled += 1
    members = [np.flatnonzero(group[place] == k) for k in range(max(filled, 1))]
    members = [m[even[m]] if even[m].sum() >= LEAST_PIXELS else m for m in members]
    return _Bins(
        np.array([level[m].mean() for m in members]),
        np.array([_trimmed(power[m]) for m in members]),
        np.array([len(m) for m in members]),
    )


def _trimmed(power: NDArray[np.float64]) -> float:
    """Return the mean square without what no noise reaches."""
    typical = float(np.median(power)) / 0.455
    return float(power[power <= OUTLIERS * typical].mean()) if typical > 0 else float(power.mean())


def _drop_movers(bins: _Bins) -> _Bins:
    """Leave out levels whose variance stands far above the line through the others: figures in motion have them."""
    keep = np.ones(len(bins.levels), bool)
    while keep.sum() >= 5:
        over = np.where(keep, bins.variances / np.maximum(_line_through(bins, keep), 1e-30), 0)
        worst = int(np.argmax(over))
        if over[worst] < MOVED_SIDE or bins.counts[worst] > 0.15 * bins.counts[keep].sum():
            break
        keep[worst] = False
    return _Bins(bins.levels[keep], bins.variances[keep], bins.counts[keep])


def _line_through(bins: _Bins, keep: BoolArray) -> NDArray[np.float64]:
    """Return the line variance = a * level + b, fitted by shares to the bins kept, at every bin."""
    columns = np.stack([np.maximum(bins.levels, 0), np.ones(len(bins.levels))], axis=1)
    model = bins.variances.copy()
    for _ in range(4):
        weights = np.sqrt(np.minimum(bins.counts, 400)) / np.maximum(model, 1e-30)
        rows = columns[keep] * weights[keep, None]
        scale = rows.max(axis=0)
        found, _ = nnls(rows / scale, bins.variances[keep] * weights[keep])
        model = columns @ (found / scale)
    return np.asarray(model)


# --- the record ------------------------------------------------------------------------------------


def _draft(
    tally: BurstTally, patches: Patches, still: BoolArray, bins: tuple[_Bins, ...], line: Line, footage: Footage
) -> GrainProfile:
    """Return a profile that knows strength and time, not yet texture."""
    side = 2 * REACH + 1
    coded = [_as_codes(one, footage) for one in bins]
    return GrainProfile(
        take=footage.take,
        size=(int(footage.size[0]), int(footage.size[1])),
        encoding=footage.encoding,
        primaries=footage.primaries,
        levels=tuple(one.levels for one in bins),
        sigma=tuple(np.sqrt(one.variances) for one in bins),
        codes=tuple(codes for codes, _ in coded),
        sigma_codes=tuple(sigma for _, sigma in coded),
        a=line.a,
        b=line.b,
        a_half=line.a_half,
        b_half=line.b_half,
        is_linear=False,
        autocorrelation=np.zeros((3, side, side)),
        channels=np.eye(3),
        whiteness=measure_whiteness(patches, still),
        covered=np.array([[one.levels[0], one.levels[-1]] for one in bins]),
        stale=float(patches.stale.mean()),
        flattened=max(_find_flattened(one) for one in bins),
        pairs=tally.pairs,
        patches=int(still.sum()),
        share=float(still.mean()),
    )


def _as_codes(bins: _Bins, footage: Footage) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return levels and strengths in code values; empty where the codes are not known."""
    if footage.encode is None:
        return np.zeros(0), np.zeros(0)
    black, span = footage.scale
    half = 0.5 * np.sqrt(bins.variances)
    signal = [np.asarray(footage.encode(bins.levels + step), np.float64) for step in (-half, 0 * half, half)]
    return black + span * signal[1], span * (signal[2] - signal[0])


def _find_flattened(bins: _Bins) -> float:
    """Return the level below which a codec took most of the grain away, 0 where it did not.

    Judged against the slope of the brighter half of the levels: a camera's variance falls to a floor, never below its
    slope times the level.
    """
    bright = bins.levels >= np.median(bins.levels)
    if bright.sum() < 3 or bins.levels[bright][-1] < 3 * bins.levels[bright][0]:
        return 0.0
    slope = float(np.median(bins.variances[bright] / bins.levels[bright]))
    flat = ~bright & (bins.levels > 0) & (bins.variances < FLATTENED * slope * bins.levels)
    return float(bins.levels[flat].max()) if flat.any() else 0.0


def _is_linear(profile: GrainProfile) -> bool:
    """Tell whether a line describes the strength at every level and every pixel has grain of its own."""
    for c in range(3):
        line = profile.a[c] * np.maximum(profile.levels[c], 0) + profile.b[c]
        if np.any(np.abs(profile.sigma[c] ** 2 / line - 1) > LINE_ERROR):
            return False
    beside = np.delete(profile.autocorrelation.reshape(3, -1), (2 * REACH + 1) ** 2 // 2, axis=1)
    between = profile.channels[np.triu_indices(3, 1)]
    alike = (np.abs(beside).max(), np.abs(between).max(), np.nanmax(np.abs(profile.whiteness), initial=0))
    return bool(max(alike) < WHITE)


def _finish(profile: GrainProfile, windows: Windows, still: BoolArray, power: float) -> GrainProfile:
    """Add texture, and what should be said of it."""
    texture, channels = measure_texture(windows, still, profile)
    if max(texture[1, REACH, -1], texture[1, -1, REACH]) > NO_GRAIN:
        raise UnusableTake(
            f"{profile.take}: what differs from frame to frame hangs together over many pixels, as motion does and "
            "grain does not; name a take in which something holds still, such as the empty one"
        )
    profile = replace(profile, autocorrelation=texture, channels=channels)
    linear = _is_linear(profile)
    detail = None if linear else measure_detail(windows, still, profile, power)
    profile = replace(profile, is_linear=linear, detail=detail)
    return replace(profile, warnings=tuple(_list_doubts(profile)))


def _list_doubts(profile: GrainProfile) -> list[str]:
    """Return one line for everything that makes a profile doubtful."""
    lines = []
    hang = float(np.nanmax(profile.whiteness, initial=0))
    if hang > HANGS:
        lines.append(
            f"grain hangs together from frame to frame (correlation {hang:.2f}): the codec carries it along; what is "
            "made is new in every frame and will look livelier; name a take with a lighter codec if you have one"
        )
    if profile.stale > STALE:
        lines.append(
            f"the codec repeats {100 * profile.stale:.0f} % of the places without grain of their own; they are left out"
        )
    if profile.flattened > 0:
        lines.append(
            f"the codec took most of the grain away below {100 * profile.flattened:.2g} % of white; what is made "
            "there is as faint"
        )
    if profile.share < FEW_STILL:
        lines.append(f"only {100 * profile.share:.0f} % of the picture held still; the empty take would tell more")
    return lines
