"""The page itself: a fixed list of files, read once at the start, found by name and by nothing else."""

from __future__ import annotations

from dataclasses import dataclass
from importlib.resources import files
from importlib.resources.abc import Traversable

__all__ = ["PageFile", "read_pages"]

KINDS = {
    "html": "text/html; charset=utf-8",
    "css": "text/css; charset=utf-8",
    "js": "text/javascript; charset=utf-8",
    "mjs": "text/javascript; charset=utf-8",
    "json": "application/json",
    "svg": "image/svg+xml",
    "png": "image/png",
    "glsl": "text/plain; charset=utf-8",
    "vert": "text/plain; charset=utf-8",
    "frag": "text/plain; charset=utf-8",
    "txt": "text/plain; charset=utf-8",
    "woff2": "font/woff2",
}


@dataclass(frozen=True, slots=True)
class PageFile:
    """One file of the page."""

    data: bytes
    kind: str


def read_pages() -> dict[str, PageFile]:
    """Return every file of the page by its path below the page's root, ``"index.html"``, ``"vendor/name.js"``."""
    return dict(list_pages(files("lightstack.review") / "static", ""))


def list_pages(folder: Traversable, prefix: str) -> list[tuple[str, PageFile]]:
    """Return the files of a folder and of those in it; files of other kinds are left out."""
    found: list[tuple[str, PageFile]] = []
    if not folder.is_dir():
        return found
    for entry in folder.iterdir():
        name = f"{prefix}{entry.name}"
        if entry.is_dir():
            found += list_pages(entry, f"{name}/")
        elif entry.name.rpartition(".")[2] in KINDS:
            found.append((name, PageFile(entry.read_bytes(), KINDS[entry.name.rpartition(".")[2]])))
    return found
