"""How large things may be that a file claims to hold: judged before room is made for them.

A damaged or a malicious file of a few bytes may claim to be anything. Every limit stands here, with its reason; each is
raised by an environment variable of its name (``LIGHTSTACK_PICTURE_PIXELS=300000000``) where something larger is meant.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from lightstack.errors import UnreadableInput

__all__ = [
    "LIMITS",
    "Limit",
    "check_file_size",
    "check_limit",
    "check_picture_size",
    "clean_words",
    "find_limit",
    "load_pictures",
]

PREFIX = "LIGHTSTACK_"


@dataclass(frozen=True, slots=True)
class Limit:
    """The ``most`` of something, in words ``what`` is counted, and the ``reason`` for this number."""

    most: int
    what: str
    reason: str


LIMITS = {
    "PICTURE_SIDE": Limit(65_500, "pixels a side", "what JPEG can hold; no camera is near it"),
    "PICTURE_PIXELS": Limit(1 << 27, "pixels", "16384 x 8192, beyond any film camera: 5 GB to work on here"),
    "PICTURE_CHANNELS": Limit(512, "channels", "renders of many layers hold some dozens to hundreds"),
    "PICTURE_PARTS": Limit(2_048, "parts in one file", "a light stack holds one part per still and some behind them"),
    "HEADER_BYTES": Limit(1 << 25, "bytes of header", "32 MiB: thousands of parts take a kB each, a preview a MB"),
    "FOLDER_FILES": Limit(500_000, "files in one folder", "two hours at 60 a second; each takes half a kB here"),
    "MOVIE_FRAMES": Limit(8_000_000, "frames in one movie", "37 hours at 60 a second; each takes some 100 bytes here"),
    "SOUND_SECONDS": Limit(48 * 3600, "seconds of sound", "two days; each takes 3 kB here"),
    "SOUND_CHANNELS": Limit(64, "channels of sound", "ambisonics of seventh order; recorders hold 32"),
    "TABLE_BYTES": Limit(1 << 26, "bytes of a table", "64 MiB: a million rows; a table of an hour's frames has 5"),
    "FRAME_NUMBER": Limit(2**31 - 1, "as a frame's number", "32 bits, which most that reads such tables counts with"),
    "SIDE_BYTES": Limit(1 << 26, "bytes of a side file", "64 MiB: a list of a million names"),
    "BOOK_BYTES": Limit(1 << 28, "bytes of a book of stages", "256 MiB: check sums of a million stills"),
    "MEASURED_BYTES": Limit(1 << 22, "bytes of a measured curve or profile", "4 MiB: ten times the longest"),
    "SHOT_BYTES": Limit(1 << 21, "bytes of a shot file", "2 MiB: it is written by hand; 100,000 drawn points fit"),
    "KEPT_BYTES": Limit(1 << 33, "bytes of a kept record", "8 GiB: more than the longest take's; read where it lies"),
    "PACKED_BYTES": Limit(1 << 30, "bytes of one frame's masks", "1 GiB: 8 bytes a pixel of the largest picture"),
    "SCENE_BYTES": Limit(1 << 28, "bytes of a scene", "256 MiB: a light has a line per frame"),
    "COLOUR_BYTES": Limit(1 << 28, "bytes of a colour configuration", "256 MiB: large ones with their tables are 50"),
}


def find_limit(name: str) -> int:
    """Return a limit: the environment's, where it names a whole number above 0."""
    given = os.environ.get(PREFIX + name, "")
    return int(given) if given.isascii() and given.isdigit() and int(given) > 0 else LIMITS[name].most


def check_limit(path: Path, name: str, count: int, *, claims: str = "") -> None:
    """Refuse a file that claims to hold more than a limit. ``claims``: it in words, else the count is told.

    Raises UnreadableInput, in one line that names the limit and how to raise it.
    """
    most = find_limit(name)
    if count > most:
        said = claims or f"{count} {LIMITS[name].what}"
        raise UnreadableInput(
            f"{path}: claims to hold {said}, the limit is {most} {LIMITS[name].what}; mend or scale down the file, "
            f"or set {PREFIX}{name} higher if that is meant"
        )


def check_file_size(path: Path, name: str) -> None:
    """Refuse a file that is larger than a limit in bytes. Raises UnreadableInput; OSError where it cannot be asked."""
    size, most = path.stat().st_size, find_limit(name)
    if size > most:
        raise UnreadableInput(
            f"{path}: is too large ({size} bytes), the limit is {most} {LIMITS[name].what}; name another file, "
            f"or set {PREFIX}{name} higher if that is meant"
        )


def check_picture_size(path: Path, width: int, height: int) -> None:
    """Refuse a picture that is too large. Raises UnreadableInput."""
    for name, count in (("PICTURE_SIDE", max(width, height)), ("PICTURE_PIXELS", width * height)):
        check_limit(path, name, count, claims=f"{width} x {height} pixels")


def load_pictures() -> Any:
    """Return the library that reads pictures; its own limits lie where only what is judged here anyway reaches them."""
    import OpenImageIO as oiio  # loading it takes longer than --help may

    oiio.attribute("limits:imagesize_MB", 0)  # opening makes no room; what is opened is judged before it is read
    oiio.attribute("limits:channels", 2 * find_limit("PICTURE_CHANNELS"))
    return oiio


def clean_words(ask: Any) -> str:
    """Return what a library says went wrong, which ``ask`` asks it, in one line, whatever letters it is in."""
    try:
        return " ".join(str(ask()).split())
    except UnicodeDecodeError as error:
        return " ".join(bytes(error.object).decode(errors="replace").split())
