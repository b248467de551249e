"""Coded planes -> a movie file: whole or not at all, tagged, the same bytes every time."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import ExitStack, suppress
from fractions import Fraction
from pathlib import Path
from types import TracebackType
from typing import Any

import av
import numpy as np
from av.codec.context import Flags
from numpy.typing import NDArray

from lightstack.errors import LightstackError, OutputError, SettingError
from lightstack.files.folder import replaced_whole
from lightstack.files.read.tags import ColourTags, write_tags
from lightstack.files.write.matroska import put_pixel_aspect
from lightstack.files.write.movie_sound import HeroSound
from lightstack.records import Encoding

__all__ = ["MovieWriter", "find_format"]

ENCODER_THREADS = 4  # fixed: some encoders divide the picture by the number of threads
INTERLEAVE_MICROSECONDS = "1000000"  # frames that wait for sound which has ended are held in memory

_HEVC = {"preset": "medium", "x265-params": "log-level=none:info=0:pools=none:frame-threads=1"}
# name: (encoder, encoder for R'G'B' where another one, options)
_ENCODERS: dict[str, tuple[str, str, dict[str, str]]] = {
    # macroblock trees look beyond the picture's edge at what was in memory: the same frames gave other bytes
    "h264": ("libx264", "libx264rgb", {"preset": "medium", "x264-params": "mbtree=0"}),
    "hevc": ("libx265", "libx265", _HEVC),
    "ffv1": ("ffv1", "ffv1", {"level": "3", "slicecrc": "1"}),
    "prores": ("prores_ks", "prores_ks", {}),
    "dnxhr": ("dnxhd", "dnxhd", {}),
    "mjpeg": ("mjpeg", "mjpeg", {"q": "2"}),
}
_CONTAINERS = {".mp4": "mp4", ".m4v": "mp4", ".mov": "mov", ".mkv": "matroska", ".avi": "avi"}


class _Abandoned(Exception):
    """Unwinds the clean-up of a movie that is not to be kept."""


class MovieWriter:
    """Write one movie; use it as a context manager.

    ``width``/``height``: of the coded (not rotated) planes. ``rate``: frames per second. ``encoding``:
    how the planes are coded; its range, matrix, curve and primaries become the file's tags. ``codec``: h264,
    hevc, ffv1, prores, dnxhr or mjpeg. ``rotation``: degrees clockwise that a player must turn the picture.
    ``crf``: quality of h264 and hevc, lower is better. ``tags``: written in place of the encoding's own.
    ``sound``: carried in step with the frames. ``times``: of the frames, in ticks of ``tick`` seconds from 0, where
    they are not evenly spaced.

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
        tags: ColourTags | None = None,
        sound: HeroSound | None = None,
        times: Sequence[int] | None = None,
        tick: Fraction | None = None,
    ) -> None:
        self.path = Path(path)
        self.frames = 0
        self._whole = False
        self._encoding = encoding
        self._size = (height, width)
        self._settings = (Fraction(rate), codec, Fraction(pixel_aspect), rotation, timecode, crf)
        self._tags = write_tags(encoding) if tags is None else _repeat_tags(tags)
        self._chroma_location = encoding.chroma_location if tags is None else tags.chroma_location
        self._sound = sound
        self._times, self._tick = times, tick or 1 / Fraction(rate)
        self._exits = ExitStack()
        self._format = find_format(encoding, codec)
        if self.path.suffix.lower() not in _CONTAINERS:
            raise SettingError(
                f"{self.path}: {self.path.suffix or 'no suffix'} is not written; "
                f"expected {', '.join(_CONTAINERS)}"
            )

    def __enter__(self) -> MovieWriter:
        with ExitStack() as exits:
            part = exits.enter_context(replaced_whole(self.path))
            self._container = self._guard(lambda: self._open(part))
            exits.callback(self._finish_file)
            self._stream = self._guard(self._add_stream)
            if self._sound is not None:
                exits.callback(self._sound.close)
                self._guard(self._open_sound)
            self._exits = exits.pop_all()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if error is None:
            with self._exits:
                self._guard(lambda: self._mux(None))
                self._guard(lambda: self._carry_sound(None))
                self._whole = True
            return
        # The block's own error goes on unchanged; only the unfinished file is cleared away.
        with suppress(_Abandoned, OutputError), self._exits:
            raise _Abandoned

    def write(self, planes: tuple[NDArray, ...]) -> None:
        """Append one frame: planes as ``CodedFrame.planes``."""
        frame = self._make_frame(planes)
        self._guard(lambda: self._mux(frame))
        self.frames += 1
        self._guard(lambda: self._carry_sound(self._time_of(self.frames) * self._tick))

    # --- set-up ---

    def _open(self, part: Path) -> Any:
        self._part = part
        options = {"fflags": "+bitexact", "write_tmcd": "1"} if self._is_mov else {"fflags": "+bitexact"}
        if self._is_mov:  # a large movie is not written twice only to have its index in front
            large = self._settings[1] in ("prores", "dnxhr")
            options["movflags"] = "+write_colr" if large else "+faststart+write_colr"
        if self._sound is not None:
            options["max_interleave_delta"] = INTERLEAVE_MICROSECONDS
        if self._puts_aspect:
            options["write_crc32"] = "0"  # the tracks are mended afterwards
        return av.open(str(part), "w", format=_CONTAINERS[self.path.suffix.lower()], options=options)

    @property
    def _puts_aspect(self) -> bool:
        """Whether the pixel aspect must be put into the file afterwards, since PyAV cannot tell it to the writer."""
        return self._settings[2] != 1 and self.path.suffix.lower() == ".mkv"

    @property
    def _is_mov(self) -> bool:
        return self.path.suffix.lower() in (".mp4", ".m4v", ".mov")

    def _finish_file(self) -> None:
        self._guard(self._container.close)
        if self._puts_aspect and self._whole:
            put_pixel_aspect(self._part, self._size, self._settings[2])

    def _add_stream(self) -> Any:
        rate, codec, aspect, rotation, timecode, crf = self._settings
        plain, rgb, options = _ENCODERS[codec]
        options = dict(options)
        stream = self._container.add_stream(rgb if self._encoding.matrix == "rgb" else plain, rate=rate)
        stream.height, stream.width = self._size
        stream.pix_fmt = self._format
        context = stream.codec_context
        if self._times is not None:
            context.time_base = self._tick
        for tag, value in self._tags.items():
            setattr(context, tag, value)
        if codec in ("h264", "hevc"):
            options["crf"] = str(crf)
        if codec == "prores":
            options["profile"] = "4" if self._encoding.chroma == "444" else "3"
        if codec == "dnxhr":
            options["profile"] = "dnxhr_444" if self._encoding.chroma == "444" else "dnxhr_hqx"
        if aspect != 1:
            options["aspect"] = f"{aspect.numerator}/{aspect.denominator}"
        if self._encoding.chroma in ("420", "422") and codec in ("h264", "hevc", "ffv1"):
            options["chroma_sample_location"] = self._chroma_location
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
            lines[:, values.shape[1] :] = 0  # encoders look beyond the picture's edge, at whatever was in memory
        for tag, value in self._tags.items():
            setattr(frame, tag, value)
        frame.pts = self._time_of(self.frames)
        frame.time_base = self._tick
        return frame

    def _time_of(self, index: int) -> int:
        """Ticks at which a frame (counted from 0) shows; past the last one as if the spacing went on."""
        if self._times is None:
            return index
        beyond = max(index - len(self._times) + 1, 0)
        return self._times[index - beyond] + beyond * max(round(1 / self._settings[0] / self._tick), 1)

    def _open_sound(self) -> None:
        if self._sound is not None:
            self._sound.open(self._container, _CONTAINERS[self.path.suffix.lower()])

    def _carry_sound(self, until: Fraction | None) -> None:
        if self._sound is not None:
            self._sound.feed(self._container, until)

    def _mux(self, frame: Any) -> None:
        for packet in self._stream.encode(frame):
            self._container.mux(packet)

    def _guard(self, work: Any) -> Any:
        try:
            return work()
        except (av.error.FFmpegError, OSError, ValueError) as error:
            if isinstance(error, LightstackError):
                raise
            reason = " ".join((getattr(error, "strerror", None) or str(error)).split())
            raise OutputError(
                f"{self.path}: frame {self.frames + 1}: cannot be written ({reason}); check the free space "
                "and the rights of the folder, and that the codec holds such pictures"
            ) from None


def _repeat_tags(tags: ColourTags) -> dict[str, int]:
    """The H.273 numbers of a file, as they are written into another one."""
    return {
        "color_primaries": tags.primaries,
        "color_trc": tags.transfer,
        "colorspace": tags.matrix,
        "color_range": tags.range,
    }


def find_format(encoding: Encoding, codec: str) -> str:
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
    held = _list_formats(rgb if encoding.matrix == "rgb" else plain, codec)
    for name in wanted:
        if name in held:
            return name
    raise SettingError(
        f"codec {codec!r} does not hold {encoding.chroma} {encoding.matrix} pictures of "
        f"{encoding.bit_depth} bits; expected another codec (ffv1 holds nearly all) or depth"
    )


def _list_formats(encoder: str, codec: str) -> set[str]:
    """Name the pixel formats that an encoder takes. Raises SettingError where this build has no such encoder."""
    try:
        return {found.name for found in av.codec.Codec(encoder, "w").video_formats or ()}
    except ValueError:
        there = [name for name, (plain, _, _) in _ENCODERS.items() if plain in av.codec.codecs_available]
        raise SettingError(
            f"codec {codec!r} is not in the installed build of PyAV; expected one of {', '.join(there)}"
        ) from None


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
