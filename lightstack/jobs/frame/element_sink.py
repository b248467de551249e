"""Frames written as EXR: the finished ones, and the elements for a composite elsewhere."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lightstack.core.half import to_half
from lightstack.files.folder import OutFolder
from lightstack.files.kept.ledger import FrameLedger
from lightstack.files.shot.schema_render import ELEMENTS
from lightstack.files.write.exr_lines import Attributes
from lightstack.files.write.plates import write_exr
from lightstack.jobs.frame.shot_frames import FrameMaker, ShotFrame
from lightstack.jobs.stage.finish import Delivery
from lightstack.records import FloatArray

__all__ = ["ElementSink"]

SCREEN_WHITE = "screenWhite"  # a header's own name for it; no standard has one

Coded = NDArray[np.float16] | NDArray[np.float32]
Picture = Coded | Mapping[str, Coded]


class ElementSink:
    """Writes chosen elements of every frame, each file whole or not at all; files that are written are left alone.

    ``elements``: names in `ELEMENTS`, in their order. ``only``: the frames to write. ``white``: what screened lights
    work against, None: there are none. ``describe_frame``: what stands in the header of a frame's files.
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
        white: float | None,
        describe_frame: Callable[[ShotFrame], Attributes] = lambda shot: {},
    ) -> None:
        extra = ("light_screen", "grain") if white is not None and "light" in elements else ()
        self._elements = tuple(name for name in ELEMENTS if name in (*elements, *extra))
        self._delivery, self._ledger, self._maker = delivery, ledger, maker
        self._working, self._white, self._describe_frame = working, white, describe_frame
        missing = {frame: self._list_missing(frame) for frame in only}
        self._left = {frame: elements for frame, elements in missing.items() if elements}
        self.skipped = len(only) - len(self._left)

    @property
    def unfinished(self) -> bool:
        """Whether any frame is still to be written."""
        return bool(self._left)

    def names(self, shot_frame: int) -> list[str]:
        """Return the files of a frame."""
        return [self._name(element, shot_frame) for element in self._elements]

    def wants(self, shot_frame: int) -> bool:
        """Whether any of the frame's files is still to be written."""
        return shot_frame in self._left

    @property
    def work(self) -> ElementWork:
        """What writes those of a frame's files that are not written yet, wherever it runs."""
        stems = {element: self._delivery.stem(element) for element in self._elements}
        return ElementWork(
            self._delivery.folder, stems, self._left, self._maker(), self._working, self._name_white(),
            self._describe_frame,
        )  # fmt: skip

    def put(self, shot_frame: int, piece: None) -> None:
        """Note that the frame is written."""
        self._ledger.note(shot_frame, [self._name(element, shot_frame) for element in self._left[shot_frame]])

    def describe(self, frames: Sequence[int]) -> list[tuple[str, str]]:
        """Return the files of frames with what they are, element by element."""
        said = dict(ELEMENTS)
        said["light_screen"] += "".join(f", against a white of {white:g}" for white in self._name_white().values())
        return [(self._name(element, frame), said[element]) for element in self._elements for frame in frames]

    def _name_white(self) -> dict[str, float]:
        """Return the white that a screened light works against, as headers name it: without it nobody can lay it."""
        return {} if self._white is None else {SCREEN_WHITE: float(self._white)}

    def _name(self, element: str, shot_frame: int) -> str:
        return name_frame(self._delivery.stem(element), shot_frame)

    def _list_missing(self, shot_frame: int) -> tuple[str, ...]:
        return tuple(
            element
            for element in self._elements
            if not self._ledger.is_written(shot_frame, [self._name(element, shot_frame)])
        )


def name_frame(stem: str, shot_frame: int) -> str:
    """Return the file of one frame of an element."""
    return f"{stem}.{shot_frame:04d}.exr"


@dataclass(frozen=True, slots=True, eq=False)
class ElementWork:
    """Writes files of a frame: ``left`` by frame, named by their ``stems``; ``white``: for a screened light's."""

    folder: OutFolder
    stems: Mapping[str, str]
    left: Mapping[int, Sequence[str]]
    maker: FrameMaker
    working: str
    white: Mapping[str, float]
    describe_frame: Callable[[ShotFrame], Attributes]

    def __call__(self, shot: ShotFrame) -> None:
        """Write those of the frame's files that are not written yet."""
        pair: tuple[FloatArray, FloatArray] | None = None
        attributes = self.describe_frame(shot)
        for element in self.left[shot.number]:
            if element.startswith("background"):
                pair = self.maker.make_background(shot.number, shot.pose) if pair is None else pair
                picture: Picture = to_half(pair[element == "background_lit"])
            else:
                picture = self._pick(element, shot)
            path = self.folder.file(name_frame(self.stems[element], shot.number))
            said = attributes if element != "light_screen" else {**attributes, **self.white}
            write_exr(path, picture, primaries=self.working, compression="zip", attributes=said)

    def _pick(self, element: str, shot: ShotFrame) -> Picture:
        """Return one element of a frame as it is written; dark where there is nothing of it."""
        size = shot.before.shape[:2]
        if element == "holdout":
            return {"Y": to_half(np.zeros(size, np.float32) if shot.withheld is None else shot.withheld)}
        if element == "figure":
            figure = to_half(self.maker.make_figure(shot))
            matte = to_half(np.zeros(size, np.float32) if shot.held is None else shot.held)
            return {**{name: figure[..., index] for index, name in enumerate("RGB")}, "A": matte}
        parts = {
            "relit": shot.relit,
            "light": shot.light,
            "light_screen": shot.screened,
            "grain": shot.grain,
            "hero_clean": shot.clean,
        }
        part = parts[element]
        return np.zeros((*size, 3), np.float16) if part is None else to_half(part)
