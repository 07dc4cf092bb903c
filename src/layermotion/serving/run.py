"""Owns the server of a page: where it listens, how it starts, and how it ends."""

import contextlib
import ipaddress
import socket
import ssl
import threading
import time
import webbrowser
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import uvicorn
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import BaseRoute, Route

from layermotion.errors import InputError, LayermotionError
from layermotion.serving.guard import BODY_LIMIT, IDLE_S, Address, Guard
from layermotion.serving.sentences import language_of, refuse_in
from layermotion.serving.static import file_routes

# How often it is looked whether the session has ended, s (our choice).
LOOK_S = 0.2
# Longest that a page may take to let go of its connections at the end, s (our choice).
LET_GO_S = 2
# Addresses that mean every network of this computer, and so no address of a page.
EVERYWHERE = ("", "0.0.0.0", "::")


@dataclass(frozen=True)
class Tls:
    """Files of a certificate and its private key, PEM."""

    certificate: Path
    key: Path

    def __post_init__(self) -> None:
        try:
            ssl.create_default_context(ssl.Purpose.CLIENT_AUTH).load_cert_chain(
                self.certificate, self.key
            )
        except (OSError, ssl.SSLError) as error:
            raise InputError(
                f"{self.certificate.name} and {self.key.name} are no certificate with its key; "
                f"give two PEM files that belong together."
            ) from error


def tls_of(certificate: Path | None, key: Path | None) -> Tls | None:
    """TLS from two files, or none where there are none.

    Raises
    ------
    InputError
        If only one is given, or they do not belong together.
    """
    if certificate is not None and key is not None:
        return Tls(certificate, key)
    if certificate is not None or key is not None:
        raise InputError("A certificate needs its key; give both --certificate and --key.")
    return None


class Running:
    """A page that is being served by a thread of this process.

    Parameters
    ----------
    guard, address
        What stands in front of it, and where.
    """

    def __init__(self, guard: Guard, address: Address, server: uvicorn.Server) -> None:
        self.address, self._guard, self._server = address, guard, server

    def link(self, path: str = "/") -> str:
        """Make a link that opens a page once."""
        return self._guard.link(path)

    @property
    def has_ended(self) -> bool:
        """Whether the session is over, because nobody used it or because the server stopped."""
        return self._guard.has_ended or self._server.should_exit


@contextlib.contextmanager
def serving(
    app_routes: Sequence[BaseRoute],
    *,
    host: str = "127.0.0.1",
    port: int = 0,
    tls: Tls | None = None,
    idle_s: float = IDLE_S,
) -> Iterator[Running]:
    """Serve a page while the block runs.

    Parameters
    ----------
    app_routes
        Routes of Starlette; a ``LayermotionError`` that one raises is answered as one sentence.
    host, port
        Address of this computer; port 0 takes a free one.
    tls
        Needed where ``host`` is not this computer alone.
    idle_s
        The session ends when nobody used it for so long, s.

    Raises
    ------
    InputError
        If the address cannot be served, or would be without TLS beyond this computer.
    """
    listener = _listening(host, port, tls)
    address = Address(host, listener.getsockname()[1], tls is not None)
    app = Starlette(
        routes=[*app_routes, *file_routes("layermotion.serving", SHARED), PRESENCE],
        exception_handlers={LayermotionError: _one_sentence},
    )
    guard = Guard(app, address, idle_s=idle_s)
    config = uvicorn.Config(
        guard,
        log_level="warning",
        access_log=False,
        proxy_headers=False,
        server_header=False,
        ws_max_size=BODY_LIMIT,
        ws_per_message_deflate=False,  # pictures are packed already
        timeout_graceful_shutdown=LET_GO_S,
        ssl_certfile=tls.certificate if tls else None,
        ssl_keyfile=tls.key if tls else None,
    )
    server = uvicorn.Server(config)
    thread = threading.Thread(target=server.run, args=([listener],), name="page", daemon=True)
    thread.start()
    try:
        while not server.started and thread.is_alive():
            time.sleep(0.01)
        yield Running(guard, address, server)
    finally:
        server.should_exit = True
        thread.join()
        listener.close()


def serve(
    app_routes: Sequence[BaseRoute],
    *,
    host: str = "127.0.0.1",
    port: int = 0,
    tls: Tls | None = None,
    open_browser: bool = True,
    path: str = "/",
) -> None:
    """Serve a page until Ctrl-C, or until nobody used it for long; print its link and open it.

    Raises
    ------
    InputError
        As ``serving`` does.
    """
    with serving(app_routes, host=host, port=port, tls=tls) as running:
        try:
            print(f"The page: {running.link(path)}", flush=True)
            print("This link opens it once. End with Ctrl-C.", flush=True)
            if open_browser:
                webbrowser.open(running.link(path))
            while not running.has_ended:
                time.sleep(LOOK_S)
        except KeyboardInterrupt:
            print("The page has ended.", flush=True)
            return
        print("The page has ended, because nobody used it.", flush=True)


def _listening(host: str, port: int, tls: Tls | None) -> socket.socket:
    """Open the socket, on this computer alone unless there is TLS."""
    if host in EVERYWHERE:
        raise InputError(
            f"'{host}' is no address of a page; give the one by which this computer is reached."
        )
    if tls is None and not is_loopback(host):
        raise InputError(
            f"{host} can be reached from other computers, so the page needs TLS there; give a "
            f"certificate and its key, or leave the address out."
        )
    try:
        family = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)[0][0]
        return socket.create_server((host, port), family=family)
    except OSError as error:
        raise InputError(
            f"Nothing can be served at {host}, port {port} ({error.strerror}); choose another "
            f"address or port."
        ) from error


def is_loopback(host: str) -> bool:
    """Tell whether an address is reached from this computer alone.

    Examples
    --------
    >>> is_loopback("127.0.0.1"), is_loopback("::1"), is_loopback("192.168.0.7")
    (True, True, False)
    """
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"


def _one_sentence(request: Request, error: Exception) -> Response:
    """Answer with the sentence of an error, in the language of the page."""
    language = language_of(request.headers.get("accept-language", ""))
    return JSONResponse({"error": refuse_in(language, str(error))}, 422)


def _present(request: Request) -> Response:
    """Take note that somebody is at the page; the guard has done so."""
    return Response(status_code=204)


SHARED = ("server.js", "look.css")
PRESENCE = Route("/presence", _present, methods=["POST"])
