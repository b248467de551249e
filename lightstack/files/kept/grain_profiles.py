"""Grain profiles on disk: JSON, written whole or not at all, checked when they are read."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import fields
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

from lightstack.errors import LightstackError, MissingInput, UnreadableInput
from lightstack.files.folder import write_json
from lightstack.files.limits import check_file_size
from lightstack.records import GrainDetail, GrainProfile
from lightstack.records.grain import REACH

__all__ = ["read_grain", "write_grain"]

KIND, VERSION = "lightstack grain profile", 1
_SIDE = 2 * REACH + 1
_SHAPES = {
    "a": (3,), "b": (3,), "a_half": (3,), "b_half": (3,), "autocorrelation": (3, _SIDE, _SIDE), "channels": (3, 3),
    "whiteness": (3,), "covered": (3, 2),
}  # fmt: skip
_CURVES = ("levels", "sigma", "codes", "sigma_codes")


def write_grain(path: Path, profile: GrainProfile) -> None:
    """Write a profile. Raises OutputError where the place cannot be written."""
    table = {field.name: _plain(getattr(profile, field.name)) for field in fields(profile)}
    if profile.detail is not None:
        table["detail"] = {field.name: _plain(getattr(profile.detail, field.name)) for field in fields(GrainDetail)}
    write_json(path, {"kind": KIND, "version": VERSION, **table})


def read_grain(path: Path) -> GrainProfile:
    """Read a profile back.

    Raises
    ------
    MissingInput, UnreadableInput
        If nothing is there; if it is not such a profile, or a number in it cannot be.
    """
    if not path.is_file():
        raise MissingInput(f"{path}: no such file; make one with `lightstack grain measure TAKE -o {path.name}`")
    try:
        check_file_size(path, "MEASURED_BYTES")
        table = json.loads(path.read_text(encoding="utf-8"))
    except LightstackError:
        raise
    except (OSError, ValueError, RecursionError) as error:
        raise UnreadableInput(f"{path}: is not a grain profile (no JSON that can be read); measure it again") from error
    if not isinstance(table, dict) or table.get("kind") != KIND:
        raise UnreadableInput(f"{path}: is not a grain profile; name a file that `lightstack grain measure` wrote")
    if table.get("version") != VERSION:
        raise UnreadableInput(
            f"{path}: is a grain profile of version {table.get('version')}, {VERSION} was expected; measure it again"
        )
    try:
        profile = _build(table)
        _check(profile)
    except (KeyError, TypeError, ValueError, OverflowError) as error:
        raise UnreadableInput(f"{path}: is a broken grain profile ({error}); measure it again") from error
    return profile


def _plain(value: Any) -> Any:
    """Turn arrays into lists; numbers that are not finite become null."""
    if isinstance(value, np.ndarray):
        return _plain(value.tolist())
    if isinstance(value, (list, tuple)):
        return [_plain(one) for one in value]
    if isinstance(value, float) and not np.isfinite(value):
        return None
    return value


def _array(value: Any, shape: tuple[int, ...] | None = None) -> np.ndarray:
    found = np.array(value, np.float64)  # null becomes NaN
    if shape is not None and found.shape != shape:
        raise ValueError(f"{found.shape} numbers where {shape} were expected")
    if shape is None and found.ndim != 1:
        raise ValueError("a row of numbers was expected")
    return found


def _build(table: dict[str, Any]) -> GrainProfile:
    readers: dict[str, Callable[[Any], Any]] = {
        "take": str, "encoding": str, "primaries": str, "is_linear": bool, "stale": float, "flattened": float,
        "share": float, "pairs": int, "patches": int, "size": lambda value: (int(value[0]), int(value[1])),
        "warnings": lambda value: tuple(str(one) for one in value),
    }  # fmt: skip
    readers |= {name: lambda value: tuple(_array(one) for one in value) for name in _CURVES}
    readers |= {name: partial(_array, shape=shape) for name, shape in _SHAPES.items()}
    readers["detail"] = _build_detail
    table = {"detail": None, **table}  # earlier profiles know nothing of it
    return GrainProfile(**{field.name: readers[field.name](table[field.name]) for field in fields(GrainProfile)})


def _build_detail(table: dict[str, Any] | None) -> GrainDetail | None:
    if table is None:
        return None
    beside = tuple(_array(one) for one in table["beside"])
    return GrainDetail(float(table["power"]), _array(table["points"]), _array(table["share"]), beside)


def _check(profile: GrainProfile) -> None:
    """Refuse numbers that no grain has. Raises ValueError."""
    for c in range(3):
        levels, sigma = profile.levels[c], profile.sigma[c]
        ascend = len(levels) > 0 and np.isfinite(levels).all() and not np.any(np.diff(levels) <= 0)
        if not ascend or levels.shape != sigma.shape:
            raise ValueError("levels must ascend, each with its strength")
        if not (np.isfinite(sigma).all() and (sigma >= 0).all()):
            raise ValueError("a strength is negative or no number")
    if profile.detail is not None:
        _check_detail(profile.detail, profile)
    for name in ("a", "b", "autocorrelation", "channels"):
        if not np.isfinite(getattr(profile, name)).all():
            raise ValueError(f"{name} holds what is no number")
    middle = profile.autocorrelation[:, REACH, REACH]
    if np.any(np.abs(middle - 1) > 1e-6) or np.abs(profile.autocorrelation).max() > 1 + 1e-6:
        raise ValueError("an autocorrelation is not between -1 and 1 with 1 in its middle")
    if np.abs(profile.channels).max() > 1 + 1e-6:
        raise ValueError("a correlation between channels lies beyond 1")
    if len(profile.levels) != 3 or len(profile.sigma) != 3 or min(profile.size) < 1:
        raise ValueError("three channels and a size were expected")


def _check_detail(detail: GrainDetail, profile: GrainProfile) -> None:
    """Refuse shares by detail that no grain has. Raises ValueError."""
    if len(detail.points) < 1 or detail.points.shape != detail.share.shape or np.any(np.diff(detail.points) <= 0):
        raise ValueError("points of detail must ascend, each with its share")
    if [len(one) for one in detail.beside] != [len(one) for one in profile.levels]:
        raise ValueError("every level needs its share by detail")
    shares = np.concatenate([detail.share, *detail.beside])
    if not (np.isfinite(shares).all() and (shares > 0).all() and np.isfinite(detail.points).all()):
        raise ValueError("a share by detail is not above 0")
    if not 0 < detail.power <= 1:
        raise ValueError("a power between 0 and 1 was expected")
