"""The page of receivers: how each stands, how much waits, and what a person can do; and a test that sends nothing clinical."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Annotated

from fastapi import APIRouter, Form, HTTPException, Request
from fastapi.responses import RedirectResponse, Response
from pydantic import BaseModel
from starlette.concurrency import run_in_threadpool

from bridge.desk.day import DayDesk
from bridge.errors import RefusedAction
from bridge.lifecycle.pauses import Pause
from bridge.pages.forms import SEE_OTHER, Field, RequiresToken, ShowsPage, Text, typed_actor
from bridge.pages.language import _
from bridge.pages.site import PagesSite
from bridge.pages.today import destinations_of
from bridge.pages.words import Mark
from bridge.store.api import Store
from bridge.store.rows import DestinationRow, FlowRow

HOUR = timedelta(hours=1)


@dataclass(frozen=True, kw_only=True, slots=True)
class ShownReceiver:
    """A receiver as its card shows it; ``pause`` is None where nobody paused it, ``is_configured`` False for a former one."""

    row: DestinationRow
    flow: FlowRow
    pause: Pause | None
    mark: Mark
    kind: str
    notes: tuple[str, ...]
    certificates: tuple[str, ...]
    next_try: datetime | None
    is_configured: bool


@dataclass(frozen=True, kw_only=True, slots=True)
class Tried:
    """What came of a test of the connection."""

    name: str
    is_there: bool
    words: str


class ActForm(BaseModel):
    """Who pauses or resumes a receiver, and why."""

    token: Field = ""
    name: Field = ""
    reason: Field = ""


class Receivers:
    """Makes the routes of the page."""

    def __init__(
        self, store: Store, site: PagesSite, show: ShowsPage, require_token: RequiresToken, now: Callable[[], datetime]
    ) -> None:
        self._store = store
        self._site = site
        self._show = show
        self._require_token = require_token
        self._now = now
        self._desk = DayDesk(store, now, destinations=site.destinations)

    def add_to(self, routes: APIRouter) -> None:
        """Add the routes."""
        routes.add_api_route("/receivers", self.page, methods=["GET"], response_model=None)
        routes.add_api_route("/receivers/{destination}/test", self.test, methods=["POST"], response_model=None)
        routes.add_api_route("/receivers/{destination}/pause", self.pause, methods=["POST"], response_model=None)
        routes.add_api_route("/receivers/{destination}/resume", self.resume, methods=["POST"], response_model=None)

    def page(self, request: Request) -> Response:
        """Show every receiver."""
        return self._page(request)

    def pause(self, request: Request, destination: str, form: Annotated[ActForm, Form()]) -> Response:
        """Pause a receiver."""
        self._require_token(request, form.token)
        return self._do(request, lambda: self._desk.pause(destination, reason=form.reason, actor=typed_actor(form.name)))

    def resume(self, request: Request, destination: str, form: Annotated[ActForm, Form()]) -> Response:
        """Resume a receiver."""
        self._require_token(request, form.token)
        return self._do(request, lambda: self._desk.resume(destination, reason=form.reason, actor=typed_actor(form.name)))

    async def test(self, request: Request, destination: str, token: Text = "") -> Response:
        """Try whether a receiver can be reached; nothing clinical is sent."""
        self._require_token(request, token)
        if destination not in self._site.destinations:
            raise HTTPException(404, _("There is no such receiver."))
        is_there, words = await self._site.test_receiver(destination)
        # what it reads of the store would hold up the event loop
        return await run_in_threadpool(self._page, request, tried=Tried(name=destination, is_there=is_there, words=words))

    def _do(self, request: Request, action: Callable[[], None]) -> Response:
        try:
            action()
        except RefusedAction as error:
            return self._page(request, said=str(error))
        self._site.wake()
        return RedirectResponse("/receivers", status_code=SEE_OTHER)

    def _page(self, request: Request, *, said: str = "", tried: Tried | None = None) -> Response:
        shown = {"receivers": tuple(self._shown()), "said": said, "tried": tried}
        return self._show(request, "receivers.html", shown, status=409 if said else 200)

    def _shown(self) -> Iterator[ShownReceiver]:
        now = self._now()
        rows = destinations_of(self._store, self._site, since=now - HOUR)
        flows = self._store.flows(tuple(row.name for row in rows), since=now - HOUR)
        pauses: Mapping[str, Pause] = {pause.destination: pause for pause in self._store.pauses()}
        notes, tries, ends = self._site.notes(), self._site.next_tries(), self._site.certificates()
        for row, flow in zip(rows, flows, strict=True):
            pause = pauses.get(row.name)
            yield ShownReceiver(
                row=row,
                flow=flow,
                pause=pause,
                mark=mark_of(row, pause),
                kind=self._site.receiver_kinds.get(row.name, ""),
                notes=notes.get(row.name, ()),
                certificates=ends.get(row.name, ()),
                next_try=tries.get(row.name),
                is_configured=row.name in self._site.destinations,
            )


def mark_of(row: DestinationRow, pause: Pause | None) -> Mark:
    """Give the sign of how a receiver stands: done, waiting by a person's will, or taking nothing."""
    if pause is not None:
        return Mark.WAIT
    if not row.is_tried:
        return Mark.END
    return Mark.DONE if row.state.value in {"open", "paused"} else Mark.CANNOT
