"""Owns the routes of the review page: what it asks for and what it changes."""

import struct
from collections.abc import Callable, Mapping
from datetime import date
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import BaseRoute, Route

from layermotion.errors import InputError
from layermotion.labels import STRUCTURES
from layermotion.report.palette import LOOKS
from layermotion.review.corrections import correction_from
from layermotion.review.course import compared, course_of, picture_of
from layermotion.review.handing import Laboratory
from layermotion.review.place import Place
from layermotion.review.sentences import clip_in_language, day_in_language
from layermotion.review.visit import Review
from layermotion.serving.static import file_routes, page_route, texts_route
from layermotion.serving.texts import Languages, Texts
from layermotion.session.detectable import DetectableChanges
from layermotion.session.plan import Side

PACKAGE = "layermotion.review"
FILES = (
    "sheet.css", "bench.css", "layers.svg", "review.js", "ask.js", "axes.js", "bench.js",
    "callipers.js", "changes.js", "clip.js", "course.js", "curves.js", "day.js", "film.js",
    "hands.js", "keys.js", "numbers.js", "outline.js", "pane.js", "player.js", "plots.js",
    "scale.js", "sign.js", "views.js", "window-ends.js", "words.js",
)  # fmt: skip
MODULES = ["/serving/server.js", *(f"/review/{name}" for name in FILES if name.endswith(".js"))]
# Most frames that one request gets (our choice: some megabytes).
MOST_FRAMES = 64

Body = Mapping[str, Any]


def routes_of(
    review: Review,
    own: DetectableChanges | None = None,
    laboratory: Laboratory | None = None,
) -> list[BaseRoute]:
    """Give all routes of the page of one review.

    Parameters
    ----------
    own
        The clinic's own smallest detectable changes.
    laboratory
        Where corrected frames can be handed to; None for nowhere.
    """
    languages = Languages.of(PACKAGE)

    def place_of(request: Request) -> Place:
        number: int = request.path_params["number"]
        if number >= len(review.places):
            raise HTTPException(404)
        return review.places[number]

    def texts_of(request: Request) -> Texts:
        return languages.choose(request.headers.get("accept-language", ""))

    def language_of(request: Request) -> str:
        return texts_of(request).language

    def state(request: Request) -> dict[str, Any]:
        shown = {**review.state(), "has_lab": laboratory is not None}
        return day_in_language(shown, language_of(request))

    def told(request: Request, place: Place) -> dict[str, Any]:
        return clip_in_language(place.told(), language_of(request))

    def day(request: Request) -> Response:
        return JSONResponse(state(request))

    def clip(request: Request) -> Response:
        place = place_of(request)
        with place.lock:
            return JSONResponse(told(request, place))

    def outlines(request: Request) -> Response:
        place = place_of(request)
        with place.lock:
            content = place.opened.outlines()
        return Response(content, media_type="application/octet-stream")

    def frames(request: Request) -> Response:
        place, first, last = place_of(request), *(request.path_params[k] for k in ("first", "last"))
        if not first <= last < first + MOST_FRAMES:
            raise HTTPException(404)
        try:
            with place.lock:
                pictures = [place.opened.picture(index) for index in range(first, last + 1)]
        except IndexError as error:
            raise HTTPException(404) from error
        content = b"".join(struct.pack("<I", len(one)) + one for one in pictures)
        return Response(content, media_type="application/octet-stream")

    def begin(request: Request, body: Body) -> Any:
        code, who = _text(body, "patient"), _text(body, "who")
        review.begin(code, who, _day(body), is_checked=bool(body.get("checked")))
        return state(request)

    def correct(request: Request, body: Body) -> Any:
        place = place_of(request)
        given = body.get("correction")
        if not isinstance(given, dict):
            raise InputError("A correction is missing; use the page's own.")
        why, known = _text(body, "why"), body.get("revision")
        moved = review.correct(place, correction_from(given), why, known)
        return {**told(request, place), **moved, "day": state(request)}

    def undo(request: Request, body: Body) -> Any:
        place = place_of(request)
        moved = review.undo(place, body.get("revision"))
        return {**told(request, place), **moved, "day": state(request)}

    def see(request: Request, body: Body) -> Any:
        place = place_of(request)
        review.see(place)
        return {**told(request, place), "day": state(request)}

    def side(request: Request, body: Body) -> Any:
        place, chosen = place_of(request), _text(body, "side")
        if chosen not in tuple(Side):
            raise InputError(f"The side is one of {', '.join(Side)}.")
        review.choose_side(place, Side(chosen))
        return state(request)

    def hand_over(request: Request, body: Body) -> Any:
        place, frame = place_of(request), body.get("frame")
        if laboratory is None:
            raise InputError("No laboratory is named; open the page with --lab.")
        if isinstance(frame, bool) or not isinstance(frame, int):
            raise InputError("frame is no whole number; give one.")
        return {"label": review.hand_over(place, frame, laboratory)}

    def sign(request: Request, body: Body) -> Any:
        review.sign(_text(body, "who"))
        return state(request)

    def amend(request: Request, body: Body) -> Any:
        review.amend(_text(body, "text"), _text(body, "who"))
        return state(request)

    def begin_amendment(request: Request, body: Body) -> Any:
        review.begin_amendment(_text(body, "who"))
        return state(request)

    def drop_amendment(request: Request, body: Body) -> Any:
        review.drop_amendment()
        return state(request)

    def withdraw(request: Request, body: Body) -> Any:
        review.withdraw(_text(body, "text"), _text(body, "who"))
        return state(request)

    def course(request: Request) -> Response:
        return JSONResponse(course_of(review, own, texts_of(request)))

    def chart(request: Request) -> Response:
        svg = picture_of(review, request.path_params["number"], own, texts_of(request))
        return Response(svg, media_type="image/svg+xml")

    def between(request: Request) -> Response:
        first, second = (request.path_params[name] for name in ("first", "second"))
        return JSONResponse(compared(review, first, second, own, language_of(request)))

    return [
        page_route("/", PACKAGE, "review.html", languages, ahead=MODULES),
        texts_route("/texts", languages),
        Route("/looks", _looks),
        Route("/day", day),
        Route("/begin", _changing(begin), methods=["POST"]),
        Route("/sign", _changing(sign), methods=["POST"]),
        Route("/amend", _changing(amend), methods=["POST"]),
        Route("/amend/begin", _changing(begin_amendment), methods=["POST"]),
        Route("/amend/drop", _changing(drop_amendment), methods=["POST"]),
        Route("/withdraw", _changing(withdraw), methods=["POST"]),
        Route("/course", course),
        Route("/course/charts/{number:int}", chart),
        Route("/course/{first:int}/{second:int}", between),
        Route("/clips/{number:int}", clip),
        Route("/clips/{number:int}/outlines", outlines),
        Route("/clips/{number:int}/frames/{first:int}/{last:int}", frames),
        Route("/clips/{number:int}/corrections", _changing(correct), methods=["POST"]),
        Route("/clips/{number:int}/undo", _changing(undo), methods=["POST"]),
        Route("/clips/{number:int}/hand-over", _changing(hand_over), methods=["POST"]),
        Route("/clips/{number:int}/side", _changing(side), methods=["POST"]),
        Route("/clips/{number:int}/seen", _changing(see), methods=["POST"]),
        *file_routes(PACKAGE, FILES),
    ]


def _looks(request: Request) -> Response:
    """How each structure looks, as our reports draw it."""
    return JSONResponse(
        {
            structure: {
                "paper": LOOKS[structure].on_paper,
                "image": LOOKS[structure].on_image,
                "pattern": LOOKS[structure].pattern_px,
            }
            for structure in STRUCTURES
        }
    )


def _changing(handle: Callable[[Request, Body], Any]) -> Callable[[Request], Any]:
    """Read the body of a change, make it in a thread of its own, and answer with what is new."""

    async def answer(request: Request) -> Response:
        try:
            body = await request.json()
        except ValueError as error:
            raise InputError("The request is no JSON; use the page's own.") from error
        if not isinstance(body, dict):
            raise InputError("The request is no JSON object; use the page's own.")
        return JSONResponse(await run_in_threadpool(handle, request, body))

    return answer


def _text(body: Body, name: str) -> str:
    value = body.get(name, "")
    if not isinstance(value, str):
        raise InputError(f"{name} is no text; type one.")
    return value.strip()


def _day(body: Body) -> date:
    try:
        return date.fromisoformat(_text(body, "day"))
    except ValueError as error:
        raise InputError("The day cannot be read; write it as 2026-03-01.") from error
