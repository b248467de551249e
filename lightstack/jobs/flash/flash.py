"""`lightstack flash`: a movie, stills or a finished shot checked for flashes."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

from lightstack.core.flash.rules import SCREEN_PEAK
from lightstack.errors import MissingInput, SettingError, UnusableTake
from lightstack.files.folder import explain_os_error
from lightstack.files.read.takes import Take, open_take
from lightstack.jobs.clean.takes import name_takes
from lightstack.jobs.frame.flash_look import FlashLook, shrink, to_half
from lightstack.jobs.frame.flash_pass import FlashPass
from lightstack.jobs.shot.build import build_shot
from lightstack.jobs.shot.flash_sink import kept_flash, write_flash
from lightstack.jobs.shot.render import parse_frames
from lightstack.jobs.takes.options import TakeOptions
from lightstack.jobs.takes.reading import check_take_options
from lightstack.records import CodedFrame, FlashReport, Progress

__all__ = ["FlashOptions", "FlashResult", "check_flash"]

LEAST_SIDE = 16  # pixels; smaller pictures have no field of 10 degrees to speak of
LEAST_SECONDS = 1
TWO_NEEDED = "flashes are changes, so at least two frames are needed"


@dataclass(frozen=True, slots=True, kw_only=True)
class FlashOptions(TakeOptions):
    """How a movie is read and shown; of a shot, its file says that. ``rate``: frames/s, in place of the file's own."""

    frames: str | None = None
    rate: str | None = None
    peak: float | None = None


@dataclass(frozen=True, slots=True)
class FlashResult:
    """What was checked, what was found, and what was written (relative to ``out``)."""

    subject: str
    report: FlashReport
    out: Path | None
    files: tuple[str, ...]


def check_flash(path: Path, *, out: Path | None, options: FlashOptions, progress: Progress) -> FlashResult:
    """Check a movie or stills, or build a shot file's frames and check them.

    Raises
    ------
    LightstackError
        For what cannot be read, or has too little in it to be checked.
    """
    check_options(options)
    if path.suffix.lower() == ".toml":
        return check_shot(path, out=out, options=options, progress=progress)
    if not path.exists() and "#" not in path.name and "%" not in path.name:
        raise MissingInput(f"{path}: nothing is there; name a movie, stills or a shot file")
    with open_take(
        path,
        name=path.name,
        colour=options.colour,
        response=None if options.response is None else Path(options.response),
        range=options.range,
        matrix=options.matrix,
        keep_readable=options.keep_readable,
        threads=options.threads,
        config=options.ocio,
    ) as take:
        report = check_take(take, options, progress=progress)
    return deliver(path, name_takes([path])[0][1], report, out)


def check_options(options: FlashOptions) -> None:
    """Refuse what no movie could be checked with, before one is opened. Raises as `check_reading`."""
    check_take_options(options)
    if options.frames is not None:
        parse_frames(options.frames)
    if options.rate is not None:
        read_rate(options.rate)
    if options.peak is not None and not 50 <= options.peak <= 2000:
        raise SettingError(f"--peak {options.peak:g}: is no luminance of a screen's white; give 50 to 2000 cd/m2")


def check_shot(path: Path, *, out: Path | None, options: FlashOptions, progress: Progress) -> FlashResult:
    """Build what a shot file asks for, with its frames checked. Raises as `build_shot` does."""
    if options.frames or options.rate or options.peak is not None:
        raise SettingError("--frames, --rate and --peak are for movies; a shot's stand in its file ([shot], [flash])")
    if options.response or any(word != "auto" for word in (options.colour, options.range, options.matrix)):
        raise SettingError(
            "--colour, --response, --range and --matrix are for movies; a shot's stand in its file ([takes.hero])"
        )
    result = build_shot(path, options=options, progress=progress, flash=True)
    report = kept_flash(result.out, progress=progress) if "flash check" in result.numbers else None
    if report is None:
        raise SettingError(f"{path}: makes no frames that could be checked; it needs [takes.hero] and a [[light]]")
    written = tuple(name for name in result.files if "_flash_" in name)
    if out is not None:
        return deliver(path, path.stem, report, out)
    return FlashResult(path.name, report, result.out, written)


def deliver(path: Path, stem: str, report: FlashReport, out: Path | None) -> FlashResult:
    """Write a report's files where a folder was named."""
    if out is None:
        return FlashResult(path.name, report, None, ())
    if out.exists() and not out.is_dir():
        raise SettingError(f"--out {out}: is a file; name a folder")
    with explain_os_error(out):
        out.mkdir(parents=True, exist_ok=True)
    files = write_flash(out, (f"{stem}_flash", f"{stem}_flash_areas"), report)
    return FlashResult(path.name, report, out, tuple(name for name, _ in files))


def check_take(take: Take, options: FlashOptions, *, progress: Progress) -> FlashReport:
    """Check the frames of an open take. Raises SettingError or UnusableTake where there is too little to check."""
    info = take.info
    first, last = find_range(take, options.frames)
    rate = find_rate(take, options.rate)
    if min(info.width, info.height) < LEAST_SIDE:
        raise UnusableTake(f"{info.paths[0]}: is {info.width} x {info.height}; {LEAST_SIDE} pixels a side are needed")
    look = FlashLook(
        info.encoding, (info.height, info.width), working=take.working or info.encoding.primaries, config=options.ocio
    )
    peak = SCREEN_PEAK if options.peak is None else options.peak
    checking = FlashPass(look, peak=peak, mixed=False)
    seen: list[Fraction] = []
    with progress.step(f"flash check of {info.name}", last - first + 1) as step:
        for frame in take.frames(first, last):
            cells = look.cells_of_coded(take, frame)
            seconds = time_frame(take, frame, rate)
            seen.append(seconds)
            checking.add(frame.number, seconds, cells, to_half(shrink(cells)))
            step.advance()
    if len(seen) < 2:
        raise UnusableTake(f"{info.paths[0]}: a single frame can be read; {TWO_NEEDED}")
    return checking.report(notes=(*note_take(take, options), *note_length(seen)), frame_word="frame")


def find_range(take: Take, frames: str | None) -> tuple[int, int]:
    """Return the source frames to check. Raises SettingError for frames that the take does not have."""
    info = take.info
    first, last = (info.first_frame, info.last_frame) if frames is None else parse_frames(frames)
    if first < info.first_frame or last > info.last_frame:
        raise SettingError(f"--frames {frames}: {info.name} has frames {info.first_frame} to {info.last_frame}")
    if first == last:
        raise UnusableTake(f"{info.paths[0]}: one frame is not enough; {TWO_NEEDED}")
    return first, last


def find_rate(take: Take, text: str | None) -> Fraction | None:
    """Return the rate by which frames are timed; None where their own time stamps are used. Raises SettingError."""
    info = take.info
    if text is not None:
        return read_rate(text)
    if info.variable_rate:
        return None
    if info.rate is None:
        raise SettingError(f"{info.paths[0]}: does not say how fast its frames are shown; give --rate, such as 25")
    return info.rate


def read_rate(text: str) -> Fraction:
    """Read a frame rate, 25 or 24000/1001. Raises SettingError."""
    try:
        rate = Fraction(text)
    except (ValueError, ZeroDivisionError):
        rate = Fraction(0)
    if not 0 < rate <= 1000:
        raise SettingError(f"--rate {text}: is no frame rate; write 25 or 24000/1001")
    return rate


def time_frame(take: Take, frame: CodedFrame, rate: Fraction | None) -> Fraction:
    """Return when a frame is shown, in seconds."""
    if rate is None and frame.seconds is not None:
        return frame.seconds
    return Fraction(frame.number - take.info.first_frame) / (rate or take.info.rate or Fraction(25))


def note_take(take: Take, options: FlashOptions) -> Iterator[str]:
    """Give a sentence for everything that was assumed of a take."""
    info = take.info
    yield from dict.fromkeys((*info.encoding.assumed, *info.notes, *take.reading_notes))
    if info.variable_rate and options.rate is None:
        yield "its frames are not evenly timed; each was counted at its own time stamp"


def note_length(seen: list[Fraction]) -> tuple[str, ...]:
    """Say that footage is too short for the rules' second."""
    if seen[-1] - seen[0] >= LEAST_SECONDS - (seen[1] - seen[0]):
        return ()
    return (
        "shorter than a second: only what it holds was counted; in a loop, or cut to other footage, it may flash more",
    )
