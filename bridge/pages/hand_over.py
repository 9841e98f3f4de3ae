"""The hand-over list: what one shift leaves the next, left and closed by name. It stands on Today, and on a page of its own."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, timedelta

from fastapi import APIRouter, Request
from fastapi.responses import RedirectResponse, Response

from bridge.bench.hand_over import LONGEST_NOTE, HandOver
from bridge.desk.day import DayDesk
from bridge.errors import RefusedAction
from bridge.pages.forms import SEE_OTHER, RequiresToken, ShowsPage, Text, typed_actor
from bridge.store.api import Store

CLOSED_SHOWN = timedelta(hours=24)  # ours: every shift of a day sees what the last ones did


class HandOverPages:
    """Makes the routes; ``notes`` gives what Today shows."""

    def __init__(self, store: Store, show: ShowsPage, require_token: RequiresToken, now: Callable[[], datetime]) -> None:
        self._store = store
        self._show = show
        self._require_token = require_token
        self._now = now
        self._desk = DayDesk(store, now, destinations=())

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

    def close(self, request: Request, note_id: int, token: Text = "", name: Text = "") -> Response:
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
        }
        return self._show(request, "hand_over.html", shown, status=409 if said else 200)
