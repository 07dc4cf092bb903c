"""Owns who may talk to a served page: keys, origin, limits and the headers of every answer."""

import hmac
import secrets
import time
from collections.abc import Callable
from dataclasses import dataclass
from urllib.parse import parse_qs, urlencode

from starlette.responses import PlainTextResponse, RedirectResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

# Longest body of a request and longest message of a socket, bytes (our choice: the corrections of a
# clip are some kilobytes).
BODY_LIMIT = 1 << 20
# A page at which nobody did anything for so long ends, s (our choice: half an hour, the longest
# that a patient is likely to stay on the couch between two touches).
IDLE_S = 1800.0
# Names that the page knows too: of the query, the header and the subprotocol of a socket.
LINK_QUERY, FORM_HEADER, SOCKET_PROTOCOL = "key", "x-layermotion-form", "layermotion"
# Where the guard leaves the anti-forgery value for the page, in the scope of a request.
FORM_KEY = "layermotion.form_key"
READING = ("GET", "HEAD")

NO_KEY = "This page opens with the link that the program printed, and each link opens it once."
ENDED = "The session has ended, because nobody used it; start the program again."
FOREIGN = "This page answers only its own address."
NO_FORM = "The request does not come from this page; load it again."
TOO_LARGE = "The request is too large."


@dataclass(frozen=True)
class Address:
    """Where a page is served.

    Parameters
    ----------
    host, port
        As the server is bound.
    is_secure
        Whether it speaks TLS.
    """

    host: str
    port: int
    is_secure: bool = False

    @property
    def authority(self) -> str:
        """Host and port as a browser states them.

        Examples
        --------
        >>> Address("::1", 8000).authority, Address("clinic.local", 443, True).authority
        ('[::1]:8000', 'clinic.local')
        """
        host = f"[{self.host}]" if ":" in self.host else self.host
        is_usual = self.port == (443 if self.is_secure else 80)
        return host if is_usual else f"{host}:{self.port}"

    @property
    def origin(self) -> str:
        """Origin of the page."""
        return f"{'https' if self.is_secure else 'http'}://{self.authority}"

    @property
    def policy(self) -> str:
        """Content policy of every answer: what the page itself serves, and nothing inline."""
        sockets = f"{'wss' if self.is_secure else 'ws'}://{self.authority}"
        own = ("script-src", "style-src", "img-src", "font-src", "media-src", "form-action")
        return "; ".join(
            [
                "default-src 'none'",
                *(f"{directive} 'self'" for directive in own),
                f"connect-src 'self' {sockets}",
                "base-uri 'none'",
                "frame-ancestors 'none'",
            ]
        )


class Guard:
    """ASGI middleware in front of everything that is served.

    A link, good for one opening, brings a cookie; nothing else is answered without that cookie.
    Whatever changes something, and every socket, must state the page's own origin and the value
    that the page was given.

    Parameters
    ----------
    app
        What is guarded.
    address
        The only address that is answered.
    idle_s
        The session ends when no request came for so long, s.
    clock
        Seconds that only grow.
    """

    def __init__(
        self,
        app: ASGIApp,
        address: Address,
        *,
        body_limit: int = BODY_LIMIT,
        idle_s: float = IDLE_S,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._app, self._address, self._limit = app, address, body_limit
        self._idle_s, self._clock = idle_s, clock
        self._links: set[str] = set()
        self._session, self._form_key = secrets.token_urlsafe(32), secrets.token_urlsafe(32)
        self._used_s, self._ended = clock(), False
        # Cookies of one host are shared by all its ports.
        self._cookie = f"layermotion-{address.port}"

    def link(self, path: str = "/") -> str:
        """Make a link that opens a page once, with its key."""
        key = secrets.token_urlsafe(32)
        self._links.add(key)
        return f"{self._address.origin}{path}?{urlencode({LINK_QUERY: key})}"

    @property
    def has_ended(self) -> bool:
        """Whether nobody used the page for so long that the session is over, for good."""
        self._ended = self._ended or self._clock() - self._used_s > self._idle_s
        return self._ended

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer, refuse, or hand on to what is guarded."""
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
        elif scope["type"] == "websocket":
            await self._socket(scope, receive, send)
        else:
            await self._request(scope, receive, self._with_headers(send))

    async def _request(self, scope: Scope, receive: Receive, send: Send) -> None:
        headers = _headers(scope)
        is_reading = scope["method"] in READING
        refusal = self._foreign(headers, must_state=not is_reading)
        if refusal:
            await PlainTextResponse(refusal, 403)(scope, receive, send)
            return
        if self.has_ended:
            await PlainTextResponse(ENDED, 403)(scope, receive, send)
            return
        if is_reading and self._takes_link(scope):
            response = RedirectResponse(scope["path"], 303)
            response.set_cookie(
                self._cookie,
                self._session,
                httponly=True,
                samesite="strict",
                secure=self._address.is_secure,
            )
            await response(scope, receive, send)
            return
        if not self._knows(headers):
            await PlainTextResponse(NO_KEY, 403)(scope, receive, send)
            return
        if not is_reading:
            if not _same(headers.get(FORM_HEADER, ""), self._form_key):
                await PlainTextResponse(NO_FORM, 403)(scope, receive, send)
                return
            body = await self._body(headers, receive)
            if body is None:
                await PlainTextResponse(TOO_LARGE, 413)(scope, receive, send)
                return
            receive = _replaying(body, receive)
        self._used_s = self._clock()
        await self._app({**scope, FORM_KEY: self._form_key}, receive, send)

    async def _socket(self, scope: Scope, receive: Receive, send: Send) -> None:
        headers = _headers(scope)
        stated = scope.get("subprotocols", ())
        is_own = not self._foreign(headers, must_state=True) and self._knows(headers)
        has_form = any(_same(name, f"form.{self._form_key}") for name in stated)
        if self.has_ended or not (is_own and has_form):
            await send({"type": "websocket.close", "code": 1008, "reason": NO_FORM})
            return
        self._used_s = self._clock()

        async def accept(message: Message) -> None:
            if message["type"] == "websocket.accept":
                message = {**message, "subprotocol": SOCKET_PROTOCOL}
            await send(message)

        await self._app(scope, receive, accept)

    def _foreign(self, headers: dict[str, str], *, must_state: bool) -> str:
        """Say why the request does not come from the page's own address; empty where it does."""
        origin = headers.get("origin")
        if headers.get("host") != self._address.authority:
            return FOREIGN
        if origin not in (None, self._address.origin) or (must_state and origin is None):
            return FOREIGN
        return "" if headers.get("sec-fetch-site") in (None, "none", "same-origin") else FOREIGN

    def _takes_link(self, scope: Scope) -> bool:
        """Tell whether the query holds a link's key, which is then used up."""
        stated = parse_qs(scope["query_string"].decode("latin-1")).get(LINK_QUERY, [""])[0]
        found = next((key for key in self._links if _same(key, stated)), None)
        self._links.discard(found or "")
        return found is not None

    def _knows(self, headers: dict[str, str]) -> bool:
        """Tell whether the cookie is the one of this run."""
        cookies = dict(
            part.strip().partition("=")[::2] for part in headers.get("cookie", "").split(";")
        )
        return _same(cookies.get(self._cookie, ""), self._session)

    async def _body(self, headers: dict[str, str], receive: Receive) -> bytes | None:
        """Read the body; None where it is longer than allowed."""
        stated = headers.get("content-length", "0")
        if not stated.isdecimal() or int(stated) > self._limit:
            return None
        body, is_more = bytearray(), True
        while is_more:
            message = await receive()
            body += message.get("body", b"")
            is_more = message.get("more_body", False)
            if len(body) > self._limit:
                return None
        return bytes(body)

    def _with_headers(self, send: Send) -> Send:
        """Send every answer with the headers that hold the page to itself."""
        own = {
            "content-security-policy": self._address.policy,
            "x-content-type-options": "nosniff",
            "cache-control": "no-store",
            "referrer-policy": "no-referrer",
            "x-frame-options": "DENY",
            "cross-origin-opener-policy": "same-origin",
            "cross-origin-resource-policy": "same-origin",
        }
        ours = [(name.encode(), value.encode()) for name, value in own.items()]

        async def answer(message: Message) -> None:
            if message["type"] == "http.response.start":
                kept = [pair for pair in message.get("headers", ()) if pair[0].decode() not in own]
                message = {**message, "headers": [*kept, *ours]}
            await send(message)

        return answer


def _headers(scope: Scope) -> dict[str, str]:
    """Headers of a request by lower-case name; of one given twice both, which fits nothing."""
    found: dict[str, str] = {}
    for name, value in scope["headers"]:
        key, text = name.decode("latin-1"), value.decode("latin-1")
        found[key] = f"{found[key]}, {text}" if key in found else text
    return found


def _same(one: str, other: str) -> bool:
    """Compare two secrets in a time that tells nothing of them."""
    return hmac.compare_digest(one.encode(), other.encode())


def _replaying(body: bytes, receive: Receive) -> Receive:
    """Give a body that was read already, then what comes after it."""
    waiting: list[Message] = [{"type": "http.request", "body": body, "more_body": False}]

    async def again() -> Message:
        return waiting.pop() if waiting else await receive()

    return again
