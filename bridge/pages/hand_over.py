"""The hand-over list: what one shift leaves the next, left and closed by name. It stands on Today, and on a page of its own."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from datetime import datetime, timedelta

from fastapi import APIRouter, Request
from fastapi.responses import RedirectResponse, Response

from bridge.bench.answered import GapPart
from bridge.bench.hand_over import LONGEST_NOTE, HandOver
from bridge.desk.day import DayDesk
from bridge.errors import RefusedAction
from bridge.pages.analyzers import missing_lately
from bridge.pages.forms import SEE_OTHER, RequiresToken, RowId, ShowsPage, Text, typed_actor
from bridge.pages.language import _, several
from bridge.pages.site import PagesSite
from bridge.pages.words import counted
from bridge.store.api import Store

CLOSED_SHOWN = timedelta(hours=24)  # ours: every shift of a day sees what the last ones did


class HandOverPages:
    """Makes the routes; ``notes`` gives what Today shows."""

    def __init__(
        self, store: Store, site: PagesSite, show: ShowsPage, require_token: RequiresToken, now: Callable[[], datetime]
    ) -> None:
        self._store = store
        self._site = site
        self._show = show
        self._require_token = require_token
        self._now = now
        self._desk = DayDesk(store, now, destinations=(), ids=site.bench.tables.policy.patient_id)

    def add_to(self, routes: APIRouter) -> None:
        """Add the routes."""
        routes.add_api_route("/hand-over", self.page, methods=["GET"], response_model=None)
        routes.add_api_route("/hand-over", self.leave, methods=["POST"], response_model=None)
        routes.add_api_route("/hand-over/{note_id}/close", self.close, methods=["POST"], response_model=None)

    def notes(self) -> tuple[HandOver, ...]:
        """Give the notes that stand, oldest first."""
        return tuple(each for each in self._store.hand_over(since=self._now()) if each.closed_at is None)

    def page(self, request: Request) -> Response:
        """Show the notes that stand, and those closed lately."""
        return self._page(request)

    def leave(self, request: Request, token: Text = "", name: Text = "", text: Text = "") -> Response:
        """Leave a note."""
        self._require_token(request, token)
        return self._do(request, lambda: self._desk.leave(text, actor=typed_actor(name)), text=text)

    def close(self, request: Request, note_id: RowId, token: Text = "", name: Text = "") -> Response:
        """Close a note."""
        self._require_token(request, token)
        return self._do(request, lambda: self._desk.close(note_id, actor=typed_actor(name)))

    def _do(self, request: Request, action: Callable[[], object], *, text: str = "") -> Response:
        try:
            action()
        except RefusedAction as error:
            return self._page(request, said=str(error), text=text)
        return RedirectResponse("/hand-over", status_code=SEE_OTHER)

    def _page(self, request: Request, *, said: str = "", text: str = "") -> Response:
        every = self._store.hand_over(since=self._now() - CLOSED_SHOWN)
        shown = {
            "notes": tuple(each for each in every if each.closed_at is None),
            "closed": tuple(each for each in reversed(every) if each.closed_at is not None),
            "said": said,
            "text": text,
            "longest": LONGEST_NOTE,
            "open": still_open(
                self._store,
                self._site,
                stopped=sum(self._store.open_stops().values()),
                missing=missing_lately(self._store, self._site, now=self._now()),
            ),
        }
        return self._show(request, "hand_over.html", shown, status=409 if said else 200)


def still_open(store: Store, site: PagesSite, *, stopped: int, missing: Iterable[GapPart]) -> tuple[str, ...]:
    """Say in words what the next shift finds open besides notes; ``stopped`` counts rejected messages, ``missing`` are the holes of late.

    A jump that may have been set by hand is a question, and counts as one and not by its numbers.
    """
    most = site.bench.tables.policy.jump_limit
    parts = tuple(missing)
    lacking = sum(part.gap.count for part in parts if not part.is_question(most))
    counts = (
        (stopped, *several("rejected message", "rejected messages")),
        (len(store.tellings_open()), *several("critical result to tell", "critical results to tell")),
        (lacking, *several("missing number", "missing numbers")),
        (
            sum(part.is_question(most) for part in parts),
            *several("jump of the numbers to look at", "jumps of the numbers to look at"),
        ),
    )
    return (
        *(counted(count, one, many) for count, one, many in counts if count),
        *(_("{receiver} paused", receiver=pause.destination) for pause in store.pauses()),
        *(_("{receiver} shut", receiver=name) for name in store.shut_destinations()),
    )
