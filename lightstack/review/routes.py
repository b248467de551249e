"""What the page may ask, each answered by one job. Things are addressed by light, still and frame; no path gets in."""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator, Awaitable, Callable
from threading import Event
from typing import Any

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response, StreamingResponse
from starlette.routing import Route

from lightstack.errors import LightstackError, MissingInput
from lightstack.jobs.review.review import NotYet, PagePicture, Review, StaleShot
from lightstack.review.pages import PageFile

__all__ = ["make_app"]

BEAT_S = 5.0  # after which somebody who listens hears that nothing has changed
BUILT = "x-review-built"  # the header by which a page says which build its pictures are of
LOOK_S = 0.1  # how often it is looked whether something has
Answer = Callable[[Request], Awaitable[Response]]


def make_app(review: Review, pages: dict[str, PageFile], leaving: Event | None = None) -> Starlette:
    """Return the application, without its guard. ``leaving``: is set when the server is about to end."""
    gets: dict[str, Callable[[Request], Response]] = {
        "/api/shot": lambda request: as_json(review.describe(fresh=flag(request, "fresh"))),
        "/api/disk": lambda request: as_json(review.disk()),
        **list_pictures(review),
        "/": lambda request: page_of(pages, "index.html"),
        "/{name:path}": lambda request: page_of(pages, request.path_params["name"]),
    }
    routes = [Route(path, answer_post(review, job), methods=["POST"]) for path, job in list_posts(review).items()]
    routes.append(Route("/api/progress", follow_build(review, leaving or Event()), methods=["GET"]))
    routes += [Route(path, answer_get(review, job), methods=["GET"]) for path, job in gets.items()]
    handlers: dict[Any, Any] = {HTTPException: explain_status, Exception: explain_fault}
    return Starlette(routes=routes, exception_handlers=handlers)


def list_pictures(review: Review) -> dict[str, Callable[[Request], Response]]:
    """Return what answers with pixels, by its address; of several that fit the first answers."""
    return {
        "/api/view.bin": lambda request: as_picture(review.view()),
        "/api/light/{light}/guide/{still:int}.bin": lambda request: as_picture(
            review.guide(*still_of(request), half=flag(request, "half"))
        ),
        "/api/light/{light}/ambient.bin": lambda request: as_picture(
            review.ambient(request.path_params["light"], half=flag(request, "half"))
        ),
        "/api/light/{light}/lift.bin": lambda request: as_picture(
            review.lift(
                request.path_params["light"], request.query_params.get("at", ""), request.query_params.get("stills", "")
            )
        ),
        "/api/light/{light}/{still:int}.bin": lambda request: as_picture(
            review.still(*still_of(request), half=flag(request, "half"), filled=flag(request, "filled"))
        ),
        "/api/hero/{frame:int}.bin": lambda request: as_picture(review.hero(request.path_params["frame"])),
        "/api/holdout/{frame:int}.bin": lambda request: as_picture(review.holdout(request.path_params["frame"])),
        "/api/figure/{frame:int}.bin": lambda request: as_picture(
            review.figure(request.query_params.get("light"), request.path_params["frame"])
        ),
        "/api/picture/{what}/{frame:int}.png": lambda request: Response(
            review.picture(
                request.path_params["what"], request.path_params["frame"], request.query_params.get("sweep")
            ),
            media_type="image/png",
        ),
    }


def list_posts(review: Review) -> dict[str, Callable[[dict[str, Any]], Any]]:
    """Return what takes a JSON section of keys, by its address."""
    return {
        "/api/mix": lambda asked: review.mix(text_of(asked, "light"), asked.get("mix")),
        "/api/check": lambda asked: review.check(asked.get("changes")),
        "/api/write": lambda asked: review.write(asked.get("changes"), asked.get("sha256")),
        "/api/travel": lambda asked: review.travel(text_of(asked, "light"), asked.get("points"), asked.get("group")),
        "/api/render": lambda asked: review.start_build().plain,
        "/api/cancel": lambda asked: {"stopped": review.cancel_build()},
    }


def answer_get(review: Review, job: Callable[[Request], Response]) -> Answer:
    """Return what answers a question; it works in a thread, so that others are answered meanwhile."""

    async def get(request: Request) -> Response:
        try:
            await run_in_threadpool(check_built, review, request)
            return await run_in_threadpool(job, request)
        except (LightstackError, OSError, EOFError) as error:
            return explain(error)

    return get


def answer_post(review: Review, job: Callable[[dict[str, Any]], Any]) -> Answer:
    """Return what takes a JSON section of keys and answers with JSON."""

    async def post(request: Request) -> Response:
        try:
            asked = json.loads(await request.body(), parse_constant=refuse_constant)
        except (ValueError, RecursionError):
            return as_json({"error": "this is not JSON"}, 400)
        if not isinstance(asked, dict):
            return as_json({"error": "expected a section of keys"}, 400)
        try:
            await run_in_threadpool(check_built, review, request)
            return as_json(await run_in_threadpool(job, asked))
        except (LightstackError, OSError, EOFError) as error:
            return explain(error)

    return post


def check_built(review: Review, request: Request) -> None:
    """Refuse to lay anything beside what a page has of an earlier build. Raises StaleShot."""
    known = request.headers.get(BUILT)
    if known is not None and request.url.path not in ("/api/shot", "/api/disk"):
        review.check_built(known)


def follow_build(review: Review, leaving: Event) -> Answer:
    """Return what tells how far a build is, for as long as somebody listens."""

    async def listen(request: Request) -> Response:
        async def events() -> AsyncIterator[str]:
            while not leaving.is_set() and not await request.is_disconnected():
                state = review.build_state()
                yield f"data: {json.dumps(state.plain)}\n\n"
                for _ in range(round(BEAT_S / LOOK_S)):  # no thread is held by somebody who only listens
                    await asyncio.sleep(LOOK_S)
                    if leaving.is_set() or review.build_state().number != state.number:
                        break

        return StreamingResponse(events(), media_type="text/event-stream")

    return listen


# --- answers ---------------------------------------------------------------------------------------


def as_json(value: Any, status: int = 200) -> Response:
    """Return plain values as JSON."""
    return Response(json.dumps(value, allow_nan=False), status, media_type="application/json")


def as_picture(picture: PagePicture | None) -> Response:
    """Return pixels, and beside them what they are; where they are still being made, say so."""
    if picture is None:
        return as_json({"making": "stills are being made ready for being summed; ask again"}, 202)
    about = json.dumps({"width": picture.width, "height": picture.height, "format": picture.layout})
    return Response(picture.data, media_type="application/octet-stream", headers={"X-Picture": about})


def page_of(pages: dict[str, PageFile], name: str) -> Response:
    """Return a file of the page by its exact name."""
    page = pages.get(name)
    if page is None:
        return as_json({"error": "there is nothing of that name here"}, 404)
    return Response(page.data, media_type=page.kind)


def explain(error: LightstackError | OSError | EOFError) -> Response:
    """Return a deliberate error, or that of a file which cannot be read any more, as one plain line."""
    status = 400
    if not isinstance(error, LightstackError):
        status = 500
    elif isinstance(error, MissingInput):
        status = 404
    elif isinstance(error, StaleShot):
        status = 409
    elif isinstance(error, NotYet):
        status = 503
    answer = as_json({"error": str(error)}, status)
    if status == 503:
        answer.headers["Retry-After"] = "1"
    return answer


async def explain_status(request: Request, error: HTTPException) -> Response:
    """Return what the router refused, in plain words."""
    return as_json({"error": "there is nothing of that name here"}, error.status_code)


async def explain_fault(request: Request, error: Exception) -> Response:
    """Return one plain line for what nobody foresaw; where it happened is nobody's business but the terminal's."""
    return as_json({"error": "something went wrong here; look into the terminal"}, 500)


# --- what is asked ---------------------------------------------------------------------------------


def still_of(request: Request) -> tuple[str, int]:
    """Return the light and the still that are asked for."""
    return request.path_params["light"], request.path_params["still"]


def flag(request: Request, name: str) -> bool:
    """Tell whether something is switched on in the address."""
    return request.query_params.get(name) == "1"


def text_of(asked: dict[str, Any], name: str) -> str:
    """Return a word that was sent. Raises MissingInput where it is none."""
    value = asked.get(name)
    if not isinstance(value, str):
        raise MissingInput(f"{name}: expected a name")
    return value


def refuse_constant(word: str) -> float:
    """Refuse what JSON does not know: NaN and infinities. Raises ValueError."""
    raise ValueError(word)
