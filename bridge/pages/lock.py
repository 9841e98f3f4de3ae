"""Locking: the session opens nothing until its person gives the password, and what stands on the page stays where it is."""

from __future__ import annotations

import hashlib
from typing import Annotated
from urllib.parse import quote

import pydantic
from fastapi import APIRouter, Body, Form, HTTPException, Request
from fastapi.responses import JSONResponse, RedirectResponse, Response

from bridge.desk.access import Typed
from bridge.errors import Overtaken, RefusedAction
from bridge.pages.door import Door, address_of
from bridge.pages.forms import SEE_OTHER, caller
from bridge.pages.guard import LOCKED, SESSION
from bridge.pages.language import _, spoken
from bridge.pages.newsroom import Newsroom
from bridge.pages.sign_in import Secret, inside

MARK_LENGTH = 16  # ours: hexadecimal digits; it only tells two sign-ins of one browser apart


class LockForm(pydantic.BaseModel):
    """Where to go on after the password."""

    next: Annotated[str, pydantic.Field(max_length=2000)] = "/"


class Unlocking(pydantic.BaseModel):
    """The password of whoever's session is locked."""

    password: Secret


def mark_of(request: Request) -> str:
    """Give what a page and a script tell two sign-ins of one browser apart by; "" where nobody's is there. It opens nothing."""
    line = str(request.scope.get(SESSION, ""))
    return hashlib.sha256(b"padpost mark\0" + line.encode()).hexdigest()[:MARK_LENGTH] if line else ""


class LockPages:
    """Makes these routes."""

    def __init__(self, door: Door, newsroom: Newsroom) -> None:
        self._door = door
        self._newsroom = newsroom

    def router(self) -> APIRouter:
        """Give the routes."""
        routes = APIRouter(include_in_schema=False)
        routes.add_api_route("/lock", self.lock, methods=["POST"], response_model=None)
        routes.add_api_route("/api/session", self.state, methods=["GET"], response_model=None)
        routes.add_api_route("/api/session/used", self.used, methods=["GET"], response_model=None)
        routes.add_api_route("/api/session/unlock", self.unlock, methods=["POST"], response_model=None)
        return routes

    async def lock(self, request: Request, form: Annotated[LockForm, Form()]) -> Response:
        """Lock the session; its streams of news end."""
        who = caller()
        assert who is not None
        await self._door.access.lock(who)
        self._newsroom.end(str(request.scope.get(SESSION, "")))
        return RedirectResponse(f"/sign-in?next={quote(inside(form.next), safe='')}", status_code=SEE_OTHER)

    async def state(self, request: Request) -> Response:
        """Say whether the session is open, locked or over, and which it is. Asking is no use of it."""
        state = "open" if caller() is not None else "locked" if LOCKED in request.scope else "over"
        return JSONResponse({"state": state, "mark": mark_of(request)})

    async def used(self, request: Request) -> Response:
        """Say the same of a session that is open; asking is a use of it: a person types on the page."""
        return JSONResponse({"state": "open", "mark": mark_of(request)})

    async def unlock(self, request: Request, body: Annotated[Unlocking, Body()]) -> Response:
        """Go on in a locked session by its person's password, with a new token."""
        name = str(request.scope.get(LOCKED, ""))
        if not name:
            raise HTTPException(409, _("This sign-in is over. Sign in again."))
        token = request.cookies.get(self._door.cookie, "")
        typed = Typed(name=name, password=body.password, address=address_of(request.scope))
        try:
            new = await self._door.access.sign_in(typed, replaces=token)
        except (RefusedAction, Overtaken) as error:
            raise HTTPException(403, spoken().sentences.said(str(error))) from error  # the cover shows it as it is
        return self._door.give(JSONResponse({"state": "open", "mark": mark_of(request)}), new)
