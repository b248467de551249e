"""A hand-over's folder: written beside its place and moved there whole, never over what somebody else put there."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

from lightstack.errors import OutputError
from lightstack.files.folder import (
    explain_os_error,
    flush_folder,
    read_json,
    real_path,
    remove_folders,
    write_json,
    write_whole,
)

__all__ = ["CHECKS", "CHECKSUMS", "check_target", "handed_whole", "link_or_copy", "list_handed", "mark", "write_sums"]

CHECKS, CHECKSUMS = "checks.json", "checksums.txt"
KIND = "lightstack hand-over"


def check_target(folder: Path, out: Path, *, replace: bool) -> None:
    """Refuse a place where a hand-over cannot or must not be written.

    Raises OutputError for a file, a place inside the build's own folder or around it, and a folder that holds anything
    but a former hand-over that may be replaced.
    """
    place, built = real_path(folder), real_path(out)
    if folder.exists() and not folder.is_dir():
        raise OutputError(f"{folder}: is a file, a folder was expected; name another")
    if place == built or built in place.parents:
        raise OutputError(f"{folder}: lies in {out}, where builds write; name a folder outside of it")
    if place in built.parents:
        raise OutputError(f"{folder}: holds {out}, where builds write; name another folder")
    with explain_os_error(folder):
        if not folder.exists() or not any(folder.iterdir()):
            return
    if read_json(folder / CHECKS).get("kind") != KIND:
        raise OutputError(f"{folder}: holds files that are no hand-over of lightstack's; name an empty or a new folder")
    if not replace:
        raise OutputError(f"{folder}: holds a former hand-over; add --replace to put this one in its place")
    others = sorted(set(list_handed(folder)) - read_sums(folder))
    if others:
        raise OutputError(
            f"{folder}: holds {others[0]}{f' and {len(others) - 1} more files' if others[1:] else ''}, no part of the "
            "former hand-over; move that away before it is replaced"
        )


@contextmanager
def handed_whole(folder: Path) -> Iterator[Path]:
    """Give an empty folder beside ``folder``; on success put it in its place, on failure leave all as it was.

    Raises OutputError where the disk is full or the place cannot be written.
    """
    place = real_path(folder)
    part, old = place.with_name(f".{place.name}.part"), place.with_name(f".{place.name}.old")
    with explain_os_error(folder):
        made = [parent for parent in place.parents if not parent.exists()]
    try:
        with explain_os_error(folder):
            shutil.rmtree(part, ignore_errors=True)  # of a run that was killed
            if old.is_dir() and not place.exists():  # killed between its two renames
                old.rename(place)
            part.mkdir(parents=True)
            yield part
            for inner in (part, *(below for below in part.rglob("*") if below.is_dir())):
                flush_folder(inner)
            if place.exists():
                shutil.rmtree(old, ignore_errors=True)
                place.rename(old)
            try:
                part.rename(place)
            except OSError:
                if old.exists():
                    old.rename(place)
                raise
            flush_folder(place.parent)
    finally:
        shutil.rmtree(part, ignore_errors=True)
        if place.exists():
            shutil.rmtree(old, ignore_errors=True)
        else:
            remove_folders(made)


def link_or_copy(source: Path, target: Path) -> None:
    """Give a finished file a second name, or copy it where that cannot be.

    Notes: a build replaces its files and never writes into them, so a second name keeps what was handed over.
    """
    target.parent.mkdir(parents=True, exist_ok=True)
    with suppress(OSError):
        os.link(source, target)
        return
    shutil.copyfile(source, target)
    with target.open("rb+") as stream:
        os.fsync(stream.fileno())


def list_handed(folder: Path) -> list[str]:
    """Return every file below a folder by its relative name, with slashes, in order."""
    return sorted(path.relative_to(folder).as_posix() for path in folder.rglob("*") if not path.is_dir())


def mark(folder: Path, checks: Mapping[str, Any]) -> None:
    """Write what was checked; by this file a folder is known as a hand-over."""
    write_json(folder / CHECKS, {"kind": KIND, **checks})


def write_sums(folder: Path, sums: Iterable[tuple[str, str]]) -> None:
    """Write checksums of (name, SHA-256) as the common checksum tools read and write them."""
    lines = "".join(f"{digest}  {name}\n" for name, digest in sorted(sums))
    write_whole(folder / CHECKSUMS, lines.encode())


def read_sums(folder: Path) -> set[str]:
    """Return the names that a hand-over's checksums list, and that of the list itself."""
    try:
        lines = (folder / CHECKSUMS).read_text(encoding="utf-8").splitlines()
    except (OSError, ValueError):
        lines = []
    return {CHECKSUMS, *(line[66:] for line in lines)}
