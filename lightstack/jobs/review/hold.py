"""What a review page makes for itself in a build's folder: never beside a build, never twice at a time, and no old
things beside new ones."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from threading import Lock

from lightstack.errors import LightstackError
from lightstack.files.folder import MARK
from lightstack.files.folder_lock import PAGE, FolderBusy, folder_is_busy, held_folder
from lightstack.files.kept.identity import StageBook
from lightstack.jobs.review.hero import NotYet
from lightstack.jobs.review.open import see_built

__all__ = ["Flights", "PageHold", "StaleShot"]

class StaleShot(LightstackError):
    """The shot file, or what was built, is another than what the page knows."""


class PageHold:
    """Holds the output folder for as long as the page makes something there.

    ``made``: what `see_built` told when the shot was opened. Safe to use from several threads.
    """

    def __init__(self, book: StageBook, made: str) -> None:
        self._book, self._made = book, made
        self._lock, self._count, self._held = Lock(), 0, ExitStack()
        self._seen: tuple[int, ...] = ()
        self._anew = False

    def is_building(self) -> bool:
        """Tell whether somebody else is at work in the folder."""
        with self._lock:
            return not self._count and folder_is_busy(self._book.folder.scratch)

    def is_anew(self) -> bool:
        """Tell whether the shot was built since it was opened here; not while that build still runs."""
        return self._has_changed() and not self.is_building()

    def keep_on(self) -> None:
        """Go on with what is open, though it was built since."""
        self._made, self._seen = see_built(self._book), ()

    def check_steady(self) -> None:
        """Raise NotYet where files may be changing, StaleShot where they have."""
        if self.is_building():
            raise NotYet("a build is at work in this shot; ask again when it has ended")
        if self._has_changed():
            raise StaleShot("the room was built anew: load this page again")

    @contextmanager
    def work(self) -> Iterator[None]:
        """Hold the folder, together with whatever else the page makes. Raises NotYet, StaleShot."""
        self._enter()
        try:
            if self._has_changed():
                raise StaleShot("the room was built anew: load this page again")
            yield
        finally:
            with self._lock:
                self._count -= 1
                if not self._count:
                    self._held.close()

    def _enter(self) -> None:
        with self._lock:
            if not self._count:
                try:
                    self._held.enter_context(held_folder(self._book.folder.scratch, PAGE, patience_s=0.0))
                except FolderBusy:
                    raise NotYet("a build is at work in this shot; ask again when it has ended") from None
                self._book.reread()
            self._count += 1

    def _has_changed(self) -> bool:
        try:
            stat = (self._book.folder.scratch / MARK).stat()
        except OSError:
            return True
        seen = (stat.st_size, stat.st_mtime_ns, stat.st_ino)
        if seen != self._seen:
            self._anew = see_built(self._book) != self._made
            self._seen = seen
        return self._anew


class Flights:
    """One at a time of each kind of work; whoever comes later finds it done."""

    def __init__(self) -> None:
        self._lock, self._locks, self._wanted = Lock(), dict[str, Lock](), Counter[str]()

    @contextmanager
    def of(self, *names: str) -> Iterator[None]:
        """Wait until nobody else works on any of these."""
        with ExitStack() as stack:
            for name in sorted(set(names)):  # in one order, or two would wait for each other
                stack.enter_context(self._one(name))
            yield

    @contextmanager
    def _one(self, name: str) -> Iterator[None]:
        with self._lock:
            self._wanted[name] += 1
            lock = self._locks.setdefault(name, Lock())
        try:
            with lock:
                yield
        finally:
            with self._lock:
                self._wanted[name] -= 1
                if not self._wanted[name]:
                    del self._wanted[name], self._locks[name]
