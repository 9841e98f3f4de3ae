"""The page of identifiers that are no patient's, and the strips of each registration, to print."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import datetime
from functools import partial
from typing import Annotated

from fastapi import APIRouter, Form, HTTPException, Request
from fastapi.responses import RedirectResponse, Response
from pydantic import BaseModel

from bridge.bench.registered import PURPOSES, KeptRegistration, Registration
from bridge.desk.operators import typed_day
from bridge.desk.registered import RegisterDesk
from bridge.errors import RefusedAction
from bridge.model import Purpose
from bridge.pages.forms import SEE_OTHER, Field, RequiresToken, RowId, ShowsPage, Text, typed_actor
from bridge.pages.language import _
from bridge.pages.site import PagesSite
from bridge.store.api import Store
from bridge.store.rows import StripRow

LOOKED_AT = 2_000  # ours: strips of no patient that a list is made from, the newest; a round has some tens


class RegisterForm(BaseModel):
    """A registration as the page's form sends it; days as ISO dates."""

    purpose: Purpose
    text: Field = ""
    scheme: Field = ""
    since: Field = ""
    until: Field = ""
    token: Field = ""
    name: Field = ""


class RegisteredPages:
    """Makes the routes of the pages."""

    def __init__(
        self,
        store: Store,
        site: PagesSite,
        show: ShowsPage,
        require_token: RequiresToken,
        now: Callable[[], datetime],
    ) -> None:
        self._store = store
        self._site = site
        self._show = show
        self._require_token = require_token
        self._now = now
        self._desk = RegisterDesk(store, now)

    def add_to(self, routes: APIRouter) -> None:
        """Add the routes."""
        routes.add_api_route("/registered", self.page, methods=["GET"], response_model=None)
        routes.add_api_route("/registered", self.register, methods=["POST"], response_model=None)
        routes.add_api_route("/registered/strips", self.strips, methods=["GET"], response_model=None)
        routes.add_api_route("/registered/{registration_id}/sign", self.sign, methods=["POST"], response_model=None)
        routes.add_api_route("/registered/{registration_id}/end", self.end, methods=["POST"], response_model=None)

    def page(self, request: Request) -> Response:
        """Show what is registered."""
        return self._page(request)

    def register(self, request: Request, form: Annotated[RegisterForm, Form()]) -> Response:
        """Register an identifier."""
        self._require_token(request, form.token)
        return self._do(request, partial(self._register, form))

    def _register(self, form: RegisterForm) -> None:
        since, until = typed_day(form.since), typed_day(form.until)
        if since is None or until is None:
            raise RefusedAction(_("Give a first and a last day."))
        of = Registration(text=form.text.strip(), purpose=form.purpose, scheme=form.scheme.strip(), since=since, until=until)
        self._desk.register(of, actor=typed_actor(form.name))

    def sign(self, request: Request, registration_id: RowId, token: Text = "", name: Text = "") -> Response:
        """Sign a registration as the second person."""
        self._require_token(request, token)
        return self._do(request, lambda: self._desk.sign(registration_id, actor=typed_actor(name)))

    def end(self, request: Request, registration_id: RowId, token: Text = "", name: Text = "", reason: Text = "") -> Response:
        """Take a registration out of force."""
        self._require_token(request, token)
        return self._do(request, lambda: self._desk.end(registration_id, reason=reason, actor=typed_actor(name)))

    def _do(self, request: Request, action: Callable[[], None]) -> Response:
        try:
            action()
        except RefusedAction as error:
            return self._page(request, said=str(error))
        return RedirectResponse("/registered", status_code=SEE_OTHER)

    def _page(self, request: Request, *, said: str = "") -> Response:
        every = self._store.registrations()
        shown = {
            "in_force": tuple(each for each in every if not each.ended_by),
            "ended": tuple(each for each in reversed(every) if each.ended_by),
            "purposes": PURPOSES,
            "today": self._now().astimezone(self._site.zone).date(),
            "said": said,
        }
        return self._show(request, "registered.html", shown, status=409 if said else 200)

    def strips(self, request: Request, registration: int) -> Response:
        """Show the strips that bear what a registration takes in, to print."""
        kept = next((each for each in self._store.registrations() if each.registration_id == registration), None)
        if kept is None:
            raise HTTPException(404, _("There is no such registration."))
        shown = {"kept": kept, "strips": tuple(self._strips_of(kept)), "training": kept.registration.purpose is Purpose.TRAINING}
        return self._show(request, "registered_strips.html", shown)

    def _strips_of(self, kept: KeptRegistration) -> Iterator[StripRow]:
        of = kept.registration
        for strip in self._store.strips(outcome="non_patient", limit=LOOKED_AT):
            on = (strip.analyzed_at or strip.arrived_at).astimezone(self._site.zone).date()
            if strip.purpose is of.purpose and any(of.takes(text, on) for text in (strip.patient_id, strip.specimen_id)):
                yield strip
