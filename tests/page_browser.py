"""A browser on the review page, and the server behind it, for tests and benchmarks. Fails where there is no WebGL2."""

import secrets
import shutil
import threading
import time
from contextlib import contextmanager

import uvicorn

from lightstack.review.guard import Guard
from lightstack.review.pages import read_pages
from lightstack.review.routes import make_app
from lightstack.review.server import listen

# drawing by the processor: the same on every machine
SWITCHES = ("--use-angle=swiftshader", "--enable-unsafe-swiftshader", "--ignore-gpu-blocklist", "--no-sandbox")
SIZE = {"width": 1280, "height": 720}


@contextmanager
def open_browser():
    """Start a browser. Raises AssertionError where none is installed."""
    from playwright.sync_api import sync_playwright

    path = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
    assert path, "these tests need a browser: apt-get install chromium"
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=path, args=list(SWITCHES))
        try:
            yield browser
        finally:
            browser.close()


@contextmanager
def serve(review):
    """Serve a review at a free port of this machine; gives the address that opens the page once."""
    listening = listen(None)
    port, token = listening.getsockname()[1], secrets.token_urlsafe(16)
    guarded = Guard(make_app(review, read_pages()), port=port, token=token)
    config = uvicorn.Config(guarded, ws="none", lifespan="off", log_config=None, timeout_graceful_shutdown=1)
    server = uvicorn.Server(config)
    thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]}, daemon=True)
    thread.start()
    try:
        yield f"http://127.0.0.1:{port}/?token={token}"
    finally:
        server.should_exit = True
        thread.join(10)
        listening.close()


@contextmanager
def open_page(browser, review, *, ready=True, size=SIZE, **more):
    """Open the page on a review; what goes wrong in it, in scripts or by its own rules, fails."""
    with serve(review) as address:
        context = browser.new_context(viewport=size, **more)
        page = context.new_page()
        page.troubles = []
        page.on("pageerror", lambda error: page.troubles.append(str(error)))
        page.on("console", lambda told: page.troubles.append(told.text) if is_trouble(told) else None)
        try:
            page.goto(address)
            wait_for(page, "Boolean(window.review)")
            if ready:
                wait_until_drawn(page)
            yield page
            assert not page.troubles, page.troubles
        finally:
            context.close()


def is_trouble(told):
    """Tell whether a line on the console is one; a refused write, which a test asks for, is noted there too."""
    return told.type == "error" and "409" not in told.text


def wait_for(page, condition, seconds=20):
    """Wait until an expression holds; the page's own rules forbid the browser's way to do that."""
    until = time.monotonic() + seconds
    while not page.evaluate(condition):
        assert time.monotonic() < until, f"never came true: {condition} ({page.inner_text('#message')})"
        time.sleep(0.02)


def wait_until_drawn(page):
    """Wait until all stills are there, everything is drawn and nothing fades any more."""
    quiet = "review.stacks.busy === 0 && review.picture.on === review.ui.frame && review.picture.drawn !== null"
    rests = "review.switcher.share === 1 && !review.switcher.waiting && !review.waiting && !review.moving"
    lifted = "!review.picture.lifts.waiting.size"
    wait_for(page, f"{quiet} && {rests} && {lifted}")
