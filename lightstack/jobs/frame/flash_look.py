"""How frames are shown on the screen that a check for flashes looks at, and what the check keeps of them."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from lightstack.core.colour.encode import turn_upright
from lightstack.core.colour.light import apply_matrix, convert_matrix
from lightstack.core.colour.planes import decode_signal
from lightstack.core.flash.screen import cell_size, screen_of_light, screen_of_signal, show_cells
from lightstack.files.read.colour import default_view
from lightstack.files.read.takes import Take
from lightstack.jobs.frame.preview_sink import find_view, is_video
from lightstack.records import CodedFrame, Encoding, FloatArray

__all__ = ["FlashLook", "shrink", "to_half"]

KEPT_WIDE = 192  # columns of the frames that are kept for a second look
VIEW_PRIMARIES = "bt709"  # of a screen that a view is made for


class FlashLook:
    """Shows frames as the preview does: video by its own codes, anything else through a view.

    ``view`` and ``config`` as in `preview_sink.find_view`; ``working``: primaries of linear light.
    """

    def __init__(
        self, encoding: Encoding, size: tuple[int, int], *, working: str, view: str = "hero", config: Path | None = None
    ) -> None:
        self._encoding, self._working = encoding, working
        self._show = find_view(view, encoding, working, config)
        self.cell = cell_size(size[1])
        self.words = describe_view(view, encoding, config)

    def cells_of_coded(self, take: Take, frame: CodedFrame) -> NDArray[np.float32]:
        """Return what is shown of a take's frame, (h, w, 4) as `show_cells`."""
        if self._show is not None:
            return self.cells_of_light(take.linear(frame))
        signal = turn_upright(decode_signal(take.decoder_of(frame), frame.planes), take.info.rotation)
        encoding = take.encoding_of(frame)
        return show_cells(signal, screen_of_signal(encoding.primaries), cell=self.cell)

    def cells_of_light(self, light: FloatArray, *, small: bool = False) -> NDArray[np.float32]:
        """Return what is shown of linear light (H, W, 3); ``small``: of a picture that is kept small, cell by cell.

        Notes: before a view, light is averaged in the cells; a view for each pixel would cost as much as a preview.
        """
        if self._show is None:
            if self._working != self._encoding.primaries:
                light = apply_matrix(light, convert_matrix(self._working, self._encoding.primaries))
            return show_cells(light, screen_of_light(self._encoding), cell=1 if small else self.cell)
        if not small and self.cell > 1:
            height, width = light.shape[0] // self.cell, light.shape[1] // self.cell
            light = light[: height * self.cell, : width * self.cell]
            light = np.asarray(cv2.resize(light, (width, height), interpolation=cv2.INTER_AREA), np.float32)
        signal = self._show(np.ascontiguousarray(light, np.float32))
        return show_cells(signal, screen_of_signal(VIEW_PRIMARIES))


def describe_view(view: str, encoding: Encoding, config: Path | None) -> str:
    """Say in words how frames are taken to be shown."""
    if view == "hero" and is_video(encoding):
        return "as coded"
    shown = view if view != "hero" else "/".join(default_view(config=config))
    if view != "hero":
        return f"through the view {shown}"
    return f"through the view {shown}, since {encoding.ocio_space or encoding.transfer} is not made for a screen"


def shrink(picture: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return a picture (H, W, c) area-averaged to at most 192 columns."""
    height, width = picture.shape[:2]
    if width <= KEPT_WIDE:
        return picture
    size = (KEPT_WIDE, max(1, round(height * KEPT_WIDE / width)))
    return np.asarray(cv2.resize(picture, size, interpolation=cv2.INTER_AREA), np.float32)


def to_half(picture: NDArray[np.float32]) -> NDArray[np.float16]:
    """Return a picture as half floats, what is beyond them at their end."""
    return np.clip(picture, -6e4, 6e4).astype(np.float16)
