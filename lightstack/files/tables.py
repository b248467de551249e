"""CSV tables: what every frame measured, which frames were chosen, and the mix."""

from __future__ import annotations

import csv
import io
import math
import re
from collections.abc import Iterable, Sequence
from fractions import Fraction
from pathlib import Path

import numpy as np

from lightstack.errors import LightstackError, SettingError, UnreadableInput, make_printable
from lightstack.files.csv_rows import read_rows
from lightstack.files.folder import write_changed, write_whole
from lightstack.files.limits import check_limit
from lightstack.records import FrameTable, KeyFrame, MixCurve, Registration


def write_csv(path: Path, header: Sequence[str], rows: Iterable[Sequence[object]]) -> None:
    """Write rows as RFC 4180 CSV, whole or not at all; floats keep 6 significant digits."""
    write_whole(path, format_csv(header, rows))


def format_csv(header: Sequence[str], rows: Iterable[Sequence[object]]) -> bytes:
    """Return rows as RFC 4180 CSV; floats keep 6 significant digits."""
    text = io.StringIO(newline="")
    writer = csv.writer(text)
    writer.writerow(header)
    for row in rows:
        writer.writerow([format_cell(cell) for cell in row])
    return text.getvalue().encode()


def format_cell(cell: object) -> object:
    """Return a cell's text: floats short but exact enough, flags as 0/1, nothing as an empty cell."""
    if cell is None:
        return ""
    if isinstance(cell, (bool, np.bool_)):
        return int(cell)
    if isinstance(cell, (float, np.floating)):
        return "" if math.isnan(cell) else f"{cell:.6g}"
    return cell


FRAME_HEADER = (
    "take", "source_frame", "timecode", "seconds", "lamp_on", "stretch", "lamp_energy", "lamp_sigma",
    "change_sigma", "clipped_r", "clipped_g", "clipped_b", "smear_px", "drift_r_stops", "drift_g_stops",
    "drift_b_stops", "sharpness", "blocked", "flare", "shift_px", "left_out", "weight", "key_rank",
)  # fmt: skip


def write_frames(
    path: Path,
    sweeps: Sequence[tuple[str, FrameTable, Registration, Sequence[KeyFrame], Sequence[str | None]]],
) -> None:
    """Write frames.csv: one row per sweep frame, with the rank of the frames that were chosen."""
    rows = [row for sweep in sweeps for row in list_frame_rows(*sweep)]
    write_csv(path, FRAME_HEADER, rows)


def list_frame_rows(
    take: str,
    table: FrameTable,
    registration: Registration,
    keys: Sequence[KeyFrame],
    timecodes: Sequence[str | None],
) -> list[list[object]]:
    """Return the rows of one sweep in source-frame order."""
    rank = {key.source_frame: key.rank for key in keys}
    left_out = set(registration.left_out)
    rows: list[list[object]] = []
    for i, number in enumerate(table.source_frames.tolist()):
        rows.append([
            take, number, timecodes[i], table.seconds[i], table.lamp_on[i], int(table.stretch[i]) + 1,
            table.lamp_energy[i], table.lamp_sigma[i], table.change_sigma[i], *table.clipped[i],
            table.smear_px[i], *table.drift_stops[i], table.sharpness[i], table.blocked[i],
            table.flare[i], table.shift_px[i], number in left_out, table.weight[i], rank.get(number),
        ])  # fmt: skip
    return rows


KEY_HEADER = (
    "rank", "take", "source_frame", "timecode", "gain", "weight", "clipped", "blocked", "level_stops",
)  # fmt: skip


def write_key_frames(path: Path, keys: Iterable[KeyFrame]) -> None:
    """Write key_frames.csv in the order of choosing."""
    write_csv(
        path,
        KEY_HEADER,
        [
            [
                k.rank,
                k.take,
                k.source_frame,
                k.timecode,
                k.gain,
                k.weight,
                k.clipped,
                k.blocked,
                k.level_stops,
            ]
            for k in keys
        ],
    )


def write_mix(path: Path, mix: MixCurve) -> None:
    """Write mix.csv (frame, gain, stops); gains keep every digit, so reading back gives the same curve.

    Where the same mix lies there already, it is left alone.
    """
    rows = [
        (mix.first_frame + i, repr(float(gain)), "off" if gain == 0 else f"{stops:.6f}")
        for i, (gain, stops) in enumerate(zip(mix.gains, mix.stops, strict=True))
    ]
    write_changed(path, format_csv(("frame", "gain", "stops"), rows))


def read_mix(path: Path) -> MixCurve:
    """Read mix.csv back.

    Raises
    ------
    UnreadableInput
        If the table lacks the columns frame and gain, or a cell is not a number.
    SettingError
        If frames are not consecutive or a gain is negative.
    """
    try:
        (_, header), *found = read_rows(path) or [(1, [])]
        frame, gain = header.index("frame"), header.index("gain")
    except LightstackError:
        raise
    except ValueError:
        begins = make_printable(",".join(header), most=60)
        hint = "; part cells by commas, write decimals with dots" if ";" in begins or "\t" in ",".join(header) else ""
        raise UnreadableInput(f"{path}: begins with {begins or 'nothing'}; expected frame,gain{hint}") from None
    rows = [read_gain(path, line, cells, frame, gain) for line, cells in found]
    frames = [frame for frame, _ in rows]
    if not rows or frames != list(range(frames[0], frames[0] + len(frames))):
        raise SettingError(f"{path}: frames must be consecutive, at least one; sort the table, fill its gaps")
    if any(not 0 <= gain < math.inf for _, gain in rows):
        raise SettingError(f"{path}: holds a negative gain or none; gains are 0 (off) or more")
    check_limit(path, "FRAME_NUMBER", max(abs(frames[0]), abs(frames[-1])))
    return MixCurve(frames[0], np.array([gain for _, gain in rows], np.float64))


def read_gain(path: Path, line: int, cells: Sequence[str], frame: int, gain: int) -> tuple[int, float]:
    """Return a row's frame and gain, which stand in these columns. Raises UnreadableInput where it holds none."""
    try:
        return int(cells[frame]), float(cells[gain])
    except (IndexError, ValueError):
        row = make_printable(",".join(cells), most=60)
        raise UnreadableInput(f"{path}, line {line}: {row}; expected a frame and a gain as numbers") from None


def timecode_at(start: str | None, offset: int, rate: Fraction | None) -> str | None:
    """Return the timecode ``offset`` frames after ``start`` (SMPTE ST 12-1, drop-frame marked by ``;`` or ``.``).

    None without one, without a rate that numbers frames, and where ``start`` is no timecode.

    References: SMPTE ST 12-1:2014, 7.2 (drop-frame: numbers 00 and 01 are skipped each minute except
    each tenth).
    """
    found = re.fullmatch(r"(\d{1,2}):(\d{2}):(\d{2})([:;.])(\d{2,3})", (start or "").strip(), re.ASCII)
    base = 0 if rate is None else round(rate)
    if not found or base < 1:
        return None
    drop = 2 * base // 30 if found[4] != ":" else 0
    hours, minutes, seconds, frames = (int(found[place]) for place in (1, 2, 3, 5))
    total_minutes = 60 * hours + minutes
    skipped = drop * (total_minutes - total_minutes // 10)
    count = (60 * total_minutes + seconds) * base + frames - skipped
    return format_timecode(count + offset, base, drop)


def format_timecode(count: int, base: int, drop: int) -> str:
    """Return the timecode of a frame count; ``drop`` numbers are skipped each minute but each tenth."""
    per_minute, per_ten = 60 * base - drop, 600 * base - 9 * drop
    count %= 144 * per_ten
    if drop:
        tens, rest = divmod(count, per_ten)
        count += 9 * drop * tens + (drop * ((rest - drop) // per_minute) if rest >= drop else 0)
    seconds, frames = divmod(count, base)
    mark = ";" if drop else ":"
    return f"{seconds // 3600 % 24:02d}:{seconds // 60 % 60:02d}:{seconds % 60:02d}{mark}{frames:02d}"
