"""A plate from stills at screen size, and the frame that it makes: what the review page draws, as plain arithmetic.

A page blends the same stills on a graphics card; its formulas are these, so both give the same picture. They are those
of ``core.sweep.accumulate`` and ``core.sweep.sums`` with one thing added: a still may be dimmed after its guide was
made. A guide is a level in stabilised units, which does not grow as light does, so it is brought back to light (in
noise of the unlit frame), dimmed there, and made a level again.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lightstack.core.colour.light import luminance_weights
from lightstack.core.lay.regel import CLIP_FROM, CLIP_FULL, Regelled
from lightstack.core.sweep.guide import FAINT_SIGMA, STRONG_SIGMA
from lightstack.core.sweep.state import BLEND_SIGMA, STRONG_BLEND_SIGMA, AccumulateSetting
from lightstack.core.sweep.sums import GATE_SPREADS, SOFT_GATE_SPREADS
from lightstack.errors import SettingError
from lightstack.records import FloatArray, GuideRecipe

__all__ = [
    "ProxyBlend",
    "ProxyRegel",
    "ProxyStills",
    "blend_proxies",
    "lay_proxy",
    "plan_blend",
    "plan_regel",
    "regel_proxy",
    "weigh_proxies",
]

KNEE_SIGMA = 12.0  # light above this is strong
NEGLIGIBLE = 16.0  # a still this many blends behind has no share
SOFT_SHARE = 0.25  # share of weights below which what is valid fades into the stills as they are


@dataclass(frozen=True, slots=True)
class ProxyBlend:
    """The numbers of a blend, as a page is sent them.

    ``groups``: 1 guide for all channels, or 3. ``a``, ``b`` (3,): noise of one frame. ``weights`` (3,): how much each
    channel counts in a single guide, their sum is 1. ``spread`` (groups,): noise of a guide. ``pull_faint``,
    ``pull_strong`` (3,): how far a guide flatters each channel's own noise. ``faint``, ``strong``: how close stills
    must come to share a place, in sigma, below and above ``knee``. ``exponent``: of `softmax`. ``white``: of `screen`.
    ``floor_sigma``: light below it is rolled off, 0 none. ``gate``, ``soft_gate``: spreads below which light counts for
    none, in rules that add and in `softmax`.
    """

    rule: str
    groups: int
    a: NDArray[np.float64]
    b: NDArray[np.float64]
    weights: NDArray[np.float64]
    spread: NDArray[np.float64]
    pull_faint: NDArray[np.float64]
    pull_strong: NDArray[np.float64]
    faint: float = BLEND_SIGMA
    strong: float = STRONG_BLEND_SIGMA
    knee: float = KNEE_SIGMA
    exponent: float = 4.0
    white: float = 1.0
    floor_sigma: float = 0.0
    gate: float = GATE_SPREADS
    soft_gate: float = SOFT_GATE_SPREADS


@dataclass(frozen=True, slots=True)
class ProxyStills:
    """Stills at screen size: ``light`` (K, h, w, 3) not premultiplied, ``valid`` (K, h, w), ``guide`` (K, h, w, G).

    ``shares`` (K,): weight of each in rules that add. ``gains`` (K, 3): by what each was multiplied before its guide
    was made. ``ambient`` (h, w, 3).
    """

    light: FloatArray
    valid: FloatArray
    guide: FloatArray
    shares: NDArray[np.float64]
    gains: NDArray[np.float64]
    ambient: FloatArray


@dataclass(frozen=True, slots=True)
class ProxyRegel:
    """A new gel as a page is sent it: ``gains`` (3,); where a channel ran into ``ceiling`` the light turns to
    ``reached`` (3,) times its luminance (``weights`` (3,) over ``lamp``)."""

    gains: NDArray[np.float64]
    reached: NDArray[np.float64]
    weights: NDArray[np.float64]
    lamp: float
    ceiling: float
    clip_from: float = CLIP_FROM
    clip_full: float = CLIP_FULL


def plan_blend(recipe: GuideRecipe, *, rule: str, white: float = 1.0, floor_sigma: float = 0.0) -> ProxyBlend:
    """Return the numbers of a blend from how the guides were made."""
    setting = AccumulateSetting(recipe)
    fine = recipe.pull_fine - 0.5 * recipe.spread_fine[:, None] ** 2 * recipe.projection  # as `find_pull` has it
    groups = len(recipe.projection)
    faint, strong = ((p[0] if groups == 1 else np.diag(p)) for p in (recipe.pull_wide, fine))
    weights = np.full(3, 1 / 3)
    if groups == 1:
        weights = recipe.projection[0].astype(np.float64) ** 2
        weights = weights / weights.sum()
    return ProxyBlend(
        rule=rule,
        groups=groups,
        a=recipe.a.astype(np.float64),
        b=recipe.b.astype(np.float64),
        weights=weights,
        spread=recipe.spread.astype(np.float64),
        pull_faint=np.asarray(faint, np.float64),
        pull_strong=np.asarray(strong, np.float64),
        exponent=setting.exponent,
        white=white,
        floor_sigma=floor_sigma,
    )


def plan_regel(made: Regelled, primaries: str, ceiling: float) -> ProxyRegel:
    """Return a new gel's numbers. ``ceiling``: linear light at which the camera clips, infinite where it does not."""
    weights = np.asarray(luminance_weights(primaries), np.float64)
    return ProxyRegel(made.gains, made.reached, weights, float(made.lamp @ weights), ceiling)


def blend_proxies(stills: ProxyStills, blend: ProxyBlend, dims: NDArray) -> NDArray[np.float32]:
    """Return the plate (h, w, 3) of stills that are dimmed by ``dims`` (K, 3), 1 as they are; 0 leaves one out.

    Raises SettingError for an unknown rule.

    Notes: what a rule's luck with noise adds is taken off as a build does it; a box of pixels has less noise than one,
    but its guide goes with it as far as before.
    """
    if blend.rule not in _RULES:
        raise SettingError(f"rule {blend.rule!r} is unknown; use one of {', '.join(_RULES)}")
    dims = np.asarray(dims, np.float64).reshape(len(stills.valid), -1) * np.ones(3)
    used = [k for k in range(len(dims)) if np.any(dims[k] * stills.gains[k])]
    bend = find_bend(stills.ambient, blend)
    levels = [dim_levels(stills.guide[k], bend, _guide_gain(dims[k], blend)) for k in used]
    lights = [np.where(stills.valid[k][..., None] > 0, stills.light[k] * dims[k], 0) for k in used]
    valids = [stills.valid[k].astype(np.float64) for k in used]
    noises = [float(np.sqrt(np.mean((dims[k] * stills.gains[k]) ** 2))) for k in used]
    shares = [float(stills.shares[k]) if blend.rule == "sum" else 1.0 for k in used]
    if not used:
        return np.zeros(stills.ambient.shape, np.float32)
    stacked = _Stack(np.stack(lights), np.stack(valids), np.stack(levels), np.array(noises), np.array(shares), bend)
    plate = _RULES[blend.rule](stacked, stills.ambient, blend)
    peak = _find_peak(stacked)
    return np.asarray(_roll_off(plate, peak, blend.floor_sigma), np.float32)


@dataclass(frozen=True, slots=True)
class _Stack:
    """What rules work on: light (K, h, w, 3), valid (K, h, w), levels (K, h, w, G), noise and share (K,), bend."""

    light: NDArray[np.float64]
    valid: NDArray[np.float64]
    level: NDArray[np.float64]
    noise: NDArray[np.float64]
    share: NDArray[np.float64]
    bend: NDArray[np.float64]


# --- levels ----------------------------------------------------------------------------------------


def find_bend(ambient: FloatArray, blend: ProxyBlend) -> NDArray[np.float64]:
    """Return how levels bend against light, (h, w, G): light in noise of the unlit frame = level + bend x level^2."""
    dark = np.maximum(np.asarray(ambient, np.float64), 0)
    bend = blend.a / (4 * np.sqrt(blend.a * dark + blend.b))
    return bend if blend.groups == 3 else (bend @ blend.weights)[..., None]


def dim_levels(level: FloatArray, bend: NDArray[np.float64], gain: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return levels (h, w, G) of light that is multiplied by ``gain`` (G,)."""
    level = np.asarray(level, np.float64)
    light = (level + bend * np.maximum(level, 0) ** 2) * gain
    return np.asarray(np.where(light > 0, 2 * light / (1 + np.sqrt(1 + 4 * bend * np.maximum(light, 0))), light))


def _guide_gain(dim: NDArray[np.float64], blend: ProxyBlend) -> NDArray[np.float64]:
    return dim if blend.groups == 3 else np.array([dim @ blend.weights])


def _find_pull(level: NDArray[np.float64], blend: ProxyBlend) -> NDArray[np.float64]:
    t = _ease((level - FAINT_SIGMA) / (STRONG_SIGMA - FAINT_SIGMA))
    return np.asarray(blend.pull_faint + (blend.pull_strong - blend.pull_faint) * t)


def _sigma(ambient: FloatArray, light: NDArray[np.float64], blend: ProxyBlend) -> NDArray[np.float64]:
    """Noise of one frame where this much lamp light falls on the ambient, (h, w, 3)."""
    return np.asarray(np.sqrt(blend.a * np.maximum(ambient + np.maximum(light, 0), 0) + blend.b))


def _find_peak(stack: _Stack) -> NDArray[np.float64]:
    """The strongest level, (h, w, G); far below any where nothing is valid."""
    level = np.where(stack.valid[..., None] > 0, stack.valid[..., None] * stack.level, -1e30)
    return np.asarray(level.max(axis=0))


def _roll_off(plate: NDArray[np.float64], peak: NDArray[np.float64], floor_sigma: float) -> NDArray[np.float64]:
    if floor_sigma <= 0:
        return plate
    return plate * _ease(2 * peak.max(axis=2) / floor_sigma - 1)[..., None]


def _ease(t: NDArray[np.float64]) -> NDArray[np.float64]:
    t = np.clip(t, 0, 1)
    return np.asarray(t * t * (3 - 2 * t))


# --- rules -----------------------------------------------------------------------------------------


def _blend_max(stack: _Stack, ambient: FloatArray, blend: ProxyBlend) -> NDArray[np.float64]:
    """The brightest still of every place; those that come close share it."""
    valid = stack.valid[..., None]
    level, peak = valid * stack.level, _find_peak(stack)
    knee = blend.knee
    behind = (np.minimum(level, knee) - np.minimum(peak, knee)) / blend.faint
    behind += (np.maximum(level, knee) - np.maximum(peak, knee)) / blend.strong
    weight = np.where((valid > 0) & (behind > -NEGLIGIBLE), valid * np.exp(np.minimum(behind, 0)), 0)
    total, noise = weight.sum(axis=0), (stack.noise**2)[:, None, None, None]
    best = stack.valid.max(axis=0)[..., None]
    share = 1 / np.where(total > 0, total, 1)
    plate = (weight * valid * stack.light).sum(axis=0) * share / np.where(best > 0, best, 1)
    crowd = ((noise * weight).sum(axis=0) - (noise * weight**2).sum(axis=0) * share) * share
    close = np.where(peak > knee, blend.strong, blend.faint)
    luck = crowd / close * _find_pull(peak, blend) * _sigma(ambient, plate, blend)
    return np.asarray(np.where(total > 0, plate - luck, 0))


def _gate(stack: _Stack, k: int, ambient: FloatArray, blend: ProxyBlend) -> NDArray[np.float64]:
    """The valid part of a still that is surely lamp light, without its luck."""
    level, light = stack.level[k], stack.light[k]
    edge = blend.gate * stack.noise[k] * blend.spread
    safe = np.maximum(level, edge)
    slope = np.where(level > edge, 2 * edge**2 / safe**3, 0)
    luck = stack.noise[k] ** 2 * slope * _find_pull(level, blend) * _sigma(ambient, light, blend)
    return np.asarray(stack.valid[k][..., None] * (light * (1 - (edge / safe) ** 2) - luck))


def _blend_sum(stack: _Stack, ambient: FloatArray, blend: ProxyBlend) -> NDArray[np.float64]:
    """All stills, each by its share."""
    return np.asarray(sum(stack.share[k] * _gate(stack, k, ambient, blend) for k in range(len(stack.share))))


def _blend_screen(stack: _Stack, ambient: FloatArray, blend: ProxyBlend) -> NDArray[np.float64]:
    """Every still lights a part of what is still unlit of white."""
    unlit = np.ones(stack.light.shape[1:])
    for k in range(len(stack.share)):
        unlit *= 1 - np.minimum(_gate(stack, k, ambient, blend) / blend.white, 1)
    return np.asarray(blend.white * (1 - unlit))


def _blend_soft(stack: _Stack, ambient: FloatArray, blend: ProxyBlend) -> NDArray[np.float64]:
    """The p-norm of the stills' light."""
    power, bend = blend.exponent, stack.bend
    light, total, rise, fall = (np.zeros(1) for _ in range(4))
    for k in range(len(stack.share)):
        level, noise, valid = stack.level[k], stack.noise[k], stack.valid[k][..., None]
        edge = noise * blend.soft_gate * blend.spread
        safe = np.maximum(level, edge)
        gated = np.where(level > edge, safe - edge**2 / safe, 0)
        slope = np.where(level > edge, 1 + (edge / safe) ** 2, 0) * (1 + 2 * bend * gated) * noise**2
        linear = (gated + bend * gated**2) * valid
        weight = linear ** (power - 1)
        light = light + weight * valid * stack.light[k]
        total = total + weight * linear
        rise = rise + slope * linear ** (power - 2)
        fall = fall + slope * linear ** (2 * power - 2)
    norm = np.where(total > 0, total, 1) ** (1 / power)
    plate = light / norm ** (power - 1)
    swing = rise / norm ** (power - 1) - fall / norm ** (2 * power - 1)
    luck = (power - 1) * swing * _find_pull(_find_peak(stack), blend) * _sigma(ambient, plate, blend)
    return np.asarray(np.where(total > 0, plate - luck, 0))


_RULES = {"max": _blend_max, "softmax": _blend_soft, "screen": _blend_screen, "sum": _blend_sum}


def weigh_proxies(stills: ProxyStills, weights: NDArray, *, lift: FloatArray | None = None) -> NDArray[np.float32]:
    """Return the sum (h, w, 3) of filled stills by ``weights`` (K,), as ``travel_blend.blend_stills`` makes it.

    ``lift``: (K, h, w) stops by which each changes first, see ``travel_shade.shift_light`` and ``enlarge_stops``.
    """
    whole, believed = np.zeros(stills.ambient.shape), np.zeros(stills.ambient.shape)
    share = np.zeros(stills.ambient.shape[:2])
    for k, (valid, weight) in enumerate(zip(stills.valid, np.asarray(weights, np.float64), strict=True)):
        light = stills.light[k] if lift is None else stills.light[k] * np.exp2(lift[k])[..., None]
        whole += weight * light
        believed += weight * valid[..., None] * light
        share += weight * valid
    share = share / max(float(np.sum(weights)), 1e-30)
    normal = believed / np.maximum(share, 1e-6)[..., None]
    return np.asarray(whole + _ease(share / SOFT_SHARE)[..., None] * (normal - whole), np.float32)


# --- a frame ---------------------------------------------------------------------------------------


def regel_proxy(plate: FloatArray, ambient: FloatArray, regel: ProxyRegel) -> NDArray[np.float32]:
    """Return a plate (h, w, 3) in its new colour, as ``regel.regel_light`` does."""
    plain = plate * regel.gains
    if not np.isfinite(regel.ceiling):
        return np.asarray(plain, np.float32)
    level = (plate + np.maximum(ambient, 0)).max(axis=-1)
    share = _ease((level / regel.ceiling - regel.clip_from) / (regel.clip_full - regel.clip_from))[..., None]
    tone = (plate @ regel.weights / regel.lamp)[..., None]
    return np.asarray(plain + share * (tone * regel.reached - plain), np.float32)


def lay_proxy(
    hero: FloatArray,
    lights: Sequence[tuple[FloatArray, str] | tuple[FloatArray, str, FloatArray]],
    holdout: FloatArray | None = None,
    *,
    white: float = 1.0,
) -> NDArray[np.float32]:
    """Return hero (h, w, 3) with lights, each (picture with its mix and gel in it, laying rule).

    A third picture (h, w, 3) of a light is what falls on the figure, mix and gel in it; it is laid by the light's own
    rule. ``holdout`` (h, w): how much of every pixel keeps light off. All that adds is laid first, then what is
    screened, together.
    """
    kept = np.float32(1) if holdout is None else 1 - np.asarray(holdout, np.float32)[..., None]
    out = np.asarray(hero, np.float32).copy()
    unlit: FloatArray | None = None
    for picture, rule, *figure in lights:
        fall = picture * kept + (figure[0] if figure else np.float32(0))
        if rule == "plus":
            out += fall
        else:
            part = 1 - np.minimum(fall / np.float32(white), 1)
            unlit = part if unlit is None else unlit * part
    if unlit is None:
        return out
    room = 1 - np.clip(out / np.float32(white), 0, 1)
    return np.asarray(out + white * (1 - unlit) * room, np.float32)
