"""A shot's hold-out matte as its frames use it: what was pulled, with what hands added and took away."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from lightstack.core.matte.carry import carry_nearest
from lightstack.core.matte.colour import take_set_out
from lightstack.core.warp import is_identity, warp_picture
from lightstack.files.kept.packed import read_packed
from lightstack.jobs.patch.hand_masks import HandWork
from lightstack.jobs.patch.placed_masks import PoseAt
from lightstack.records import FloatArray, PulledMatte

__all__ = ["HeldMatte"]


class HeldMatte:
    """The matte of every shot frame, over the frame as filmed; safe to ask from several threads.

    Parameters
    ----------
    size : (H, W) of the hero. offset : shot frame minus source frame. pose_at : of a shot frame.
    pulled, path : what was pulled, and the file that holds it; None where only hands made the matte.
    hands : what they add and take away; None where nothing was drawn, painted or made elsewhere.
    read_set : reads the bare set (H, W, 3) in the origin's place; None where nothing shows it.
    """

    def __init__(
        self,
        size: tuple[int, int],
        offset: int,
        pose_at: PoseAt,
        *,
        pulled: PulledMatte | None = None,
        path: Path | None = None,
        hands: HandWork | None = None,
        read_set: Callable[[], FloatArray] | None = None,
    ) -> None:
        self._size, self._offset, self._pose_at = size, offset, pose_at
        self._pulled, self._path, self.hands, self._read_set = pulled, path, hands, read_set
        self._bare: FloatArray | None = None
        self._moved: tuple[bytes, FloatArray] | None = None

    def alpha_at(self, shot_frame: int) -> FloatArray:
        """Return how much of every pixel belongs to a figure, (H, W) float32 0 to 1."""
        alpha = np.zeros(self._size, np.float32)
        record = self._record(shot_frame)
        if record is not None:
            coded, (top, left) = record[0], record[1]
            alpha[top : top + coded.shape[0], left : left + coded.shape[1]] = coded * np.float32(1 / 65535)
        return alpha if self.hands is None else self.hands.apply(alpha, shot_frame)

    def figure_at(self, shot_frame: int, hero: FloatArray) -> FloatArray:
        """Return the figure's own colour times its matte, (H, W, 3): the set behind it is taken out of the hero."""
        behind = self._set_at(shot_frame)
        record = self._record(shot_frame)
        if behind is not None and record is not None:
            gain = record[3].astype(np.float32)
            behind = behind * cv2.resize(gain, self._size[::-1], interpolation=cv2.INTER_LINEAR)
        reach = 1.0 if self._pulled is None else float(self._pulled.factor)
        return take_set_out(hero, self.alpha_at(shot_frame), behind, reach=reach)

    def doubt_at(self, shot_frame: int) -> NDArray[np.float32]:
        """Return what is left in doubt of a frame, (h, w) 0 to 1 at survey size; a blank where nothing was pulled."""
        record = self._record(shot_frame)
        if record is None or self._pulled is None:
            return np.zeros((1, 1), np.float32)
        doubt = record[2].astype(np.float32) * np.float32(1 / 255)
        if self.hands is None or not doubt.any():
            return doubt
        return self.hands.settle(doubt, shot_frame, self._pulled.factor)

    def index_of(self, shot_frame: int) -> int | None:
        """Return which of the pulled frames a shot frame shows; a damaged one that was left out shows the next."""
        if self._pulled is None:
            return None
        numbers = self._pulled.source_frames
        return min(int(np.searchsorted(numbers, self.source_of(shot_frame))), len(numbers) - 1)

    def source_of(self, shot_frame: int) -> int:
        """Return the source frame that a shot frame shows."""
        return shot_frame - self._offset

    def _record(self, shot_frame: int) -> tuple[NDArray, ...] | None:
        index = self.index_of(shot_frame)
        if index is None or self._pulled is None or self._path is None:
            return None
        return read_packed(self._path, *(int(place) for place in self._pulled.places[index : index + 2]))

    def _set_at(self, shot_frame: int) -> FloatArray | None:
        """Return the bare set where a frame shows it, (H, W, 3)."""
        if self._read_set is None:
            return None
        bare = self._bare  # one look: frames are made by several threads
        if bare is None:
            bare = self._bare = self._read_set()
        pose = self._pose_at(shot_frame)
        if is_identity(pose):
            return bare
        known = self._moved
        if known is None or known[0] != pose.tobytes():
            moved, inside = warp_picture(bare, np.asarray(np.linalg.inv(pose), np.float64))
            known = self._moved = (pose.tobytes(), carry_nearest(moved, inside))
        return known[1]
