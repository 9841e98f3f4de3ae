"""The pages by which people come in and go: sign-in, the first one by a one-time code, one's own password, sign-out."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from dataclasses import replace
from datetime import datetime
from typing import Annotated

import pydantic
from fastapi import APIRouter, Form, Request
from fastapi.responses import RedirectResponse, Response

from bridge.accounts.envelope import is_emergency
from bridge.accounts.policy import LONGEST
from bridge.desk.access import Typed
from bridge.errors import Overtaken, RefusedAction
from bridge.pages.directory import DirectoryPages
from bridge.pages.door import Door, address_of
from bridge.pages.forms import SEE_OTHER, Field, RequiresToken, ShowsPage, called_by, caller
from bridge.pages.guard import LOCKED, SESSION
from bridge.pages.kept import opened
from bridge.pages.language import _
from bridge.pages.site import PagesSite

Secret = Annotated[str, pydantic.Field(max_length=4 * LONGEST)]  # the policy's own sentence comes first


KEPT_LONGEST = 50_000  # ours: somewhat more than what is sealed, so that a change of that refuses nothing


class SignInForm(pydantic.BaseModel):
    """Who wants in, and whereto; ``kept``: a sealed form that came while the session was locked."""

    name: Field = ""
    password: Secret = ""
    next: Annotated[str, pydantic.Field(max_length=2000)] = "/"
    kept: Annotated[str, pydantic.Field(max_length=KEPT_LONGEST)] = ""
    token: Field = ""


class FirstForm(pydantic.BaseModel):
    """Who has a one-time code, and the password they choose."""

    name: Field = ""
    code: Field = ""
    password: Secret = ""
    again: Secret = ""
    token: Field = ""


class PasswordForm(pydantic.BaseModel):
    """One's own password as it is, and as it shall be."""

    old: Secret = ""
    password: Secret = ""
    again: Secret = ""
    token: Field = ""


class SignInPages:
    """Makes these routes."""

    def __init__(
        self, site: PagesSite, door: Door, page: ShowsPage, require_token: RequiresToken, now: Callable[[], datetime]
    ) -> None:
        self._site = site
        self._door = door
        self._page = page
        self._require_token = require_token
        self._now = now

    def add_to(self, routes: APIRouter) -> None:
        """Add the routes."""
        for path, view, method in (
            ("/sign-in", self.sign_in_page, "GET"),
            ("/sign-in", self.sign_in, "POST"),
            ("/first-sign-in", self.first_page, "GET"),
            ("/first-sign-in", self.first, "POST"),
            ("/password", self.password_page, "GET"),
            ("/password", self.password, "POST"),
            ("/sign-out", self.sign_out, "POST"),
        ):
            routes.add_api_route(path, view, methods=[method], response_model=None)
        if self._door.by_directory is not None:
            DirectoryPages(self._door, self._door.by_directory, self._page, self._not_let_in, inside).add_to(routes)

    async def sign_in_page(self, request: Request, next: str = "/", left: bool = False) -> Response:  # noqa: A002 - the word in the address
        """Ask who it is; where a session of this browser is locked, its person. ``left``: somebody of the directory signed out here, and is still known there."""
        by = self._door.by_directory
        leave = by.directory.leave() if by is not None and left else ""
        return self._asked(request, onward=next, name=_locked(request), leave=leave)

    def _asked(
        self, request: Request, *, onward: str = "/", name: str = "", fault: str = "", kept: str = "", leave: str = ""
    ) -> Response:
        values = {
            "next": inside(onward),
            "name": name,
            "fault": fault,
            "leave": leave,
            "locked": _locked(request),
            "kept": kept,
            **asked_by(self._door),
        }
        return self._page(request, "sign_in.html", values, status=403 if fault else 200)

    def _not_let_in(self, request: Request, fault: str) -> Response:
        return self._asked(request, fault=fault)

    async def sign_in(self, request: Request, form: Annotated[SignInForm, Form()]) -> Response:
        """Let somebody in; a form that came while their session was locked is shown to them again, and to nobody else."""
        self._require_token(request, form.token)
        typed = Typed(name=form.name, password=form.password, address=address_of(request.scope))
        old = request.cookies.get(self._door.cookie, "")
        try:
            token = await self._door.access.sign_in(typed, replaces=old)
        except (RefusedAction, Overtaken) as error:
            return self._asked(request, onward=form.next, name=form.name, fault=str(error), kept=form.kept)
        if self._door.benches is not None:
            await self._door.benches.opened(self._door.bench_of(request), token)
        again = await self._again(request, form.kept, token) if form.kept else None
        return self._door.give(again or RedirectResponse(inside(form.next), status_code=SEE_OTHER), token)

    async def _again(self, request: Request, kept: str, token: str) -> Response | None:
        who = await self._door.access.of_session(token)
        if who is None or who.account is None or who.session is None:
            return None
        typed = opened(kept, account_id=who.account.account_id, secret=self._site.secret, now=self._now())
        if typed is None:
            return None
        request.scope[SESSION] = who.session.line
        with called_by(who):
            return self._page(request, "once_more.html", {"typed": replace(typed, fault=_("You are signed in again."))})

    async def first_page(self, request: Request) -> Response:
        """Ask for a one-time code and a password."""
        return self._page(request, "first_sign_in.html", {"name": "", "fault": ""})

    async def first(self, request: Request, form: Annotated[FirstForm, Form()]) -> Response:
        """Let somebody in by a one-time code."""
        self._require_token(request, form.token)
        typed = Typed(name=form.name, password=form.password, address=address_of(request.scope))
        old = request.cookies.get(self._door.cookie, "")
        return await self._let_in(
            lambda: self._door.access.first_sign_in(typed, code=form.code, again=form.again, replaces=old),
            "/",
            lambda fault: self._page(request, "first_sign_in.html", {"name": form.name, "fault": fault}, status=403),
        )

    async def password_page(self, request: Request) -> Response:
        """Ask for one's own password and a new one."""
        return self._page(request, "password.html", {"fault": ""})

    async def password(self, request: Request, form: Annotated[PasswordForm, Form()]) -> Response:
        """Change one's own password."""
        who, address = caller(), address_of(request.scope)
        assert who is not None
        return await self._let_in(
            lambda: self._door.access.change_password(who, old=form.old, new=form.password, again=form.again, address=address),
            "/",
            lambda fault: self._page(request, "password.html", {"fault": fault}, status=403),
        )

    async def sign_out(self) -> Response:
        """End the session."""
        who = caller()
        assert who is not None
        await self._door.access.sign_out(who)
        is_known_there = who.account is not None and bool(who.account.issuer) and not is_emergency(who.account)
        return self._door.take(RedirectResponse(f"/sign-in{'?left=yes' if is_known_there else ''}", status_code=SEE_OTHER))

    async def _let_in(self, let_in: Callable[[], Awaitable[str]], onward: str, again: Callable[[str], Response]) -> Response:
        try:
            token = await let_in()
        except (RefusedAction, Overtaken) as error:
            return again(str(error))
        return self._door.give(RedirectResponse(onward, status_code=SEE_OTHER), token)


def asked_by(door: Door) -> dict[str, bool]:
    """Give what the page of sign-in must know of the ways in."""
    return {"by_directory": door.by_directory is not None, "by_password": door.access.taken.passwords}


def _locked(request: Request) -> str:
    return str(request.scope.get(LOCKED, ""))


def inside(onward: str) -> str:
    """Give an address of ours to go on to, "/" for any other: sign-in leads to no other site."""
    is_path = onward.startswith("/") and not onward.startswith("//")  # RFC 3986 4.2: two strokes begin another host's name
    return onward if is_path and onward.isprintable() and "\\" not in onward else "/"
