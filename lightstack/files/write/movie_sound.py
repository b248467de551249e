"""The hero's sound over a range of frames, for a movie that is written beside it.

Sound is never processed. PCM is cut at the sample and written in the code it came in. Compressed sound that a MOV
takes is copied packet by packet; packets begin where they begin, so the movie's edit list says how much of them lies
before the first frame, and a player starts at the sample. Elsewhere compressed sound is decoded, as PCM.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np
from numpy.typing import NDArray

from lightstack.errors import UnreadableInput
from lightstack.files.read.movie_facts import open_for_reading

__all__ = ["HeroSound", "SoundStretch"]

COPIED = {"mov": ("aac", "alac", "mp3", "mp3float", "ac3", "eac3"), "matroska": ()}
PACKETS_BEFORE = 2  # decoded but not heard: transform codecs overlap each packet with the one before
SEEK_BACK_SECONDS = Fraction(1)  # read from here on, so that whatever is compressed is in full swing at the cut
GAP_SECONDS = Fraction(1, 100)  # time stamps that disagree by less are rounding: samples are counted
DISCARD_ALL = 48  # AVDISCARD_ALL of libavcodec
# Exact PCM for what a decoder gives: 8, 16, 24 in 32, or floating point.
_CODES = {"u8": "pcm_u8", "s16": "pcm_s16le", "s32": "pcm_s32le", "flt": "pcm_f32le", "dbl": "pcm_f64le"}
_PCM = ("pcm_u8", *(f"pcm_{kind}{order}" for kind in ("s16", "s24", "s32", "f32", "f64") for order in ("le", "be")))
_SILENCE = {"u8": 128}
_CALLED = {"mp3float": "mp3"}
COARSE_SECONDS = Fraction(1, 8000)  # time stamps that cannot tell samples apart: samples are counted instead


@dataclass(frozen=True, slots=True)
class SoundStretch:
    """Sound of one file from ``begin`` to ``end``, seconds on the file's own clock."""

    path: Path
    begin: Fraction
    end: Fraction


@dataclass(slots=True)
class _Track:
    """One audio track on its way. ``place``: samples written so far. ``expected``: where the next ones belong."""

    out: Any
    copied: bool
    rate: int
    frame: int = 0  # samples of a packet, where that is known
    place: int = 0
    expected: int | None = None
    before: deque[Any] = field(default_factory=lambda: deque(maxlen=PACKETS_BEFORE))


class HeroSound:
    """Carries the audio tracks of a take into a movie, interleaved with its frames.

    ``stretches``: one for each file that the range touches, in order. ``notes`` says what became of each track.
    """

    def __init__(self, stretches: Sequence[SoundStretch]) -> None:
        self._stretches = tuple(stretches)
        self._tracks: list[_Track | None] = []
        self._packets: Iterator[tuple[Fraction, list[Any]]] = iter(())
        self._waiting: tuple[Fraction, list[Any]] | None = None
        self._exits = ExitStack()
        self.notes: list[str] = []

    def open(self, container: Any, form: str) -> None:
        """Add the tracks of the first file to an output container. ``form``: "mov" or "matroska"."""
        with self._open(self._stretches[0].path) as source:
            for stream in source.streams.audio:
                self._tracks.append(self._add_track(container, stream, form))
        self._packets = self._read()

    def feed(self, container: Any, until: Fraction | None) -> None:
        """Write what sounds before ``until`` seconds of the movie; None: the rest."""
        while True:
            item = self._waiting or next(self._packets, None)
            self._waiting = None
            if item is None:
                return
            if until is not None and item[0] >= until:
                self._waiting = item
                return
            for packet in item[1]:
                container.mux(packet)

    def close(self) -> None:
        """Let go of the files."""
        self._packets = iter(())
        self._exits.close()

    # --- tracks ---

    def _add_track(self, container: Any, stream: Any, form: str) -> _Track | None:
        context = stream.codec_context
        number = len(self._tracks) + 1
        if context is None or not context.sample_rate or context.format is None:
            self.notes.append(f"sound track {number} is left out: its codec is not known here")
            return None
        if len(self._stretches) == 1 and context.name in COPIED[form]:
            name = _CALLED.get(context.name, context.name)
            self.notes.append(f"sound track {number}: {name} packets copied, {form} edit list cuts at the sample")
            out = container.add_stream_from_template(stream)
            return _Track(out, True, context.sample_rate, context.frame_size or 0)
        name = _name_code(context, form)
        out = container.add_stream(name, rate=context.sample_rate, layout=context.layout.name)
        kept = "samples copied" if context.name == name else f"{context.name} decoded"
        self.notes.append(f"sound track {number}: {kept}, written as {name}")
        return _Track(out, False, context.sample_rate)

    # --- reading ---

    def _open(self, path: Path) -> Any:
        try:
            return open_for_reading(path)
        except (av.error.FFmpegError, OSError, ValueError) as error:
            raise _refuse(path, error) from None

    def _read(self) -> Iterator[tuple[Fraction, list[Any]]]:
        """Give (seconds in the movie, packets to write) in the order of the files."""
        offset = Fraction(0)
        for stretch in self._stretches:
            with self._open(stretch.path) as source:
                yield from self._read_stretch(source, stretch, offset)
            offset += stretch.end - stretch.begin
        for track in self._tracks:
            if track is not None and not track.copied:
                yield offset, track.out.encode(None)

    def _read_stretch(
        self, source: Any, stretch: SoundStretch, offset: Fraction
    ) -> Iterator[tuple[Fraction, list[Any]]]:
        streams = list(source.streams.audio)
        tracks = {stream.index: track for stream, track in zip(streams, self._tracks, strict=False) if track}
        wanted = [stream for stream in streams if stream.index in tracks]
        if not wanted:
            return
        for stream in source.streams:
            if stream.index not in tracks and hasattr(stream, "discard"):
                stream.discard = DISCARD_ALL  # pictures need not be read again
        for track in tracks.values():
            track.expected = None
        self._seek(source, wanted[0], stretch)
        left = set(tracks)
        for packet in _demux(source, wanted, stretch.path):
            track = tracks[packet.stream_index]
            if packet.pts is not None and packet.pts * Fraction(packet.time_base) >= stretch.end:
                left.discard(packet.stream_index)
                if not left:
                    return
            elif track.copied:
                yield from _copy(track, packet, stretch)
            else:
                for frame in _decode(packet, stretch.path):
                    yield from _cut(track, frame, stretch, offset)

    def _seek(self, source: Any, stream: Any, stretch: SoundStretch) -> None:
        start = stretch.begin - SEEK_BACK_SECONDS
        if start > 0:
            source.seek(int(start / Fraction(stream.time_base)), stream=stream, backward=True)


def _refuse(path: Path, error: Exception) -> UnreadableInput:
    reason = " ".join((getattr(error, "strerror", None) or str(error)).split())
    return UnreadableInput(
        f"{path}: its sound cannot be read ({reason}); copy it again from the card, or leave sound out"
    )


def _demux(source: Any, streams: list[Any], path: Path) -> Iterator[Any]:
    try:
        for packet in source.demux(streams):
            if packet.size:
                yield packet
    except (av.error.FFmpegError, ValueError) as error:
        raise _refuse(path, error) from None


def _decode(packet: Any, path: Path) -> list[Any]:
    try:
        return list(packet.decode())
    except (av.error.FFmpegError, ValueError) as error:
        raise _refuse(path, error) from None


def _name_code(context: Any, form: str) -> str:
    """Name the PCM code in which samples are written: their own where the container has it."""
    name = str(context.name)
    if name in _PCM and (form == "mov" or name not in ("pcm_f32be", "pcm_f64be")):
        return name
    return _CODES[context.format.packed.name]


def _copy(track: _Track, packet: Any, stretch: SoundStretch) -> Iterator[tuple[Fraction, list[Any]]]:
    """Move a packet to the movie's clock; those before the first frame are kept back until one is heard."""
    if packet.pts is None:
        return
    base = Fraction(packet.time_base)
    if base > COARSE_SECONDS and track.frame:
        base = _count_samples(track, packet, stretch)
    else:
        packet.pts -= round(stretch.begin / base)
    packet.dts = packet.pts
    packet.stream = track.out
    if packet.pts + (packet.duration or 0) <= 0:
        track.before.append(packet)
        return
    while track.before:
        early = track.before.popleft()
        yield early.pts * base, [early]
    yield packet.pts * base, [packet]


def _count_samples(track: _Track, packet: Any, stretch: SoundStretch) -> Fraction:
    """Put a packet on a clock of samples, each where the one before ends; return the clock's tick in seconds."""
    place = round((packet.pts * Fraction(packet.time_base) - stretch.begin) * track.rate)
    if track.expected is not None and abs(place - track.expected) < GAP_SECONDS * track.rate:
        place = track.expected
    track.expected = place + track.frame
    packet.time_base = Fraction(1, track.rate)
    packet.pts, packet.duration = place, track.frame
    return Fraction(1, track.rate)


def _cut(
    track: _Track, frame: Any, stretch: SoundStretch, offset: Fraction
) -> Iterator[tuple[Fraction, list[Any]]]:
    """Write those samples of a decoded frame that lie in the stretch; silence where there are none before them."""
    rate = frame.sample_rate
    samples = _lay_out(frame)
    place = round((Fraction(frame.pts) * Fraction(frame.time_base) - stretch.begin + offset) * rate)
    if track.expected is not None and abs(place - track.expected) < GAP_SECONDS * rate:
        place = track.expected
    track.expected = place + len(samples)
    end = round((stretch.end - stretch.begin + offset) * rate)
    first, last = max(track.place - place, 0), min(end - place, len(samples))
    if first >= last:
        return
    silent = place + first - track.place
    kept = samples[first:last]
    if silent > 0:
        fill = np.full((silent, samples.shape[1]), _SILENCE.get(frame.format.packed.name, 0), samples.dtype)
        kept = np.concatenate([fill, kept])
    begin, track.place = track.place, track.place + len(kept)
    yield Fraction(begin, rate), _encode(track.out, kept, frame, begin)


def _lay_out(frame: Any) -> NDArray:
    """Give a frame's samples as (samples, channels)."""
    values = frame.to_ndarray()
    return values.T if frame.format.is_planar else values.reshape(frame.samples, -1)


def _encode(stream: Any, samples: NDArray, like: Any, place: int) -> list[Any]:
    flat = np.ascontiguousarray(samples).reshape(1, -1)
    frame = av.AudioFrame.from_ndarray(flat, format=like.format.packed.name, layout=like.layout.name)
    frame.sample_rate = like.sample_rate
    frame.time_base = Fraction(1, like.sample_rate)
    frame.pts = place
    return list(stream.encode(frame))
