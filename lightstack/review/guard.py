"""Nobody else gets in: who may ask the review page's server, and what every answer carries.

The address that is printed holds a token that opens the page once. It sets a cookie and hands the page a key of its
own, behind the mark of an address, which no browser sends anywhere. Every other request needs the cookie, this
machine's own name and, where a browser says where it comes from, this very page; what is asked of the shot needs the
key too. A browser sends its cookies to every port of a machine: another server may learn the cookie, never the key.
"""

from __future__ import annotations

import asyncio
import json
import secrets
from collections.abc import Awaitable, Callable, MutableMapping
from hmac import compare_digest
from threading import Lock
from typing import Any
from urllib.parse import parse_qs

__all__ = ["HEADERS", "KEY", "MOST_BYTES", "Guard"]

Message = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[Message]]
Send = Callable[[Message], Awaitable[None]]
App = Callable[[Message, Receive, Send], Awaitable[None]]

KEY = "x-review-key"  # the header that carries the page's own key
MOST_BYTES = 1 << 20  # of what is sent to the server
MOST_PATH = 1024  # characters of an address, without what stands behind the question mark
BODY_S = 10.0  # in which all of it must have come
HEADERS = (
    (
        "content-security-policy",
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob: data:; connect-src 'self'; "
        "base-uri 'none'; form-action 'none'; frame-ancestors 'none'",
    ),
    ("x-content-type-options", "nosniff"),
    ("referrer-policy", "no-referrer"),
    ("cross-origin-opener-policy", "same-origin"),
    ("cross-origin-resource-policy", "same-origin"),
    ("cache-control", "no-store"),
)
USED = (
    "This address has been used, or is not the one that was printed. It opens the page once, in one browser; a second "
    "tab of that browser needs only the address without its end. For a new one, stop `lightstack review` and start it "
    "again."
)
CLOSE = [("connection", "close")]  # for what nobody waits for
NO_KEY = "This page has lost its key, or never had it. Open it by the address that was printed."


class Guard:
    """Stands before the application and lets nothing through that is not the page's own.

    ``port``: that the server listens at; ``token``: of the printed address, good for one use.
    """

    def __init__(self, app: App, *, port: int, token: str) -> None:
        self._app, self._token = app, token
        self._hosts = {f"127.0.0.1:{port}", f"localhost:{port}"}
        self._origins = {f"http://{host}" for host in self._hosts}
        self._cookie, self._secret = f"review_{port}", secrets.token_urlsafe(32)  # cookies are shared by all ports
        self._key = secrets.token_urlsafe(32)
        self._lock = Lock()

    async def __call__(self, scope: Message, receive: Receive, send: Send) -> None:
        """Answer one request, or pass it on."""
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        if scope["type"] != "http":  # a web socket: there is none here
            return
        headers = read_headers(scope)
        guarded = add_headers(send)
        refused = self._refuse(scope, headers)
        if refused is not None:
            await answer(guarded, *refused, headers=CLOSE if scope["method"] == "POST" else None)
        elif not self._knows(headers) or "token" in parse_query(scope):
            await self._open_door(scope, headers, guarded)
        elif scope["path"].startswith("/api/") and not is_same(headers.get(KEY, ""), self._key):
            await answer(guarded, 403, NO_KEY)
        else:
            body = await read_body(receive) if scope["method"] == "POST" else b""
            if isinstance(body, int):
                words = "The request is too large." if body == 413 else "The request did not come."
                await answer(guarded, body, words, CLOSE)
                return
            await self._app(scope, replay(body, receive), guarded)

    def _refuse(self, scope: Message, headers: dict[str, str]) -> tuple[int, str] | None:
        """Return status and words for what is not asked by the page on this machine."""
        if headers.get("host", "").lower() not in self._hosts:
            return 403, "This server answers only to the machine that it runs on, by the address that was printed."
        origin = headers.get("origin")
        if origin is not None and origin.lower() not in self._origins:
            return 403, "Another site's page may not ask this server."
        if headers.get("sec-fetch-site", "none") not in ("none", "same-origin") and scope["path"] != "/":
            return 403, "Another site's page may not ask this server."
        if len(scope["path"]) > MOST_PATH:
            return 414, "The address is too long."
        if scope["method"] not in ("GET", "HEAD", "POST"):
            return 405, "This server knows GET and POST."
        if scope["method"] != "POST":
            return None
        if origin is None:
            return 403, "A change must come from the page itself."
        if headers.get("content-type", "").split(";")[0].strip().lower() != "application/json":
            return 415, "A change must be sent as JSON."
        size = headers.get("content-length", "0")
        if not size.isdecimal() or len(size) > len(str(MOST_BYTES)) or int(size) > MOST_BYTES:
            return 413, "The request is too large."
        return None

    def _knows(self, headers: dict[str, str]) -> bool:
        """Tell whether the request carries the page's cookie, whatever another server of this machine put beside it."""
        sent = (part.partition("=") for part in headers.get("cookie", "").split(";"))
        return any(is_same(value.strip(), self._secret) for name, _, value in sent if name.strip() == self._cookie)

    async def _open_door(self, scope: Message, headers: dict[str, str], send: Send) -> None:
        """Trade the token of the printed address for the cookie."""
        given = parse_query(scope).get("token", [""])[0]
        if scope["path"] != "/" or scope["method"] != "GET":
            await answer(send, 403, "This page is private. Open it by the address that was printed.")
        elif self._knows(headers):
            await answer(send, 303, "", [("location", "/")])
        elif not given:
            await answer(send, 403, "This page is private. Open it by the address that was printed.")
        elif not self._spend(given):
            await answer(send, 403, USED)
        else:
            cookie = f"{self._cookie}={self._secret}; HttpOnly; SameSite=Strict; Path=/"
            await answer(send, 303, "", [("location", f"/#key={self._key}"), ("set-cookie", cookie)])

    def _spend(self, given: str) -> bool:
        """Tell whether a token is the right one, which it is once."""
        with self._lock:
            right = bool(self._token) and is_same(given, self._token)
            if right:
                self._token = ""
            return right


def is_same(given: str, right: str) -> bool:
    """Tell whether two secrets are the same, in a time that does not tell where they differ."""
    return compare_digest(given.encode(errors="replace"), right.encode())


def read_headers(scope: Message) -> dict[str, str]:
    """Return a request's headers; of one that comes twice, both, which fits nothing."""
    found: dict[str, str] = {}
    for name, value in scope["headers"]:
        key, text = name.decode("latin-1").lower(), value.decode("latin-1")
        found[key] = f"{found[key]}; {text}" if key in found else text
    return found


def parse_query(scope: Message) -> dict[str, list[str]]:
    """Return what stands behind the question mark."""
    try:
        return parse_qs(scope["query_string"].decode("latin-1"), max_num_fields=8)
    except ValueError:
        return {}


def add_headers(send: Send) -> Send:
    """Return what sends an answer with the headers that every answer carries."""

    async def guarded(message: Message) -> None:
        if message["type"] == "http.response.start":
            mine = {name.encode() for name, _ in HEADERS}
            kept = [(name, value) for name, value in message.get("headers", []) if name.lower() not in mine]
            message = {**message, "headers": [*kept, *((n.encode(), v.encode()) for n, v in HEADERS)]}
        await send(message)

    return guarded


async def answer(send: Send, status: int, words: str, headers: list[tuple[str, str]] | None = None) -> None:
    """Send an answer of a few plain words, as JSON for whoever reads it so."""
    body = json.dumps({"error": words}).encode() if words else b""
    kind = [("content-type", "application/json"), ("content-length", str(len(body)))]
    raw = [(name.encode(), value.encode()) for name, value in (*kind, *(headers or []))]
    await send({"type": "http.response.start", "status": status, "headers": raw})
    await send({"type": "http.response.body", "body": body})


async def read_body(receive: Receive) -> bytes | int:
    """Return what was sent, or the status of what was too much or too slow."""
    parts = bytearray()
    try:
        async with asyncio.timeout(BODY_S):
            while True:
                message = await receive()
                if message["type"] != "http.request":
                    return 400
                parts += message.get("body", b"")
                if len(parts) > MOST_BYTES:
                    return 413
                if not message.get("more_body"):
                    return bytes(parts)
    except TimeoutError:
        return 408


def replay(body: bytes, receive: Receive) -> Receive:
    """Return what gives a body that was read already, then whatever comes."""
    waiting = [body]

    async def again() -> Message:
        if waiting:
            return {"type": "http.request", "body": waiting.pop(), "more_body": False}
        return await receive()

    return again
