"""The server itself: its address, its port, and its end."""

import json
import os
import signal
import socket
import threading
import webbrowser

import httpx
import pytest

from lightstack.cli.main import run
from lightstack.errors import SettingError
from lightstack.jobs.review.review import BuildState
from lightstack.review import server
from lightstack.review.pages import read_pages
from lightstack.review.server import listen, open_browser


class Table:
    """Stands for a built shot."""

    closed = 0

    def __init__(self, path, **options):
        self.path = path

    def build_state(self):
        return BuildState()

    def describe(self, *, fresh=False):
        return {"name": self.path.name}

    def close(self):
        Table.closed += 1


@pytest.fixture
def visited(monkeypatch):
    """A browser that looks round as soon as it is opened, and then Ctrl-C in the terminal."""
    seen, ended = {}, threading.Event()

    def visit(address):
        try:
            with httpx.Client(follow_redirects=True, timeout=10) as client:
                opened = client.get(address)
                seen["page"] = opened.status_code
                client.headers["x-review-key"] = opened.url.fragment.removeprefix("key=")
                seen["shot"] = client.get(f"{address.split('?')[0]}api/shot").json()
                seen["stranger"] = httpx.get(address).status_code
                with socket.create_connection(("127.0.0.1", int(address.split(":")[2].split("/")[0])), 10) as idle:
                    seen["idle"] = idle.recv(10)  # it asks nothing, and is hung up on
                with client.stream("GET", f"{address.split('?')[0]}api/progress") as events:
                    lines = events.iter_lines()
                    seen["build"] = next(lines)
                    os.kill(os.getpid(), signal.SIGINT)  # while it still listens
                    ended.set()
                    seen["rest"] = "".join(lines)
        finally:
            if not ended.is_set():
                os.kill(os.getpid(), signal.SIGINT)

    def opened(address):
        visitor = threading.Thread(target=visit, args=(address,), daemon=True)
        visitor.start()
        seen["visitor"] = visitor
        return True

    monkeypatch.setattr(server, "Review", Table)
    monkeypatch.setattr(server, "HEAD_S", 0.2)
    monkeypatch.setenv("BROWSER", "any")
    monkeypatch.setattr(webbrowser, "open", opened)
    return seen


def test_a_page_is_served_until_ctrl_c(visited, tmp_path, capsys):
    closed = Table.closed
    assert run(["review", str(tmp_path / "shot.toml")]) == 130
    visited.pop("visitor").join(10)
    assert json.loads(visited.pop("build").removeprefix("data: "))["state"] == "idle"
    assert visited == {"page": 200, "shot": {"name": "shot.toml"}, "stranger": 403, "idle": b"", "rest": ""}
    assert Table.closed == closed + 1
    said = capsys.readouterr()
    assert said.out.startswith("review: http://127.0.0.1:") and "opens once" in said.out
    assert said.err.strip() == "lightstack: stopped; nothing half-written is left behind"


def test_the_page_is_there_to_be_served():
    assert read_pages()["index.html"].kind.startswith("text/html")
    assert not any(name.startswith(("/", ".")) or ".." in name for name in read_pages())


def test_a_port_that_is_taken_is_named():
    with listen(None) as taken:
        port = taken.getsockname()[1]
        assert taken.getsockname()[0] == "127.0.0.1"  # this machine alone
        with pytest.raises(SettingError, match=f"--port {port}: .*; name another, or leave it out"):
            listen(port)


def test_without_a_browser_the_address_is_for_hands(monkeypatch):
    for name in ("BROWSER", "DISPLAY", "WAYLAND_DISPLAY"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setattr("sys.platform", "linux")
    assert not open_browser("http://127.0.0.1:1/")


def test_a_shot_that_is_not_built_is_one_line(tmp_path, capsys):
    (tmp_path / "shot.toml").write_text('[[sweep]]\npath = "sweep.mov"\n')
    (tmp_path / "sweep.mov").write_bytes(b"")
    assert run(["review", str(tmp_path / "shot.toml"), "--no-browser"]) == 1
    said = capsys.readouterr().err.strip()
    assert said.count("\n") == 0 and said.endswith(f"build it first: lightstack build {tmp_path / 'shot.toml'}")
