"""The page's server under attack: whatever is thrown at it, it says one plain line, gives nothing away, and goes on."""

import json
import socket
import threading
import time
from contextlib import contextmanager
from threading import RLock

import pytest
from asking import Asking
from page_shot import MadeReview

from lightstack.errors import LightstackError, MissingInput
from lightstack.files.shot import schema
from lightstack.jobs.review.changes import GRAIN, LIGHT, MIX, MIX_OUT, PATH, PATH_OUT, SWEEP, TRIM
from lightstack.jobs.review.opening import Opening
from lightstack.jobs.review.review import Review
from lightstack.review import guard, server
from lightstack.review.guard import HEADERS, MOST_BYTES, Guard
from lightstack.review.pages import PageFile
from lightstack.review.routes import make_app

PORT, TOKEN = 40125, "token"
HOME = f"http://127.0.0.1:{PORT}"
PAGES = {"index.html": PageFile(b"<!doctype html>", "text/html")}
SHOT = """# by hand
[shot]
name = "den"
[takes.hero]
path = "hero.mkv"
[[sweep]]
path = "sweep.mkv"
name = "lamp"
[[light]]
name = "glow"
[light.mix]
points = [[1001, 0.0], [1005, 1.0]]
[grain]
amount = 1.0
"""


class PaperOpening(Opening):
    """A real file behind a made shot."""

    def __init__(self, path):
        self.path, self.lock, self.revision = path, RLock(), 1

    def follow_file(self):
        return self.file_sha256()


class Paper(MadeReview):
    """A made shot whose changes go through the real way into a real file."""

    check, write, _change = Review.check, Review.write, Review._change

    def __init__(self, path):
        super().__init__()
        self.opening = PaperOpening(path)

    def file_sha256(self):
        return self.opening.file_sha256()

    def still(self, light, index, *, half=False, filled=False):
        if light not in self.stills:
            raise MissingInput(f"there is no light {light!r} in this shot")
        return super().still(light, index, half=half, filled=filled)


@pytest.fixture(scope="module")
def paper(tmp_path_factory):
    path = tmp_path_factory.mktemp("paper") / "shot.toml"
    path.write_text(SHOT)
    return Paper(path)


@pytest.fixture
def page(paper):
    asking = Asking(Guard(make_app(paper, PAGES), port=PORT, token=TOKEN), HOME)
    assert asking.enter(TOKEN) == (303, "/")
    yield asking
    assert paper.opening.path.read_text() == SHOT  # nothing here may change it


def send(page, path, content, **headers):
    content = content if isinstance(content, bytes) else json.dumps(content).encode()
    given = {"origin": HOME, "content-type": "application/json", **headers}
    return page.post(path, content=content, headers={name: value for name, value in given.items() if value})


def is_plain(answer):
    """One line of JSON that says what is wrong, no trace of where, and every header that keeps others out."""
    text = answer.text
    said = answer.json()["error"]
    return (
        all(answer.headers[name] == value for name, value in HEADERS)
        and "Traceback" not in text
        and "/lightstack/" not in text
        and said.isprintable()
    )


# --- who asks --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "headers",
    [{"origin": "http://evil.example"}, {"origin": "null"}, {"origin": "http://127.0.0.1:1"},
     {"sec-fetch-site": "same-site"}, {"sec-fetch-site": "cross-site"}, {"host": "evil.example"},
     {"host": f"evil.example:{PORT}"}, {"host": "127.0.0.1"}, {"x-review-key": "guess"},
     {"cookie": f"review_{PORT}=guess"}],
)  # fmt: skip
def test_pictures_and_changes_are_for_the_page_alone(page, headers):
    # REFERENCE  same-origin as RFC 6454 has it: scheme, host and port together.
    if "cookie" in headers:
        page.cookies.clear()
    for path in ("/api/hero/1001.bin", "/api/picture/plate/0.png", "/api/shot"):
        answer = page.get(path, headers=headers)
        assert answer.status_code == 403 and is_plain(answer)
    assert send(page, "/api/check", {"changes": {}}, **headers).status_code == 403


@pytest.mark.parametrize("method", ["PUT", "DELETE", "PATCH", "OPTIONS", "TRACE", "CONNECT", "BREW"])
def test_other_methods_are_not_known(page, method):
    answer = page.request(method, "/api/shot", headers={"origin": HOME})
    assert answer.status_code == 405 and is_plain(answer)
    assert "access-control-allow-origin" not in answer.headers


def test_a_question_is_no_change_and_a_change_no_question(page):
    for path in ("/api/write", "/api/check", "/api/render", "/api/cancel"):
        assert page.get(path).status_code in (404, 405)
    for path in ("/api/shot", "/api/hero/1001.bin", "/", "/index.html"):
        answer = send(page, path, {})
        assert answer.status_code in (404, 405) and is_plain(answer)
    assert page.request("HEAD", "/api/shot").content == b""


@pytest.mark.parametrize(
    "path",
    ["/../shot.toml", "/..%2fshot.toml", "/%2e%2e/%2e%2e/etc/passwd", "/%252e%252e/shot.toml", "/....//shot.toml",
     "//etc/passwd",
     "/%00", "/index.html%00", "/api/hero/1001.bin%00", "/api/light/%00/0.bin", "/api/light/..%5c..%5cshot/0.bin",
     "/api/light/%F0%9F%92%A1/0.bin", "/api/light/%ff%fe/0.bin", "/api/hero/1e3.bin", "/api/hero/0x10.bin",
     "/file:///etc/passwd",
     "/api/picture/..%2f..%2fshot.toml/0.png", "/api/picture/plate/../../x.png", "/static/index.html"],
)  # fmt: skip
def test_no_address_becomes_a_path(page, path):
    answer = page.get(path)
    assert answer.status_code == 404 and is_plain(answer)


def test_what_is_too_long_is_refused(page):
    assert page.get("/" + "a" * 5000).status_code == 414
    assert page.get(f"/api/hero/{'9' * 900}.bin").status_code in (404, 200)  # no such frame; a made shot has them all
    assert page.get("/?" + "&".join(f"a{k}=1" for k in range(500))).status_code == 200


# --- what is sent ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "sent",
    [b"", b"{", b"nul", b"[1]", b'"x"', b"7", b"\xff\xfe{}", b'{"changes": NaN}', b'{"changes": -Infinity}',
     b"{'a': 1}", b"\x00", b"[" * 200_000, b'{"a":' * 100_000, b'{"changes": ' + b"9" * 10_000 + b"}",
     b'{"changes": {"light": {"glow": {"gel": [1e999, 1, 1]}}}}'],
)  # fmt: skip
def test_what_is_no_change_is_one_plain_line(page, sent):
    for path in ("/api/check", "/api/write"):
        answer = send(page, path, sent)
        assert answer.status_code == 400 and is_plain(answer)


def test_sizes_that_lie_are_not_believed(page):
    async def drip(count):
        for _ in range(count):
            yield b" " * 65536

    assert send(page, "/api/check", b" " * (MOST_BYTES + 1)).status_code == 413
    told = {"origin": HOME, "content-type": "application/json"}
    assert page.post("/api/check", content=drip(17), headers=told).status_code == 413
    for size in ("-1", "1e3", "0x10", "9" * 40, ""):
        answer = page.post("/api/check", content=b"{}", headers={**told, "content-length": size or "x"})
        assert answer.status_code == 413 and is_plain(answer)
    assert send(page, "/api/check", {}, **{"content-type": "text/plain"}).status_code == 415
    assert send(page, "/api/check", {}, **{"content-type": "application/json; charset=utf-7"}).status_code == 400


DEEP = [[[[[[[[[[[[[[1]]]]]]]]]]]]]]
JUNK = (
    None, True, 0, -1, 10**400, 1e308, "", "x" * 5000, "<script>alert(1)</script>", "\u2028\u2029\x00\x1b", "\ud800",
    "/etc/passwd", [], {}, [None], [[1001, "x", {}]], {"": {"\n": 1}}, DEEP,
)  # fmt: skip


def list_wishes(junk):
    """Every section and key of a change, each with something that it cannot be."""
    yield from ({"light": junk}, {"sweep": junk}, {"grain": junk}, {"light": {"glow": junk}}, {"sweep": {"lamp": junk}})
    yield from ({"light": {"glow": {key: junk}}} for key in (*LIGHT, "mix", "path"))
    yield from ({"light": {"glow": {"mix": {key: junk}}}} for key in MIX | MIX_OUT)
    yield from ({"light": {"glow": {"path": {key: junk}}}} for key in PATH | PATH_OUT)
    yield from ({"sweep": {"lamp": {key: junk}}} for key in (*SWEEP, "trim"))
    yield from ({"sweep": {"lamp": {"trim": {"12": {key: junk}}}}} for key in TRIM)
    yield from ({"grain": {key: junk}} for key in GRAIN)
    for key, model, many in (
        ("pulse", schema.Pulse, True), ("flicker", schema.Flicker, True), ("envelope", schema.Envelope, False),
        ("response", schema.Response, False),
    ):  # fmt: skip
        for name in model.model_fields:
            yield {"light": {"glow": {"mix": {key: [{name: junk}] if many else {name: junk}}}}}


def test_every_field_takes_anything_and_says_what_it_wants(paper):
    """Either it fits, and the file would still be one, or one line says why not."""
    refused = 0
    for number, junk in enumerate(JUNK):
        for place, wish in enumerate(list_wishes(junk)):
            if (number + place) % 5:  # each key with some of them, and each of them with some keys
                continue
            try:
                paper.check(wish)
            except LightstackError as error:
                assert "\n" not in str(error), wish
                refused += 1
    assert refused > 150
    assert paper.opening.path.read_text() == SHOT


@pytest.mark.parametrize("junk", JUNK, ids=range(len(JUNK)))
def test_the_questions_themselves_take_anything_too(page, junk):
    for sent in ({"changes": junk, "sha256": junk}, {"changes": {}, "sha256": junk}, {"light": junk, "mix": junk}):
        for path in ("/api/check", "/api/write"):
            answer = send(page, path, sent)
            assert answer.status_code in (200, 400, 409)
            assert answer.status_code == 200 or is_plain(answer)


def list_closed():
    """Every key of a shot file that is no light's own."""
    for name, field in schema.ShotSettings.model_fields.items():
        if name not in ("light", "sweep", "grain"):
            yield {name: {}}, f"'{name}' cannot be changed here", field
    for key in set(schema.Light.model_fields) | {"from", "weights"}:
        if key not in LIGHT | {"mix", "path"}:
            yield {"light": {"glow": {key: "/etc/passwd"}}}, "cannot be changed here", None
    for key in schema.Sweep.model_fields:
        if key not in SWEEP | {"trim"}:
            yield {"sweep": {"lamp": {key: "/etc/passwd"}}}, "cannot be changed here", None
    for key in MIX_OUT:
        yield {"light": {"glow": {"mix": {key: "/etc/passwd"}}}}, "names a file", None
    for key in PATH_OUT:
        yield {"light": {"glow": {"path": {key: "../x.csv"}}}}, "names a file", None
    for key in ("out", "config", "file", "__class__", "shot.out", "..", "light.0.gel"):
        yield {key: "/tmp"}, "cannot be changed here", None


def test_takes_files_and_folders_are_named_in_the_file_alone(page):
    for wish, said, _ in list_closed():
        answer = send(page, "/api/check", {"changes": wish})
        assert answer.status_code == 400 and said in answer.json()["error"], wish
    sha256 = page.get("/api/disk").json()["sha256"]
    wish = {"sweep": {"lamp": {"path": "/etc/passwd"}}}
    assert send(page, "/api/write", {"changes": wish, "sha256": sha256}).status_code == 400


def test_what_nobody_foresaw_is_one_plain_line(page, paper, monkeypatch):
    def fail(*_, **__):
        raise RuntimeError("secret /home/somebody/shot.toml")

    monkeypatch.setattr(paper, "describe", fail, raising=False)
    page._transport.raise_app_exceptions = False
    answer = page.get("/api/shot")
    assert answer.status_code == 500 and is_plain(answer) and "secret" not in answer.text


# --- by the wire -----------------------------------------------------------------------------------


@contextmanager
def serving(monkeypatch, paper, **limits):
    """The server as it is, at a port of its own; gives what opens a connection and sends."""
    for name, value in limits.items():
        monkeypatch.setattr(server if hasattr(server, name) else guard, name, value)
    with server.listen(None) as listening:
        port = listening.getsockname()[1]
        made = server.make_server(Guard(make_app(paper, PAGES), port=port, token=TOKEN))
        thread = threading.Thread(target=made.run, kwargs={"sockets": [listening]}, daemon=True)
        thread.start()

        def connect(sent=b""):
            line = socket.create_connection(("127.0.0.1", port), 10)
            line.sendall(sent)
            return line

        try:
            yield connect, f"127.0.0.1:{port}".encode()
        finally:
            made.should_exit = True
            thread.join(10)


def hear(line):
    """All that comes until the other side hangs up."""
    heard = b""
    with line:
        try:
            while part := line.recv(65536):
                heard += part
        except ConnectionResetError:
            pass
    return heard


def enter(connect, host):
    """Open the door by hand; returns the lines that every later request needs."""
    answer = hear(connect(b"GET /?token=token HTTP/1.1\r\nHost: %s\r\nConnection: close\r\n\r\n" % host)).decode()
    lines = dict(line.split(": ", 1) for line in answer.split("\r\n\r\n")[0].split("\r\n")[1:])
    cookie, key = lines["set-cookie"].split(";")[0], lines["location"].split("#key=")[1]
    return b"Host: %s\r\nOrigin: http://%s\r\nCookie: %s\r\nX-Review-Key: %s\r\n" % (
        host, host, cookie.encode(), key.encode(),
    )  # fmt: skip


def test_who_drips_is_hung_up_on(monkeypatch, paper):
    with serving(monkeypatch, paper, HEAD_S=0.3, BODY_S=0.3) as (connect, host):
        known = enter(connect, host)
        silent, half = connect(), connect(b"GET / HTTP/1.1\r\nHo")
        again = connect(b"GET /api/disk HTTP/1.1\r\n" + known + b"\r\n")  # a second request that never comes whole
        assert b"200 OK" in again.recv(65536)
        for _ in range(4):
            again.sendall(b"G")
            time.sleep(0.02)
        kind = b"Content-Type: application/json\r\nContent-Length: 99\r\n\r\n"
        body = connect(b"POST /api/check HTTP/1.1\r\n" + known + kind + b"{")
        assert hear(silent) == hear(half) == b"" and b"HTTP/1.1" not in hear(again)
        slow = hear(body)
        assert b"408 Request Timeout" in slow and HEADERS[0][1].encode() in slow


def test_what_is_no_request_is_refused_in_plain_words(monkeypatch, paper):
    with serving(monkeypatch, paper, HEAD_S=0.5) as (connect, host):
        for sent in (b"\x16\x03\x01\x02\x00\x01\x00\n\n", b"GET\r\n\r\n",
                     b"GET / HTTP/1.1\r\nHost: a\r\n b\r\nHost: c\r\n\r\n",
                     b"GET / HTTP/1.1\r\nX: " + b"a" * 200_000, b"POST / HTTP/1.1\r\nContent-Length: -5\r\n\r\n",
                     b"GET /\xc3\xa9 HTTP/1.1\r\nHost: %s\r\n\r\n" % host):  # fmt: skip
            heard = hear(connect(sent))
            assert heard.startswith((b"HTTP/1.1 400", b"HTTP/1.1 403")), sent[:40]
            assert all(f"{name}: {value}".encode() in heard for name, value in HEADERS)
            assert b"Traceback" not in heard
        twice = b"Content-Length: 4\r\nTransfer-Encoding: chunked\r\n\r\n0\r\n\r\n"
        hidden = b"GET /api/shot HTTP/1.1\r\nHost: %s\r\nConnection: close\r\n\r\n" % host
        heard = hear(connect(b"POST /api/check HTTP/1.1\r\nHost: %s\r\n" % host + twice + hidden))
        assert b"200 OK" not in heard


def test_a_flood_is_bounded_and_passes(monkeypatch, paper):
    with serving(monkeypatch, paper, HEAD_S=0.5, MOST_CONNECTIONS=8) as (connect, host):
        known = enter(connect, host)
        ask = b"GET /api/disk HTTP/1.1\r\nConnection: close\r\n" + known + b"\r\n"
        held = [connect() for _ in range(7)]
        assert b"200 OK" in hear(connect(ask))  # others are still served
        more = [connect() for _ in range(30)]
        refused = [hear(line) for line in more[5:]]
        assert all(b"503 Service Unavailable" in one and HEADERS[0][1].encode() in one for one in refused)
        for line in (*held, *more[:5]):
            hear(line)  # they asked nothing, and are hung up on
        assert b"200 OK" in hear(connect(ask))
