"""Light laid over a picture.

``plus`` is how light behaves: what two lamps do together is the sum of what each does. ``screen`` is a
look: it holds highlights below a stated white and does not follow real light.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

from lightstack.core.lay.lay_kernels import add_fall, lay_plus, round_flat
from lightstack.errors import SettingError
from lightstack.records import BoolArray, FloatArray

__all__ = ["LAYING_RULES", "add_light", "held_back", "join_screened", "lay_light", "lay_rounded", "round_half"]


def _add(hero: NDArray, light: NDArray, white: float) -> NDArray:
    return hero + light


def _screen(hero: NDArray, light: NDArray, white: float) -> NDArray:
    headroom = 1 - np.clip(hero * np.float32(1 / white), 0, 1)
    return hero + light * headroom


LAYING_RULES: dict[str, Callable[[NDArray, NDArray, float], NDArray]] = {"plus": _add, "screen": _screen}


def lay_light(
    hero: NDArray[np.float32], light: NDArray[np.float32], *, rule: str = "plus", white: float = 1.0
) -> NDArray[np.float32]:
    """Lay lamp light over a picture.

    ``hero``: ``(H, W, 3)`` float32 linear. ``light``: the same shape (or one that broadcasts to it),
    the mix already multiplied in. ``white``: where ``screen`` stops adding, linear. Returns a new
    ``(H, W, 3)`` float32 picture that equals ``hero`` bit for bit wherever ``light`` is 0.

    Raises SettingError for an unknown rule or a white that is not above 0.

    Notes: ``screen`` is hero + light * (1 - clamp(hero / white, 0, 1)): for light >= 0 it never
    darkens, and above white it adds nothing, also where hero or light exceed 1. Within [0, 1] and
    white 1 it is the blend mode of the same name.

    References: W3C Compositing and Blending Level 1, section 9.1.4 "screen".
    """
    if rule not in LAYING_RULES:
        raise SettingError(f"laying rule {rule!r} is unknown; use one of {', '.join(LAYING_RULES)}")
    if not white > 0:
        raise SettingError(f"the white of a laying rule is {white}; it must be above 0")
    relit = LAYING_RULES[rule](hero, light, white)
    return np.where(light == 0, hero, relit).astype(np.float32, copy=False)


def join_screened(lights: Sequence[FloatArray], *, white: float = 1.0) -> FloatArray:
    """Join lights (H, W, 3) that are to be screened into one, so that laying it lays all of them.

    W (1 - prod(1 - min(l / W, 1))): the order does not matter, and where one of them reaches white so does the sum.
    Negative light (noise) is kept as it is.
    """
    left = np.ones_like(lights[0])
    for light in lights:
        left *= 1 - np.minimum(light * np.float32(1 / white), 1)
    return (1 - left) * np.float32(white)


def held_back(held: FloatArray | None, removed: FloatArray | None = None) -> FloatArray | None:
    """Return how much of every pixel keeps the light off, (H, W); None where nobody does.

    ``held`` (H, W): the hold-out matte, 1 = a figure stands there. ``removed`` (H, W): how much of the picture there
    patches have replaced by the bare set.

    Notes: held * (1 - removed): of a figure that is wiped away by half, half of the set behind is seen, and that half
    takes the full light.
    """
    return held if held is None or removed is None else np.asarray(held * (1 - removed), np.float32)


def round_half(picture: FloatArray, out: FloatArray | None = None) -> FloatArray:
    """Round a float32 picture to what half floats hold, to nearest, ties to even; ``out`` may be the picture itself.

    Notes: what lies beyond their range (65504) stays as it is; a file of such a picture holds 32-bit floats.
    """
    picture = np.ascontiguousarray(picture, np.float32)
    rounded = np.empty_like(picture) if out is None else out
    round_flat(picture.reshape(-1), rounded.reshape(-1))
    return rounded


def add_light(total: FloatArray | None, plate: FloatArray, kept: FloatArray | None, gain: float) -> FloatArray:
    """Add a light to those before it, in place: total + (plate x (1 - kept)) x gain; a new picture where None are.

    ``plate`` (H, W, 3); ``kept`` (H, W), as `held_back` gives it.
    """
    total = np.zeros(plate.shape, np.float32) if total is None else total
    add_fall(plate, np.zeros((0, 0), np.float32) if kept is None else kept, np.float32(gain), total)
    return total


def lay_rounded(hero: FloatArray, light: FloatArray, changed: BoolArray) -> FloatArray:
    """Return what a file of the light laid by plus over a file of the hero gives; ``light`` is rounded already.

    ``changed`` (H, W) becomes True wherever there is light.
    """
    relit = round_half(hero)
    lay_plus(relit, light, relit, changed)
    return relit
