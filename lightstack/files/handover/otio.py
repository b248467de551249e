"""A shot's timeline as OpenTimelineIO: one track for every element, movie and sweep, with marks.

The library that writes it is loaded only when it is used, and may be missing.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from fractions import Fraction
from itertools import accumulate, islice
from pathlib import Path
from typing import Any

from lightstack.core.timecode import count_timecode
from lightstack.files.folder import write_whole
from lightstack.files.limits import check_file_size
from lightstack.files.reading import reading

__all__ = ["Mark", "TimelineTrack", "find_missing_media", "has_otio", "write_timeline"]

DEEPEST = 100  # brackets: the library reads them by calling itself
MOST_MISSING = 100

@dataclass(frozen=True, slots=True)
class Mark:
    """A mark at a frame of a clip's own media."""

    frame: int
    name: str
    colour: str = "BLUE"


@dataclass(frozen=True, slots=True)
class TimelineTrack:
    """A track with one clip.

    ``url``: the relative file of a movie, or folder of numbered pictures called ``prefix`` number ``.exr``; empty:
    footage that is not handed over. ``have``: first and last frame that the media holds, in its own numbers; ``cut``:
    those that are used, ``at``: how many frames of the timeline lie before them. ``gaps``: numbers may be missing.
    ``stills``: a second reference of the same kind, to stills by number.
    """

    name: str
    url: str
    prefix: str
    have: tuple[int, int]
    cut: tuple[int, int]
    rate: Fraction
    at: int = 0
    gaps: bool = False
    shown: bool = True
    marks: tuple[Mark, ...] = ()
    facts: dict[str, str] = field(default_factory=dict)
    stills: TimelineTrack | None = None


def has_otio() -> bool:
    """Tell whether the library that writes timelines is installed."""
    try:
        import opentimelineio  # noqa: F401
    except ImportError:
        return False
    return True


def write_timeline(
    path: Path, name: str, tracks: list[TimelineTrack], *, rate: Fraction, timecode: str | None, facts: dict[str, str]
) -> None:
    """Write tracks from the lowest to the topmost, whole or not at all. ``timecode``: of the first frame. Raises
    OutputError."""
    import opentimelineio as otio

    timeline = otio.schema.Timeline(name, metadata={"lightstack": {**facts, "rate": str(rate)}})
    count = None if timecode is None else count_timecode(timecode, rate)
    if count is not None:
        timeline.global_start_time = at_frame(count, rate)
    for track in tracks:
        timeline.tracks.append(make_track(track, rate))
    write_whole(path, (timeline.to_json_string(indent=2) + "\n").encode())


def make_track(track: TimelineTrack, rate: Fraction) -> Any:
    """Return a track: a gap where the clip begins later than the shot, and the clip with its marks."""
    import opentimelineio as otio

    made = otio.schema.Track(track.name, kind=otio.schema.TrackKind.Video)
    made.enabled = track.shown
    if track.at:
        gap = otio.opentime.TimeRange(at_frame(0, rate), at_frame(track.at, rate))
        made.append(otio.schema.Gap(source_range=gap))
    clip = otio.schema.Clip(
        track.name, source_range=span(track.cut, track.rate), metadata={"lightstack": dict(track.facts)}
    )
    media = {otio.schema.Clip.DEFAULT_MEDIA_KEY: make_media(track)}
    if track.stills is not None:
        media["stills"] = make_media(track.stills)
    clip.set_media_references(media, otio.schema.Clip.DEFAULT_MEDIA_KEY)
    for mark in track.marks:
        clip.markers.append(otio.schema.Marker(mark.name, span((mark.frame, mark.frame), track.rate), mark.colour))
    made.append(clip)
    return made


def make_media(track: TimelineTrack) -> Any:
    """Return what a clip shows: numbered pictures, a movie, or footage that stays where it is."""
    import opentimelineio as otio

    have = span(track.have, track.rate)
    if not track.url:
        return otio.schema.MissingReference(track.name, have)
    if not track.prefix:
        return otio.schema.ExternalReference(track.url, have)
    policy = otio.schema.ImageSequenceReference.MissingFramePolicy
    return otio.schema.ImageSequenceReference(
        target_url_base=f"{track.url}/",
        name_prefix=track.prefix,
        name_suffix=".exr",
        start_frame=track.have[0],
        frame_step=1,
        rate=float(track.rate),
        frame_zero_padding=4,
        missing_frame_policy=policy.hold if track.gaps else policy.error,
        available_range=have,
    )


def span(frames: tuple[int, int], rate: Fraction) -> Any:
    """Return an inclusive range of frames as a range of times."""
    import opentimelineio as otio

    return otio.opentime.TimeRange(at_frame(frames[0], rate), at_frame(frames[1] - frames[0] + 1, rate))


def at_frame(frame: int, rate: Fraction) -> Any:
    """Return a frame as a time: a whole count at the exact rate."""
    import opentimelineio as otio

    return otio.opentime.RationalTime(frame, float(rate))


def find_missing_media(path: Path) -> list[str]:
    """Read a timeline back and return the files that it names and that are not beside it, the first hundred of them.

    Raises OSError where it is no timeline.
    """
    import opentimelineio as otio

    check_file_size(path, "SCENE_BYTES")
    try:
        text = path.read_bytes().decode()
        if measure_depth(text) > DEEPEST:
            raise OSError(f"{path.name} cannot be read back")
        with reading(path):
            read = otio.adapters.read_from_string(text, "otio_json")
        clips = read.find_clips() if isinstance(read, otio.schema.Timeline) else None
        urls = (url for clip in clips or () for media in clip.media_references().values() for url in list_urls(media))
        missing = list(islice((url for url in urls if not (path.parent / url).is_file()), MOST_MISSING))
    except Exception as error:  # damaged, it fails in as many ways as the library has readers
        raise OSError(f"{path.name} cannot be read back") from error
    if clips is None:
        raise OSError(f"{path.name} holds no timeline")
    return missing


def measure_depth(text: str) -> int:
    """Return how deep the brackets of a JSON text nest; those in words do not count."""
    brackets = re.sub(r'"(?:[^"\\]|\\.)*"|[^][{}"]+', "", text, flags=re.DOTALL)
    return max(accumulate((one in "[{") - (one in "]}") for one in brackets), default=0)


def list_urls(media: Any) -> Iterator[str]:
    """Give the files that a reference names; of pictures with gaps none, since nobody knows which are there."""
    import opentimelineio as otio

    if isinstance(media, otio.schema.ExternalReference):
        yield media.target_url
    elif isinstance(media, otio.schema.ImageSequenceReference):
        held = media.missing_frame_policy != otio.schema.ImageSequenceReference.MissingFramePolicy.error
        numbers = range(0 if held else media.number_of_images_in_sequence())
        yield from (media.target_url_for_image_number(number) for number in numbers)
