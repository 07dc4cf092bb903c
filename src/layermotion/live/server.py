"""Owns the routes of a live view: its pages, its sockets, and what the clinician asks for."""

import asyncio
from collections.abc import Awaitable, Callable
from typing import Any, TypeVar

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import BaseRoute, Route, WebSocketRoute
from starlette.websockets import WebSocket, WebSocketDisconnect

from layermotion.errors import InputError
from layermotion.live.arrivals import Arrivals
from layermotion.live.live import Live
from layermotion.live.messages import (
    arrivals_message,
    patient_message,
    picture_message,
    situation,
    state_message,
)
from layermotion.live.newest import Newest
from layermotion.live.practice import Target
from layermotion.serving.sentences import language_of
from layermotion.serving.static import file_routes, page_route, texts_route
from layermotion.serving.texts import Languages

PACKAGE = "layermotion.live"
# Files that both pages use.
SHARED = ("live.css", "outcome.js", "icon.svg")
# How long a socket waits for something new before it says how things are, s (our choice).
WAIT_S = 0.5
# Pictures under way to a page at once: while one is drawn, the next is packed and sent, so that one
# that took long costs none of those after it (our choice: more would be a queue).
PICTURES_UNDER_WAY = 2
# A page that does not say that it has drawn within this time has gone, s (our choice: a hidden tab
# may be held back by its browser for a minute).
DRAWN_S = 90.0

Item = TypeVar("Item")


def live_routes(live: Live) -> list[BaseRoute]:
    """Routes of a live picture: the clinician's page at ``/``, the patient's at ``/patient``."""
    languages = Languages.of(PACKAGE)
    files = (*SHARED, "live.js", "picture.js", "patient.js", "patient.css")
    return [
        page_route("/", PACKAGE, "live.html", languages),
        page_route("/patient", PACKAGE, "patient.html", languages),
        texts_route("/texts", languages),
        *file_routes(PACKAGE, files),
        WebSocketRoute(
            "/pictures",
            _stream(
                live.pictures, lambda taken, _: picture_message(taken), under_way=PICTURES_UNDER_WAY
            ),
        ),
        WebSocketRoute(
            "/values",
            _stream(
                live.states,
                lambda s, language: state_message(live, s, language),
                lambda language: situation(live, language),
            ),
        ),
        WebSocketRoute(
            "/shape",
            _stream(live.states, lambda s, _: patient_message(live, s), lambda _: _idle(live)),
        ),
        *_commands(live),
    ]


def arrival_routes(arrivals: Arrivals) -> list[BaseRoute]:
    """Routes of a watched folder."""
    languages = Languages.of(PACKAGE)

    def message(found: tuple[Any, ...], language: str) -> dict[str, Any]:
        return arrivals_message(found, arrivals.error, language)

    return [
        page_route("/", PACKAGE, "arrivals.html", languages),
        texts_route("/texts", languages),
        *file_routes(PACKAGE, (*SHARED, "arrivals.js", "arrivals.css")),
        WebSocketRoute("/arrivals", _stream(arrivals.newest, message)),
    ]


def _idle(live: Live) -> dict[str, Any]:
    """Tell the patient's page that nothing goes on."""
    return {"paused": live.is_frozen or live.has_ended}


def _stream(
    newest: Newest[Item],
    message: Callable[[Item, str], bytes | dict[str, Any]],
    meanwhile: Callable[[str], dict[str, Any]] | None = None,
    under_way: int = 1,
) -> Callable[[WebSocket], Awaitable[None]]:
    """Send the newest item whenever fewer than ``under_way`` are not drawn yet; others are dropped.

    ``meanwhile`` gives what is sent when nothing new comes. Both get the language of the page.
    """

    async def stream(socket: WebSocket) -> None:
        await socket.accept()
        language = language_of(socket.headers.get("accept-language", ""))
        number, sent_count, drawn_count = 0, 0, 0
        try:
            while True:
                found = await run_in_threadpool(newest.after, number, WAIT_S)
                if found is not None:
                    number, item = found
                    sent = await run_in_threadpool(message, item, language)
                elif meanwhile is not None:
                    sent = meanwhile(language)
                else:
                    sent = {}
                if isinstance(sent, bytes):
                    await socket.send_bytes(sent)
                else:
                    await socket.send_json(sent)
                sent_count += 1
                while sent_count - drawn_count >= under_way:
                    await asyncio.wait_for(socket.receive_text(), DRAWN_S)
                    drawn_count += 1
        except (WebSocketDisconnect, TimeoutError, RuntimeError):
            return

    return stream


def _commands(live: Live) -> list[Route]:
    """Routes of all that the clinician's page may ask for."""

    def plain(what: Callable[[], object]) -> Callable[[Request], Awaitable[Response]]:
        async def do(request: Request) -> Response:
            await run_in_threadpool(what)
            return Response(status_code=204)

        return do

    async def target(request: Request) -> Response:
        asked = await _json(request)
        live.ask_for(
            Target(
                low=_number(asked, "low"),
                high=_number(asked, "high"),
                hold_s=_number(asked, "hold"),
                repeats=int(_number(asked, "repeats")),
                count_s=_number(asked, "count"),
                pause_s=_number(asked, "pause"),
            )
        )
        return Response(status_code=204)

    async def freeze(request: Request) -> Response:
        outcome = await run_in_threadpool(live.freeze)
        return JSONResponse(outcome.shown(language_of(request.headers.get("accept-language", ""))))

    async def record(request: Request) -> Response:
        live.record(consented=(await _json(request)).get("consent") is True)
        return Response(status_code=204)

    async def keep(request: Request) -> Response:
        saved = await run_in_threadpool(live.recorder.end)
        return JSONResponse({"name": saved.name if saved else None})

    made: dict[str, Callable[[Request], Awaitable[Response]]] = {
        "/rest": plain(live.take_rest),
        "/start": plain(live.start),
        "/stop": plain(live.stop),
        "/go-on": plain(live.go_on),
        "/target": target,
        "/freeze": freeze,
        "/record": record,
        "/keep": keep,
    }
    return [Route(path, endpoint, methods=["POST"]) for path, endpoint in made.items()]


async def _json(request: Request) -> dict[str, Any]:
    """Read what a request holds."""
    try:
        asked = await request.json()
    except ValueError as error:
        raise InputError("The request is no JSON; load the page again.") from error
    if not isinstance(asked, dict):
        raise InputError("The request is no JSON object; load the page again.")
    return asked


def _number(asked: dict[str, Any], name: str) -> float:
    """Give a number of a request."""
    value = asked.get(name)
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise InputError(f"'{name}' must be a number.")
    return float(value)
