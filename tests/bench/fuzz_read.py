"""Read damaged files as commands do, one after the other, and say of each what came of it (`fuzz.py` starts this).

A line of JSON comes for every line that names a file: verdict, what was said, and the most memory that it took.
"""

from __future__ import annotations

import json
import resource
import sys
import traceback
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

import numpy as np
from unwatched import Unwatched

from lightstack.errors import LightstackError, OutputError
from lightstack.files.folder import OutFolder, read_json
from lightstack.files.handover.folder import check_target, list_handed
from lightstack.files.handover.otio import find_missing_media
from lightstack.files.handover.tables import read_still_columns
from lightstack.files.handover.usd import count_lights
from lightstack.files.kept.grain_profiles import read_grain
from lightstack.files.kept.identity import StageBook
from lightstack.files.kept.keep import recall_record
from lightstack.files.kept.ledger import FrameLedger
from lightstack.files.kept.packed import read_packed
from lightstack.files.kept.stack import open_stack
from lightstack.files.read.masks import read_mask
from lightstack.files.read.response import read_response
from lightstack.files.read.sound import read_sound_power
from lightstack.files.read.takes import open_take
from lightstack.files.shot.shotfile import read_shot
from lightstack.files.tables import read_mix
from lightstack.files.travel_tables import read_track, read_weights
from lightstack.files.write.plates import read_exr, read_exr_headers
from lightstack.jobs.handover.checks import check_pictures, check_sums
from lightstack.records import MixCurve

ADDRESS_BYTES = 12 << 30  # a net under the machine; what counts as too much is judged by what was really used
SIZE = (48, 64)


def look_at_take(path: Path) -> None:
    """Open a take, then decode and average all frames; where that is refused, once more with what is readable."""
    try:
        read_all(path, keep=False)
    except LightstackError:
        if path.parent.name != "movie":
            raise
        read_all(path, keep=True)
        raise


def read_all(path: Path, *, keep: bool) -> None:
    with open_take(path, keep_readable=keep, threads=2) as take:
        numbers = []
        for frame in take.frames():
            take.proxy(frame, 2 if min(take.info.width, take.info.height) > 1 else 1)
            numbers.append(frame.number)
        if numbers and not keep:
            for frame in take.read_frames(sorted({numbers[0], numbers[len(numbers) // 2], numbers[-1]})):
                take.linear(frame)
                take.clipped(frame)
        take.list_sync()


def look_at_exr(path: Path) -> None:
    """Read an EXR as a take, and as a plate that is named by its path."""
    try:
        read_exr_headers(path)
        read_exr(path)
    except LightstackError:
        pass
    look_at_take(path)


def look_at_movie(path: Path) -> None:
    if path.stem.startswith("sound"):
        read_sound_power(path, Fraction(24))
    look_at_take(path)


def look_at_table(path: Path) -> None:
    readers = {"mix": read_mix, "weights": read_weights, "track": read_track, "columns": read_still_columns}
    readers[path.stem.partition("-")[0]](path)


def look_at_side_file(path: Path) -> None:
    name = path.stem.partition("-")[0]
    if name == "grain":
        read_grain(path)
    elif name == "response":
        read_response(path)
    elif name == "stages":
        folder = OutFolder(path.parent / "out")
        (folder.scratch_folder("x").parent / "stages.json").write_bytes(path.read_bytes())
        book = StageBook(folder)
        book.is_current("mix", {})
        book.list_outputs("mix")
        book.fingerprint()
    else:
        ledger = FrameLedger(path, OutFolder(path.parent), {})
        ledger.is_written(1001, ["a.exr"])
        ledger.list_earlier()
        read_json(path)


def look_at_kept(path: Path) -> None:
    if path.suffix == ".packed":
        read_packed(path, 0, path.stat().st_size)
        return
    try:
        recall_record(path, MixCurve)
    except ValueError as error:  # that is what it says of a broken record; it is built again
        raise LightstackError(str(error)) from error


def look_at_stack(path: Path) -> None:
    """Open a working copy, one of whose three files is damaged; what says that it cannot be used is as documented."""
    read_exr_headers(path.with_suffix(".exr"))
    try:
        stack = open_stack(path.with_suffix(".exr"))
        for index in range(stack.shape.stills):
            stack.read_band(0, index)
    except (EOFError, FileNotFoundError, ValueError) as error:
        raise LightstackError(str(error)) from error


def look_at_usd(path: Path) -> None:
    try:
        count_lights(path)
    except OSError as error:
        raise LightstackError(str(error)) from error


def look_at_timeline(path: Path) -> None:
    try:
        find_missing_media(path)
    except OSError as error:
        raise LightstackError(str(error)) from error


def look_at_given(path: Path) -> None:
    """Look at a hand-over of which one file is damaged as the next one does that would take its place, and as the one
    does that has just written it."""
    folder = next(above for above in path.parents if above.name == "given")
    before = list_handed(folder)
    stranger = folder / "elements" / "mine.txt"
    stranger.write_text("mine")
    try:
        check_target(folder, folder.with_name("out"), replace=True)
        raise RuntimeError("somebody else's file would be taken away")
    except OutputError:
        stranger.unlink()
    expected = dict.fromkeys(before)
    check_sums(folder, expected, out=folder, progress=Unwatched())
    if (folder / "lights.usda").is_file():
        look_at_usd(folder / "lights.usda")
    look_at_timeline(folder / "shot.otio")
    check_pictures(folder, before, progress=Unwatched())
    check_target(folder, folder.with_name("out"), replace=True)


def look_at_colours(path: Path) -> None:
    from lightstack.files.read.colour import config_id, list_spaces

    config_id(path)
    list_spaces(path)


READERS: dict[str, Callable[[Path], object]] = {
    "movie": look_at_movie, "exr": look_at_exr, "dpx": look_at_take, "png": look_at_take, "tiff": look_at_take,
    "jpeg": look_at_take, "mask": lambda path: read_mask(path, SIZE),
    "sound": lambda path: read_sound_power(path, Fraction(24)), "usd": look_at_usd, "csv": look_at_table,
    "json": look_at_side_file, "toml": read_shot, "npz": look_at_kept, "stack": look_at_stack,
    "colours": look_at_colours, "otio": look_at_timeline, "given": look_at_given,
}  # fmt: skip


def judge(kind: str, path: Path) -> tuple[str, str]:
    """Read one file; return the verdict and what was said."""
    try:
        READERS[kind](path)
    except LightstackError as error:
        line = str(error)
        return ("refused" if "\n" not in line.strip() and line.strip() else "many lines"), line
    except MemoryError as error:
        return "memory", f"MemoryError: {error}"
    except BaseException:
        return "traceback", traceback.format_exc()
    return "read", ""


def forget_peak() -> None:
    Path("/proc/self/clear_refs").write_text("5")


def read_peak() -> int:
    """The most memory that this process has held since `forget_peak`, in kB."""
    words = Path("/proc/self/status").read_text().split()
    return int(words[words.index("VmHWM:") + 1])


def main() -> None:
    np.seterr(all="ignore")
    resource.setrlimit(resource.RLIMIT_AS, (ADDRESS_BYTES, ADDRESS_BYTES))
    answers = sys.stdout
    sys.stdout = sys.stderr
    for line in sys.stdin:
        kind, name = json.loads(line)
        forget_peak()
        before = read_peak()
        verdict, said = judge(kind, Path(name))
        print(json.dumps([verdict, said, read_peak() - before]), file=answers, flush=True)


if __name__ == "__main__":
    main()
