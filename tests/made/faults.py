"""Faulty variants of made takes: flicker, dropped and repeated frames, clipped channels, crushed blacks, coarse codecs.

Nothing here imports the package under test. A faulty take behaves as a room does: ``planes``, ``filmed``, ``clipped``,
``size``, ``len``; it has the room's truth besides.
"""

from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np

from made.camera import develop


@dataclass(frozen=True)
class Pulse:
    """Light that pulses as 1 + depth cos(2 pi hz t), seen through a shutter that opens row after row.

    ``exposure`` and ``readout`` (first row to past the last) in seconds; ``channels``: how much of it each gets.
    """

    depth: float
    hz: float = 100.0
    rate: float = 24.0
    exposure: float = 1 / 48
    readout: float = 0.0
    phase: float = 0.6
    channels: tuple = (1.0, 1.0, 1.0)

    @property
    def seen(self):
        """Depth in the picture: a box of the exposure over the wave."""
        return self.depth * abs(np.sinc(self.hz * self.exposure))

    def gain(self, k, height):
        """(H, 1, 3) factor on frame k's light."""
        start = k / self.rate + (np.arange(height) + 0.5) / height * self.readout
        wave = np.sinc(self.hz * self.exposure) * np.cos(2 * np.pi * self.hz * (start + self.exposure / 2) + self.phase)
        return 1 + self.depth * wave[:, None, None] * np.array(self.channels)


@dataclass(frozen=True)
class Faults:
    """What is wrong with a take. ``order``: room frame filmed at each place (drops and repeats), None = as it is.

    ``exact_repeats``: a repeated frame is the same bit for bit. ``stops`` (3,): exposure per channel. ``pedestal``:
    linear light that is lost in black. ``stale``: share of 16 px blocks that stand still between sync frames, ``group``
    frames apart. ``quantiser``: step of 8 px block transform, in codes of 8 bits.
    """

    pulse: Pulse | None = None
    order: tuple | None = None
    exact_repeats: bool = True
    stops: tuple = (0.0, 0.0, 0.0)
    pedestal: float = 0.0
    stale: float = 0.0
    group: int = 12
    quantiser: float = 0.0


class FaultyTake:
    """A room filmed with faults."""

    def __init__(self, room, faults):
        self.room, self.faults = room, faults
        self.order = tuple(range(len(room))) if faults.order is None else tuple(faults.order)
        self._coded = lru_cache(maxsize=2 * faults.group + 2)(self._code)

    def __getattr__(self, name):
        return getattr(self.room, name)

    def __len__(self):
        return len(self.order)

    def seen(self, k):
        light = self.room.seen(self.order[k]) * 2.0 ** np.array(self.faults.stops, np.float32)
        if self.faults.pulse is not None:
            light = light * self.faults.pulse.gain(k, self.size[0])
        return light - np.float32(self.faults.pedestal)

    def planes(self, k):
        return self._coded(k)

    def filmed(self, k):
        return develop(self.planes(k), bits=self.bits, curve=self.curve)

    def clipped(self, k):
        limit = 0.985 if self.chroma != "rgb" else 0.9999
        return ((self.filmed(k) >= limit) * np.array([1, 2, 4], np.uint8)).sum(-1).astype(np.uint8)

    def _code(self, k):
        faults = self.faults
        repeats = faults.exact_repeats and k > 0 and self.order[k] == self.order[k - 1]
        planes = self.planes(k - 1) if repeats else self._expose(k)
        if faults.stale and k % faults.group and not repeats:
            planes = self._hold_blocks(planes, self.planes(k - 1), k)
        return planes

    def _expose(self, k):
        from made.camera import expose

        rng = np.random.default_rng([self.seed, 7919, k, len(self), 5])
        planes = expose(self.seen(k), rng, noise=self.noise, bits=self.bits, curve=self.curve, chroma=self.chroma)
        if self.faults.pedestal and len(planes) > 1:  # a camera that holds no code below black
            planes = (np.maximum(planes[0], 16 << (self.bits - 8)).astype(planes[0].dtype), *planes[1:])
        if self.faults.quantiser:
            planes = tuple(quantise_blocks(p, self.faults.quantiser * 2 ** (self.bits - 8)) for p in planes)
        return planes

    def _hold_blocks(self, planes, before, k):
        """Blocks stand still for a whole group of frames, others live."""
        h, w = self.size
        rng = np.random.default_rng([self.seed, 13, k // self.faults.group])
        held = rng.random((-(-h // 16), -(-w // 16))) < self.faults.stale
        out = []
        for plane, old in zip(planes, before, strict=True):
            side = 16 * plane.shape[0] // h
            mask = np.kron(held, np.ones((side, side), bool))[: plane.shape[0], : plane.shape[1]]
            out.append(np.where(mask[..., None] if plane.ndim == 3 else mask, old, plane))
        return tuple(out)


def quantise_blocks(plane, step):
    """Round the cosine transform of 8 x 8 blocks to multiples of ``step``; (H, W) or (H, W, 3) codes."""
    if plane.ndim == 3:
        return np.dstack([quantise_blocks(plane[..., c], step) for c in range(3)])
    top = np.iinfo(plane.dtype).max
    out = plane.astype(np.float32)
    for y in range(0, plane.shape[0] - 7, 8):
        for x in range(0, plane.shape[1] - 7, 8):
            block = np.ascontiguousarray(out[y : y + 8, x : x + 8])
            out[y : y + 8, x : x + 8] = cv2.idct(np.round(cv2.dct(block) / step) * step)
    return np.clip(np.rint(out), 0, top).astype(plane.dtype)


def repeat_and_drop(count, *, repeats=(), drops=()):
    """Order of frames in which each place in ``repeats`` shows the frame before, and ``drops`` are left out."""
    kept = [k for k in range(count) if k not in set(drops)]
    return tuple(kept[i - 1] if i in set(repeats) else k for i, k in enumerate(kept))
