"""Who saw what, and asked for what: each page that may name a patient leaves an entry in the audit trail, with our own numbers and nothing shown.

Entries are collected and kept together, so that no page waits for a commit. A page is shown also where an entry cannot be kept for now: a
result that somebody waits for is not held back for it. Such entries are kept in memory, and tried again with the next ones; one over which the
store falls by a defect is given up, and the log says so, since it would keep every later one out.
"""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Callable, Mapping
from concurrent.futures import Future
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import partial
from typing import Any

import structlog
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from bridge.desk.access import NOBODY
from bridge.errors import StoreError
from bridge.pages.door import address_of
from bridge.pages.guard import SAFE_METHODS
from bridge.store.api import Store
from bridge.store.commands import NoteSights, Sight
from bridge.store.interned import is_number

log = structlog.get_logger()

ACTOR = "padpost.actor"  # in a request's scope: the Actor, where somebody is signed in
TOGETHER_S = 1.0  # ours: entries of a second share a commit
AT_ONCE = 100  # ours: entries of one command, so that a strip which comes just then waits a millisecond
MOST_WAITING = 10_000  # ours: some megabytes; a day of a busy bench while the database is away
# ours: a page that renews itself, or a person who goes back to it, is one look
ONE_LOOK = timedelta(minutes=1)


@dataclass(frozen=True, kw_only=True, slots=True)
class View:
    """A page, in a word of ours, and what of: the sort of thing, and the part of the address that holds its number ("" for none)."""

    page: str
    of: str = "list"
    by: str = ""


_STOP, _STRIP, _RESULT = (
    View(page="stop", of="stop", by="stop_id"),
    View(page="strip", of="strip", by="strip_id"),
    View(page="result", of="result", by="result_id"),
)
# What may name a patient, by method and route; tests/pages/test_sights.py looks through every other page for one
VIEWS: Mapping[tuple[str, str], View] = {
    ("GET", "/rejected"): View(page="rejected messages"),
    ("GET", "/api/news/rejected"): View(page="rejected messages"),
    ("GET", "/rejected/{stop_id}"): _STOP,
    ("POST", "/rejected/{stop_id}/what-if/{action}"): _STOP,
    ("GET", "/rejected/{stop_id}/specimen"): _STOP,
    ("GET", "/results"): View(page="results"),
    ("POST", "/results"): View(page="search"),
    ("POST", "/find"): View(page="search"),
    ("GET", "/results/{result_id}"): _RESULT,
    ("GET", "/strips/{strip_id}"): _STRIP,
    ("GET", "/corrections"): View(page="corrections"),
    ("GET", "/controls"): View(page="controls"),
    ("GET", "/lots/strips"): View(page="strips of a lot"),
    ("GET", "/lots/strips.csv"): View(page="export of a lot"),
    ("GET", "/lots/compared"): View(page="lots compared"),
    ("GET", "/registered/strips"): View(page="strips of a registration"),
    ("GET", "/numbers"): View(page="numbers"),
    ("GET", "/to-add"): View(page="to be added"),
    ("POST", "/to-add/find"): View(page="to be added"),
    ("GET", "/to-add/{awaited_id}"): View(page="to be added", of="awaited", by="awaited_id"),
    ("GET", "/to-add/held/{stop_id}"): _STOP,
    ("GET", "/telling"): View(page="telling"),
    ("GET", "/telling/rules"): View(page="rules tried"),
    ("GET", "/days/{day}/report"): View(page="day report"),
    ("GET", "/days/{day}/report.pdf"): View(page="export of a day report"),
    ("GET", "/api/stops"): View(page="rejected messages"),
    ("GET", "/api/stops/{stop_id}"): _STOP,
    ("GET", "/api/reasons/{rule}/read-again"): View(page="rejected messages"),
    ("GET", "/api/reasons/{rule}/{action}"): View(page="rejected messages"),
    ("GET", "/api/results"): View(page="results"),
    ("POST", "/api/results/search"): View(page="search"),
    ("GET", "/api/results/{result_id}"): _RESULT,
    ("GET", "/api/strips"): View(page="strips"),
    ("GET", "/api/strips/{strip_id}"): _STRIP,
}
# By the part of a request's address that holds a number: the sort of thing that an act is about
_SORTS = {
    "stop_id": "stop", "strip_id": "strip", "result_id": "result", "telling_id": "telling", "lot_id": "lot", "signal_id": "signal",
    "destination": "destination",
}  # fmt: skip
_BY_NAME = frozenset({"result", "destination"})  # of these sorts the address holds a name


class SightBook:
    """Collects entries and has them kept. On the event loop's thread alone, but for the answers of the store."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self._waiting: deque[Sight] = deque(maxlen=MOST_WAITING)
        self._last: dict[tuple[str, ...], datetime] = {}
        self._timer: asyncio.TimerHandle | None = None
        self._doubtful = 0  # so many in front are kept one by one, since over one of them the store fell

    def take(self, sight: Sight) -> None:
        """Take an entry in, unless it is the same look still; it is kept within a second."""
        if not sight.is_asked and self._is_same_look(sight):
            return
        self._waiting.append(sight)
        if self._timer is None:
            self._timer = asyncio.get_running_loop().call_later(TOGETHER_S, self.keep)

    def keep(self) -> None:
        """Have kept what was collected; may also be called at the end, when no loop runs any more."""
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None
        while self._waiting:
            some = tuple(self._waiting.popleft() for _ in range(1 if self._doubtful else min(AT_ONCE, len(self._waiting))))
            self._doubtful = max(0, self._doubtful - 1)
            future = self._store.submit(NoteSights(sights=some))
            future.add_done_callback(partial(self._answered, some))
            if future.done() and isinstance(future.exception(), StoreError):
                return  # the next one goes the same way

    def _answered(self, some: tuple[Sight, ...], done: Future[Any]) -> None:
        """Take back what was not kept; a deque may be filled from any thread."""
        fault = done.exception()
        if fault is None:
            return
        if not isinstance(fault, StoreError):
            if len(some) == 1:
                log.error("audit.entry_lost", page=some[0].page, fault=type(fault).__name__)
                return
            self._doubtful = len(some)
        self._waiting.extendleft(reversed(some))
        log.warning("audit.not_kept", entries=len(some), fault=type(fault).__name__)

    def _is_same_look(self, sight: Sight) -> bool:
        look = (sight.actor.name, sight.address, sight.page, sight.subject)
        last = self._last.get(look)
        if last is not None and timedelta(0) <= sight.at - last < ONE_LOOK:
            return True
        if len(self._last) > MOST_WAITING:
            self._last.clear()
        self._last[look] = sight.at
        return False


class Witness:
    """ASGI middleware inside the guard: notes what was answered to whom."""

    def __init__(self, app: ASGIApp, *, book: SightBook, now: Callable[[], datetime], doors: frozenset[str]) -> None:
        self._app = app
        self._book = book
        self._now = now
        self._doors = doors

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on; note it once it is answered."""
        status = 500

        async def send_seen(message: Message) -> None:
            nonlocal status
            if message["type"] == "http.response.start":
                status = message["status"]
            await send(message)

        try:
            await self._app(scope, receive, send_seen)
        finally:
            sight = self._sight(scope, status) if scope["type"] == "http" else None
            if sight is not None:
                self._book.take(sight)

    def _sight(self, scope: Scope, status: int) -> Sight | None:
        route = getattr(scope.get("route"), "path", "")
        view = VIEWS.get((scope["method"], route))
        address = address_of(scope)
        parts = scope.get("path_params", {})
        actor = scope.get(ACTOR, NOBODY)
        if view is not None:
            if status >= 400:  # a fault's page shows nothing of anybody
                return None
            subject = f"{view.of}:{parts[view.by]}" if view.by else view.of
            return Sight(at=self._now(), actor=actor, page=view.page, subject=subject, address=address)
        if scope["method"] in SAFE_METHODS or not route or route in self._doors:
            return None
        about = next((_about(sort, str(parts[name])) for name, sort in _SORTS.items() if name in parts), "page")
        page = route.replace("{action}", str(parts.get("action", ""))) if status < 400 else route
        return Sight(
            at=self._now(), actor=actor, page=page, subject=about, address=f"{address}, answered {status}", is_asked=True
        )


def _about(sort: str, of: str) -> str:
    """Give what an act was about; the sort alone where the address holds what no row has for a number: whatever somebody typed there."""
    return f"{sort}:{of}" if sort in _BY_NAME or is_number(of) else sort
