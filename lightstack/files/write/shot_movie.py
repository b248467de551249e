"""The finished shot as a movie that cuts back in beside the hero: coded as the hero, frame by frame by itself.

It keeps the hero's frame rate, timecode, sound, pixel aspect, rotation tag and colour tags, and his own planes where
no light falls. Nothing else of the hero's file is carried over: no place, no owner, no serial number.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from types import TracebackType

from numpy.typing import NDArray

from lightstack.core.colour.encode import EncodedPlanes, count_beyond, encode_planes
from lightstack.core.colour.widen import widen_planes
from lightstack.core.timecode import count_timecode
from lightstack.errors import SettingError
from lightstack.files.read.takes import Take
from lightstack.files.tables import timecode_at
from lightstack.files.write.movie_codecs import MovieCodec, choose_codec
from lightstack.files.write.movie_sound import HeroSound, SoundStretch
from lightstack.files.write.movie_stretches import HeroStretch, find_stretches
from lightstack.files.write.movie_writer import MovieWriter
from lightstack.records import BoolArray, CodedFrame, Encoding, FloatArray, TakeInfo

__all__ = ["MovieCoder", "ShotMovie", "begin_shot_movie"]


@dataclass(frozen=True, slots=True)
class _Plan:
    """What stands in the movie beside its pictures."""

    rate: Fraction
    rotation: int
    pixel_aspect: Fraction
    timecode: str | None
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True, eq=False)
class MovieCoder:
    """Codes frames for a movie of the shot; may be called from any thread, and on other machines."""

    take: Take
    encoding: Encoding  # the movie's

    def code(self, frame: CodedFrame, light: FloatArray, *, changed: BoolArray | None = None) -> EncodedPlanes:
        """Code light at the movie's own depth; the hero's codes stay where nothing ``changed``.

        As ``Take.code``, but where the movie has more bits than the hero the light has them too.
        """
        have = self.take.encoding_of(frame)
        like = CodedFrame(frame.number, widen_planes(frame.planes, have, self.encoding), frame.seconds)
        return encode_planes(
            light,
            self.encoding,
            like=like,
            changed=changed,
            rotation=self.take.info.rotation,
            working=self.take.working,
        )

    def count_beyond(
        self, light: FloatArray, *, hero: FloatArray | None = None, changed: BoolArray | None = None
    ) -> tuple[int, int, int]:
        """Count the pixels that `code` has to cut off at the top, in R, G and B; as `encode.count_beyond`."""
        return count_beyond(light, self.encoding, hero=hero, changed=changed, working=self.take.working)


class ShotMovie:
    """A movie of the shot on its way; use it as a context manager. Made by `begin_shot_movie`.

    ``path``: with its suffix. ``codec``: what was chosen. ``timecode``: of the first frame, or None. ``notes``: one
    sentence for each thing that is not as in the hero.
    """

    def __init__(
        self, path: Path, take: Take, codec: MovieCodec, writer: MovieWriter, plan: _Plan, sound: HeroSound | None,
        count: int,
    ) -> None:  # fmt: skip
        self.path, self.codec, self.timecode = path, codec, plan.timecode
        self._take, self._writer, self._sound, self._count = take, writer, sound, count
        self.coder = MovieCoder(take, codec.encoding)
        self._said = plan.notes

    @property
    def notes(self) -> tuple[str, ...]:
        """What is not as in the hero, and how the sound was carried; complete once the movie is open."""
        return (*self._said, *(self._sound.notes if self._sound else ()))

    def __enter__(self) -> ShotMovie:
        self._writer.__enter__()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if error is None and self._writer.frames != self._count:
            short = SettingError(
                f"{self.path}: {self._writer.frames} frames were written, {self._count} were expected; nothing is kept"
            )
            self._writer.__exit__(type(short), short, None)
            raise short
        self._writer.__exit__(kind, error, trace)

    def code(self, frame: CodedFrame, light: FloatArray, *, changed: BoolArray | None = None) -> EncodedPlanes:
        """Code light for `write_coded`, as `MovieCoder.code`."""
        return self.coder.code(frame, light, changed=changed)

    def count_beyond(
        self, light: FloatArray, *, hero: FloatArray | None = None, changed: BoolArray | None = None
    ) -> tuple[int, int, int]:
        """Count the pixels that `code` has to cut off at the top, in R, G and B; as `encode.count_beyond`."""
        return self.coder.count_beyond(light, hero=hero, changed=changed)

    def write_coded(self, planes: tuple[NDArray, ...]) -> None:
        """Append one frame of planes as `code` gives them."""
        self._writer.write(planes)

    def write(self, planes: tuple[NDArray, ...]) -> None:
        """Append one frame of planes in the hero's own encoding, as ``Take.code`` gives them."""
        self._writer.write(widen_planes(planes, self._take.info.encoding, self.codec.encoding))


def begin_shot_movie(
    path: str | Path,
    take: Take,
    *,
    first: int,
    last: int,
    codec: str = "auto",
    rate: Fraction | None = None,
    sound: bool = True,
) -> ShotMovie:
    """Begin the movie of source frames ``first`` to ``last`` (inclusive) of a hero take.

    ``path``: the codec's own suffix is added where it lacks one. ``codec``: as in `choose_codec`. ``rate``: frames/s,
    the hero's own by default. ``sound``: whether to carry the hero's sound.

    Raises SettingError for a hero that no movie can hold as it is (floating point, a colour configuration's space, no
    frame rate), for a range outside the take, and for what the codec or its file does not hold; MismatchedInput where
    the range spans files that differ; UnreadableInput; on entering OutputError.
    """
    info = take.info
    _check_hero(info, first, last, rate)
    stretches = find_stretches(take, first, last)
    turned = stretches[0].facts.rotation if stretches else info.rotation
    height, width = (info.width, info.height) if info.rotation % 180 else (info.height, info.width)
    chosen = choose_codec(info.encoding, codec, size=(height, width))
    target = _name_file(Path(path), chosen)
    plan = _plan_movie(info, stretches, first, rate, turned, chosen)
    steady = not info.variable_rate or rate not in (None, info.rate) or len(stretches) != 1
    carried = HeroSound([SoundStretch(s.facts.path, s.begin, s.end) for s in stretches])
    keeps_time = bool(stretches) and sound and (rate is None or rate == info.rate)
    times = None if steady else stretches[0].ticks  # uneven, as the hero's own
    writer = MovieWriter(
        target,
        width=width,
        height=height,
        rate=plan.rate,
        encoding=chosen.encoding,
        codec=chosen.name,
        pixel_aspect=plan.pixel_aspect,
        rotation=plan.rotation,
        timecode=plan.timecode,
        tags=stretches[0].facts.tags if stretches else None,
        sound=carried if keeps_time else None,
        times=times,
        tick=None if times is None else stretches[0].facts.time_base,
    )
    return ShotMovie(target, take, chosen, writer, plan, carried if keeps_time else None, last - first + 1)


def _check_hero(info: TakeInfo, first: int, last: int, rate: Fraction | None) -> None:
    name, encoding = info.paths[0], info.encoding
    if encoding.is_float or encoding.ocio_space is not None:
        what = "floating-point stills" if encoding.is_float else f"pictures in {encoding.ocio_space!r}"
        raise SettingError(
            f"{name}: no movie holds {what} as they are; expected whole-number codes with a known curve; "
            "hand the finished frames on as EXR"
        )
    if rate is None and not info.rate:
        raise SettingError(f"{name}: has no frame rate, which a movie needs; state the shot's rate, or hand on stills")
    if not info.first_frame <= first <= last <= info.last_frame:
        raise SettingError(
            f"{name}: frames {first}-{last} are not all in it; it holds {info.first_frame}-{info.last_frame}"
        )


def _name_file(path: Path, codec: MovieCodec) -> Path:
    """Put the codec's suffix on a name. Raises SettingError where it has another movie's."""
    suffix = path.suffix.lower()
    if suffix == codec.suffix:
        return path
    if suffix in (".mov", ".mkv", ".mp4", ".m4v", ".avi", ".mxf"):
        raise SettingError(f"{path}: {codec.name} is written as {codec.suffix}; name it {path.stem}{codec.suffix}")
    return path.with_name(path.name + codec.suffix)


def _plan_movie(
    info: TakeInfo,
    stretches: list[HeroStretch],
    first: int,
    rate: Fraction | None,
    rotation: int,
    codec: MovieCodec,
) -> _Plan:
    notes = list(codec.notes)
    chosen = Fraction(rate or info.rate or 0)
    aspect = 1 / info.pixel_aspect if info.rotation % 180 else info.pixel_aspect
    start, offset = info.timecode, first - info.first_frame
    if stretches:
        start, offset = stretches[0].facts.timecode, stretches[0].offset
    if rate is not None and stretches and rate != info.rate:
        notes.append(f"sound is left out: the hero runs at {info.rate}, the movie at {rate} frames a second")
    timecode = _carry_timecode(start, offset, chosen)
    if start is not None and timecode is None:
        notes.append(f"timecode {start!r} is left out: it names no frame at {chosen} frames a second")
    return _Plan(chosen, rotation, aspect, timecode, tuple(notes))


def _carry_timecode(start: str | None, offset: int, rate: Fraction) -> str | None:
    """Give the timecode of the movie's first frame, or None where the hero's cannot be counted on.

    A hero without timecode counts from zero, as editing programs show it (common practice of the trade), so that a
    movie from its middle still falls into place; from its first frame on it needs none.

    References: SMPTE ST 12-1:2014, 5.2 (drop-frame is for 30/1.001 and 60/1.001 frames a second only).
    """
    if start is None:
        return timecode_at("00:00:00:00", offset, rate) if offset else None
    start = start.strip()[:-3] + start.strip()[-3:].replace(".", ";")
    drops = ";" in start
    if count_timecode(start, rate) is None or (drops and rate not in (Fraction(30000, 1001), Fraction(60000, 1001))):
        return None
    return timecode_at(start, offset, rate)
