"""Which lamp stills, how bright each, come nearest to a picture of how the set should be lit.

Light adds and no lamp takes light away, so it is a non-negative least-squares problem with as many unknowns as stills.
Sparsity and a likeness of neighbours in the map keep it to few lamps that stand together.

References: Lawson and Hanson 1974, "Solving Least Squares Problems", chapter 23 (NNLS, by scipy). Mohan et al. 2007,
"Table-Top Computed Lighting for Practical Digital Photography", IEEE TVCG 13(4) (weights for a painted target).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import nnls

from lightstack.errors import SettingError
from lightstack.records import FloatArray, TargetMatch

Array = NDArray[np.float64]

EVEN_EYE = 0.1  # of the target's mean: levels below differ little to the eye
LEAST_SHARE = 1e-3  # of the light: a still that gives less is left out
GEL_ROUNDS, TRUST_ROUNDS = 6, 2
MOST_STOPS = 6.0
LUMINANCE = np.array([0.2126, 0.7152, 0.0722])  # ITU-R BT.709-6, item 3.2
TINY = 1e-12


@dataclass(frozen=True, slots=True)
class _Problem:
    """``columns`` (K, P, 3), ``wanted`` (P, 3), ``weight`` (P,), and penalties (K, K) and (K,) added to the normal
    equations."""

    columns: Array
    wanted: Array
    weight: Array
    likeness: Array
    price: Array


def match_target(
    stills: FloatArray,
    valid: FloatArray,
    target: FloatArray,
    *,
    ambient: FloatArray,
    weight: FloatArray | None = None,
    sparsity: float = 0.0,
    smoothness: float = 0.0,
    distances: FloatArray | None = None,
    gel: bool = False,
) -> TargetMatch:
    """Find the weights of lamp stills whose sum over the ambient comes nearest to a target.

    Parameters
    ----------
    stills: (K, h, w, 3) lamp light; valid: (K, h, w) 0..1. target, ambient: (h, w, 3), the target with the ambient.
    weight: (h, w) how much each place matters, all alike by default. sparsity: 0 none; 0.05 to 0.3 leaves out stills
    that add little. smoothness: 0 none; 1 makes stills that stand ``distances`` (K, K) of less than the usual spacing
    apart nearly alike. gel: one gain per channel, the same for all stills, is free: ``weights`` are then (K, 3).

    Raises SettingError where shapes do not fit, or nothing of the picture may be looked at.

    Notes: differences count relative to the target's own level, down to a tenth of its mean. Where a still is not
    valid it is taken for what the others show there, at its level, and the place counts less the more of its light was
    made up. Pictures some 160 across are plenty.
    """
    check_shapes(stills, valid, target, ambient, weight, distances)
    whole = np.asarray(target, np.float64).reshape(-1, 3)
    wanted = np.asarray(whole - np.reshape(ambient, (-1, 3)), np.float64)
    say = _weigh_places(wanted, whole, weight)
    columns, trust = impute(np.asarray(stills, float).reshape(len(stills), -1, 3), valid.reshape(len(stills), -1))
    problem = _penalise(columns, wanted, say, sparsity, smoothness, distances)
    lit = bool((np.maximum(wanted, 0) * say[:, None]).sum() > TINY)
    found, gains = (solve_weights(problem, trust, gel=gel)) if lit else (np.zeros(len(stills)), np.ones(3))
    reached: Array = np.einsum("k,kpc->pc", found, columns) * gains
    missed = ((wanted - reached) ** 2 * say[:, None]).sum() / max(float((wanted**2 * say[:, None]).sum()), TINY)
    return TargetMatch(
        weights=found[:, None] * gains if gel else found,
        reached=reached.reshape(target.shape).astype(np.float32),
        missed_stops=tell_missed(wanted, reached).reshape(target.shape[:2]),
        error=float(np.sqrt(missed)) if lit else 0.0,
        lit=lit,
        used=found > 0,
    )


def check_shapes(
    stills: FloatArray, valid: FloatArray, target: FloatArray, ambient: FloatArray, weight: FloatArray | None,
    distances: FloatArray | None,
) -> None:  # fmt: skip
    """Raise SettingError where pictures do not fit each other."""
    shape = stills.shape[1:]
    sizes = {"valid": (valid.shape, stills.shape[:3]), "target": (target.shape, shape)}
    sizes["ambient"] = (ambient.shape, shape)
    if weight is not None:
        sizes["weight"] = (weight.shape, shape[:2])
    if distances is not None:
        sizes["distances"] = (distances.shape, (len(stills), len(stills)))
    for name, (got, expected) in sizes.items():
        if got != expected:
            raise SettingError(f"{name} is {got}; {expected} was expected beside stills of {stills.shape}")


def _weigh_places(wanted: Array, target: Array, weight: FloatArray | None) -> Array:
    seen = np.asarray(np.isfinite(wanted).all(axis=1))
    level = np.where(seen[:, None], np.maximum(target, 0), 0).mean(axis=1)
    usual = float(level[seen].mean()) if seen.any() else 0.0  # one infinite place must not take every other's say
    say = 1 / (level + EVEN_EYE * usual + TINY) ** 2
    if weight is not None:
        say = say * np.maximum(np.nan_to_num(np.asarray(weight, float)), 0).reshape(-1)
    say = np.where(seen, say, 0)
    if not say.sum() > 0:
        raise SettingError("the target has no place that may be looked at; check its mask")
    wanted[~seen] = 0
    return np.asarray(say / say.mean())


def impute(columns: Array, valid: FloatArray) -> tuple[Array, Array]:
    """Put what the other stills show, at this one's level, where a still (K, P, 3) is not valid (K, P).

    Returns the stills and how far each may be believed, (K, P).
    """
    trust = np.where(np.isfinite(columns).all(axis=2), np.clip(valid, 0, 1), 0)
    light = np.where(trust[..., None] > 0, np.nan_to_num(columns), 0)
    seen = np.maximum(trust.sum(axis=0), TINY)
    usual = (light * trust[..., None]).sum(axis=0) / seen[:, None]
    own, common = ((picture * trust[..., None]).sum(axis=(1, 2)) for picture in (light, usual[None]))
    made_up = usual[None] * (own / np.maximum(common, TINY))[:, None, None]
    return trust[..., None] * light + (1 - trust[..., None]) * made_up, trust


def _penalise(
    columns: Array, wanted: Array, say: Array, sparsity: float, smoothness: float, distances: FloatArray | None
) -> _Problem:
    """Penalties in units of the stills' own energies, so that they mean the same for any target and exposure."""
    energy = np.einsum("kpc,p,kpc->k", columns, say, columns)
    asked = np.sqrt(max(float((wanted**2 * say[:, None]).sum()), 0.0))
    likeness = 1e-9 * np.diag(energy + TINY)
    if smoothness > 0 and distances is not None and len(columns) > 2:
        apart = np.asarray(distances, float)
        usual = float(np.median(np.sort(apart, axis=1)[:, 1])) or 1.0
        near = np.exp(-((apart / usual) ** 2) / 2) * (1 - np.eye(len(apart)))
        likeness += smoothness * float(energy.mean()) * (np.diag(near.sum(axis=1)) - near)
    return _Problem(columns, wanted, say, likeness, sparsity * asked * np.sqrt(energy))


def solve_weights(problem: _Problem, trust: Array, *, gel: bool) -> tuple[Array, Array]:
    """Give weights (K,) and gains of the channels (3,), largest 1, all 1 without ``gel``."""
    gains, say = np.ones(3), problem.weight
    found = np.zeros(len(problem.columns))
    for _ in range(TRUST_ROUNDS):
        for _ in range(GEL_ROUNDS if gel else 1):
            found = _solve_sparse(problem, say, gains)
            sums = np.einsum("k,kpc->pc", found, problem.columns)
            if gel and found.any():
                gains = _fit_gains(sums, problem.wanted, say)
        light = found[:, None] * problem.columns.sum(axis=2)
        say = problem.weight * ((light * trust).sum(axis=0) + TINY) / (light.sum(axis=0) + TINY)
        say = np.clip(say, 0, problem.weight)
    top = float(gains.max()) or 1.0
    return found * top, gains / top


def _fit_gains(sums: Array, wanted: Array, say: Array) -> Array:
    over = (sums * wanted * say[:, None]).sum(axis=0)
    return np.maximum(over, 0) / np.maximum((sums**2 * say[:, None]).sum(axis=0), TINY)


def _solve_sparse(problem: _Problem, say: Array, gains: Array) -> Array:
    """NNLS with both penalties, then once more, without the price, among the stills that were left."""
    columns = problem.columns * gains
    normal = np.einsum("kpc,p,jpc->kj", columns, say, columns, optimize=True) + problem.likeness
    right = np.einsum("kpc,p,pc->k", columns, say, problem.wanted)
    found = solve_normal(normal, right - problem.price)
    give = found * np.sqrt(np.diag(normal))
    left = np.flatnonzero(give > LEAST_SHARE * max(float(give.sum()), TINY))
    out = np.zeros(len(found))
    if len(left):
        out[left] = solve_normal(normal[np.ix_(left, left)], right[left])
    return out


def solve_normal(normal: Array, right: Array) -> Array:
    """Minimise x' N x / 2 - r' x over x >= 0 for a positive N, (K,)."""
    root = np.linalg.cholesky(normal)
    return np.asarray(nnls(root.T, np.linalg.solve(root, right))[0])


def tell_missed(wanted: Array, reached: Array) -> NDArray[np.float32]:
    """Give log2 of wanted over reached luminance (P,), + = still too dark; NaN where neither holds light."""
    want, got = np.maximum(wanted, 0) @ LUMINANCE, np.maximum(reached, 0) @ LUMINANCE
    floor = 1e-3 * max(float(want.max(initial=0)), float(got.max(initial=0)))
    stops = np.log2((want + floor + TINY) / (got + floor + TINY))
    return np.where((want > floor) | (got > floor), np.clip(stops, -MOST_STOPS, MOST_STOPS), np.nan).astype(np.float32)
