"""Owns our own files of a page: a fixed list of names, read once; a request names none of them."""

from collections.abc import Sequence
from importlib.resources import files
from pathlib import PurePosixPath

from jinja2 import ChoiceLoader, Environment, PackageLoader, StrictUndefined
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, Response
from starlette.routing import Route

from layermotion.serving.guard import FORM_KEY
from layermotion.serving.texts import Languages

# Package whose templates every page may include, such as its head.
SHARED = "layermotion.serving"
# Folder of a package in which the files of its pages lie.
FOLDER = "page"
MEDIA_TYPES = {".js": "text/javascript", ".css": "text/css", ".svg": "image/svg+xml"}


def file_routes(package: str, names: Sequence[str]) -> list[Route]:
    """Serve the named files of ``PACKAGE/page``, each at ``/LAST_WORD_OF_PACKAGE/NAME``.

    They are read now, so that no request reaches the file system.
    """
    folder, first = files(package) / FOLDER, package.rpartition(".")[2]
    return [
        _fixed(f"/{first}/{name}", (folder / name).read_bytes(), PurePosixPath(name).suffix)
        for name in names
    ]


def _fixed(path: str, content: bytes, suffix: str) -> Route:
    """Serve one content at one path."""
    media_type = MEDIA_TYPES[suffix]

    async def give(request: Request) -> Response:
        return Response(content, media_type=media_type)

    return Route(path, give)


def page_route(
    path: str, package: str, name: str, languages: Languages, ahead: Sequence[str] = ()
) -> Route:
    """Serve one page of ``PACKAGE/page``, in the language of the browser.

    The template gets ``say(key, ...)``, ``language`` and ``form_key``, the value without which the
    guard takes no change. The page asks for the modules ``ahead`` at once; without that it asks for
    each when it has read the one that needs it.
    """
    loader = ChoiceLoader([PackageLoader(package, FOLDER), PackageLoader(SHARED, FOLDER)])
    environment = Environment(loader=loader, autoescape=True, undefined=StrictUndefined)
    template = environment.get_template(name)

    async def give(request: Request) -> Response:
        texts = languages.choose(request.headers.get("accept-language", ""))
        return HTMLResponse(
            template.render(
                say=texts.say,
                language=texts.language,
                form_key=request.scope[FORM_KEY],
                ahead=ahead,
            )
        )

    return Route(path, give)


def texts_route(path: str, languages: Languages) -> Route:
    """Serve the texts of a page as JSON, in the language of the browser."""

    async def give(request: Request) -> Response:
        texts = languages.choose(request.headers.get("accept-language", ""))
        return JSONResponse(dict(texts.by_key))

    return Route(path, give)
