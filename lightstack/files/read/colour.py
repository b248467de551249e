"""Colour spaces by name: our own curves first, then those of an OpenColorIO configuration.

The configuration is the one named, else the one in ``$OCIO``, else a built-in studio configuration pinned
by its full name, so that a newer library does not change what a name means. A space that is one of our
curves and a 3 x 3 matrix is recognised as such, and checked against OpenColorIO on a lattice; the compiled
reading pass then does the work. Any other space is decoded by OpenColorIO's own processor.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from lightstack.core.colour.light import (
    CURVE_PRIMARIES,
    CURVES,
    PRIMARIES,
    Curve,
    apply_matrix,
    convert_matrix,
    custom_primaries,
    find_primaries,
    rgb_to_xyz,
)
from lightstack.core.colour.names import nearest_names, suggest_name
from lightstack.errors import MissingInput, SettingError, UnreadableInput
from lightstack.files.limits import check_file_size
from lightstack.files.reading import reading

__all__ = [
    "BUILTIN_CONFIG",
    "ResolvedColour",
    "config_id",
    "default_view",
    "display_processor",
    "fuse",
    "linear_processor",
    "list_spaces",
    "name_config",
    "pin_config",
    "resolve_colour",
]

BUILTIN_CONFIG = "studio-config-v4.0.0_aces-v2.0_ocio-v2.5"
FUSE_TOLERANCE = 1e-5  # of the light, or of 1.0 where that is more

Convert = Callable[[NDArray[np.float32]], NDArray[np.float32]]


@dataclass(frozen=True, slots=True)
class ResolvedColour:
    """What a colour name means: a curve and primaries of ours, or a space that OpenColorIO must decode.

    Where ``ocio_space`` is set, ``transfer`` is "linear" and ``primaries`` "ap0": what `linear_processor`
    gives without a working space. ``assumed``: one sentence per guess.
    """

    transfer: str
    primaries: str
    ocio_space: str | None = None
    assumed: tuple[str, ...] = ()


def resolve_colour(name: str, *, config: str | Path | None = None) -> ResolvedColour:
    """Find out what ``name`` means: "curve", "curve/primaries", "ocio:SPACE", or a configuration's SPACE or
    alias.

    Raises: SettingError for an unknown name, with the nearest ones; MissingInput, UnreadableInput for the
    configuration file.
    """
    curve, _, primaries = name.partition("/")
    if curve in CURVES and (not primaries or primaries in PRIMARIES):
        return _own_colour(curve, primaries)
    if curve in CURVES and primaries not in list_spaces(config):
        raise SettingError(
            f"colour {name!r}: unknown primaries {primaries!r}{suggest_name(primaries, PRIMARIES)}"
        )
    space = _find_space(name.removeprefix("ocio:"), config, name)
    fused = fuse(space, config=config)
    return fused or ResolvedColour("linear", "ap0", space)


def linear_processor(
    space: str, working_primaries: str = "ap0", *, config: str | Path | None = None, inverse: bool = False
) -> Convert:
    """Return a function from ``space`` to linear light in ``working_primaries`` (``inverse``: back again).

    The function takes ``(H, W, 3)`` float32 and returns a new array of the same shape; it may be called from
    several threads. Raises: SettingError for an unknown or colourless space.
    """
    named = _find_space(space.removeprefix("ocio:"), config, space)
    processor = _cpu_processor(named, _key(config), inverse)
    find_primaries(working_primaries)
    ends = (working_primaries, "ap0") if inverse else ("ap0", working_primaries)
    matrix = convert_matrix(*ends)

    def convert(pixels: NDArray[np.float32]) -> NDArray[np.float32]:
        if inverse:
            pixels = apply_matrix(np.asarray(pixels, np.float32), matrix)
        out = np.array(pixels, np.float32, order="C")
        processor.applyRGB(out)
        return out if inverse else apply_matrix(out, matrix)

    return convert


def default_view(*, config: str | Path | None = None) -> tuple[str, str]:
    """Return the configuration's default display and its default view."""
    loaded = _load(_key(config))
    display = str(loaded.getDefaultDisplay())
    return display, str(loaded.getDefaultView(display))


def display_processor(
    display: str, view: str, working_primaries: str, *, config: str | Path | None = None
) -> DisplayView:
    """Return a function from linear light to the signal of a configuration's display and view, 0..1.

    Raises: SettingError for an unknown display or view, naming those that there are.
    """
    ocio, loaded = _library(), _load(_key(config))
    displays = list(loaded.getDisplays())
    if display not in displays:
        raise SettingError(f"unknown display {display!r}; the configuration has: {', '.join(displays)}")
    views = list(loaded.getViews(display))
    if view not in views:
        raise SettingError(f"unknown view {view!r} of {display!r}; it has: {', '.join(views)}")
    shown = ocio.DisplayViewTransform(src=_interchange(loaded), display=display, view=view)
    processor = loaded.getProcessor(shown).getOptimizedCPUProcessor(ocio.OPTIMIZATION_LOSSLESS)
    matrix = convert_matrix(working_primaries, "ap0")

    return DisplayView(processor, matrix, (display, view, working_primaries, _key(config)))


class DisplayView:
    """From linear light to a screen's signal, as a function; ``asked``: what `display_processor` was asked for."""

    def __init__(self, processor: Any, matrix: NDArray[np.float64], asked: tuple[str, str, str, str]) -> None:
        self._processor, self._matrix, self._asked = processor, matrix, asked

    def __call__(self, pixels: NDArray[np.float32]) -> NDArray[np.float32]:
        out = np.ascontiguousarray(apply_matrix(np.asarray(pixels, np.float32), self._matrix))
        self._processor.applyRGB(out)
        return out

    def __reduce__(self) -> tuple[Any, ...]:
        *asked, config = self._asked
        return _display_again, (*asked, _absolute(config))


def _display_again(display: str, view: str, working_primaries: str, config: str) -> DisplayView:
    return display_processor(display, view, working_primaries, config=config)


def pin_config(config: str | Path | None) -> str | Path | None:
    """Return a configuration as it is found from anywhere: what the environment names is named."""
    chosen = config or os.environ.get("OCIO", "")
    return _absolute(str(chosen)) if chosen else None


def _absolute(key: str) -> str:
    return os.path.abspath(key) if Path(key).is_file() else key


def list_spaces(config: str | Path | None = None) -> tuple[str, ...]:
    """Return the names of the configuration's colour spaces."""
    return tuple(_load(_key(config)).getColorSpaceNames())


def config_id(config: str | Path | None = None) -> str:
    """Return what identifies the configuration in force: its name and OpenColorIO's hash of its content."""
    loaded = _load(_key(config))
    return f"{loaded.getName() or 'unnamed'} {loaded.getCacheID()}"


def name_config(config: str | Path | None = None) -> str:
    """Return `config_id` without loading the built-in configuration, whose pinned name says it all."""
    return BUILTIN_CONFIG if _key(config) == BUILTIN_CONFIG else config_id(config)


def fuse(space: str, *, config: str | Path | None = None) -> ResolvedColour | None:
    """Return the curve and primaries that equal a configuration's space, or None where there are none.

    Compared with OpenColorIO's own processor on a 17 x 17 x 17 lattice of signals in 0..1: within 1e-5 of the
    light (of 1.0 where the light is less). Beyond 0..1 our curves go on as documented in ``core/colour/curves.py``.
    """
    processor = _cpu_processor(space, _key(config), False)
    ramp = np.linspace(0.0, 1.0, 65)
    greys = _run(processor, np.repeat(ramp[:, None], 3, axis=1))
    for curve in CURVES.values():
        # White is neutral in AP0 too, so a grey's green is the curve itself, whatever the matrix.
        if not _close(greys[:, 1], curve.decode(ramp)):
            continue
        primaries = _find_matrix_primaries(processor, curve)
        if primaries and _agrees_on_lattice(processor, curve, primaries):
            return ResolvedColour(curve.name, primaries)
    return None


# --- helpers ---------------------------------------------------------------------------------------


def _library() -> Any:
    import PyOpenColorIO  # loading it takes longer than --help may

    return PyOpenColorIO


def _own_colour(curve: str, primaries: str) -> ResolvedColour:
    if primaries:
        return ResolvedColour(curve, primaries)
    usual = CURVE_PRIMARIES[curve]
    return ResolvedColour(curve, usual, None, (f"{curve} is taken to be recorded in {usual} primaries",))


def _key(config: str | Path | None) -> str:
    return str(config) if config else os.environ.get("OCIO", "") or BUILTIN_CONFIG


@lru_cache(maxsize=8)
def _load(key: str) -> Any:
    ocio = _library()
    builtin = key.removeprefix("ocio://")
    if builtin in {entry[0] for entry in ocio.BuiltinConfigRegistry().getBuiltinConfigs()}:
        return ocio.Config.CreateFromBuiltinConfig(builtin)
    if not Path(key).is_file():
        raise MissingInput(f"{key}: no such colour configuration; name a file or a built-in configuration")
    check_file_size(Path(key), "COLOUR_BYTES")
    try:
        with reading(Path(key)):
            return ocio.Config.CreateFromFile(key)
    except ocio.Exception as error:
        raise UnreadableInput(f"{key}: is not a colour configuration ({_one_line(error)})") from error
    except UnicodeDecodeError:  # what is wrong is told in the file's own letters
        raise UnreadableInput(f"{key}: is not a colour configuration (it is no text, or damaged)") from None


def _find_space(space: str, config: str | Path | None, asked: str) -> str:
    loaded = _load(_key(config))
    found = loaded.getColorSpace(space)  # by name, alias or role, in any case
    if found is None:
        known = (*CURVES, *loaded.getColorSpaceNames())
        near = nearest_names(space, known)
        hint = (
            f"nearest: {', '.join(near)}"
            if near
            else f"one of {', '.join(CURVES)}, or a configuration's space"
        )
        raise SettingError(f"unknown colour {asked!r}; {hint}")
    if found.isData():
        raise SettingError(
            f"colour {asked!r} is a space for data without colour; name what the camera recorded"
        )
    return str(found.getName())


def _interchange(loaded: Any) -> str:
    if loaded.hasRole("aces_interchange"):
        return "aces_interchange"
    raise SettingError(
        "the colour configuration has no role aces_interchange, so its spaces cannot be related to light; "
        f"add the role, or use {BUILTIN_CONFIG}"
    )


@lru_cache(maxsize=64)
def _cpu_processor(space: str, key: str, inverse: bool) -> Any:
    ocio, loaded = _library(), _load(key)
    ends = (_interchange(loaded), space) if inverse else (space, _interchange(loaded))
    try:
        processor = loaded.getProcessor(*ends)
    except ocio.Exception as error:
        raise SettingError(f"colour {space!r} cannot be converted ({_one_line(error)})") from error
    # Lossless leaves out the fast powers, which are off by about 1e-5.
    return processor.getOptimizedCPUProcessor(ocio.OPTIMIZATION_LOSSLESS)


def _run(processor: Any, signals: NDArray) -> NDArray[np.float64]:
    pixels = np.ascontiguousarray(signals, np.float32).reshape(1, -1, 3)
    processor.applyRGB(pixels)
    return pixels.reshape(-1, 3).astype(np.float64)


def _close(found: NDArray, expected: NDArray) -> bool:
    return bool(np.all(np.abs(found - expected) <= FUSE_TOLERANCE * np.maximum(1.0, np.abs(expected))))


def _find_matrix_primaries(processor: Any, curve: Curve) -> str | None:
    """Name the primaries whose matrix to AP0 is the processor's, or spell out primaries that have it."""
    corners = _run(processor, curve.encode(np.vstack([np.eye(3), np.zeros((1, 3))])))
    matrix = (corners[:3] - corners[3]).T
    for name in PRIMARIES:
        if np.abs(convert_matrix(name, "ap0") - matrix).max() <= FUSE_TOLERANCE:
            return name
    # Unknown primaries with the usual white: their XYZ are the matrix's columns, adapted back to D65.
    columns = rgb_to_xyz("bt709") @ convert_matrix("ap0", "bt709") @ matrix
    sums = columns.sum(axis=0)
    if np.abs(sums).min() < 1e-6:
        return None
    white = find_primaries("bt709").white
    try:
        return custom_primaries([*(columns[:2] / sums).T.ravel(), *white]).name
    except SettingError:
        return None


def _agrees_on_lattice(processor: Any, curve: Curve, primaries: str) -> bool:
    axis = np.linspace(0.0, 1.0, 17)
    lattice = np.stack(np.meshgrid(axis, axis, axis, indexing="ij"), axis=-1).reshape(-1, 3)
    ours = apply_matrix(curve.decode(lattice), convert_matrix(primaries, "ap0"))
    return bool(
        np.all(
            np.abs(_run(processor, lattice) - ours)
            <= FUSE_TOLERANCE * np.maximum(1.0, np.abs(ours).max(axis=-1, keepdims=True))
        )
    )


def _one_line(error: Exception) -> str:
    return " ".join(str(error).split())
