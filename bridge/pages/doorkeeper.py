"""Lets nobody further who is not signed in, and everybody only as far as their role goes. Nothing behind it asks again.

What it does not know is not let through: a route without a row in the table of permissions is nobody's.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import datetime
from functools import cached_property
from typing import Any
from urllib.parse import parse_qsl, quote, urlencode

from starlette.datastructures import Headers
from starlette.requests import Request, cookie_parser
from starlette.responses import RedirectResponse, Response
from starlette.routing import BaseRoute
from starlette.types import ASGIApp, Receive, Scope, Send

from bridge.accounts.grave import is_grave
from bridge.accounts.people import Account, Session
from bridge.accounts.permissions import NEEDS, OPEN_FOLDER, Right, may, roles_of
from bridge.desk.access import Caller, Typed
from bridge.errors import Overtaken, RefusedAction, StoreError
from bridge.pages.door import address_of
from bridge.pages.forms import OWN_PASSWORD, SECOND_FIELDS, SECOND_PASSWORD, SEE_OTHER, called_by, caller
from bridge.pages.guard import API_PREFIX, LOCKED, SAFE_METHODS, SESSION, Refuse, replay, store_fault, token_is_good
from bridge.pages.kept import seal
from bridge.pages.language import _, later
from bridge.pages.once_more import Asks, TypedForm
from bridge.pages.sights import ACTOR
from bridge.pages.site import PagesSite

SIGN_IN = "/sign-in"
LEAVING = frozenset({"/sign-out", "/lock"})  # whoever is out or locked already has what these ask for
MOST_FIELDS = 1000  # ours, as the application's own reader of forms has it; the longest of ours has some tens
FORM = "application/x-www-form-urlencoded"
UPLOAD = "multipart/form-data"  # RFC 7578
BEARER = "Bearer "  # RFC 6750 2.1
BY_ITSELF = frozenset(
    {"/api/news", "/api/news/rejected", "/api/news/rejected/rows", "/api/news/stream", "/api/session", "/signals/ringing"}
)  # what an open page asks again and again: no sign that anybody sits there


NO_PERSON = later("A person does this, with their own password: a program's key does not reach so far.")
PASSWORDS = frozenset({OWN_PASSWORD, SECOND_PASSWORD})  # fields that go no further than here


class NotSure(RefusedAction):
    """The act asks for one's own password, and what was given is none or wrong."""


class Rows:
    """The rows of the permission table as the application finds its routes: the first that fits."""

    def __init__(self, routes: Callable[[], Iterable[BaseRoute]]) -> None:
        self._routes = routes

    @cached_property
    def _rows(self) -> Sequence[tuple[re.Pattern[str], Mapping[str, Right | None], str]]:
        served: list[Any] = []
        for found in self._routes():
            served += getattr(getattr(found, "original_router", None), "routes", (found,))
        return [
            (
                route.path_regex,
                {method: NEEDS.get(("GET" if method == "HEAD" else method, route.path)) for method in route.methods},
                route.path,
            )
            for route in served
            if hasattr(route, "path_regex") and getattr(route, "methods", None)
        ]

    def right(self, method: str, path: str) -> Right | None:
        """Give what a request asks for; None where nothing is served there, or nobody was given the right to it."""
        if path.startswith(OPEN_FOLDER):
            return Right.OPEN
        fits = (methods[method] for pattern, methods, _ in self._rows if method in methods and pattern.match(path))
        return next(fits, None)

    def route(self, method: str, path: str) -> str:
        """Give the route of a request, as grave acts are named: `POST /path` with its ``{action}`` filled in; "" where nothing is served there."""
        for pattern, methods, route in self._rows:
            match = pattern.match(path)
            if method in methods and match is not None:
                return f"{method} {route.replace('{action}', match.groupdict().get('action', ''))}"
        return ""

    def page_above(self, path: str) -> str:
        """Give the nearest page above an address that only takes what a form sends: an act that is loaded anew by its address leads back to its row."""
        parts = path.split("/")
        above = ("/".join(parts[:end]) or "/" for end in range(len(parts) - 1, 0, -1))
        return next(each for each in above if self.is_served("GET", each))

    def is_served(self, method: str, path: str) -> bool:
        """Say whether anything is served there."""
        return any(method in methods and pattern.match(path) for pattern, methods, _ in self._rows)


class Doorkeeper:
    """ASGI middleware inside the guard, which has looked at host, origin and size, and holds the body ready."""

    def __init__(
        self, app: ASGIApp, *, rows: Rows, site: PagesSite, refuse: Refuse, asks: Asks, now: Callable[[], datetime]
    ) -> None:
        """``site`` has a door."""
        assert site.door is not None
        self._app = app
        self._door = site.door
        self._rows = rows
        self._secret = site.secret
        self._refuse = refuse
        self._doors = site.doors
        self._asks = asks
        self._now = now

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on in its caller's name, or answer it."""
        if scope["type"] != "http" or scope["path"] in self._doors:  # a door of another room asks for a key of its own
            await self._app(scope, receive, send)
            return
        right = self._rows.right(scope["method"], scope["path"])
        who, resting, answer = None, None, None
        try:
            who = await self._caller(scope)
            resting = await self._resting(scope) if who is None else None
        except (
            StoreError
        ) as fault:  # no handler of the application's is around this; what is open is answered also while the store is away
            answer = None if right is Right.OPEN else store_fault(self._refuse, Request(scope), fault)
        if who is not None:
            scope[ACTOR] = who.actor
        session = who.session if who is not None else resting[0] if resting is not None else None
        if resting is not None:
            scope[LOCKED] = resting[1].name
        if session is not None:
            scope[SESSION] = session.line
        with called_by(who):
            if answer is None and right is not Right.OPEN:
                if who is None and resting is not None and scope["method"] not in SAFE_METHODS and right is not Right.OWN:
                    answer = await self._kept(scope, receive, resting[1])
                if answer is None:
                    receive, answer = await self._let_by(scope, receive, right, who)
            await (answer or self._app)(scope, receive, send)

    async def _let_by(
        self, scope: Scope, receive: Receive, right: Right | None, who: Caller | None
    ) -> tuple[Receive, Response | None]:
        """Give the body as it is passed on, or why nothing is."""
        try:
            answer = await self._objection(scope, right, who)
            # a file that is only looked at: nothing is done with it in anybody's name, and its page looks at the token itself
            is_seen_alone = right is Right.LOOK and _kind(scope) == UPLOAD
            if answer is None and who is not None and scope["method"] not in SAFE_METHODS and not is_seen_alone:
                return await self._looked_at(scope, receive, who)
        except StoreError as fault:
            answer = store_fault(self._refuse, Request(scope), fault)
        return receive, answer

    async def _caller(self, scope: Scope) -> Caller | None:
        headers = Headers(scope=scope)
        shown = headers.get("authorization", "")
        if shown:
            is_key = shown.startswith(BEARER) and scope["path"].startswith(API_PREFIX)
            return await self._door.access.of_key(shown.removeprefix(BEARER).strip()) if is_key else None
        token = cookie_of(headers, self._door.cookie)
        return await self._door.access.of_session(token, is_used=scope["path"] not in BY_ITSELF) if token else None

    async def _resting(self, scope: Scope) -> tuple[Session, Account] | None:
        return await self._door.access.resting(cookie_of(Headers(scope=scope), self._door.cookie))

    async def _kept(self, scope: Scope, receive: Receive, account: Account) -> Response | None:
        """Ask for the password of a locked session with the form that came, sealed; None where it is none of that session's."""
        request = Request(scope)
        if _kind(scope) != FORM:
            return None
        try:
            pairs = _fields((await receive()).get("body", b""))
        except RefusedAction as error:
            return self._refuse(request, 403, _("Nothing was done"), str(error))
        if not token_is_good(request, dict(pairs).get("token", ""), self._secret):
            return None
        asks = is_grave(self._rows.route(scope["method"], scope["path"]), pairs)
        form = TypedForm(path=scope["path"], pairs=tuple(pairs), fault="", asks_password=asks)
        # who goes by the directory leaves this page on the way, and what is sealed in it
        kept = "" if account.issuer else seal(form, account_id=account.account_id, secret=self._secret, at=self._now())
        return self._asks.who(request, account.name, kept)

    async def _objection(self, scope: Scope, right: Right | None, who: Caller | None) -> Response | None:
        if who is None:
            return self._ask_who(scope)
        if right is None:
            # where nothing is there the application says so
            return self._not_yours(scope, _("nobody")) if self._rows.is_served(scope["method"], scope["path"]) else None
        if may(who.role, right, acts=who.acts):
            return None
        await self._door.access.note_refused(who, f"{right.value}, {address_of(scope)}")
        return self._not_yours(scope, _(" or ").join(_(role.value) for role in roles_of(right)) or _("nobody"))

    def _not_yours(self, scope: Scope, whose: str) -> Response:
        return self._refuse(
            Request(scope),
            403,
            _("Your role does not allow this"),
            _("It is for: {roles}. Nothing was done. Ask your administrator.", roles=whose),
        )

    def _ask_who(self, scope: Scope) -> Response:
        request = Request(scope)
        if scope["path"].startswith(API_PREFIX):
            answer = self._refuse(request, 401, _("Who are you?"), _("Sign in, or send a key: Authorization: Bearer KEY."))
            answer.headers["WWW-Authenticate"] = "Bearer"  # RFC 9110 11.6.1
            return answer
        if request.headers.get("sec-fetch-dest") == "empty":  # a script of ours, which shows no page
            return self._refuse(request, 401, _("You are not signed in"), _("Sign in again."))
        if scope["method"] == "POST" and scope["path"] in LEAVING:
            return RedirectResponse(SIGN_IN, status_code=SEE_OTHER)
        if scope["method"] in SAFE_METHODS:
            onward = scope["path"] + (f"?{scope['query_string'].decode('ascii', 'replace')}" if scope.get("query_string") else "")
            return RedirectResponse(f"{SIGN_IN}?next={quote(onward, safe='')}", status_code=SEE_OTHER)
        return self._refuse(request, 401, _("You are not signed in"), _("Nothing was done. Sign in, then send the form again."))

    # --- what a form says of people

    async def _looked_at(self, scope: Scope, receive: Receive, who: Caller) -> tuple[Receive, Response | None]:
        """Give the body with the caller's name in it and the passwords of a grave act looked at, or why it is not passed on."""
        body = (await receive()).get("body", b"")
        kind, request = _kind(scope), Request(scope)
        try:
            if kind == "application/json" and scope["path"].startswith(API_PREFIX):  # a page's form has its token
                body = await self._json(body, who, scope)
            elif kind == FORM or not body:
                pairs = self._pairs(body, who, scope)
                try:
                    body = await self._form(pairs, who, scope)
                except NotSure as error:
                    return receive, self._asks.once_more(
                        request, TypedForm(path=scope["path"], pairs=tuple(pairs), fault=str(error))
                    )
            else:
                return receive, self._refuse(request, 415, _("This is no form of ours"), _("Send it as a form or as JSON."))
        except (RefusedAction, Overtaken) as error:
            return receive, self._refuse(request, 403, _("Nothing was done"), str(error))
        scope["headers"] = [
            (name, str(len(body)).encode() if name == b"content-length" else value) for name, value in scope["headers"]
        ]
        return replay(body, receive), None

    def _pairs(self, body: bytes, who: Caller, scope: Scope) -> list[tuple[str, str]]:
        pairs = _fields(body)
        token = next((value for name, value in pairs if name == "token"), "")
        if who.session is None or not token_is_good(Request(scope), token, self._secret):
            raise RefusedAction(_("This form is too old, or not of this sign-in. Open the page again and send it from there."))
        return pairs

    async def _form(self, pairs: list[tuple[str, str]], who: Caller, scope: Scope) -> bytes:
        fields = dict(pairs)
        await self._require_sure(pairs, fields.get(OWN_PASSWORD, ""), who, scope)
        named = await self._seconds(fields, who, scope)
        kept = [(name, named.get(name, value)) for name, value in pairs if name != "name" and name not in PASSWORDS]
        return urlencode([*kept, ("name", who.actor.name)]).encode()

    async def _json(self, body: bytes, who: Caller, scope: Scope) -> bytes:
        try:
            fields: Any = json.loads(body)
        except (ValueError, RecursionError):
            return body  # the application says what is wrong with it
        if not isinstance(fields, dict):
            return body
        await self._require_sure(fields.items(), str(fields.get(OWN_PASSWORD, "")), who, scope)
        if not any(name in fields for name in ("name", *PASSWORDS, *SECOND_FIELDS)):
            return body
        named = await self._seconds(fields, who, scope)
        fields = {**fields, **named, "name": who.actor.name}
        return json.dumps({name: value for name, value in fields.items() if name not in PASSWORDS}).encode()

    async def _require_sure(self, fields: Iterable[tuple[str, object]], password: str, who: Caller, scope: Scope) -> None:
        """Raise NotSure where an act is grave and who does it did not give their own password; RefusedAction where that is no person."""
        if who.is_sure or not is_grave(self._rows.route(scope["method"], scope["path"]), fields):
            return
        if who.session is None:
            raise RefusedAction(_(NO_PERSON))
        try:
            await self._door.access.make_sure(who, password=password, address=address_of(scope))
        except RefusedAction as error:
            raise NotSure(str(error)) from error

    async def _seconds(self, fields: Mapping[str, Any], who: Caller, scope: Scope) -> dict[str, str]:
        """Give the second person's name as their account has it, by field; asks for their password."""
        named: dict[str, str] = {}
        for field in SECOND_FIELDS:
            name = fields.get(field, "")
            if isinstance(name, str) and name.strip():
                typed = Typed(name=name, password=str(fields.get(SECOND_PASSWORD, "")), address=address_of(scope))
                named[field] = await self._door.access.second(who, typed)
        return named


def may_see(path: str, *, has_accounts: bool) -> bool:
    """Say whether a page of ours is one for who is behind this request, so that nobody is shown a way that is shut."""
    who, right = caller(), NEEDS.get(("GET", path))
    if not has_accounts:
        return right is not Right.ADMINISTER
    return who is not None and right is not None and may(who.role, right, acts=who.acts)


def cookie_of(headers: Headers, name: str) -> str:
    """Give a cookie's value, "" where there is none; another program's on the same host, however it is built, hides none of ours."""
    return cookie_parser(headers.get("cookie", "")).get(name, "")


def _kind(scope: Scope) -> str:
    return Headers(scope=scope).get("content-type", "").partition(";")[0].strip().lower()


def _fields(body: bytes) -> list[tuple[str, str]]:
    """Give a form's fields. Raises RefusedAction where they are too many."""
    try:
        return parse_qsl(body.decode("utf-8", "replace"), keep_blank_values=True, max_num_fields=MOST_FIELDS)
    except ValueError as error:
        raise RefusedAction(
            _("This form has more than {most} fields. Open the page again and send it from there.", most=MOST_FIELDS)
        ) from error
