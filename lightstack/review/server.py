"""The review page's server: on this machine alone, at a port of its own, until Ctrl-C."""

from __future__ import annotations

import asyncio
import json
import logging
import os
import secrets
import socket
import sys
import webbrowser
from collections.abc import Callable
from pathlib import Path
from threading import Event
from types import FrameType

import uvicorn
from uvicorn.protocols.http.h11_impl import H11Protocol

from lightstack.errors import SettingError
from lightstack.jobs.review.review import Review
from lightstack.jobs.takes.options import BuildOptions
from lightstack.records import Progress
from lightstack.review.guard import HEADERS, Guard
from lightstack.review.pages import read_pages
from lightstack.review.routes import make_app

__all__ = ["serve_review"]

HOST = "127.0.0.1"
MOST_CONNECTIONS = 64
HEAD_S = 10.0  # in which a request must have begun to be answered
IDLE_S = 30
STOP_S = 2
ONCE = "the address opens once, in one browser; stop with Ctrl-C, start again for a new one"
NO_BROWSER = ("no browser was found here; open the address by hand",)


class HastyProtocol(H11Protocol):
    """Hangs up on whoever does not come to the point, and takes no more guests than there are chairs."""

    _clock: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Begin to wait for a request, or send somebody away."""
        super().connection_made(transport)
        if len(self.connections) > MOST_CONNECTIONS:
            transport.write(say_plainly("503 Service Unavailable", "Too much is asked at once. Ask again in a moment."))
            transport.close()
            return
        self._watch()

    def data_received(self, data: bytes) -> None:
        """Take what came; a request must come whole within a time, its first as well as a later one."""
        if not self.transport.is_closing():
            super().data_received(data)
            self._watch()

    def send_400_response(self, msg: str) -> None:
        """Refuse what is no HTTP."""
        self.transport.write(say_plainly("400 Bad Request", "This is no request that a browser sends."))
        self.transport.close()

    @property
    def _waits(self) -> bool:
        return self.cycle is None or self.cycle.response_complete

    def _watch(self) -> None:
        if not self._waits and self._clock is not None:
            self._clock.cancel()
            self._clock = None
        elif self._waits and self._clock is None:
            self._clock = self.loop.call_later(HEAD_S, self._hang_up)

    def _hang_up(self) -> None:
        self._clock = None
        if self._waits and not self.transport.is_closing():
            self.transport.close()


def say_plainly(status: str, words: str) -> bytes:
    """Return a whole answer, for where there is no application to give one."""
    body = json.dumps({"error": words}).encode()
    kind = (("content-type", "application/json"), ("content-length", str(len(body))), ("connection", "close"))
    lines = [f"HTTP/1.1 {status}", *(f"{name}: {value}" for name, value in (*kind, *HEADERS))]
    return "\r\n".join([*lines, "", ""]).encode() + body


def serve_review(
    shot: Path,
    *,
    port: int | None,
    browser: bool,
    options: BuildOptions,
    progress: Progress,
    tell: Callable[[str, tuple[str, ...]], None],
) -> None:
    """Open a built shot and serve its page until Ctrl-C.

    ``port``: None takes a free one. ``tell`` is given the address, once the page can be opened, and lines for people.

    Raises
    ------
    LightstackError
        With one line where the shot is not built, or the port is taken.
    KeyboardInterrupt
        At the end.
    """
    listening = listen(port)
    try:
        number = int(listening.getsockname()[1])
        review = Review(shot, options=options, progress=progress)
        try:
            token = secrets.token_urlsafe(32)
            address = f"http://{HOST}:{number}/?token={token}"
            leaving = Event()
            app = make_app(review, read_pages(), leaving)
            server = make_server(Guard(app, port=number, token=token), leaving)
            alone = not browser or not open_browser(address)
            tell(address, (*(NO_BROWSER if browser and alone else ()), ONCE))
            server.run(sockets=[listening])
        finally:
            review.close()
    finally:
        listening.close()


def listen(port: int | None) -> socket.socket:
    """Return a socket that listens on this machine alone. Raises SettingError where the port is taken."""
    listening = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    try:
        if sys.platform != "win32":  # there it would let two servers share a port
            listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listening.bind((HOST, port or 0))
        listening.listen(MOST_CONNECTIONS)
    except OSError as error:
        listening.close()
        reason = error.strerror or "it cannot be had"
        raise SettingError(f"--port {port}: {reason}; name another, or leave it out for a free one") from error
    return listening


class PageServer(uvicorn.Server):
    """A server that tells its application when it is about to end; what is broken off by that is no news."""

    def __init__(self, config: uvicorn.Config, leaving: Event) -> None:
        super().__init__(config)
        self._leaving = leaving

    def handle_exit(self, sig: int, frame: FrameType | None) -> None:
        """Begin to end."""
        self._leaving.set()
        logging.getLogger("uvicorn.error").setLevel(logging.CRITICAL + 1)
        super().handle_exit(sig, frame)


def make_server(app: Guard, leaving: Event | None = None) -> PageServer:
    """Return the server of an application; ``leaving`` is set when it is about to end."""
    return PageServer(
        uvicorn.Config(
            app,  # type: ignore[arg-type]
            http=HastyProtocol,
            ws="none",
            lifespan="off",
            log_config=None,
            access_log=False,
            proxy_headers=False,
            server_header=False,
            date_header=False,
            timeout_keep_alive=IDLE_S,
            timeout_graceful_shutdown=STOP_S,
        ),
        leaving or Event(),
    )


def open_browser(address: str) -> bool:
    """Open the address in the machine's browser; tell whether there is one with windows."""
    graphic = sys.platform in ("win32", "darwin") or os.environ.get("DISPLAY") or os.environ.get("WAYLAND_DISPLAY")
    if not graphic and "BROWSER" not in os.environ:
        return False  # one that draws in this terminal would take it over
    try:
        return webbrowser.open(address)
    except (webbrowser.Error, OSError):
        return False
