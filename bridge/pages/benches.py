"""The pages of a shared bench: a browser is marked as one, people switch there by badge or PIN, and each chooses what they switch by."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from datetime import datetime
from typing import Annotated

import pydantic
from fastapi import APIRouter, Form, HTTPException, Request
from fastapi.responses import RedirectResponse, Response

from bridge.accounts.policy import LONGEST
from bridge.accounts.quick import BADGE_LONGEST, Bench, may_switch
from bridge.desk.benches import NOT_OPEN, Benches, Chosen, Shown
from bridge.errors import Overtaken, RefusedAction
from bridge.pages.door import Door, address_of
from bridge.pages.forms import SEE_OTHER, Field, RequiresToken, RowId, ShowsPage, caller
from bridge.store.api import Store

Hidden = Annotated[str, pydantic.Field(max_length=4 * LONGEST)]  # the policy's own sentence comes first
KEPT_DAYS = 400  # RFC 6265bis 5.5: a browser keeps a cookie no longer


class BenchForm(pydantic.BaseModel):
    """A bench to mark or to end."""

    bench_name: Field = ""
    reason: Field = ""


class SwitchForm(pydantic.BaseModel):
    """A badge, or a name and a PIN."""

    badge: Annotated[str, pydantic.Field(max_length=2 * BADGE_LONGEST)] = ""
    person: Field = ""
    pin: Hidden = ""
    token: Field = ""


class QuickForm(pydantic.BaseModel):
    """What somebody chooses to switch by, each twice, with their password."""

    old: Hidden = ""
    pin: Hidden = ""
    pin_again: Hidden = ""
    badge: Hidden = ""
    badge_again: Hidden = ""
    drops: Field = ""


class BenchPages:
    """Makes these routes. ``new_token`` gives an unguessable text each time."""

    def __init__(
        self, store: Store, door: Door, page: ShowsPage, require_token: RequiresToken, now: Callable[[], datetime]
    ) -> None:
        assert door.benches is not None
        self._store = store
        self._door = door
        self._benches: Benches = door.benches
        self._page = page
        self._require_token = require_token
        self._now = now

    def add_to(self, routes: APIRouter) -> None:
        """Add the routes."""
        for path, view, method in (
            ("/bench", self.show, "GET"),
            ("/bench", self.mark, "POST"),
            ("/bench/{bench_id}/end", self.end, "POST"),
            ("/switch", self.switch_page, "GET"),
            ("/switch", self.switch, "POST"),
            ("/quick", self.quick_page, "GET"),
            ("/quick", self.choose, "POST"),
        ):
            routes.add_api_route(path, view, methods=[method], response_model=None)

    # --- benches

    async def show(self, request: Request) -> Response:
        """Show the shared benches, and what this browser is."""
        return await self._shown(request)

    async def mark(self, request: Request, form: Annotated[BenchForm, Form()]) -> Response:
        """Mark this browser as a bench."""
        who, token = caller(), self._door.access.new_token()
        assert who is not None
        fault = await _fault_of(self._benches.mark(who, form.bench_name, token))
        if fault:
            return await self._shown(request, fault=fault)
        answer = RedirectResponse("/bench", status_code=SEE_OTHER)
        return self._door.mark(answer, token, days=KEPT_DAYS)

    async def end(self, request: Request, bench_id: RowId, form: Annotated[BenchForm, Form()]) -> Response:
        """End a bench."""
        who = caller()
        assert who is not None
        fault = await _fault_of(self._benches.end(who, bench_id, form.reason))
        return await self._shown(request, fault=fault) if fault else RedirectResponse("/bench", status_code=SEE_OTHER)

    async def _shown(self, request: Request, *, fault: str = "") -> Response:
        values = {
            "benches": [each for each in self._store.benches() if not each.ended_by],
            "this_bench": await self._here(request),
            "now": self._now(),
            "fault": fault,
        }
        return self._page(request, "bench.html", values, status=409 if fault else 200)

    async def _here(self, request: Request) -> Bench | None:
        return await self._benches.of_browser(self._door.bench_of(request))

    # --- switching

    async def switch_page(self, request: Request) -> Response:
        """Ask for a badge, or a name and a PIN."""
        bench = await self._here(request)
        return self._asked(request, fault="" if bench is not None and bench.is_open(self._now()) else NOT_OPEN)

    async def switch(self, request: Request, form: Annotated[SwitchForm, Form()]) -> Response:
        """Switch to another person: nothing of the former one's goes along."""
        self._require_token(request, form.token)
        shown = Shown(badge=form.badge.strip(), name=form.person, pin=form.pin, address=address_of(request.scope))
        old = request.cookies.get(self._door.cookie, "")
        try:
            token = await self._benches.switch(self._door.bench_of(request), shown, replaces=old)
        except (RefusedAction, Overtaken) as error:
            return self._asked(request, person=form.person, fault=str(error))
        return self._door.give(RedirectResponse("/", status_code=SEE_OTHER), token)

    def _asked(self, request: Request, *, person: str = "", fault: str = "") -> Response:
        return self._page(request, "switch.html", {"person": person, "fault": fault}, status=403 if fault else 200)

    # --- what one switches by

    async def quick_page(self, request: Request) -> Response:
        """Show what one switches by."""
        return self._quick(request)

    async def choose(self, request: Request, form: Annotated[QuickForm, Form()]) -> Response:
        """Keep a PIN or a badge, or take both away."""
        who = caller()
        assert who is not None
        chosen = Chosen(
            password=form.old,
            pin=form.pin,
            pin_again=form.pin_again,
            badge=form.badge,
            badge_again=form.badge_again,
            drops=form.drops == "yes",
        )
        fault = await _fault_of(self._benches.choose(who, chosen, address_of(request.scope)))
        return self._quick(request, fault=fault) if fault else RedirectResponse("/quick", status_code=SEE_OTHER)

    def _quick(self, request: Request, *, fault: str = "") -> Response:
        who = caller()
        if who is None or who.account is None:
            raise HTTPException(404)
        quick = self._store.quick(who.account.account_id)
        values = {
            "has_pin": quick is not None and bool(quick.pin),
            "has_badge": quick is not None and bool(quick.badge),
            "may_choose": may_switch(who.account),
            "fault": fault,
        }
        return self._page(request, "quick.html", values, status=409 if fault else 200)


async def _fault_of(act: Awaitable[None]) -> str:
    try:
        await act
    except (RefusedAction, Overtaken) as error:
        return str(error)
    return ""
