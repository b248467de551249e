"""Frames written as EXR: the finished ones, and the elements for a composite elsewhere."""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence

import numpy as np

from lightstack.files.ledger import FrameLedger
from lightstack.files.plates import write_exr
from lightstack.files.schema_render import ELEMENTS
from lightstack.jobs.finish import Delivery
from lightstack.jobs.shot_frames import FrameMaker, ShotFrame
from lightstack.records import FloatArray

__all__ = ["ElementSink"]

Pictures = dict[str, dict[str, FloatArray]]


class ElementSink:
    """Writes chosen elements of every frame, each file whole or not at all; frames that are written are left alone.

    ``elements``: names in `ELEMENTS`, in their order. ``only``: the frames to write.
    """

    def __init__(
        self,
        delivery: Delivery,
        ledger: FrameLedger,
        maker: Callable[[], FrameMaker],
        elements: Sequence[str],
        *,
        only: Collection[int],
        working: str,
        screened: bool,
        attributes: dict[str, str] | None = None,
    ) -> None:
        extra = ("light_screen", "grain") if screened and "light" in elements else ()
        self._elements = tuple(name for name in ELEMENTS if name in (*elements, *extra))
        self._delivery, self._ledger, self._maker = delivery, ledger, maker
        self._working, self._attributes = working, attributes or {}
        self._left = {frame for frame in only if not ledger.is_written(frame, self.names(frame))}
        self.skipped = len(only) - len(self._left)

    @property
    def unfinished(self) -> bool:
        """Whether any frame is still to be written."""
        return bool(self._left)

    def names(self, shot_frame: int) -> list[str]:
        """Return the files of a frame."""
        return [f"{self._delivery.stem(element)}.{shot_frame:04d}.exr" for element in self._elements]

    def wants(self, shot_frame: int) -> bool:
        """Whether the frame is still to be written."""
        return shot_frame in self._left

    def work(self, shot: ShotFrame) -> None:
        """Write the frame's files."""
        pictures = self._pick(shot)
        for element, name in zip(self._elements, self.names(shot.number), strict=True):
            write_exr(
                self._delivery.folder.file(name),
                pictures[element],
                primaries=self._working,
                compression="zip",
                attributes=self._attributes,
            )

    def put(self, shot_frame: int, piece: None) -> None:
        """Note that the frame is written."""
        self._ledger.note(shot_frame, self.names(shot_frame))

    def describe(self, frames: Sequence[int]) -> list[tuple[str, str]]:
        """Return the files of frames with what they are, element by element."""
        columns = zip(*(self.names(frame) for frame in frames), strict=True)
        whats = [ELEMENTS[element] for element in self._elements]
        return [(name, what) for names, what in zip(columns, whats, strict=False) for name in names]

    def _pick(self, shot: ShotFrame) -> Pictures:
        dark = np.zeros_like(shot.before)
        picked: dict[str, FloatArray | None] = {
            "relit": shot.relit,
            "light": shot.light,
            "light_screen": shot.screened,
            "grain": shot.grain,
            "hero_clean": shot.clean,
        }
        pictures = {name: split_channels(dark if part is None else part) for name, part in picked.items()}
        held = np.zeros(dark.shape[:2], np.float32) if shot.held is None else shot.held
        pictures["holdout"] = {"Y": held}
        if "figure" in self._elements:
            pictures["figure"] = {**split_channels(self._maker().make_figure(shot)), "A": held}
        if {"background", "background_lit"} & set(self._elements):
            bare, lit = self._maker().make_background(shot.number, shot.pose)
            pictures["background"], pictures["background_lit"] = split_channels(bare), split_channels(lit)
        return pictures


def split_channels(picture: FloatArray) -> dict[str, FloatArray]:
    """Return a picture (H, W, 3) by channel."""
    return {name: picture[..., index] for index, name in enumerate("RGB")}
