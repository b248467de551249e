"""The figure's own colour, times its matte, with the set behind it taken out."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from lightstack.core.matte.carry import carry_soft
from lightstack.records import FloatArray

__all__ = ["take_set_out"]

REACHES = (1.5, 4.0, 12.0)  # pixels at survey size over which the figure's colour is carried outwards
SURE = 0.98


def take_set_out(
    frame: FloatArray, alpha: FloatArray, behind: FloatArray | None, *, reach: float = 1.0
) -> NDArray[np.float32]:
    """Return what a figure adds to a frame: colour times matte, ``(h, w, 3)``; 0 where the matte is.

    ``frame`` and ``behind`` ``(h, w, 3)``: the frame, and the set as lit in it (None: not known); ``alpha`` (h, w).
    ``reach``: factor on the distances over which colour is carried.

    Notes: where the matte is thin, what is left of the set's own detail and noise would be read as the figure's, so
    there the figure's colour is carried out from its inside.
    """
    share = np.asarray(alpha, np.float32)[..., None]
    own = frame * share if behind is None else frame - (1 - share) * behind
    mass = (share[..., 0] >= SURE).astype(np.float32)
    if mass.any():
        inner = carry_soft(frame, mass, sigmas=REACHES, reach=reach)
        trust = np.clip((share - 0.2) / 0.6, 0, 1)
        own = trust * own + (1 - trust) * share * inner
    return np.where(share > 0, np.maximum(own, 0) if behind is not None else own, 0).astype(np.float32)
