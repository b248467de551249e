"""Response files: which light each code value of some footage was measured to stand for (JSON)."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

from lightstack.core.colour.decoder import code_scales
from lightstack.errors import MissingInput, SettingError, UnreadableInput
from lightstack.files.folder import write_json
from lightstack.files.limits import check_file_size
from lightstack.records import Encoding, MeasuredResponse

__all__ = ["RESPONSE_FILE", "ResponseNotes", "fit_encoding", "read_response", "write_response"]

RESPONSE_FILE = "response.json"
LEAST_POINTS, MOST_POINTS = 4, 70_000
DEPTHS = range(8, 17)
LARGEST = 1e12  # number that a response may hold
LEAST_RISE = 1e-12  # of the curve's whole extent, from point to point
REMEDY = "let `lightstack inspect -o FOLDER` write it again"


@dataclass(frozen=True, slots=True)
class ResponseNotes:
    """Where a response comes from: ``takes`` by what lit them, the curve they were ``read_as``, the worst error of a
    sum of two lamps as a share of the light, ``before`` and ``after``."""

    takes: Mapping[str, str]
    read_as: str
    before: float
    after: float


def write_response(path: Path, response: MeasuredResponse, notes: ResponseNotes) -> None:
    """Write a response whole or not at all. Raises OutputError."""
    black, codes = _scale_codes(response.bit_depth, response.range)
    write_json(
        path,
        {
            "what": "linear light (1.0 is reference white) by code value of R', G' and B', measured",
            "bit_depth": response.bit_depth,
            "range": response.range,
            "code": [round(black + codes * signal, 6) for signal in response.signals],
            "light": list(response.light),
            "measured_codes": [round(black + codes * signal, 2) for signal in response.seen],
            "read_as": notes.read_as,
            "takes": dict(notes.takes),
            "worst_error_percent": {"before": round(100 * notes.before, 2), "after": round(100 * notes.after, 2)},
        },
    )


def read_response(path: Path) -> MeasuredResponse:
    """Read a response.

    Raises
    ------
    MissingInput
        If nothing lies at the path.
    UnreadableInput
        If it is no JSON, or lacks what a response holds.
    SettingError
        If its points do not rise, or lie outside the codes of its bit depth.
    """
    table = _read_table(path)
    depth, span = table.get("bit_depth"), table.get("range")
    if type(depth) is not int or depth not in DEPTHS:
        raise UnreadableInput(f"{path}: bit_depth is {depth!r}, a whole number from 8 to 16 was expected; {REMEDY}")
    if span not in ("full", "limited"):
        raise UnreadableInput(f'{path}: range is {span!r}, "full" or "limited" was expected; {REMEDY}')
    code, light = (_read_numbers(path, table, name) for name in ("code", "light"))
    if len(code) != len(light):
        raise UnreadableInput(f"{path}: holds {len(code)} codes and {len(light)} lights; {REMEDY}")
    _check_points(path, code, light, depth)
    seen = _read_numbers(path, table, "measured_codes", least=2, most=2)
    if not code[0] <= seen[0] < seen[1] <= code[-1]:
        raise UnreadableInput(f"{path}: measured_codes {seen} do not lie among its codes; {REMEDY}")
    black, codes = _scale_codes(depth, span)
    signals, ends = (tuple((value - black) / codes for value in values) for values in (code, seen))
    return MeasuredResponse(signals, tuple(light), (ends[0], ends[1]), depth, span)


def fit_encoding(encoding: Encoding, path: Path, *, source: str) -> MeasuredResponse:
    """Read a response for footage of an encoding; ``source``: the footage, for messages.

    Raises as ``read_response``, and SettingError for footage of another bit depth or range, or without codes.
    """
    if encoding.is_float:
        raise SettingError(f'{source}: holds light, not codes; colour = "measured" is for coded footage: leave it out')
    response = read_response(path)
    own, measured = (encoding.bit_depth, encoding.range), (response.bit_depth, response.range)
    if own != measured:
        raise SettingError(
            f"{source}: is {own[0]} bit, {own[1]} range, but {path} was measured from {measured[0]} bit, "
            f"{measured[1]} range; measure a response from takes recorded like this one"
        )
    return response


def _scale_codes(bit_depth: int, span: str) -> tuple[float, float]:
    return code_scales(Encoding("rgb", span, bit_depth, "444", "left", "bt709", "bt709"))[0]


def _read_table(path: Path) -> Mapping[str, Any]:
    if not path.exists():
        raise MissingInput(f"{path}: no such response; `lightstack inspect -o FOLDER` writes one, or check the path")
    try:
        check_file_size(path, "MEASURED_BYTES")
        table = json.loads(path.read_bytes().decode("utf-8-sig"))
    except UnreadableInput:
        raise
    except OSError as error:
        raise UnreadableInput(f"{path}: cannot be read ({error.strerror}); check its permissions") from error
    except (ValueError, RecursionError) as error:
        raise UnreadableInput(f"{path}: is not a response (no JSON); {REMEDY}") from error
    if not isinstance(table, dict):
        raise UnreadableInput(f"{path}: is not a response (no table); {REMEDY}")
    return table


def _read_numbers(
    path: Path, table: Mapping[str, Any], name: str, *, least: int = LEAST_POINTS, most: int = MOST_POINTS
) -> list[float]:
    values = table.get(name)
    if not isinstance(values, list) or not least <= len(values) <= most:
        count = str(least) if least == most else f"{least} or more"
        raise UnreadableInput(f"{path}: {name} was expected to be a list of {count} numbers; {REMEDY}")
    for value in values:
        if isinstance(value, bool) or not isinstance(value, (int, float)) or not -LARGEST < value < LARGEST:
            raise UnreadableInput(f"{path}: {name} holds {value!r}, numbers were expected; {REMEDY}")
    return [float(value) for value in values]


def _check_points(path: Path, code: Sequence[float], light: Sequence[float], depth: int) -> None:
    """Refuse points that do not rise or are no codes. Raises SettingError."""
    if code[0] < 0 or code[-1] > 2**depth - 1:
        raise SettingError(f"{path}: holds codes from {code[0]:g} to {code[-1]:g}, beyond {depth} bit; {REMEDY}")
    for before, after in pairwise(code):
        if after <= before:
            raise SettingError(f"{path}: its codes do not rise: {after:g} follows {before:g}; {REMEDY}")
    least = LEAST_RISE * (light[-1] - light[0])
    for place, (before, after) in enumerate(pairwise(light)):
        if after - before <= least:
            raise SettingError(
                f"{path}: its light does not rise from code {code[place]:g} to {code[place + 1]:g} "
                f"({before:g}, then {after:g}), so it cannot be turned back into codes; {REMEDY}"
            )
