"""The page Audit: who saw, did and changed what, when, from where and why; found by person, act, strip and day."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, datetime, timedelta
from typing import Annotated

from fastapi import APIRouter, HTTPException, Query, Request
from fastapi.responses import Response

from bridge.bench.period import begin_of
from bridge.model import SERVICE
from bridge.pages.forms import LONGEST_ID, ShowsPage
from bridge.pages.language import Words, _
from bridge.pages.site import PagesSite
from bridge.store.api import Store
from bridge.store.rows import AuditRow, AuditSearch, EventRow

SECTION = 50  # ours: as Results; a screen or two
# What each act is called; what is not here is shown by its own words
ACTS = Words[str](
    {
        "asked": "asked for",
        "audit.verified": "looked through the history",
        "call.made": "telephoned",
        "capture.came_again": "came once more",
        "capture.entered": "entered by hand",
        "capture.kept": "received",
        "delivery.made": "message made",
        "events.purged": "old history purged",
        "result.changed": "corrected a result",
        "seen": "saw",
        "specimen.next": "said of the specimen",
        "stop.closed": "ended a stop",
        "stop.opened": "stopped",
        "store.moved": "database moved",
        "store.restored": "store put back from a backup",
        "strip.discarded": "gave up a strip",
        "strip.judged": "judged",
    }
)
LINKS = {"strip": "/strips/", "stop": "/rejected/"}
Text = Annotated[str, Query(max_length=100)]


def act_words(what: str) -> str:
    """Say in words what was done: ``delivery.accept`` is ``delivery: accept`` where it has no words of its own."""
    return ACTS.get(what) or what.replace(".", ": ").replace("_", " ")


def link_of(subject: str) -> str:
    """Give where a thing is shown, "" where it has no page of its own."""
    sort, _, number = subject.partition(":")
    return LINKS[sort] + number if sort in LINKS and number.isdecimal() else ""


def change_words(event: EventRow) -> str:
    """Say from which state to which; of a page, which one."""
    if event.before and event.after:
        return f"{event.before} → {event.after}"
    return event.after or event.before


class AuditPage:
    """Makes the route."""

    def __init__(self, store: Store, site: PagesSite, show: ShowsPage, now: Callable[[], datetime]) -> None:
        self._store = store
        self._site = site
        self._show = show
        self._now = now

    def add_to(self, routes: APIRouter) -> None:
        """Add the route."""
        routes.add_api_route("/audit", self.page, methods=["GET"], response_model=None)

    def page(
        self, request: Request, who: Text = "", what: Text = "", strip: Text = "", day: Text = "", before: Text = ""
    ) -> Response:
        """Show the trail, newest first; each thing that is given narrows it."""
        wanted = self._wanted(who.strip(), what, strip.strip(), day)
        found = self._store.audit(wanted, before=_number(before, "before"), limit=SECTION + 1)
        people, acts = self._store.audit_names()
        return self._show(
            request,
            "audit.html",
            {
                "rows": found[:SECTION],
                "more_before": found[SECTION - 1].event_id if len(found) > SECTION else None,
                "given": {"who": who, "what": what, "strip": strip, "day": day},
                "people": people,
                "acts": acts,
                "act_words": act_words,
                "link_of": link_of,
                "change_words": change_words,
                "is_ours": _is_ours,
                "verified": self._store.verified(),
            },
        )

    def _wanted(self, who: str, what: str, strip: str, day: str) -> AuditSearch:
        try:
            on = date.fromisoformat(day) if day else None
            since = begin_of(on, self._site.zone) if on else None
            until = begin_of(on + timedelta(days=1), self._site.zone) if on else None
        except (ValueError, OverflowError) as error:
            raise HTTPException(422, _("The day is not a date. Write it as 2026-11-25, or leave it empty.")) from error
        return AuditSearch(who=who, what=what, strip_id=_number(strip, "strip"), since=since, until=until)


def _is_ours(row: AuditRow) -> bool:
    return row.event.actor == SERVICE.name and row.event.verified == SERVICE.verified


def _number(text: str, name: str) -> int | None:
    if not text:
        return None
    if not (text.isascii() and text.isdecimal()) or int(text) > LONGEST_ID:
        raise HTTPException(
            422, _("Look at: {name}. It is a whole number; the strip's stands in the address of its page.", name=name)
        )
    return int(text)
