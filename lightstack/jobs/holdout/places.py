"""What a hold-out is pulled from: the hero, and the bare set in the place of every pose."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from lightstack.core.matte.carry import carry_nearest, find_nearest
from lightstack.core.regions import disc
from lightstack.core.warp import is_identity, warp_picture
from lightstack.jobs.patch.placed_masks import shrink_mask
from lightstack.records import BoolArray, FloatArray, ProxyTake, Registration

__all__ = ["PullRequest", "SetPlaces", "shrink_picture"]

EDGE_REACH = 5  # survey pixels beside a place that was not seen, over which the parting leans on it


@dataclass(frozen=True, slots=True, eq=False)
class PullRequest:
    """What a matte is pulled from. ``frames``: source frames, inclusive. ``bare`` (H, W, 3), ``inside`` (H, W): the
    set's picture in the origin's place, and where it is known."""

    take: object  # lightstack.files.read.takes.Take, or whatever gives frames and their light
    proxies: ProxyTake
    registration: Registration
    frames: tuple[int, int]
    bare: FloatArray
    inside: BoolArray


class SetPlaces:
    """The set's picture where frames of a pose show it, at both sizes; the last pose is remembered.

    ``own``: by pose, the hero's median at survey size over frames of that pose. It stands in where the set was not
    seen, as at the edge of a bumped frame; where there is none, what stands beside such a place goes on.
    """

    def __init__(
        self, bare: FloatArray, inside: BoolArray, factor: int, own: Mapping[bytes, NDArray[np.float32]]
    ) -> None:
        self._bare, self._inside, self._factor, self._own = bare, inside, factor, own
        self._last: tuple[bytes, tuple[FloatArray, FloatArray, NDArray[np.int32] | None]] | None = None

    def at(self, pose: NDArray[np.float64]) -> tuple[FloatArray, FloatArray, NDArray[np.int32] | None]:
        """Return the picture (H, W, 3), the same at survey size, and for each pixel the nearest that can be told from
        it (None where all can)."""
        if self._last is None or self._last[0] != pose.tobytes():
            bare, inside = self._move(pose)
            nearest = None
            if not inside.all():
                bare, nearest = self._fill(bare, inside, self._own.get(pose.tobytes()))
            self._last = (pose.tobytes(), (bare, shrink_picture(bare, self._factor), nearest))
        return self._last[1]

    def _move(self, pose: NDArray[np.float64]) -> tuple[FloatArray, BoolArray]:
        if is_identity(pose):
            return self._bare, self._inside
        back = np.asarray(np.linalg.inv(pose), np.float64)
        whole = warp_picture(self._inside.astype(np.float32), back, interpolation="linear")[0] > 0.999
        bare, seen = warp_picture(self._bare, back)
        return bare, seen & whole

    def _fill(
        self, bare: FloatArray, inside: BoolArray, own: NDArray[np.float32] | None
    ) -> tuple[FloatArray, NDArray[np.int32] | None]:
        if own is None:
            reach = disc(EDGE_REACH * self._factor)
            told = cv2.erode(inside.astype(np.uint8), reach, borderType=cv2.BORDER_REPLICATE) > 0
            return carry_nearest(bare, inside), find_nearest(np.asarray(told))
        large = cv2.resize(own, inside.shape[::-1], interpolation=cv2.INTER_LINEAR)
        return np.where(inside[..., None], bare, large), None


def shrink_picture(picture: FloatArray, factor: int) -> NDArray[np.float32]:
    """Average a picture (H, W, 3) down to survey size."""
    return np.stack([shrink_mask(np.ascontiguousarray(picture[..., c]), factor) for c in range(3)], axis=-1)
