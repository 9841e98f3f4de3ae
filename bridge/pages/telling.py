"""The page Telling: critical results that somebody is to be told of, and what was written down of each."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import Annotated

from fastapi import APIRouter, Form, Request
from fastapi.responses import RedirectResponse, Response
from pydantic import BaseModel

from bridge.bench.telling import Means, TellingState, TellingStep, is_overdue, whose_turn
from bridge.desk.telling import Call, TellingDesk
from bridge.errors import RefusedAction
from bridge.pages.forms import SEE_OTHER, Behind, Field, RequiresToken, RowId, ShowsPage, typed_actor
from bridge.pages.language import _
from bridge.pages.site import PagesSite
from bridge.store.api import Store
from bridge.store.rows import StripRow, TellingShown
from bridge.tables.telling_terms import TellingTerms, ToTell

CLOSED_SHOWN = 20  # ours: closed ones on one page; the link shows the next
STOPPED = frozenset({"held", "rejected", "waiting"})
CALLS = (TellingStep.TOLD, TellingStep.NOT_READ_BACK, TellingStep.NOT_REACHED)


class CallForm(BaseModel):
    """What a person writes down, as the page's form sends it."""

    steps: int
    step: TellingStep
    whom: Field = ""
    role: Field = ""
    means: Means | None = None
    day: Field = ""
    clock: Field = ""
    which: Field = ""
    remark: Field = ""
    name: Field = ""
    token: Field = ""


class CloseForm(BaseModel):
    """Who closes a task; without telling, why, and who agrees."""

    steps: int
    agreed_by: Field = ""
    reason: Field = ""
    name: Field = ""
    token: Field = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class ToDo:
    """One task as the page and Today show it. ``turn`` is whom to tell now, None where the list is empty or used up."""

    shown: TellingShown
    is_overdue: bool
    turn: ToTell | None
    stopped_by: str

    @property
    def is_open(self) -> bool:
        """Say whether somebody is still to be told."""
        return self.shown.task.state is TellingState.OPEN


def to_do(open_ones: Iterable[TellingShown], terms: TellingTerms, *, now: datetime) -> tuple[ToDo, ...]:
    """Give the tasks that are not closed: what is overdue first, then what is to be told, then what is told; each from the oldest."""
    made = [
        ToDo(
            shown=each,
            is_overdue=is_overdue(each.task, terms, now=now),
            turn=whose_turn(each.task, terms) if each.task.state is TellingState.OPEN else None,
            stopped_by=_stopped_by(each.strip),
        )
        for each in open_ones
    ]
    return tuple(
        sorted(made, key=lambda each: (not each.is_overdue, not each.is_open, each.shown.task.since, each.shown.telling_id))
    )


def _stopped_by(strip: StripRow) -> str:
    """Say why a critical strip was not sent; "" for one that was."""
    if strip.outcome not in STOPPED:
        return ""
    return next((sentence for _, severity, sentence in strip.findings if severity != "note" and sentence), _("it is stopped"))


class TellingPage:
    """Makes the routes of the page."""

    def __init__(
        self,
        store: Store,
        site: PagesSite,
        show: ShowsPage,
        require_token: RequiresToken,
        now: Callable[[], datetime],
    ) -> None:
        self._store = store
        self._desk = TellingDesk(store, site.zone, now)
        self._site = site
        self._show = show
        self._require_token = require_token
        self._now = now

    def add_to(self, routes: APIRouter) -> None:
        """Add the routes."""
        routes.add_api_route("/telling", self.page, methods=["GET"], response_model=None)
        routes.add_api_route("/telling/{telling_id}", self.write, methods=["POST"], response_model=None)
        routes.add_api_route("/telling/{telling_id}/close", self.close, methods=["POST"], response_model=None)
        routes.add_api_route("/telling/{telling_id}/close-untold", self.close_untold, methods=["POST"], response_model=None)

    def page(self, request: Request, before: Behind = None) -> Response:
        """Show what is to be told, and what was."""
        return self._page(request, before=before)

    def _page(self, request: Request, *, before: int | None = None, said: str = "") -> Response:
        terms = self._site.bench.tables.policy.telling
        closed = self._store.tellings_closed(before=before, limit=CLOSED_SHOWN + 1)
        return self._show(
            request,
            "telling.html",
            {
                "tasks": to_do(self._store.tellings_open(), terms, now=self._now()),
                "closed": closed[:CLOSED_SHOWN],
                "more_before": closed[CLOSED_SHOWN - 1].telling_id if len(closed) > CLOSED_SHOWN else None,
                "terms": terms,
                "calls": CALLS,
                "means": Means,
                "steps": TellingStep,
                "said": said,
            },
            status=409 if said else 200,
        )

    def write(self, request: Request, telling_id: RowId, form: Annotated[CallForm, Form()]) -> Response:
        """Keep whom somebody told, or tried to tell."""
        self._require_token(request, form.token)
        call = Call(
            step=form.step,
            name=form.whom,
            role=form.role,
            means=form.means,
            day=form.day,
            clock=form.clock,
            which=form.which,
            remark=form.remark,
        )
        return self._do(request, lambda: self._desk.write(telling_id, call, steps=form.steps, actor=typed_actor(form.name)))

    def close(self, request: Request, telling_id: RowId, form: Annotated[CloseForm, Form()]) -> Response:
        """Close what was told and read back."""
        self._require_token(request, form.token)
        return self._do(request, lambda: self._desk.close(telling_id, steps=form.steps, actor=typed_actor(form.name)))

    def close_untold(self, request: Request, telling_id: RowId, form: Annotated[CloseForm, Form()]) -> Response:
        """Close without telling anybody."""
        self._require_token(request, form.token)
        return self._do(
            request,
            lambda: self._desk.close_untold(
                telling_id, steps=form.steps, agreed_by=form.agreed_by, reason=form.reason, actor=typed_actor(form.name)
            ),
        )

    def _do(self, request: Request, action: Callable[[], None]) -> Response:
        try:
            action()
        except RefusedAction as error:
            return self._page(request, said=str(error))
        return RedirectResponse("/telling", status_code=SEE_OTHER)
