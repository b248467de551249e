"""What is written of a tossed thing: its frames, its shadow, the table of tries, the sheet of paths."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from lightstack.core.colour.display import display_srgb
from lightstack.core.lay.lay import round_half
from lightstack.files.folder import explain_os_error, write_json, write_whole
from lightstack.files.tables import write_csv
from lightstack.files.write.plates import write_exr, write_png
from lightstack.jobs.element.pull import ElementRequest, OpenTries, PulledFrame
from lightstack.jobs.sweep.pictures import shrink_width
from lightstack.records import FloatArray
from lightstack.report.toss_sheet import plot_tries

__all__ = ["describe_tries", "number_of", "write_frames_of", "write_tries"]

SHEET_WIDTH = 960
TRY_HEADER = (
    "rank", "try", "pulled", "score", "first_frame", "last_frame", "held", "frames_without_hand", "edge_px",
    "fastest_px", "end_x", "end_y", "reasons",
)  # fmt: skip
PATH_HEADER = ("try", "source_frame", "x", "y", "speed_px", "edge_px", "area_px", "hand")


def number_of(source_frame: int, first: int, at: int | None) -> int:
    """Return the number of an element's frame: the source frame's, or shot frames from ``at`` on."""
    return source_frame if at is None else at + source_frame - first


def write_frames_of(
    folder: Path,
    frames: Iterable[PulledFrame],
    *,
    stems: tuple[str, str],
    first: int,
    at: int | None,
    primaries: str,
    shadow: bool,
) -> list[tuple[str, str]]:
    """Write the frames as they are pulled: the thing (R, G, B, A) and, where wanted, its shadow (R, G, B).

    ``stems``: names of both. Returns the files with what they are; a display picture of the largest lies beside them.
    """
    files: list[tuple[str, str]] = []
    largest, shown = -1.0, None
    for frame in frames:
        number = number_of(frame.source_frame, first, at)
        name = f"{stems[0]}.{number:04d}.exr"
        channels = {c: frame.own[..., i] for i, c in enumerate("RGB")} | {"A": frame.alpha}
        write_exr(folder / name, channels, primaries=primaries)
        files.append((name, "the thing: premultiplied light and matte"))
        if shadow:
            name = f"{stems[1]}.{number:04d}.exr"
            write_exr(folder / name, {c: frame.shade[..., i] for i, c in enumerate("RGB")}, primaries=primaries)
            files.append((name, "its shadow: multiply what lies behind by it"))
        if float(frame.alpha.sum()) > largest:
            largest, shown = float(frame.alpha.sum()), frame
    if shown is not None:
        name = f"{stems[0]}.png"
        write_png(folder / name, display_srgb(over_grey(shown), primaries))
        files.append((name, "the thing and its shadow over grey, on one frame"))
    return files


def over_grey(frame: PulledFrame, level: float = 0.18) -> NDArray[np.float32]:
    """Lay a frame over an even grey, (H, W, 3)."""
    return lay_element(np.full_like(frame.own, level), frame.own, frame.alpha, frame.shade)


def lay_element(
    behind: FloatArray, own: FloatArray, alpha: FloatArray, shade: FloatArray | None
) -> NDArray[np.float32]:
    """Lay a thing over a picture: shadow first, then the thing, ``(H, W, 3)``."""
    shaded = behind if shade is None else behind * shade
    return np.asarray(round_half(own) + (1 - np.asarray(alpha, np.float32)[..., None]) * shaded, np.float32)


def write_tries(folder: Path, tries: OpenTries, request: ElementRequest, *, stem: str) -> list[tuple[str, str]]:
    """Write the table of tries, their paths, the same as JSON, and the sheet."""
    with explain_os_error(folder):
        folder.mkdir(parents=True, exist_ok=True)
    told = [look.told for look in tries.looks]
    by_name = {one.name: one for one in tries.ranks}
    rows = []
    for ranked in tries.ranks:
        one = next(t for t in told if t.name == ranked.name)
        end = one.centres[np.isfinite(one.centres[:, 0])][-1:] if not one.trouble else np.full((1, 2), np.nan)
        fastest = float(np.nanmax(one.speeds)) if np.isfinite(one.speeds).any() else float("nan")
        rows.append([
            ranked.rank, one.name, one is told[tries.picked], ranked.score,
            one.first or None, one.last or None, one.held,
            one.free_frames, one.width_px, fastest, *end[0], "; ".join(ranked.reasons),
        ])  # fmt: skip
    write_csv(folder / f"{stem}tries.csv", TRY_HEADER, rows)
    paths = [
        [one.name, int(n), *one.centres[k], one.speeds[k], one.widths[k], one.areas[k], bool(one.hand[k])]
        for one in told
        for k, n in enumerate(one.source_frames)
    ]
    write_csv(folder / f"{stem}paths.csv", PATH_HEADER, paths)
    write_json(folder / f"{stem}tries.json", {"tries": describe_tries(tries), "warnings": list(tries.warnings)})
    light = tries.bare.light
    sheet = plot_tries(
        display_srgb(shrink_width(light, SHEET_WIDTH), tries.bare.origin.primaries),
        told,
        [(by_name[one.name].rank, by_name[one.name].reasons) for one in told],
        size=(light.shape[0], light.shape[1]),
        picked=tries.picked,
        ends_inside=request.wishes.ends_inside,
    )
    write_whole(folder / f"{stem}tries.png", sheet)
    return [
        (f"{stem}tries.csv", "the tries, best first"),
        (f"{stem}paths.csv", "where the thing is on every frame of every try"),
        (f"{stem}tries.json", "the same for programs"),
        (f"{stem}tries.png", "each try's path over the set"),
    ]


def describe_tries(tries: OpenTries) -> list[dict[str, Any]]:
    """Return the tries, best first, as plain values."""
    told: Sequence[Any] = [look.told for look in tries.looks]
    listed = []
    for ranked in tries.ranks:
        index = next(k for k, one in enumerate(told) if one.name == ranked.name)
        one = told[index]
        seen = np.isfinite(one.centres[:, 0])
        listed.append(
            {
                "rank": ranked.rank,
                "try": one.name,
                "pulled": index == tries.picked,
                "score": round(ranked.score, 4),
                "reasons": list(ranked.reasons),
                "held": one.held,
                "first_frame": one.first if seen.any() else None,
                "last_frame": one.last if seen.any() else None,
                "frames_without_hand": one.free_frames,
                "edge_px": round(one.width_px, 2) if seen.any() else None,
                "path": [
                    [int(n), round(float(x), 2), round(float(y), 2)]
                    for n, (x, y) in zip(one.source_frames[seen], one.centres[seen], strict=True)
                ],
            }
        )
    return listed
