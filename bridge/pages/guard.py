"""What every request must pass before a page sees it: who is called, from where, how much.

Loopback is no wall: any web page in the same browser can post to it, and a name can be made to
point at it. So the Host is one of ours, what comes from a browser comes from our own
pages, and forms carry a token that only our pages could give.
"""

from __future__ import annotations

import asyncio
import hashlib
import hmac
import secrets
from collections.abc import Callable

from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import Request
from starlette.responses import Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from bridge.errors import StoreAway, StoreError
from bridge.pages.language import _
from bridge.pages.site import PagesSite

SAFE_METHODS = frozenset({"GET", "HEAD", "OPTIONS"})  # RFC 9110 section 9.2.1 (TRACE is never allowed here)
API_HEADER = "x-padpost"  # ours: a header that no HTML form can send, and that a browser asks about first across origins
COOKIE = "padpost_form"
SESSION = "padpost.session"  # in a request's scope: the line of the session, where somebody is signed in
LOCKED = "padpost.locked"  # in a request's scope: the name of the account whose session is locked, where one is
API_PREFIX = "/api/"
BODY_S = 30.0  # ours: a form is a few hundred bytes; the slowest line has brought it by then

HEADERS = {
    # CSP3: nothing but our own files; no inline script or style; nobody frames us
    "content-security-policy": (
        "default-src 'none'; style-src 'self'; script-src 'self'; img-src 'self'; connect-src 'self'; "
        "form-action 'self'; base-uri 'none'; frame-ancestors 'none'; object-src 'none'"
    ),
    "x-content-type-options": "nosniff",
    # same-origin, not no-referrer: with no-referrer a browser sends Origin: null with our own forms (Fetch section 3.2)
    "referrer-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), microphone=(), geolocation=()",
    "cache-control": "no-store",
}

Refuse = Callable[[Request, int, str, str], Response]


def store_fault(refuse: Refuse, request: Request, fault: StoreError) -> Response:
    """Answer a request for which the store could not do its part."""
    title = _("The database does not answer") if isinstance(fault, StoreAway) else _("Nothing was done: it could not be kept")
    return refuse(request, 503, title, str(fault))


class Guard:
    """ASGI middleware: checks Host, origin and size, and sets the headers of every answer."""

    def __init__(self, app: ASGIApp, *, site: PagesSite, refuse: Refuse) -> None:
        self._app = app
        self._site = site
        self._refuse = refuse
        self._loopback = frozenset(f"{name}:{site.port}" for name in ("127.0.0.1", "localhost", "[::1]"))

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a good request on; answer a bad one."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return

        async def send_guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    headers.setdefault(name, value)
            await send(message)

        answer = self._objection(scope)
        if answer is None and scope["method"] not in SAFE_METHODS and scope["path"] not in self._site.doors:
            try:
                async with asyncio.timeout(BODY_S):
                    body = await self._body(scope, receive)
            except TimeoutError:
                body, answer = (
                    None,
                    (
                        408,
                        _("It did not come in time"),
                        _("What is sent must be here within {seconds} seconds.", seconds=f"{BODY_S:g}"),
                    ),
                )
            if body is not None:
                receive = replay(body, receive)
            elif answer is None:
                answer = (
                    413,
                    _("Too much was sent"),
                    _("A form or request may hold {most} bytes at most.", most=self._site.largest_body),
                )
        if answer is None:
            await self._app(scope, receive, send_guarded)
        else:
            await self._refuse(Request(scope), *answer)(scope, receive, send_guarded)

    def _objection(self, scope: Scope) -> tuple[int, str, str] | None:
        """Say what is wrong with a request's head: status, title, sentence; None if nothing is."""
        headers = Headers(scope=scope)
        hosts = headers.getlist("host")
        if len(hosts) != 1 or not self._is_ours(hosts[0].lower()):
            return (
                421,
                _("This is not our address"),
                _("Padpost does not answer to this host name. Use the address your administrator gave."),
            )
        if not _same_origin(scope, headers, hosts[0].lower()):
            return (
                403,
                _("This came from another site"),
                _("Another web page tried to reach Padpost. Nothing was done. Open Padpost itself."),
            )
        if scope["method"] in SAFE_METHODS or scope["path"] in self._site.doors:  # a door asks for a key that no browser has
            return None
        if scope["path"].startswith(API_PREFIX):
            if API_HEADER not in headers:
                return 403, _("The request lacks its header"), _("Send the header X-Padpost: 1 with every POST to the API.")
        elif "origin" not in headers and "sec-fetch-site" not in headers:
            return (
                403,
                _("Where does this form come from?"),
                _("The browser did not say where the form was opened. Open the page again and send it from there."),
            )
        return None

    def _is_ours(self, host: str) -> bool:
        return host in self._loopback or host in self._site.host_names or _without_port(host) in self._site.host_names

    async def _body(self, scope: Scope, receive: Receive) -> bytes | None:
        """Read the whole body, or give None as soon as it is too long."""
        length = Headers(scope=scope).get("content-length", "0")
        if not length.isdecimal() or int(length) > self._site.largest_body:
            return None
        body = b""
        while True:
            message = await receive()
            if message["type"] == "http.disconnect":
                return body
            body += bytes(message.get("body", b""))
            if len(body) > self._site.largest_body:
                return None
            if not message.get("more_body", False):
                return body


def replay(body: bytes, receive: Receive) -> Receive:
    """Give a body that was read already once more, and then whatever comes behind it."""
    told = False

    async def again() -> Message:
        nonlocal told
        if told:
            return await receive()
        told = True
        return {"type": "http.request", "body": body, "more_body": False}

    return again


def _without_port(host: str) -> str:
    name, colon, port = host.rpartition(":")
    return name if colon and port.isdecimal() else host


def _same_origin(scope: Scope, headers: Headers, host: str) -> bool:
    """Say whether a browser's own words (Origin; Fetch Metadata) leave the request ours.

    A link from elsewhere to a page of ours is fine: a whole page opened by a GET. Scripts, frames, images
    and posts from elsewhere are not.
    """
    origin = headers.get("origin")
    if origin is not None and origin.lower() not in {f"http://{host}", f"https://{host}"}:
        return False
    fetched_from = headers.get("sec-fetch-site", "same-origin")
    if fetched_from == "same-origin":
        return True
    is_visit = headers.get("sec-fetch-mode") == "navigate" and headers.get("sec-fetch-dest") == "document"
    return scope["method"] in SAFE_METHODS and is_visit


# --- form tokens ---------------------------------------------------------------------------------


def form_token(request: Request, secret: bytes) -> tuple[str, str]:
    """Give the token for this browser's forms, and its cookie's value (a new one where it has none; "" where a session stands for it)."""
    nonce = _nonce(request) or secrets.token_urlsafe(24)
    return _sign(nonce, secret), "" if SESSION in request.scope else nonce


def token_is_good(request: Request, token: str, secret: bytes) -> bool:
    """Say whether ``token`` was given by this process to the browser that sends it."""
    nonce = _nonce(request)
    return bool(nonce) and hmac.compare_digest(_sign(nonce, secret).encode(), token.encode("utf-8", "replace"))


def _nonce(request: Request) -> str:
    """Give what a token is bound to: the session, so that it ends with it; before sign-in a cookie of its own."""
    return str(request.scope.get(SESSION, "")) or request.cookies.get(COOKIE, "")


def _sign(nonce: str, secret: bytes) -> str:
    return hmac.new(secret, b"padpost form\0" + nonce.encode("utf-8", "replace"), hashlib.sha256).hexdigest()
