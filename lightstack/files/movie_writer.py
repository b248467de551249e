"""Coded planes -> a movie file: whole or not at all, tagged, the same bytes every time."""

from __future__ import annotations

from contextlib import ExitStack, suppress
from fractions import Fraction
from pathlib import Path
from types import TracebackType
from typing import Any

import av
import numpy as np
from av.codec.context import Flags
from numpy.typing import NDArray

from lightstack.errors import OutputError, SettingError
from lightstack.files.folder import replaced_whole
from lightstack.files.tags import write_tags
from lightstack.records import Encoding

__all__ = ["MovieWriter"]

ENCODER_THREADS = 4  # fixed: some encoders divide the picture by the number of threads

_HEVC = {"preset": "medium", "x265-params": "log-level=none:info=0:pools=none:frame-threads=1"}
# name: (encoder, encoder for R'G'B' where another one, options)
_ENCODERS: dict[str, tuple[str, str, dict[str, str]]] = {
    "h264": ("libx264", "libx264rgb", {"preset": "medium"}),
    "hevc": ("libx265", "libx265", _HEVC),
    "ffv1": ("ffv1", "ffv1", {"level": "3", "slicecrc": "1"}),
    "prores": ("prores_ks", "prores_ks", {}),
    "mjpeg": ("mjpeg", "mjpeg", {"q": "2"}),
}
_CONTAINERS = {".mp4": "mp4", ".m4v": "mp4", ".mov": "mov", ".mkv": "matroska", ".avi": "avi"}


class _Abandoned(Exception):
    """Unwinds the clean-up of a movie that is not to be kept."""


class MovieWriter:
    """Write one movie; use it as a context manager.

    ``width``/``height``: of the coded (not rotated) planes. ``rate``: frames per second. ``encoding``:
    how the planes are coded; its range, matrix, curve and primaries become the file's tags. ``codec``: h264,
    hevc, ffv1, prores or mjpeg. ``rotation``: degrees clockwise that a player must turn the picture.
    ``crf``: quality of h264 and hevc, lower is better.

    The file appears under its name when the block ends without an error; until then, and after an error,
    nothing is left there. Raises SettingError for what the codec cannot hold, OutputError where the file
    cannot be written.
    """

    def __init__(
        self,
        path: str | Path,
        *,
        width: int,
        height: int,
        rate: Fraction,
        encoding: Encoding,
        codec: str = "h264",
        pixel_aspect: Fraction = Fraction(1),
        rotation: int = 0,
        timecode: str | None = None,
        crf: int = 16,
    ) -> None:
        self.path = Path(path)
        self.frames = 0
        self._encoding = encoding
        self._size = (height, width)
        self._settings = (Fraction(rate), codec, Fraction(pixel_aspect), rotation, timecode, crf)
        self._exits = ExitStack()
        self._format = _name_format(encoding, codec)
        if self.path.suffix.lower() not in _CONTAINERS:
            raise SettingError(
                f"{self.path}: {self.path.suffix or 'no suffix'} is not written; "
                f"expected {', '.join(_CONTAINERS)}"
            )

    def __enter__(self) -> MovieWriter:
        with ExitStack() as exits:
            part = exits.enter_context(replaced_whole(self.path))
            self._container = self._guard(lambda: self._open(part))
            exits.callback(lambda: self._guard(self._container.close))
            self._stream = self._guard(self._add_stream)
            self._exits = exits.pop_all()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if error is None:
            with self._exits:
                self._guard(lambda: self._mux(None))
            return
        # The block's own error goes on unchanged; only the unfinished file is cleared away.
        with suppress(_Abandoned, OutputError), self._exits:
            raise _Abandoned

    def write(self, planes: tuple[NDArray, ...]) -> None:
        """Append one frame: planes as ``CodedFrame.planes``."""
        frame = self._make_frame(planes)
        self._guard(lambda: self._mux(frame))
        self.frames += 1

    # --- set-up ---

    def _open(self, part: Path) -> Any:
        options = {"fflags": "+bitexact", "write_tmcd": "1"} if self._is_mov else {"fflags": "+bitexact"}
        if self.path.suffix.lower() in (".mp4", ".m4v", ".mov"):
            options["movflags"] = "+faststart+write_colr"
        return av.open(str(part), "w", format=_CONTAINERS[self.path.suffix.lower()], options=options)

    @property
    def _is_mov(self) -> bool:
        return self.path.suffix.lower() in (".mp4", ".m4v", ".mov")

    def _add_stream(self) -> Any:
        rate, codec, aspect, rotation, timecode, crf = self._settings
        plain, rgb, options = _ENCODERS[codec]
        options = dict(options)
        stream = self._container.add_stream(rgb if self._encoding.matrix == "rgb" else plain, rate=rate)
        stream.height, stream.width = self._size
        stream.pix_fmt = self._format
        context = stream.codec_context
        for tag, value in write_tags(self._encoding).items():
            setattr(context, tag, value)
        if codec in ("h264", "hevc"):
            options["crf"] = str(crf)
        if codec == "prores":
            options["profile"] = "4" if self._encoding.chroma == "444" else "3"
        if aspect != 1:
            options["aspect"] = f"{aspect.numerator}/{aspect.denominator}"
        if self._encoding.chroma in ("420", "422") and codec in ("h264", "hevc"):
            options["chroma_sample_location"] = self._encoding.chroma_location
        context.options = options
        context.flags |= Flags.bitexact
        context.thread_count = ENCODER_THREADS
        if rotation:
            stream.set_display_rotation(-rotation)
        if timecode:
            stream.metadata["timecode"] = timecode
        return stream

    # --- frames ---

    def _make_frame(self, planes: tuple[NDArray, ...]) -> Any:
        height, width = self._size
        if planes[0].shape[:2] != (height, width):
            raise SettingError(
                f"{self.path}: frame {self.frames + 1}: planes of {planes[0].shape[1]} x "
                f"{planes[0].shape[0]} do not fit a movie of {width} x {height}"
            )
        frame = av.VideoFrame(width, height, self._format)
        stored = _arrange_planes(planes, self._format)
        for plane, values in zip(frame.planes, stored, strict=True):
            lines = np.frombuffer(plane, values.dtype)  # type: ignore[call-overload]
            lines = lines.reshape(-1, plane.line_size // values.itemsize)
            lines[: values.shape[0], : values.shape[1]] = values
        for tag, value in write_tags(self._encoding).items():
            setattr(frame, tag, value)
        frame.pts = self.frames
        frame.time_base = 1 / self._settings[0]
        return frame

    def _mux(self, frame: Any) -> None:
        for packet in self._stream.encode(frame):
            self._container.mux(packet)

    def _guard(self, work: Any) -> Any:
        try:
            return work()
        except (av.error.FFmpegError, OSError, ValueError) as error:
            if isinstance(error, OutputError | SettingError):
                raise
            reason = " ".join((getattr(error, "strerror", None) or str(error)).split())
            raise OutputError(
                f"{self.path}: frame {self.frames + 1}: cannot be written ({reason}); check the free space "
                "and the rights of the folder, and that the codec holds such pictures"
            ) from None


def _name_format(encoding: Encoding, codec: str) -> str:
    """Name the encoder's pixel format for an encoding. Raises SettingError where the codec has none."""
    if codec not in _ENCODERS:
        raise SettingError(f"codec {codec!r} is not written; expected {', '.join(_ENCODERS)}")
    deep = f"{encoding.bit_depth}le" if encoding.bit_depth > 8 else ""
    if encoding.chroma == "grey":
        wanted = [f"gray{deep}"]
    elif encoding.matrix == "rgb":
        wanted = [
            f"gbrp{deep}",
            "rgb48le" if deep == "16le" else "rgb24" if not deep else "",
            "bgr0" if not deep else "",
        ]
    else:
        wanted = [f"yuv{encoding.chroma}p{deep}"]
        if codec == "mjpeg" and encoding.range == "full":
            wanted.insert(0, f"yuvj{encoding.chroma}p")
    plain, rgb, _ = _ENCODERS[codec]
    held = {
        found.name
        for found in av.codec.Codec(rgb if encoding.matrix == "rgb" else plain, "w").video_formats or ()
    }
    for name in wanted:
        if name in held:
            return name
    raise SettingError(
        f"codec {codec!r} does not hold {encoding.chroma} {encoding.matrix} pictures of "
        f"{encoding.bit_depth} bits; expected another codec (ffv1 holds nearly all) or depth"
    )


def _arrange_planes(planes: tuple[NDArray, ...], name: str) -> list[NDArray]:
    """Order planes as an encoder's pixel format stores them."""
    if name.startswith(("yuv", "gray")):
        return list(planes)
    channels = [planes[0][..., i] for i in range(3)] if len(planes) == 1 else list(planes)
    red, green, blue = channels
    if name.startswith("gbrp"):
        return [green, blue, red]
    if name == "bgr0":
        channels = [blue, green, red, np.zeros_like(red)]
    pixels = np.stack(channels, axis=-1)
    return [pixels.reshape(pixels.shape[0], -1)]
