"""A served page: who may talk to it, what it answers with, where it listens, how it ends."""

import string
import time
from collections.abc import Iterator
from pathlib import Path

import httpx2
import pytest
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route, WebSocketRoute
from starlette.websockets import WebSocket
from websockets.exceptions import InvalidStatus
from websockets.sync.client import connect

import layermotion
from layermotion.errors import InputError
from layermotion.serving.guard import BODY_LIMIT, FORM_KEY, Address, Guard
from layermotion.serving.run import Running, Tls, serving
from layermotion.serving.static import file_routes
from layermotion.serving.texts import Languages, Texts

PACKAGES = Path(layermotion.__file__).parent


async def show(request: Request) -> Response:
    return JSONResponse({"form": request.scope[FORM_KEY]})


async def change(request: Request) -> Response:
    return JSONResponse({"length": len(await request.body())})


async def refuse(request: Request) -> Response:
    raise InputError("rest.dcm is empty; export it again.")


async def echo(socket: WebSocket) -> None:
    await socket.accept()
    await socket.send_text(await socket.receive_text())
    await socket.close()


ROUTES = [
    Route("/", show),
    Route("/change", change, methods=["POST"]),
    Route("/refuse", refuse, methods=["POST"]),
    WebSocketRoute("/echo", echo),
]


@pytest.fixture(scope="module")
def running() -> Iterator[Running]:
    with serving(ROUTES) as found:
        yield found


@pytest.fixture
def browser(running: Running) -> Iterator[httpx2.Client]:
    """Give a client that has opened the page."""
    with httpx2.Client(base_url=running.address.origin) as client:
        assert client.get(running.link()).status_code == 303
        yield client


def headers_of(browser: httpx2.Client, running: Running) -> dict[str, str]:
    """State what the page states when it changes something."""
    form = browser.get("/").json()["form"]
    return {"origin": running.address.origin, "x-layermotion-form": form}


def test_without_a_link_nothing_is_answered(running: Running) -> None:
    for path in ("/", "/nothing", "/serving/server.js", "/?key=wrong", "/?key="):
        answer = httpx2.get(running.address.origin + path)
        assert answer.status_code == 403
        assert "set-cookie" not in answer.headers


def test_a_link_opens_once_and_brings_a_cookie_that_scripts_cannot_read(running: Running) -> None:
    link = running.link()
    with httpx2.Client() as client:
        answer = client.get(link)
        assert answer.status_code == 303 and answer.headers["location"] == "/"
        cookie = answer.headers["set-cookie"]
        assert "HttpOnly" in cookie and "SameSite=strict" in cookie
        assert client.get(running.address.origin).status_code == 200
    assert httpx2.get(link).status_code == 403


def test_a_link_is_as_long_as_a_secret_must_be(running: Running) -> None:
    links = {running.link("/there") for _ in range(20)}
    assert len(links) == 20
    assert all(len(link.partition("/there?key=")[2]) >= 43 for link in links)  # 256 bits


def test_the_cookie_of_another_run_opens_nothing(running: Running) -> None:
    with serving(ROUTES) as other:
        name = f"layermotion-{running.address.port}"
        with httpx2.Client() as client:
            client.get(other.link())
            value = client.cookies[f"layermotion-{other.address.port}"]
        answer = httpx2.get(running.address.origin, headers={"cookie": f"{name}={value}"})
    assert answer.status_code == 403


@pytest.mark.parametrize("host", ["evil.example", "localhost", "127.0.0.1", "127.0.0.1:1"])
def test_a_foreign_host_is_refused(browser: httpx2.Client, host: str) -> None:
    assert browser.get("/", headers={"host": host}).status_code == 403


@pytest.mark.parametrize("origin", ["https://evil.example", "null", "http://127.0.0.1:1"])
def test_a_foreign_origin_is_refused(browser: httpx2.Client, running: Running, origin: str) -> None:
    own = headers_of(browser, running)
    assert browser.post("/change", headers=own).status_code == 200
    assert browser.post("/change", headers=own | {"origin": origin}).status_code == 403
    assert browser.get("/", headers={"origin": origin}).status_code == 403
    assert browser.get("/", headers={"sec-fetch-site": "cross-site"}).status_code == 403


def test_a_change_needs_an_origin_and_the_value_of_the_page(
    browser: httpx2.Client, running: Running
) -> None:
    own = headers_of(browser, running)
    for name in own:
        left = {key: value for key, value in own.items() if key != name}
        assert browser.post("/change", headers=left).status_code == 403
    wrong = own | {"x-layermotion-form": "x" * 43}
    assert browser.post("/change", headers=wrong).status_code == 403


def test_a_long_body_is_refused_however_it_comes(browser: httpx2.Client, running: Running) -> None:
    own = headers_of(browser, running)
    fits = b"x" * BODY_LIMIT
    assert browser.post("/change", headers=own, content=fits).json() == {"length": BODY_LIMIT}
    assert browser.post("/change", headers=own, content=fits + b"x").status_code == 413

    def pieces() -> Iterator[bytes]:
        for _ in range(3):
            yield b"x" * (BODY_LIMIT // 2)

    assert browser.post("/change", headers=own, content=pieces()).status_code == 413


def test_every_answer_holds_the_page_to_itself(browser: httpx2.Client, running: Running) -> None:
    answers = [
        browser.get("/"),
        browser.get("/serving/server.js"),
        browser.get("/nothing"),
        httpx2.get(running.address.origin),
    ]
    assert [answer.status_code for answer in answers] == [200, 200, 404, 403]
    for answer in answers:
        policy = answer.headers["content-security-policy"].split("; ")
        assert "default-src 'none'" in policy and "frame-ancestors 'none'" in policy
        assert "script-src 'self'" in policy and "style-src 'self'" in policy
        assert "unsafe" not in answer.headers["content-security-policy"]
        assert answer.headers["x-content-type-options"] == "nosniff"
        assert answer.headers["cache-control"] == "no-store"
        assert answer.headers["referrer-policy"] == "no-referrer"


def test_an_error_is_answered_as_its_sentence(browser: httpx2.Client, running: Running) -> None:
    answer = browser.post("/refuse", headers=headers_of(browser, running))
    assert answer.status_code == 422
    assert answer.json() == {"error": "rest.dcm is empty; export it again."}


@pytest.mark.parametrize(
    "path",
    [
        "/serving/../guard.py",
        "/serving/..%2fguard.py",
        "/serving/%2e%2e/guard.py",
        "/serving//etc/passwd",
        "/serving/look.css/../../guard.py",
        "/serving/guard.py",
        "/serving/",
    ],
)
def test_no_path_of_a_request_reaches_a_file(browser: httpx2.Client, path: str) -> None:
    request = browser.build_request("GET", "/")
    request.url = request.url.copy_with(raw_path=path.encode())
    assert browser.send(request).status_code == 404


def test_only_named_files_of_a_known_kind_are_served() -> None:
    assert [route.path for route in file_routes("layermotion.serving", ("look.css",))] == [
        "/serving/look.css"
    ]
    with pytest.raises(FileNotFoundError):
        file_routes("layermotion.serving", ("missing.css",))


def test_a_socket_needs_cookie_origin_and_the_value_of_the_page(
    browser: httpx2.Client, running: Running
) -> None:
    own = headers_of(browser, running)
    form = own["x-layermotion-form"]
    name = f"layermotion-{running.address.port}"
    address = running.address.origin.replace("http", "ws") + "/echo"
    cookie = {"Cookie": f"{name}={browser.cookies[name]}"}
    protocols = ["layermotion", f"form.{form}"]

    def said(origin: str | None, headers: dict[str, str], stated: list[str]) -> str:
        with connect(
            address, origin=origin, additional_headers=headers, subprotocols=stated
        ) as socket:
            assert socket.subprotocol == "layermotion"
            socket.send("heard")
            return str(socket.recv())

    assert said(running.address.origin, cookie, protocols) == "heard"
    refused = [
        (running.address.origin, {}, protocols),
        ("https://evil.example", cookie, protocols),
        (None, cookie, protocols),
        (running.address.origin, cookie, ["layermotion"]),
        (running.address.origin, cookie, ["layermotion", "form.wrong"]),
    ]
    for origin, headers, stated in refused:
        with pytest.raises(InvalidStatus) as found:
            said(origin, headers, stated)
        assert found.value.response.status_code == 403


def test_beyond_this_computer_a_page_needs_tls() -> None:
    with pytest.raises(InputError, match="192.0.2.7 can be reached from other computers"):
        with serving(ROUTES, host="192.0.2.7"):
            pass
    for host in ("", "0.0.0.0", "::"):
        with pytest.raises(InputError, match="no address of a page"):
            with serving(ROUTES, host=host):
                pass


def test_files_that_are_no_certificate_are_refused(tmp_path: Path) -> None:
    (tmp_path / "page.pem").write_text("nothing")
    with pytest.raises(InputError, match=r"page.pem and page.key are no certificate"):
        Tls(tmp_path / "page.pem", tmp_path / "page.key")


def test_a_port_that_is_taken_is_said(running: Running) -> None:
    with pytest.raises(InputError, match=f"port {running.address.port}"):
        with serving(ROUTES, port=running.address.port):
            pass


def test_a_session_that_nobody_uses_ends_for_good() -> None:
    now = [0.0]
    guard = Guard(lambda *_: None, Address("127.0.0.1", 1), idle_s=10, clock=lambda: now[0])
    now[0] = 9.0
    assert not guard.has_ended
    now[0] = 10.5
    assert guard.has_ended
    now[0] = 0.0
    assert guard.has_ended


def test_a_session_that_has_ended_answers_nobody_and_the_server_knows() -> None:
    with serving(ROUTES, idle_s=2.0) as running, httpx2.Client() as client:
        client.get(running.link())
        assert client.get(running.address.origin).status_code == 200
        while not running.has_ended:
            time.sleep(0.01)
        assert client.get(running.address.origin).status_code == 403
        assert client.get(running.link()).status_code == 403


def test_a_language_is_chosen_by_the_browser() -> None:
    languages = Languages((Texts("de", {"a": "Ruhe"}), Texts("en", {"a": "rest"})))
    wanted = {"de": "de", "de-AT, en": "de", "fr, it": "en", "": "en", "en;q=0.3, de;q=0.9": "de"}
    assert {a: languages.choose(a).language for a in wanted} == wanted
    assert languages.choose("*;q=zero, de").say("a") == "Ruhe"


def test_the_texts_of_all_languages_have_the_same_keys_and_placeholders() -> None:
    for folder in PACKAGES.glob("*/texts"):
        languages = Languages.of(f"layermotion.{folder.parent.name}")
        by_language = {texts.language: texts.by_key for texts in languages.texts}
        assert {"en", "de"} <= by_language.keys()
        english = {key: placeholders(text) for key, text in by_language["en"].items()}
        for texts in by_language.values():
            assert {key: placeholders(text) for key, text in texts.items()} == english
            assert all(text.strip() for text in texts.values())


def placeholders(text: str) -> set[str]:
    """Names in braces."""
    return {name for _, name, _, _ in string.Formatter().parse(text) if name is not None}
