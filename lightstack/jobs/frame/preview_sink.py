"""The preview movie: the hero with the light, coded so that every player shows it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np

from lightstack.core.colour.encode import encode_planes
from lightstack.files.read.colour import default_view, display_processor
from lightstack.files.read.takes import Take
from lightstack.files.write.movie_writer import MovieWriter
from lightstack.jobs.frame.shot_frames import ShotFrame
from lightstack.jobs.frame.whole_movie import WholeMovie, find_mask
from lightstack.records import Encoding

__all__ = ["PreviewSink", "find_view", "is_video", "preview_encoding"]

VIDEO_CURVES = ("bt709", "bt2020", "srgb", "gamma22", "gamma24")  # shown as they are on any screen


class PreviewSink(WholeMovie):
    """Writes the preview movie, frame by frame; a context manager.

    ``rate``: frames/s, the hero's own where it is None. ``view``: as in `find_view`, of the colour configuration
    ``config``.
    """

    def __init__(
        self,
        path: Path,
        hero: Take,
        *,
        quality: int,
        working: str,
        rate: Fraction | None = None,
        view: str = "hero",
        config: Path | None = None,
    ) -> None:
        info = hero.info
        encoding, show = preview_encoding(info.encoding), find_view(view, info.encoding, working, config)
        size = (info.height - info.height % 2, info.width - info.width % 2)
        # the hero's own samples can stay where it is coded as the preview is
        same = encoding == info.encoding and size == (info.height, info.width)
        keeps = show is None and same and info.rotation == 0
        self.work = PreviewWork(hero, encoding, size, working, show, keeps)
        self._movie = MovieWriter(
            path,
            width=size[1],
            height=size[0],
            rate=rate or info.rate or Fraction(24),
            encoding=encoding,
            codec="h264",
            pixel_aspect=info.pixel_aspect,
            crf=quality,
        )
        super().__init__(self._movie)

    def put(self, shot_frame: int, piece: Any) -> None:
        """Write a frame's planes."""
        self._movie.write(piece)


@dataclass(frozen=True, slots=True, eq=False)
class PreviewWork:
    """Codes a frame for the preview. ``size`` (H, W) of its pictures; ``show``: the view that it is shown through;
    ``keeps``: the hero's own samples where no light falls."""

    hero: Take
    encoding: Encoding
    size: tuple[int, int]
    working: str
    show: Callable | None
    keeps: bool

    def __call__(self, shot: ShotFrame) -> Any:
        """Return the frame's planes."""
        if self.keeps:
            return self.hero.code(shot.source, shot.relit, changed=find_mask(shot)).planes
        shown = np.ascontiguousarray(shot.relit[: self.size[0], : self.size[1]])
        if self.show is None:
            return encode_planes(shown, self.encoding, working=self.working).planes
        # A view gives the screen's signal already: the planes are coded from it as it is.
        return encode_planes(self.show(shown), replace(self.encoding, transfer="linear", response=None)).planes


def preview_encoding(encoding: Encoding) -> Encoding:
    """Return how the preview is coded: as the hero, but 8 bit 4:2:0, which every player shows.

    Heroes that are not coded for a screen (logarithmic, linear) come as sRGB pictures of a view.
    """
    video = is_video(encoding)
    return replace(
        encoding,
        matrix="bt709" if encoding.matrix == "rgb" else encoding.matrix,
        range="limited" if encoding.matrix == "rgb" else encoding.range,
        bit_depth=8,
        chroma="420",
        chroma_location="left",
        transfer=encoding.transfer if video else "srgb",
        primaries=encoding.primaries if video else "bt709",
        ocio_space=None,
        is_float=False,
        response=encoding.response if video else None,
    )


def is_video(encoding: Encoding) -> bool:
    """Tell whether code values are meant for a screen, so that the hero can be shown as it is."""
    return encoding.transfer in VIDEO_CURVES and not encoding.is_float and encoding.ocio_space is None


def find_view(view: str, encoding: Encoding, working: str, config: Path | None) -> Callable | None:
    """Return what turns linear light into a view's signal; None shows the hero in its own encoding.

    ``view``: "hero", or "display/view" of the colour configuration. A hero that no screen shows as it is
    gets the configuration's default view.
    """
    if view == "hero" and is_video(encoding):
        return None
    display, _, name = view.partition("/")
    if view == "hero":
        display, name = default_view(config=config)
    return display_processor(display, name, working, config=config)
