"""Who may ask, from where, how much: over a real loopback port, where a hostile page in the same browser stands too."""

from __future__ import annotations

import socket
from typing import Any

import httpx
import pytest

from bridge.pages.guard import COOKIE, HEADERS
from tests.pages.stocked import Stocked, Visitor

EXPECTED_HEADERS = {
    # Content Security Policy Level 3 (W3C), sections 6.1 and 6.3: nothing but our own files, framed by nobody
    "content-security-policy": (
        "default-src 'none'; style-src 'self'; script-src 'self'; img-src 'self'; connect-src 'self'; "
        "form-action 'self'; base-uri 'none'; frame-ancestors 'none'; object-src 'none'"
    ),
    "x-content-type-options": "nosniff",
    "referrer-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), microphone=(), geolocation=()",
    "cache-control": "no-store",
}
HEAD = "GET / HTTP/1.1\r\n{lines}connection: close\r\n\r\n"


def raw(port: int, request: str) -> str:
    """Send bytes as they are, which no client library would, and give the status line."""
    with socket.create_connection(("127.0.0.1", port), timeout=10) as wire:
        wire.sendall(request.encode())
        return wire.makefile("rb").readline().decode().strip()


@pytest.mark.parametrize(
    "path", ["/", "/rejected", "/results", "/try-out", "/nowhere", "/api/today", "/api/nowhere", "/health/live"]
)
def test_every_answer_carries_the_security_headers(still: Visitor, path: str) -> None:
    """Pages, API and faults alike: a fault page shows text from outside too."""
    answer = still.get(path)
    assert {name: answer.headers[name] for name in EXPECTED_HEADERS} == EXPECTED_HEADERS
    assert HEADERS == EXPECTED_HEADERS
    assert "server" not in answer.headers  # nobody need know what runs here


def test_a_refusal_carries_the_security_headers(still: Visitor) -> None:
    """What the guard itself answers is no exception."""
    answer = still.get("/", headers={"host": "evil.example"})
    assert answer.status_code == 421
    assert {name: answer.headers[name] for name in EXPECTED_HEADERS} == EXPECTED_HEADERS


@pytest.mark.parametrize(
    "host",
    [
        "evil.example",
        "evil.example:{port}",
        "127.0.0.1.evil.example:{port}",
        "localhost",  # our name without our port
        "127.0.0.1:1",
        "127.0.0.1:{port}.evil.example",
        "[::1]",
        "user@127.0.0.1:{port}",
        "127.0.0.1:{port} ",
    ],
)
def test_another_host_name_is_refused(still: Visitor, host: str) -> None:
    """DNS rebinding: a name of the attacker's that points at 127.0.0.1 makes his page same-origin with ours, but for this check."""
    shown = host.format(port=still.port)
    status = raw(still.port, HEAD.format(lines=f"host: {shown}\r\n"))
    blank_at_the_end = host.endswith(" ")  # RFC 9112 section 5: blanks around a value are no part of it
    assert status == ("HTTP/1.1 200 OK" if blank_at_the_end else "HTTP/1.1 421 Misdirected Request")


@pytest.mark.parametrize("host", ["127.0.0.1:{port}", "localhost:{port}", "LOCALHOST:{port}", "[::1]:{port}"])
def test_our_own_names_are_answered(still: Visitor, host: str) -> None:
    """Loopback by its usual names, in any case (RFC 9110 section 4.2.3)."""
    assert still.get("/", headers={"host": host.format(port=still.port)}).status_code == 200


@pytest.mark.parametrize("lines", ["", "host: 127.0.0.1:{port}\r\nhost: evil.example\r\n"])
def test_no_host_or_two_are_refused(still: Visitor, lines: str) -> None:
    """RFC 9112 section 3.2: a request without exactly one Host is bad; we do not choose."""
    status = raw(still.port, HEAD.format(lines=lines.format(port=still.port)))
    assert status in {"HTTP/1.1 421 Misdirected Request", "HTTP/1.1 400 Bad Request"}


def test_a_configured_name_is_answered_with_any_port(shelf: Stocked) -> None:
    """Behind a proxy the port in the name is the proxy's."""
    with shelf.serving(host_names=("bench.clinic.example", "exact.example:8443")) as visitor:
        codes = {
            host: visitor.get("/", headers={"host": host}).status_code
            for host in (
                "bench.clinic.example",
                "bench.clinic.example:443",
                "exact.example:8443",
                "exact.example:1",
                "clinic.example",
            )
        }
    assert codes == {
        "bench.clinic.example": 200,
        "bench.clinic.example:443": 200,
        "exact.example:8443": 200,
        "exact.example:1": 421,
        "clinic.example": 421,
    }


@pytest.mark.parametrize(
    "origin", ["http://evil.example", "null", "https://localhost:{other}", "http://127.0.0.1:{other}", "file://"]
)
@pytest.mark.parametrize("method", ["GET", "POST"])
def test_another_origin_is_refused(still: Visitor, method: str, origin: str) -> None:
    """A script of another page, or of another port of this machine, neither reads nor posts."""
    shown = origin.format(other=still.port + 1)
    answer = still.client.request(method, "/", headers={"origin": shown})
    assert answer.status_code == 403
    assert "This came from another site" in answer.text


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({"sec-fetch-site": "cross-site", "sec-fetch-mode": "no-cors", "sec-fetch-dest": "image"}, 403),
        ({"sec-fetch-site": "cross-site", "sec-fetch-mode": "navigate", "sec-fetch-dest": "iframe"}, 403),
        ({"sec-fetch-site": "same-site", "sec-fetch-mode": "cors", "sec-fetch-dest": "empty"}, 403),
        ({"sec-fetch-site": "cross-site", "sec-fetch-mode": "navigate", "sec-fetch-dest": "document"}, 200),  # a link to us
        ({"sec-fetch-site": "none", "sec-fetch-mode": "navigate", "sec-fetch-dest": "document"}, 200),  # typed, or a bookmark
        ({"sec-fetch-site": "same-origin"}, 200),
    ],
)
def test_what_a_browser_says_of_itself_is_heard(still: Visitor, headers: dict[str, str], status: int) -> None:
    """Fetch Metadata (W3C): images, frames and scripts from elsewhere get nothing; a link opens the page."""
    assert still.get("/", headers=headers).status_code == status


@pytest.mark.parametrize("path", ["/results", "/rejected/1/discard", "/rejected/read-again"])
def test_a_form_that_does_not_say_where_it_came_from_is_refused(still: Visitor, path: str) -> None:
    """No Origin and no Fetch Metadata: no browser of today does that with a form."""
    answer = still.client.post(path, data={"token": still.token()})
    assert answer.status_code == 403
    assert "did not say where the form was opened" in answer.text


@pytest.mark.parametrize("path", ["/results", "/rejected/{stop}/discard", "/rejected/read-again"])
@pytest.mark.parametrize("token", ["", "0" * 64, "é"])
def test_a_form_without_our_token_is_refused_on_loopback_too(shelf: Stocked, visitor: Visitor, path: str, token: str) -> None:
    """Loopback is no wall; and nothing was done."""
    stop = shelf.rejected()
    form = {"token": token, "rule": "patient.check_digit", "expected": "1", "name": "Ana", "reason": "r", "search": "x"}
    answer = visitor.post(path.format(stop=stop), **form)
    assert answer.status_code == 403
    assert "This form is too old" in answer.text
    row = shelf.store.stop(stop)
    assert row is not None
    assert row.state.value == "open"


def test_a_token_of_another_browser_is_refused(shelf: Stocked, visitor: Visitor) -> None:
    """The token is tied to the cookie: one that another person's page holds is of no use."""
    stop = shelf.rejected()
    stolen = visitor.token()
    with httpx.Client(base_url=visitor.origin) as other:
        other.get("/results")
        form = {"token": stolen, "name": "Eve", "reason": "r"}
        headers = {"origin": visitor.origin}
        assert other.post(f"/rejected/{stop}/discard", data=form, headers=headers).status_code == 403
        other.cookies.clear()
        assert other.post(f"/rejected/{stop}/discard", data=form, headers=headers).status_code == 403


def test_a_token_of_an_earlier_run_is_refused(shelf: Stocked) -> None:
    """The secret is new for every process, so an old page is shown again before anything is done."""
    with shelf.serving(secret=b"a" * 32) as one:
        old, cookie = one.token(), one.client.cookies[COOKIE]
    with shelf.serving(secret=b"b" * 32) as two:
        two.client.cookies.set(COOKIE, cookie)
        assert two.post("/results", token=old, search="x").status_code == 403


def test_the_cookie_is_for_our_forms_alone(still: Visitor) -> None:
    """No script reads it, no other site's request carries it (RFC 6265bis section 5.6)."""
    cookie = still.get("/").headers["set-cookie"]
    assert cookie.split("; ")[1:] == ["HttpOnly", "Path=/", "SameSite=strict"]
    assert cookie.startswith(f"{COOKIE}=")


def test_an_api_post_without_its_header_is_refused(shelf: Stocked, visitor: Visitor) -> None:
    """A form can post text/plain that looks like JSON; it cannot send our header."""
    stop = shelf.rejected()
    answer = visitor.client.post(f"/api/stops/{stop}/discard", json={"name": "Eve", "reason": "r"})
    assert answer.status_code == 403
    assert answer.json()["title"] == "The request lacks its header"
    row = shelf.store.stop(stop)
    assert row is not None
    assert row.state.value == "open"


@pytest.mark.parametrize("length", [65_537, 10_000_000])
def test_too_much_is_refused_by_its_declared_length(still: Visitor, length: int) -> None:
    """It is not read at all."""
    request = (
        f"POST /results HTTP/1.1\r\nhost: 127.0.0.1:{still.port}\r\norigin: {still.origin}\r\ncontent-length: {length}\r\n\r\n"
    )
    assert raw(still.port, request) == "HTTP/1.1 413 Request Entity Too Large"


def test_too_much_is_refused_while_it_comes(still: Visitor) -> None:
    """A body without a declared length ends where our limit does."""

    def endless() -> Any:
        for _ in range(40):
            yield b"x" * 4_096

    answer = still.client.post("/results", content=endless(), headers={"origin": still.origin})
    assert answer.status_code == 413
    assert "65536 bytes at most" in answer.text


def test_a_form_of_the_largest_size_is_read(still: Visitor) -> None:
    """The limit itself is allowed: the answer is about the form, not its size."""
    body = b"token=" + b"x" * (65_536 - 6)
    headers = {"origin": still.origin, "content-type": "application/x-www-form-urlencoded"}
    assert still.client.post("/results", content=body, headers=headers).status_code == 422
