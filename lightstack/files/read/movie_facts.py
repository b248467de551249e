"""What a movie says of itself: size, rate, tags, timecode, and where its frames lie."""

from __future__ import annotations

import re
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise
from pathlib import Path
from typing import Any

import av
from av.stream import Disposition

from lightstack.core.check.frame_rate import find_rate
from lightstack.errors import InputError, MissingInput, UnreadableInput
from lightstack.files.limits import check_limit, check_picture_size
from lightstack.files.read.movie_turn import find_turn, name_side_data
from lightstack.files.read.pixels import PixelLayout, parse_layout
from lightstack.files.read.tags import ColourTags
from lightstack.files.reading import reading

__all__ = ["FrameIndex", "MovieFacts", "list_index", "open_container", "open_for_reading", "probe_movie", "scan_index"]

LEADING_PACKETS = 64  # how far to look for packets that show before the first frame
_LOG_LOCK = threading.Lock()
# Frame side data that retunes colour from frame to frame; the standard picture under it is what is read.
_DYNAMIC_COLOUR = ("DYNAMIC_HDR_PLUS", "DOVI_METADATA", "DOVI_RPU_BUFFER", "DYNAMIC_HDR_VIVID")


@dataclass(frozen=True, slots=True)
class FrameIndex:
    """Presentation times (stream ticks) of a movie's frames in order, and which frames are sync frames.

    ``complete`` is False where packets carry no times: then frames can only be counted from the start.
    """

    times: tuple[int, ...]
    sync: tuple[bool, ...]
    complete: bool


@dataclass(frozen=True, slots=True)
class MovieFacts:
    """A movie before its pass. ``width``/``height`` as coded; ``rotation`` degrees clockwise to upright.

    ``declared``: frames that the container says it holds (after its edit list); ``first_time``: time of the
    first decoded frame in stream ticks; ``tail_missing``: the declared running time goes past the frames.
    """

    path: Path
    width: int
    height: int
    layout: PixelLayout
    tags: ColourTags
    codec: str
    rate: Fraction | None
    declared: int
    time_base: Fraction
    first_time: int | None
    rotation: int
    pixel_aspect: Fraction
    timecode: str | None
    variable_rate: bool
    tail_missing: bool
    notes: tuple[str, ...]


@contextmanager
def open_container(path: Path) -> Iterator[tuple[Any, Any]]:
    """Open a movie; give its container and its video stream.

    Raises MissingInput, UnreadableInput (a folder, empty, not a movie, no picture in it, larger than the limits).
    """
    _check_file(path)
    with reading(path):
        yield from _opened(path)


def _opened(path: Path) -> Iterator[tuple[Any, Any]]:
    try:
        container = open_for_reading(path)
    except (av.error.FFmpegError, OSError, ValueError) as error:
        raise UnreadableInput(
            f"{path}: is not a movie that can be read, or its end is missing ({_reason(error)}); "
            "expected a complete movie file; copy it again from the card"
        ) from None
    with container:
        stream = container.streams.best("video")
        if stream is None:
            raise UnreadableInput(
                f"{path}: holds no pictures: it is only sound or data, or its end with the index is missing; "
                "expected a complete movie file; copy it again from the card"
            )
        if stream.codec_context is None:
            raise UnreadableInput(
                f"{path}: holds pictures that no decoder here can read, or is damaged; copy it again, or export it as "
                "ProRes, DNxHR, H.264 or HEVC"
            )
        check_picture_size(path, stream.codec_context.width, stream.codec_context.height)
        check_limit(path, "MOVIE_FRAMES", max(int(stream.frames or 0), len(stream.index_entries)))
        yield container, stream


def open_for_reading(path: Path) -> Any:
    """Open a movie whatever letters its tags are written in. Raises what PyAV does."""
    if int(av.__version__.split(".")[0]) >= 19:  # broken letters come as lone surrogates
        return av.open(str(path))
    return av.open(str(path), metadata_errors="replace")


def _check_file(path: Path) -> None:
    if not path.exists():
        raise MissingInput(f"{path}: no such file; check the path (it is relative to the shot file)")
    if path.is_dir():
        raise UnreadableInput(f"{path}: is a folder, a movie was expected")
    if path.suffix.lower() == ".toml":
        raise UnreadableInput(
            f"{path}: is a shot file, a movie or stills were expected; build it with `lightstack build {path}`, or "
            "name the takes themselves"
        )
    if path.stat().st_size == 0:
        raise UnreadableInput(f"{path}: is empty (0 bytes); copy it again from the card")


def _reason(error: Exception) -> str:
    text = getattr(error, "strerror", None) or str(error) or type(error).__name__
    return " ".join(text.split())


def probe_movie(path: Path) -> MovieFacts:
    """Read what a movie says of itself; one frame is decoded for it, and that one counts in no pass.

    Raises MissingInput; UnreadableInput; InputError where the movie is interlaced.
    """
    with open_container(path) as (container, stream):
        frame, lead = _first_frame(path, container, stream)
        return _describe(path, container, stream, frame, lead)


def _first_frame(path: Path, container: Any, stream: Any) -> tuple[Any, int]:
    """Decode the first frame; count packets that show before it and can never be decoded.

    A movie cut within an open group of pictures begins with such packets.
    """
    frame = None
    times = []
    try:
        for packet in container.demux(stream):
            if packet.size and not packet.is_discard and packet.pts is not None:
                times.append(packet.pts)
            if frame is None:
                frame = next(iter(packet.decode()), None)
            elif len(times) >= LEADING_PACKETS or not stream.codec_context.has_b_frames:
                break
    except (av.error.FFmpegError, ValueError) as error:
        if frame is None:
            raise UnreadableInput(
                f"{path}: frame 1: cannot be decoded ({_reason(error)}); "
                "the file seems damaged; copy it again"
            ) from None
    if frame is None:
        raise UnreadableInput(f"{path}: holds no frames; expected at least one; copy it again from the card")
    return frame, sum(time < frame.pts for time in times) if frame.pts is not None else 0


def refuse_interlaced(path: Path, number: int) -> InputError:
    """The error for a frame made of two fields."""
    return InputError(
        f"{path}: frame {number}: is interlaced, progressive frames are expected; "
        "de-interlace the take to one frame per picture first"
    )


def _describe(path: Path, container: Any, stream: Any, frame: Any, lead: int) -> MovieFacts:
    if frame.interlaced_frame:
        raise refuse_interlaced(path, 1)
    try:
        layout = parse_layout(frame.format.name)
    except UnreadableInput as error:
        raise UnreadableInput(f"{path}: {error}") from None
    declared, times, tail = _count_frames(path, stream)
    time_base = Fraction(stream.time_base)
    variable = _varies(times, time_base)
    said = (stream.average_rate or stream.guessed_rate, stream.base_rate)
    tags = _read_tags(stream, frame)
    rotation, shown = find_turn(frame)
    notes = [*shown, *_note_tracks(container, stream)]
    if tags.dynamic:
        notes.append("its metadata for adapting colours to a display, frame by frame, is not applied")
    if lead:
        notes.append(f"{lead} pictures before the first complete one cannot be decoded and do not count")
    if stream.codec_context.field_order > 1:
        notes.append("its container calls it interlaced, its frames say they are not and are read as they come")
    if layout.has_alpha:
        notes.append("its alpha channel is left out")
    if variable:
        notes.append("its frame rate varies; frames are counted as they come, timed by their time stamps")
    return MovieFacts(
        path=path,
        width=frame.width,
        height=frame.height,
        layout=layout,
        tags=tags,
        codec=stream.codec_context.name,
        rate=find_rate(times, time_base, said=[Fraction(rate) for rate in said if rate]),
        declared=declared - lead,
        time_base=time_base,
        first_time=frame.pts,
        rotation=rotation,
        pixel_aspect=Fraction(stream.sample_aspect_ratio or 1),
        timecode=_find_timecode(container, stream),
        variable_rate=variable,
        tail_missing=tail,
        notes=tuple(notes),
    )


def _note_tracks(container: Any, stream: Any) -> list[str]:
    """Say which track of several is used; a cover picture is none."""
    tracks = [one for one in container.streams.video if Disposition.attached_pic not in one.disposition]
    if len(tracks) < 2:
        return []
    return [f"holds {len(tracks)} tracks of pictures, number {tracks.index(stream) + 1} is used"]


def _read_tags(stream: Any, frame: Any) -> ColourTags:
    context = stream.codec_context
    return ColourTags(
        primaries=int(frame.color_primaries or context.color_primaries),
        transfer=int(frame.color_trc or context.color_trc),
        matrix=int(frame.colorspace),
        range=int(frame.color_range or context.color_range),
        chroma_location=_find_chroma_location(frame, stream.time_base),
        codec=context.name,
        dynamic=any(name in _DYNAMIC_COLOUR for name in name_side_data(frame)),
    )


def _find_chroma_location(frame: Any, time_base: Fraction) -> str:
    """Ask a frame where its chroma lies; the only way there is goes through a filter that prints it."""
    with _LOG_LOCK:  # the level of the log is one for the whole process
        level = av.logging.get_level()
        av.logging.set_level(av.logging.INFO)
        try:
            with av.logging.Capture() as lines:
                _print_frame(frame, time_base)
        finally:
            av.logging.set_level(level)
    match = re.search(r"\bcl:(\w+)", "".join(text for _, name, text in lines if name == "showinfo"))
    return match[1] if match else "unspecified"


def _print_frame(frame: Any, time_base: Fraction) -> None:
    graph = av.filter.Graph()
    source = graph.add_buffer(
        width=frame.width, height=frame.height, format=frame.format, time_base=time_base
    )
    printer, sink = graph.add("showinfo", "checksum=0"), graph.add("buffersink")
    source.link_to(printer)
    printer.link_to(sink)
    graph.configure()
    graph.push(frame)
    graph.pull()


def _find_timecode(container: Any, stream: Any) -> str | None:
    tracks = [stream, *container.streams.data, *container.streams]
    for metadata in (*(track.metadata for track in tracks), container.metadata):
        found = next((value for key, value in metadata.items() if key.lower() == "timecode" and value), None)
        if found:  # some containers keep their keys in capitals
            return str(found).encode(errors="replace").decode()  # lone surrogates could not be written anywhere
    return None


def _count_frames(path: Path, stream: Any) -> tuple[int, list[int], bool]:
    """Declared frame count, the times of all frames in ticks, whether the end is missing."""
    entries = list(stream.index_entries)
    if stream.frames and len(entries) >= stream.frames:  # the container lists every frame: nothing to read
        kept = sum(not entry.is_discard for entry in entries)
        return kept, sorted(int(entry.timestamp) for entry in entries), False
    index = scan_index(path)
    count = stream.frames or len(index.times)
    return (count, list(index.times), _ends_early(index.times, stream)) if index.complete else (count, [], False)


def _ends_early(times: Sequence[int], stream: Any) -> bool:
    """Whether the container's own word on how long the pictures run goes past the last frame."""
    if len(times) < 2:
        return False
    step = Fraction(times[-1] - times[0], len(times) - 1)
    seen = times[-1] + step  # the end of the last frame, on the stream's clock
    text = next((value for key, value in stream.metadata.items() if key.upper().startswith("DURATION")), "")
    match = re.match(r"(\d+):(\d+):(\d+(?:\.\d+)?)", text)
    if match:  # this tag gives the end on the stream's clock
        said = (int(match[1]) * 3600 + int(match[2]) * 60 + Fraction(match[3])) / Fraction(stream.time_base)
    elif stream.duration:
        said = Fraction(times[0] + stream.duration)
    else:
        return False
    return bool(seen < said - 2 * step)


def _varies(times: list[int], time_base: Fraction) -> bool:
    steps = sorted(b - a for a, b in pairwise(times))
    if len(steps) < 2:
        return False
    usual = steps[len(steps) // 2]
    slack = max(Fraction(usual, 50), Fraction(101, 100))  # containers round times to their ticks
    return any(abs(step - usual) > slack for step in steps)


def list_index(path: Path, first_time: int | None) -> FrameIndex | None:
    """Return the index of a movie in which every frame is a sync frame as its container lists it; None elsewhere.

    ``first_time``: time of the first decoded frame. Cost: reads no packets, where `scan_index` reads the whole file.
    """
    with open_container(path) as (_, stream):  # entries lie in the container's own memory
        entries = [
            (int(entry.timestamp), bool(entry.is_keyframe and not entry.is_discard)) for entry in stream.index_entries
        ]
        listed = stream.frames and len(entries) == stream.frames and not stream.codec_context.has_b_frames
    if not listed or not all(shows for _, shows in entries):
        return None
    times = sorted(time for time, _ in entries)
    return FrameIndex(tuple(times), (True,) * len(times), True) if times[0] == first_time else None


def scan_index(path: Path) -> FrameIndex:
    """List presentation times and sync frames by reading packets, without decoding.

    Cost: reads the file once.
    """
    found: list[tuple[int, bool]] = []
    complete = True
    with open_container(path) as (container, stream):
        try:
            for packet in container.demux(stream):
                if not packet.size or packet.is_discard:
                    continue
                if packet.pts is None:
                    complete = False
                found.append((packet.pts if packet.pts is not None else len(found), packet.is_keyframe))
        except av.error.FFmpegError:
            pass  # a damaged end: what came before counts, decoding will say where it stops
    found.sort()
    return FrameIndex(tuple(time for time, _ in found), tuple(sync for _, sync in found), complete)
