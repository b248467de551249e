"""Nobody but the page itself, opened by the printed address, gets an answer."""

import asyncio

import pytest
from asking import Asking
from starlette.applications import Starlette
from starlette.responses import PlainTextResponse
from starlette.routing import Route

from lightstack.review import guard
from lightstack.review.guard import HEADERS, MOST_BYTES, Guard

PORT, TOKEN = 40123, "right-token"
HOME = f"http://127.0.0.1:{PORT}"


async def echo(request):
    return PlainTextResponse(f"{request.url.path} {len(await request.body())}")


def make_client(base=HOME):
    app = Starlette(routes=[Route("/{path:path}", echo, methods=["GET", "POST"])])
    return Asking(Guard(app, port=PORT, token=TOKEN), base)


async def drip(count):
    for _ in range(count):
        yield b" " * 65536


@pytest.fixture
def client():
    return make_client()


@pytest.fixture
def inside(client):
    """A browser that opened the printed address."""
    assert client.enter(TOKEN) == (303, "/")
    return client


def post(client, **more):
    headers = {"origin": HOME, "content-type": "application/json", **more.pop("headers", {})}
    headers = {name: value for name, value in headers.items() if value is not None}
    return client.post("/api/write", headers=headers, **{"content": b"{}", **more})


def test_the_printed_address_opens_the_page_and_hides_its_token(client):
    opened = client.get(f"/?token={TOKEN}")
    where, key = opened.headers["location"].split("#key=")  # RFC 3986, 3.5: a fragment is never sent to a server
    assert (opened.status_code, where) == (303, "/") and len(key) >= 43 and key not in opened.headers["set-cookie"]
    cookie = opened.headers["set-cookie"]
    assert "HttpOnly" in cookie and "SameSite=Strict" in cookie and "Path=/" in cookie and TOKEN not in cookie
    assert client.get("/").text == "/ 0"
    client.headers["x-review-key"] = key
    assert client.get("/api/shot").status_code == 200


def test_without_the_cookie_there_is_nothing_to_see(client):
    for path in ("/", "/api/shot", "/index.html", "/../etc/passwd", "/api/hero/1001.bin"):
        answer = client.get(path)
        assert answer.status_code == 403
        assert "Open it by the address that was printed" in answer.json()["error"]


def test_who_has_the_cookie_alone_learns_nothing_of_the_shot(inside):
    # REFERENCE  RFC 6265, 8.5: cookies are shared by all ports of a machine, so another server there is sent ours.
    key = inside.headers.pop("x-review-key")
    assert inside.get("/").status_code == 200  # the page's own files, which are everybody's
    assert inside.get(f"/?token={TOKEN}").headers["location"] == "/"  # and no key with it
    for sent in ("", "guess", key[:-1], key + "x", "\u00fc"):
        for path in ("/api/shot", "/api/hero/1001.bin", "/api/progress", "/api/"):
            answer = inside.get(path, headers={"x-review-key": sent.encode()})
            assert answer.status_code == 403 and "lost its key" in answer.json()["error"]
        assert post(inside, headers={"x-review-key": sent.encode()}).status_code == 403
    inside.headers["x-review-key"] = key
    inside.cookies.clear()  # and the key alone is no use either
    assert inside.get("/api/shot").status_code == 403


def test_a_cookie_of_that_name_from_elsewhere_locks_nobody_out(inside):
    right = inside.cookies[f"review_{PORT}"]
    for sent in (f"review_{PORT}=x; review_{PORT}={right}", f"review_{PORT}={right}; review_{PORT}=x; other=1"):
        inside.cookies.clear()
        assert inside.get("/api/shot", headers={"cookie": sent}).status_code == 200


@pytest.mark.parametrize("token", ["wrong", "", "right-tokenx", "right-toke", "ü"])
def test_a_wrong_token_opens_nothing(client, token):
    assert client.get("/", params={"token": token}).status_code == 403
    assert "set-cookie" not in client.get("/", params={"token": token}).headers
    assert client.get(f"/?token={TOKEN}").status_code == 303  # and the right one is still good


def test_the_token_is_good_once(client):
    assert client.get(f"/?token={TOKEN}").status_code == 303
    client.cookies.clear()  # another browser
    again = client.get(f"/?token={TOKEN}")
    assert again.status_code == 403
    assert "has been used" in again.json()["error"] and "start it again" in again.json()["error"]


def test_a_second_tab_of_the_same_browser_gets_in(inside):
    assert inside.get("/").status_code == 200
    tab = inside.get(f"/?token={TOKEN}")  # the printed address, opened once more
    assert (tab.status_code, tab.headers["location"]) == (303, "/")


def test_a_forged_cookie_is_refused(client):
    client.cookies.set(f"review_{PORT}", "guess")
    assert client.get("/api/shot").status_code == 403
    client.cookies.clear()
    for sent in ("review_40123", "=;=;", 'review_40123="', "\x7f"):
        assert client.get("/", headers={"cookie": sent}).status_code == 403


@pytest.mark.parametrize(
    "host", ["evil.example", "127.0.0.1", "127.0.0.1:1", "127.0.0.1:40123.evil.example", "[::1]:40123", ""]
)
def test_another_host_name_is_refused(inside, host):
    assert inside.get("/", headers={"host": host}).status_code == 403


def test_localhost_is_this_machine_too():
    client = make_client(f"http://localhost:{PORT}")
    assert client.get(f"/?token={TOKEN}").status_code == 303
    assert client.get("/").status_code == 200


@pytest.mark.parametrize("origin", ["http://evil.example", "null", f"https://127.0.0.1:{PORT}", "http://127.0.0.1:1"])
def test_another_sites_page_is_refused(inside, origin):
    assert inside.get("/api/shot", headers={"origin": origin}).status_code == 403
    assert post(inside, headers={"origin": origin}).status_code == 403


def test_what_a_browser_says_of_another_site_is_believed(inside):
    assert inside.get("/api/shot", headers={"sec-fetch-site": "cross-site"}).status_code == 403
    assert inside.get("/api/shot", headers={"sec-fetch-site": "same-origin"}).status_code == 200


def test_changes_come_from_the_page_as_json_of_a_fair_size(inside):
    assert post(inside).text == "/api/write 2"
    assert post(inside, headers={"origin": None}).status_code == 403
    assert post(inside, headers={"content-type": "text/plain"}).status_code == 415
    assert post(inside, headers={"content-type": None}).status_code == 415
    assert post(inside, content=b" " * (MOST_BYTES + 1)).status_code == 413
    assert post(inside, content=drip(17)).status_code == 413  # no length was told
    assert post(inside, content=b" " * MOST_BYTES).status_code == 200
    assert post(inside, headers={"content-length": "\u00b2".encode("latin-1")}).status_code == 413  # a digit, no number
    assert inside.request("DELETE", "/api/shot").status_code == 405
    assert inside.get(f"/api/hero/{'9' * 5000}.bin").status_code == 414


def test_every_answer_carries_what_keeps_others_out(client):
    for answer in (client.get("/api/shot"), client.get(f"/?token={TOKEN}"), client.get("/")):
        for name, value in HEADERS:
            assert answer.headers[name] == value
    # REFERENCE  W3C Content Security Policy Level 3: without 'unsafe-inline' no script of a page's own text runs.
    assert "unsafe" not in dict(HEADERS)["content-security-policy"]


def test_who_sends_slowly_is_not_waited_for(monkeypatch):
    monkeypatch.setattr(guard, "BODY_S", 0.01)

    async def never():
        await asyncio.sleep(60)

    assert asyncio.run(guard.read_body(never)) == 408


def test_two_shots_at_once_do_not_share_a_cookie():
    one, other = make_client(), Guard(echo, port=PORT + 1, token=TOKEN)
    assert one.get(f"/?token={TOKEN}").status_code == 303
    assert other._cookie not in one.cookies
