"""Patches laid over the hero: part of another take through a mask, matched, in the order of the shot file."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from lightstack.core.lay.patch import RingRatio, blend_patch, carry_inwards, find_ring, say_even
from lightstack.core.warp import is_identity, warp_picture
from lightstack.jobs.patch.masks import MaskMaker
from lightstack.jobs.patch.match import ring_width
from lightstack.records import BuiltPatches, FloatArray, PatchLight, PatchMatch

__all__ = ["PatchLayer", "lay_patches", "make_layers"]


class PatchLayer:
    """One patch, ready to be laid: what it is taken from, its masks, and how it is matched.

    A held mean of many frames has next to no noise of its own; living grain is laid over what `laid_share` names.
    """

    def __init__(self, light: PatchLight, match: PatchMatch, maker: MaskMaker, factor: int) -> None:
        self._light, self._match, self._factor = light, match, factor
        self.maker = maker
        self._moved: tuple[bytes, PatchLight] | None = None
        self._field: tuple[object, NDArray[np.float32]] | None = None
        self._rim: tuple[bytes, NDArray[np.float32]] | None = None

    @property
    def name(self) -> str:
        """The patch's name."""
        return self._match.name

    def strength_at(self, shot_frame: int) -> float:
        """Return how much of the patch is laid at a shot frame, 0 to 1; 0 outside of the shot."""
        strength = self.maker.strength
        index = shot_frame - strength.first_frame
        return float(strength.gains[index]) if 0 <= index < len(strength.gains) else 0.0

    def laid_share(self, shot_frame: int, pose: NDArray[np.float64]) -> NDArray[np.float32]:
        """Return how much of every pixel of a frame is the patch's, (H, W) float32 0 to 1, strength included."""
        strength = self.strength_at(shot_frame)
        share = self.maker.draw(shot_frame)
        if not (self._light.inside.all() and is_identity(pose)):
            share = share * self._soften_rim(pose)
        return share if strength >= 1 else share * np.float32(strength)

    def lay(self, hero: NDArray[np.float32], shot_frame: int, pose: NDArray[np.float64]) -> NDArray[np.float32]:
        """Lay the patch over one hero frame (H, W, 3) that has the given pose; the hero itself where it is off."""
        if self.strength_at(shot_frame) <= 0:
            return hero
        share = self.laid_share(shot_frame, pose)
        box = find_box(share)
        if box is None:
            return hero
        rows, columns = box
        light = self._move(pose).light[rows, columns]
        gain = self._gain(shot_frame, pose, rows, columns)
        return blend_patch(hero, light, share[rows, columns], gain=gain, rows=rows, columns=columns)

    def _move(self, pose: NDArray[np.float64]) -> PatchLight:
        """Return the patch where a hero of that pose shows it: the patch is resampled, the hero never."""
        if is_identity(pose):
            return self._light
        known = self._moved  # one look: frames are made by several threads
        if known is None or known[0] != pose.tobytes():
            back = np.asarray(np.linalg.inv(pose), np.float64)
            light, seen = warp_picture(self._light.light, back)
            whole, _ = warp_picture(self._light.inside.astype(np.float32), back, interpolation="linear")
            known = self._moved = (pose.tobytes(), PatchLight(light, seen & (whole > 0.999)))
        return known[1]

    def _soften_rim(self, pose: NDArray[np.float64]) -> NDArray[np.float32]:
        """Return a soft share (H, W) that ends where the patch is not known."""
        known = self._rim
        if known is None or known[0] != pose.tobytes():
            known = self._rim = (pose.tobytes(), _shrink_inside(self._move(pose).inside))
        return known[1]

    def _gain(self, shot_frame: int, pose: NDArray[np.float64], rows: slice, columns: slice) -> FloatArray:
        """Return what the patch is multiplied by in a box: (3,), or a picture where the light differs around it."""
        if not self._match.matched:
            return np.ones(3, np.float32)
        index = min(max(shot_frame - self._match.first_frame, 0), len(self._match.changes) - 1)
        change = self._match.changes[index].astype(np.float32)
        field = self._stops(shot_frame)
        if field.ndim > 1:
            field = enlarge_field(field, pose, self._factor, rows, columns)
        return np.exp2(field + change).astype(np.float32)

    def _stops(self, shot_frame: int) -> NDArray[np.float32]:
        """Return the stops that match the mask of a frame: (3,) or, at survey size, (h, w, 3)."""
        key = self.maker.key_of(shot_frame)
        known = self._field
        if known is None or known[0] != key:
            known = self._field = (key, self._solve(shot_frame))
        return known[1]

    def _solve(self, shot_frame: int) -> NDArray[np.float32]:
        match = self._match
        mask = self.maker.draw_small(shot_frame, self._factor)
        ring = find_ring(mask, width_px=ring_width(mask.shape)) & match.known
        even = say_even(RingRatio(match.stops, match.known), ring, match.weight)
        if not np.isfinite(even).all():  # this frame's ring is too dark or too small; the take as a whole is not
            even = say_even(RingRatio(match.stops, match.known), match.known, match.weight)
            return np.nan_to_num(even).astype(np.float32)
        if self.maker.patch.match == "even":
            return even.astype(np.float32)
        return carry_inwards(match.stops - even.astype(np.float32), ring) + even.astype(np.float32)


def _shrink_inside(inside: NDArray[np.bool_]) -> NDArray[np.float32]:
    """Return a soft share (H, W) that ends where the patch is not known."""
    closed = cv2.erode(inside.astype(np.float32), np.ones((5, 5), np.uint8), borderValue=1)
    return np.asarray(cv2.blur(closed, (5, 5)), np.float32) * inside


def find_box(share: NDArray[np.float32]) -> tuple[slice, slice] | None:
    """Return the rows and columns that a mask (H, W) covers; None where it covers nothing."""
    rows, columns = np.flatnonzero(share.any(axis=1)), np.flatnonzero(share.any(axis=0))
    if not len(rows):
        return None
    return slice(int(rows[0]), int(rows[-1]) + 1), slice(int(columns[0]), int(columns[-1]) + 1)


def enlarge_field(
    field: NDArray[np.float32], pose: NDArray[np.float64], factor: int, rows: slice, columns: slice
) -> NDArray[np.float32]:
    """Bring a field (h, w, 3) of survey size in the origin's place to a box of a full-size frame of the given pose."""
    size = (columns.stop - columns.start, rows.stop - rows.start)
    to_centre = np.array([[1, 0, 0.5 + columns.start], [0, 1, 0.5 + rows.start], [0, 0, 1.0]])
    to_small = np.array([[1 / factor, 0, -0.5], [0, 1 / factor, -0.5], [0, 0, 1.0]])
    matrix = to_small @ np.linalg.inv(pose) @ to_centre
    kind = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    return np.asarray(cv2.warpPerspective(field, matrix, size, flags=kind, borderMode=cv2.BORDER_REPLICATE), np.float32)


def make_layers(patches: BuiltPatches, makers: Sequence[MaskMaker]) -> tuple[PatchLayer, ...]:
    """Return the patches of a shot, ready to be laid, in file order."""
    return tuple(
        PatchLayer(patches.lights[match.source], match, maker, patches.factor)
        for match, maker in zip(patches.matches, makers, strict=True)
    )


def lay_patches(
    hero: NDArray[np.float32], layers: Sequence[PatchLayer], shot_frame: int, pose: NDArray[np.float64]
) -> NDArray[np.float32]:
    """Lay every patch over a hero frame, in order; the very same array where none is on."""
    for layer in layers:
        hero = layer.lay(hero, shot_frame, pose)
    return hero
