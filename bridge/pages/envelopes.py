"""The pages of the emergency account: opening a sealed envelope, sealing the next one, and looking into what was opened."""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated

import pydantic
from fastapi import APIRouter, Form, HTTPException, Request
from fastapi.responses import RedirectResponse, Response

from bridge.accounts.people import Role
from bridge.desk.envelopes import EnvelopeDesk
from bridge.errors import Overtaken, RefusedAction
from bridge.pages.door import Door, address_of
from bridge.pages.forms import SEE_OTHER, Field, RequiresToken, RowId, ShowsPage, caller, typed_actor
from bridge.store.api import Store

SHOWN = 25  # ours: envelopes of some years


class OpenForm(pydantic.BaseModel):
    """Who opens an envelope, why, and what stands in it."""

    opened_by: Field = ""
    secret: Field = ""
    reason: Field = ""
    token: Field = ""


class EnvelopeForm(pydantic.BaseModel):
    """A reason, and who gives it."""

    reason: Field = ""
    name: Field = ""


class EnvelopePages:
    """Makes these routes."""

    def __init__(self, store: Store, door: Door, page: ShowsPage, require_token: RequiresToken) -> None:
        self._store = store
        self._door = door
        self._desk: EnvelopeDesk = door.envelopes
        self._page = page
        self._require_token = require_token

    def add_to(self, routes: APIRouter) -> None:
        """Add the routes."""
        for path, view, method in (
            ("/emergency", self.ask, "GET"),
            ("/emergency", self.open, "POST"),
            ("/envelopes", self.show, "GET"),
            ("/envelopes", self.seal, "POST"),
            ("/envelopes/{envelope_id}/look", self.look_into, "POST"),
        ):
            routes.add_api_route(path, view, methods=[method], response_model=None)

    async def ask(self, request: Request) -> Response:
        """Ask for what stands in the envelope."""
        return self._asked(request, OpenForm())

    async def open(self, request: Request, form: Annotated[OpenForm, Form()]) -> Response:
        """Let somebody in by an envelope."""
        self._require_token(request, form.token)
        try:
            token = await self._desk.open(
                form.secret,
                by=form.opened_by,
                why=form.reason,
                address=address_of(request.scope),
                replaces=request.cookies.get(self._door.cookie, ""),
            )
        except (RefusedAction, Overtaken) as error:
            return self._asked(request, form, fault=str(error))
        return self._door.give(RedirectResponse("/", status_code=SEE_OTHER), token)

    def show(self, request: Request) -> Response:
        """Show which envelopes there were, and what asks for a look."""
        return self._shown(request)

    def seal(self, request: Request, form: Annotated[EnvelopeForm, Form()]) -> Response:
        """Make the next envelope and show what to write down, this once."""
        try:
            secret = self._desk.seal(reason=form.reason, actor=typed_actor(form.name))
        except RefusedAction as error:
            return self._shown(request, fault=str(error))
        return self._shown(request, secret=secret)

    def look_into(self, request: Request, envelope_id: RowId, form: Annotated[EnvelopeForm, Form()]) -> Response:
        """Keep what came of an opening."""
        return self._done(request, lambda: self._desk.look_into(envelope_id, reason=form.reason, actor=typed_actor(form.name)))

    def _done(self, request: Request, act: Callable[[], None]) -> Response:
        try:
            act()
        except Overtaken as error:
            raise HTTPException(409, str(error)) from error
        except RefusedAction as error:
            return self._shown(request, fault=str(error))
        return RedirectResponse("/envelopes", status_code=SEE_OTHER)

    def _asked(self, request: Request, form: OpenForm, *, fault: str = "") -> Response:
        return self._page(request, "emergency.html", {"form": form, "fault": fault}, status=403 if fault else 200)

    def _shown(self, request: Request, *, fault: str = "", secret: str = "") -> Response:
        envelopes, who = self._store.envelopes(limit=SHOWN), caller()
        values = {
            "envelopes": envelopes,
            "newest": envelopes[0].envelope_id if envelopes else 0,
            "may_seal": who is not None and who.role is Role.ADMINISTRATOR,
            "fault": fault,
            "secret": secret,
        }
        return self._page(request, "envelopes.html", values, status=409 if fault else 200)
