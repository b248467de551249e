"""Lamp stills at screen size for the review page: made as they are asked for, kept from one run to the next."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import takewhile
from threading import Lock, Semaphore
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from lightstack.core.half import narrow
from lightstack.core.matte.carry import find_nearest
from lightstack.core.page.plate import ProxyStills
from lightstack.core.page.reduce import StillReducer
from lightstack.errors import MissingInput
from lightstack.files.kept.review_keep import PictureShelf, open_shelf
from lightstack.files.kept.stack import LightStack
from lightstack.files.processors import usable_processors
from lightstack.jobs.light.filled import FilledStills, fill_or_recall
from lightstack.jobs.light.plates import find_stack, notes_of, open_working, read_unlit
from lightstack.jobs.review.open import Precedence, ReviewShot
from lightstack.jobs.sweep.accumulate import find_lost_border
from lightstack.records import BuiltSweep, FloatArray, Progress

__all__ = [
    "PagePicture",
    "SweepProxies",
    "halve",
    "join_channels",
    "make_filled",
    "name_stills",
    "open_proxies",
    "pack_picture",
    "shrink_to",
    "to_half",
]

SCHEMA = 3
MOST_BYTES = 2 << 30  # of one sweep's pictures in the scratch folder
LAYOUTS = {"rgba16f": (4, "<f2"), "rgb16f": (3, "<f2"), "r16f": (1, "<f2"), "r8": (1, "u1"), "rgb10": (1, "<u4")}


@dataclass(frozen=True, slots=True)
class PagePicture:
    """Pixels for the page, rows from the top: ``width`` x ``height`` of what ``layout`` says."""

    data: bytes
    width: int
    height: int
    layout: str

    @property
    def size(self) -> int:
        """Bytes that the whole of it has."""
        return self.width * self.height * LAYOUTS[self.layout][0] * np.dtype(LAYOUTS[self.layout][1]).itemsize

    def array(self) -> NDArray[np.float32]:
        """Return the pixels as numbers, (h, w, channels)."""
        channels, kind = LAYOUTS[self.layout]
        return np.frombuffer(self.data, kind).reshape(self.height, self.width, channels).astype(np.float32)


class SweepProxies:
    """The stills of one sweep at screen size; safe to ask from several threads.

    ``filled``: they are the ones that are summed (no holes, no grain), which have no guides. ``used``: the stills whose
    plate is carried on over its border where many of them do not show it, as a build does; none where it never is.
    """

    def __init__(
        self,
        stack: LightStack,
        shelf: PictureShelf,
        proxy: tuple[int, int],
        *,
        ambient: FloatArray,
        filled: bool,
        first: Precedence,
        used: Sequence[int] = (),
    ) -> None:
        self._stack, self.shelf, self._proxy, self.filled = stack, shelf, proxy, filled
        self.ambient, self._first = ambient, first
        self.guides = 0 if filled else stack.shape.guides
        self._used, self._looking = used, Lock()
        self._few = Semaphore(usable_processors())  # at full size: as many at a time as there are processors

    @property
    def count(self) -> int:
        """How many stills there are."""
        return self._stack.shape.stills

    def still(self, index: int, *, half: bool = False) -> PagePicture:
        """Return one still, RGBA half floats: lamp light and validity. Raises MissingInput where there is none."""
        return self._piece(index, "half light" if half else "light")

    def guide(self, index: int, *, half: bool = False) -> PagePicture:
        """Return one still's guide, a half float or, of three channels, RGBA. Raises MissingInput where it has none."""
        if not self.guides:
            raise MissingInput("these stills are summed by weights and have no guides")
        return self._piece(index, "half guide" if half else "guide")

    def gather(self, shares: NDArray[np.float64], gains: NDArray[np.float64]) -> ProxyStills:
        """Return all stills for a blend, as a page gets them."""
        lights = np.stack([self.still(index).array() for index in range(self.count)])
        guides = np.zeros((*lights.shape[:3], 0), np.float32)
        if self.guides:
            read = [self.guide(index).array() for index in range(self.count)]
            guides = np.stack([one[..., : self.guides] for one in read])
        return ProxyStills(lights[..., :3], lights[..., 3], guides, shares, gains, self.ambient)

    def _piece(self, index: int, which: str) -> PagePicture:
        if not 0 <= index < self.count:
            raise MissingInput(f"there is no still {index}; they are counted from 0 to {self.count - 1}")
        plan = self._plan()
        start = sum(blank.size for _, blank in takewhile(lambda piece: piece[0] != which, plan))
        blank = dict(plan)[which]
        name = f"still_{index:04d}.half"
        data = self.shelf.read(name, start, blank.size)
        if data is None or len(data) != blank.size:
            with self._first, self._few:
                whole = self._make(index)
            self.shelf.keep(name, whole)
            data = whole[start : start + blank.size]
        return replace(blank, data=data)

    def _plan(self) -> list[tuple[str, PagePicture]]:
        """Return the pieces of a kept still in their order: what a page asks for first comes first."""
        (height, width), layout = self._proxy, "r16f" if self.guides == 1 else "rgba16f"
        low, across = -(-height // 2), -(-width // 2)
        pieces = [("half light", PagePicture(b"", across, low, "rgba16f"))]
        pieces += [("half guide", PagePicture(b"", across, low, layout))] if self.guides else []
        pieces += [("light", PagePicture(b"", width, height, "rgba16f"))]
        return pieces + ([("guide", PagePicture(b"", width, height, layout))] if self.guides else [])

    def _make(self, index: int) -> bytes:
        """Bring a still to screen size and to half of that, in the order of `_plan`."""
        shape, believe = self._stack.shape, not self.filled  # filled ones are summed as they are, believed or not
        reducer = StillReducer((shape.height, shape.width), self._proxy, self.guides, believe=believe)
        for band in range(shape.bands):
            if self.guides:
                light, valid, guide = self._stack.read_band(band, index)
            else:
                light, valid = self._stack.read_light(band, index)
                guide = np.zeros((*valid.shape, 0), np.float32)
            reducer.add(self._stack.rows_of(band).start, light, valid, guide)
        full = reducer.finish()
        nearest = self._find_border()
        if nearest is not None:
            full = full.reshape(-1, full.shape[2])[nearest]
        size = (-(-self._proxy[0] // 2), -(-self._proxy[1] // 2))
        return b"".join(self._split(picture) for picture in (shrink_to(full, size), full))

    def _find_border(self) -> NDArray[np.int32] | None:
        """Return which pixel every one of ``proxy`` shows, (h, w) flat; None where each shows itself."""
        with self._looking:
            return self._border

    @cached_property
    def _border(self) -> NDArray[np.int32] | None:
        if not len(self._used):
            return None
        missing = np.zeros((self._stack.shape.height, self._stack.shape.width), np.float32)
        for band in range(self._stack.shape.bands):
            for index in self._used:
                gone = self._stack.read_valid(band, index) <= 0
                missing[self._stack.rows_of(band)] += gone * np.float32(1 / len(self._used))
        lost = find_lost_border(missing)
        if lost is None:
            return None
        return find_nearest(shrink_to(lost.astype(np.float32), self._proxy) <= 0)

    def _split(self, sums: FloatArray) -> bytes:
        """Return light and guide of sums over valid pixels."""
        valid = sums[..., 3]
        share = np.maximum(valid, 1e-6)[..., None] if not self.filled else np.float32(1)
        light = join_channels(sums[..., :3] / share, valid).tobytes()
        if not self.guides:
            return light
        guide = sums[..., 4:] / share
        if self.guides == 1:
            return light + to_half(guide[..., 0]).tobytes()
        return light + join_channels(guide, np.ones_like(valid)).tobytes()


def pack_picture(picture: NDArray[Any], layout: str) -> PagePicture:
    """Return an array's bytes for the page."""
    height, width = picture.shape[:2]
    return PagePicture(np.ascontiguousarray(picture).tobytes(), width, height, layout)


def open_proxies(shot: ReviewShot, built: BuiltSweep, filled: FilledStills | None = None) -> SweepProxies:
    """Open a sweep's stills for the page; ``filled``: those made ready for being summed."""
    delivery = shot.delivery
    inputs = {
        "schema": SCHEMA,
        "proxy": list(shot.proxy),
        "stack": delivery.book.identity(delivery.folder.file(find_stack(built))),
        "filled": None if filled is None else filled.inputs,
    }
    name = name_stills(built, filled=filled is not None)
    shelf = open_shelf(delivery.folder, name, inputs, most_bytes=MOST_BYTES)
    stack = open_working(delivery, built) if filled is None else filled.open()
    ambient = shrink_to(np.nan_to_num(read_unlit(delivery, built)), shot.proxy)
    used: list[int] = []
    if filled is None and not all(stretch.identity for stretch in built.registration.stretches):
        used = [k for k, gains in enumerate(notes_of(built).gains) if np.any(gains)]
    return SweepProxies(
        stack, shelf, shot.proxy, ambient=ambient, filled=filled is not None, first=shot.first, used=used
    )


def name_stills(built: BuiltSweep, *, filled: bool) -> str:
    """Return the name under which a sweep's stills are kept."""
    return f"{'filled' if filled else 'stills'}_{built.report.name}"


def make_filled(shot: ReviewShot, built: BuiltSweep, progress: Progress) -> FilledStills:
    """Recall the stills of a sweep that are made ready for being summed, or make them."""
    sweep, known = shot.settings.find_sweep(built.report.name), shot.places.get(built.report.name)
    return fill_or_recall(shot.delivery, sweep, built, known, shot.options, force=False, progress=progress)


def shrink_to(picture: FloatArray, proxy: tuple[int, int]) -> NDArray[np.float32]:
    """Bring a picture (H, W[, C]) to ``proxy`` (h, w): the mean of the area under each pixel."""
    picture = np.ascontiguousarray(picture, np.float32)
    if picture.shape[:2] == proxy:
        return picture
    planes = picture.reshape(*picture.shape[:2], -1)
    parts = [  # OpenCV takes no more than four channels at a time
        cv2.resize(np.ascontiguousarray(planes[..., k : k + 4]), proxy[::-1], interpolation=cv2.INTER_AREA)
        for k in range(0, planes.shape[2], 4)
    ]
    made = np.concatenate([part.reshape(*proxy, -1) for part in parts], axis=2)
    return np.asarray(made.reshape(*proxy, *picture.shape[2:]), np.float32)


def halve(picture: FloatArray, valid: FloatArray) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Bring a picture (h, w, C) to half size, the mean of what is valid (h, w), and that too."""
    size = (-(-valid.shape[0] // 2), -(-valid.shape[1] // 2))
    share = shrink_to(valid, size)
    light = shrink_to(picture * valid[..., None], size).reshape(*size, -1)
    plain = shrink_to(picture, size).reshape(*size, -1)
    known = (share > 0)[..., None]
    return np.where(known, light / np.maximum(share, 1e-6)[..., None], plain).astype(np.float32), share


def join_channels(light: FloatArray, alpha: FloatArray) -> NDArray[np.float16]:
    """Return (h, w, 4) half floats."""
    whole = np.empty((*alpha.shape, 4), np.float32)
    whole[..., :3], whole[..., 3] = light, alpha
    return to_half(whole)


def to_half(picture: FloatArray) -> NDArray[np.float16]:
    """Return half floats, limited to their range (65504)."""
    flat = np.ascontiguousarray(picture, np.float32).reshape(-1)
    out = np.empty(flat.shape, np.uint16)
    narrow(flat, np.empty_like(flat), out)
    return out.view(np.float16).reshape(picture.shape)
