"""Is a take's noise as it should be: variance against level with confidence, and what is left of 18 % grey.

References
----------
EMVA Standard 1288, release 4.0, 2021: photon transfer, variance = a * level + b, from pairs of frames.
Foi et al., Practical Poissonian-Gaussian noise modeling and fitting, IEEE TIP 17(10), 2008: noise cut off at black.
ISO 12232:2006, 6.2: noise-based speed at a signal-to-noise ratio of 40 ("first excellent") and 10 ("first acceptable")
(from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtrit

from lightstack.core.colour.decoder import code_scales
from lightstack.core.colour.measured import find_curve_of
from lightstack.core.half import to_finite
from lightstack.core.noise import fit_noise, measure_patches
from lightstack.errors import UnusableTake
from lightstack.records import NOT_CHECKED, BoolArray, Encoding, Figure, Finding, NoiseModel, ProxyTake

__all__ = ["NoiseFit", "NoiseSamples", "check_noise", "fit_with_confidence", "gather_noise"]

CHANNELS = ("red", "green", "blue")
PATCH = 8
GREY = 0.18
LEAST_PATCHES = 48
CLEAR_SIGMAS = 3.0  # above black: at survey size, where a box's mean has less noise than a pixel
BATCHES = 16  # of patches, each fitted by itself, whose scatter is the confidence
# Signal to noise at 18 % grey, one full-size pixel: where "good" ends and where "reshoot" begins; it falls. Good is
# what ISO 12232 calls acceptable; where reshoot begins is common practice of the trade.
GREY_RATIO = (10.0, 3.0)
REMEDY = "Give the camera more light (open the lens, nearest base sensitivity) rather than gain, and film again."


@dataclass(frozen=True, slots=True)
class NoiseSamples:
    """Patches of still pairs of frames: ``levels`` and ``variances`` (3, p) linear at survey size, ``count`` degrees of
    freedom each, ``pair`` (p,) which pair a patch is of, ``factor`` the survey's."""

    levels: NDArray[np.float64]
    variances: NDArray[np.float64]
    pair: NDArray[np.int64]
    count: int
    factor: int


@dataclass(frozen=True, slots=True)
class NoiseFit:
    """variance = a * level + b per channel, (3,), at survey size; ``a_half`` and ``b_half``: half widths of the
    confidence interval at ``confidence``; ``patches`` and ``pairs`` used; ``span`` (3, 2) levels seen."""

    a: NDArray[np.float64]
    b: NDArray[np.float64]
    a_half: NDArray[np.float64]
    b_half: NDArray[np.float64]
    confidence: float
    patches: int
    pairs: int
    span: NDArray[np.float64]

    @property
    def model(self) -> NoiseModel:
        """The fit as the record that the rest works with, at the scale it was measured."""
        return NoiseModel(self.a, self.b)


def gather_noise(
    proxies: ProxyTake, *, frames: NDArray[np.integer] | None = None, most_pairs: int = 16, patch: int = PATCH
) -> NoiseSamples:
    """Gather patches from neighbouring frames, clipped ones and those in which something moves left out.

    ``frames``: indices of the frames to look at, all if None; a sweep's unlit ones are the stillest.
    """
    chosen = np.arange(len(proxies)) if frames is None else np.asarray(frames, np.int64)
    following = np.flatnonzero(np.diff(chosen) == 1)
    following = following[~np.asarray(proxies.duplicate)[chosen[following + 1]]]
    few = following[np.unique(np.linspace(0, len(following) - 1, most_pairs).astype(int))] if len(following) else []
    levels, variances = [], []
    pairs: list[NDArray] = []
    for i in few:
        a, b = int(chosen[i]), int(chosen[i + 1])
        clipped = (np.asarray(proxies.clipped[a]) | np.asarray(proxies.clipped[b])) > 0
        first, second = (to_finite(proxies.rgb[k]) for k in (a, b))
        level, variance, shift = measure_patches(first, second, patch, clipped=clipped)
        still = (shift**2 <= 9 * 2 * variance / patch**2).all(axis=0)  # a patch that shifts as a whole is lit anew
        levels.append(level[:, still])
        variances.append(variance[:, still])
        pairs.append(np.full(int(still.sum()), len(pairs)))
    if not levels:
        return NoiseSamples(np.zeros((3, 0)), np.zeros((3, 0)), np.zeros(0, np.int64), patch**2 - 1, proxies.factor)
    return NoiseSamples(
        np.concatenate(levels, axis=1).astype(np.float64),
        np.concatenate(variances, axis=1).astype(np.float64),
        np.concatenate(pairs).astype(np.int64),
        patch**2 - 1,
        proxies.factor,
    )


def fit_with_confidence(samples: NoiseSamples, *, confidence: float = 0.95) -> NoiseFit:
    """Fit variance = a * level + b per channel with an interval at ``confidence``.

    Raises UnusableTake for too few patches.

    Notes: the patches are dealt into 16 batches that are fitted one by one; the scatter of the batches gives the
    standard error of the whole, so that texture, codecs and trimming are in it, as they are not in a formula.
    """
    patches = samples.levels.shape[1]
    if patches < LEAST_PATCHES:
        raise UnusableTake(f"noise cannot be measured: {patches} still patches, at least {LEAST_PATCHES} were expected")
    batches = max(4, min(BATCHES, patches // 32))
    order = np.random.default_rng(1).permutation(patches)
    whole, halves = np.zeros((3, 2)), np.zeros((3, 2))
    width = float(stdtrit(batches - 1, 0.5 + confidence / 2))  # of Student's t
    for c in range(3):
        levels, variances = samples.levels[c], samples.variances[c]
        whole[c] = fit_noise(levels, variances, count=samples.count)
        clear = _find_clear(levels, whole[c])
        if LEAST_PATCHES <= clear.sum() < patches:
            whole[c] = fit_noise(levels[clear], variances[clear], count=samples.count)
        else:
            clear[:] = True
        parts = [order[i::batches] for i in range(batches)]
        parts = [part[clear[part]] for part in parts]
        fits = [fit_noise(levels[part], variances[part], count=samples.count) for part in parts if len(part) >= 8]
        halves[c] = width * np.std(fits, axis=0, ddof=1) / np.sqrt(len(fits)) if len(fits) > 3 else np.abs(whole[c])
    span = np.quantile(samples.levels, (0.02, 0.98), axis=1).T
    return NoiseFit(
        whole[:, 0], whole[:, 1], halves[:, 0], halves[:, 1], confidence, patches, len(np.unique(samples.pair)), span
    )


def _find_clear(levels: NDArray[np.float64], fit: NDArray[np.float64]) -> BoolArray:
    """Patches so far above black that their noise is not cut off there (Foi et al. 2008, section II); all other codes
    are as they were."""
    return np.asarray(levels > CLEAR_SIGMAS * np.sqrt(np.maximum(fit[0] * levels + fit[1], 0)))


def check_noise(
    samples: NoiseSamples,
    *,
    encoding: Encoding | None = None,
    grey: float = GREY,
    confidence: float = 0.95,
    noiseless: bool = False,
) -> Finding:
    """Judge a take's noise.

    Parameters
    ----------
    samples : from ``gather_noise``.
    encoding : the take's; gives the noise in code values too.
    grey : linear level of 18 % grey.
    noiseless : whether no noise lives in the take (``is_noiseless``); then what changes is motion.

    Notes: figures are for one full-size pixel as if its neighbours' noise were independent; a codec or a camera that
    smooths makes them effective ones.
    """
    if noiseless:
        says = "No noise lives in the picture: what does not move stays equal to the last bit."
        return Finding("noise", "good", says)
    try:
        fit = fit_with_confidence(samples, confidence=confidence)
    except UnusableTake:
        return Finding(
            "noise",
            NOT_CHECKED,
            f"{samples.levels.shape[1]} patches of still, unclipped neighbouring frames are too few.",
        )
    pixels = samples.factor**2
    at_grey = np.sqrt(pixels * (fit.a * grey + fit.b))  # of one pixel, linear
    ratio = grey / at_grey
    # the two errors lean against each other, so this width is on the safe side
    spread = 0.5 * pixels * (fit.a_half * grey + fit.b_half) / at_grey**2
    c = int(np.argmin(ratio[:2]))  # blue is seen least and is noisiest in every camera
    sure = float(ratio[c] * (1 + spread[c]))
    level = int(sure < GREY_RATIO[0]) + int(sure < GREY_RATIO[1])
    figures = _list_figures(fit, ratio, c, pixels)
    says = (
        f"At 18 % grey the signal is {ratio[c]:.0f} times the noise ({100 / ratio[c]:.1f} % in {CHANNELS[c]}); "
        f"variance = {pixels * fit.a[c]:.2g} ± {pixels * fit.a_half[c]:.1g} x level + "
        f"{pixels * fit.b[c]:.2g} ± {pixels * fit.b_half[c]:.1g} ({100 * confidence:.0f} % sure)"
    )
    codes = None if encoding is None else _noise_in_codes(at_grey[c], grey, encoding)
    if codes is not None:
        figures.append(Figure("noise at 18 % grey", codes, "codes"))
        says += f", {codes:.1f} codes of {encoding.bit_depth if encoding else 0} bits"
    remedy = REMEDY if level else ""
    return Finding("noise", ("good", "usable", "reshoot")[level], says + ".", remedy, tuple(figures))


def _list_figures(fit: NoiseFit, ratio: NDArray[np.float64], worst: int, pixels: int) -> list[Figure]:
    """Return signal to noise, the ``worst`` channel's first, and the fitted line, of one full-size pixel."""
    grey = "signal to noise at 18 % grey"
    figures = [Figure(grey, float(ratio[worst]), "", 1)]
    figures += [Figure(f"{grey}, {name}", float(r), "", 1) for name, r in zip(CHANNELS, ratio, strict=True)]
    figures += [Figure(grey, 20 * float(np.log10(ratio[worst])), "dB", 1)]
    for i, name in enumerate(CHANNELS):
        figures += [
            Figure(f"a {name}", float(fit.a[i]) * pixels, "", 7),
            Figure(f"a {name} ±", float(fit.a_half[i]) * pixels, "", 7),
            Figure(f"b {name}", float(fit.b[i]) * pixels, "", 9),
            Figure(f"b {name} ±", float(fit.b_half[i]) * pixels, "", 9),
        ]
    return figures


def _noise_in_codes(sigma: float, level: float, encoding: Encoding) -> float | None:
    """Standard deviation in code values at a level, or None where codes do not say."""
    curve = find_curve_of(encoding)
    if curve is None or encoding.is_float or encoding.ocio_space is not None:
        return None
    step = 0.01 * level
    slope = float(curve.encode(np.array(level + step)) - curve.encode(np.array(level - step))) / (2 * step)
    return float(sigma) * slope * code_scales(encoding)[0][1]
