"""Every page that may name a patient leaves an entry of who saw it; no other page names one."""

from __future__ import annotations

import asyncio
from concurrent.futures import Future
from datetime import timedelta

import pytest
from starlette.routing import Route
from structlog.testing import capture_logs

from bridge.desk.access import NOBODY
from bridge.errors import StoreAway
from bridge.model import Actor
from bridge.pages.app import make_pages
from bridge.pages.sights import AT_ONCE, ONE_LOOK, VIEWS, SightBook
from bridge.store.commands import NoteSights, Sight
from bridge.store.rows import AuditSearch
from bridge.store.sqlite import SqliteStore
from tests.pages.stocked import GOOD, NOW, Stocked, Visitor, wait_until

BO = Actor(name="Bo", verified="password")
UNKEPT = "strip:unkept"  # the subject of an entry over which the store falls, by a defect of ours


def sight(minutes: float = 0, *, subject: str = "strip:1", asked: bool = False) -> Sight:
    return Sight(
        at=NOW + timedelta(minutes=minutes), actor=BO, page="strip", subject=subject, address="from 192.0.2.7", is_asked=asked
    )


class Shelf:
    """A store that keeps what it is told of sights, or is away."""

    def __init__(self) -> None:
        self.kept: list[Sight] = []
        self.is_away = False
        self.commands = 0

    def submit(self, command: NoteSights) -> Future[None]:
        future: Future[None] = Future()
        self.commands += 1
        if self.is_away:
            future.set_exception(StoreAway("The database cannot be reached."))
        elif UNKEPT in [each.subject for each in command.sights]:
            future.set_exception(OverflowError("Python int too large"))
        else:
            self.kept += command.sights
            future.set_result(None)
        return future


def test_one_look_is_one_entry_and_each_act_is_one() -> None:
    """A page that renews itself every few seconds does not fill the trail; a minute later it is another look."""
    shelf = Shelf()

    async def day() -> None:
        book = SightBook(shelf)  # type: ignore[arg-type]  # all that it asks of a store
        for each in (sight(), sight(0.5), sight(0.5, subject="strip:2"), sight(1.01), sight(asked=True), sight(asked=True)):
            book.take(each)
        book.keep()

    asyncio.run(day())
    assert timedelta(minutes=1) == ONE_LOOK
    assert [(each.subject, each.is_asked) for each in shelf.kept] == [
        ("strip:1", False), ("strip:2", False), ("strip:1", False), ("strip:1", True), ("strip:1", True),
    ]  # fmt: skip


def test_what_cannot_be_kept_now_is_kept_later_in_its_order() -> None:
    """The database is away: pages are shown, entries wait, the log counts them and names nobody."""
    shelf = Shelf()
    shelf.is_away = True

    async def day() -> None:
        book = SightBook(shelf)  # type: ignore[arg-type]  # as above
        for number in range(AT_ONCE + 5):
            book.take(sight(subject=f"strip:{number}"))
        book.keep()
        assert shelf.commands == 1
        shelf.is_away = False
        book.keep()

    with capture_logs() as logged:
        asyncio.run(day())
    assert [each.subject for each in shelf.kept] == [f"strip:{number}" for number in range(AT_ONCE + 5)]
    assert logged == [{"event": "audit.not_kept", "log_level": "warning", "entries": AT_ONCE, "fault": "StoreAway"}]


def test_an_entry_over_which_the_store_falls_keeps_no_other_out() -> None:
    """By a defect one cannot be kept, now or ever: it alone is given up, loudly, and those beside it are kept (HZ-J03)."""
    shelf = Shelf()

    async def day() -> None:
        book = SightBook(shelf)  # type: ignore[arg-type]  # as above
        for subject in ("strip:1", UNKEPT, "strip:2"):
            book.take(sight(subject=subject))
        book.keep()
        for subject in ("strip:3", "strip:4"):
            book.take(sight(subject=subject))
        book.keep()

    with capture_logs() as logged:
        asyncio.run(day())
    assert [each.subject for each in shelf.kept] == [f"strip:{number}" for number in (1, 2, 3, 4)]
    assert shelf.commands == 1 + 3 + 1
    assert logged == [
        {"event": "audit.not_kept", "log_level": "warning", "entries": 3, "fault": "OverflowError"},
        {"event": "audit.entry_lost", "log_level": "error", "page": "strip", "fault": "OverflowError"},
    ]


def entries(store: SqliteStore, what: str) -> list[tuple[str, str, str, str]]:
    rows = store.audit(AuditSearch(what=what), limit=99)
    return [(row.event.actor, row.event.after, row.event.subject, row.event.reason) for row in reversed(rows)]


def test_a_look_and_a_search_are_entries_and_what_was_searched_is_none(shelf: Stocked, visitor: Visitor) -> None:
    """HZ-J01, HZ-J03: who saw which strip from where; the identifier that was searched for stands nowhere in the history."""
    shelf.coded(patient_id=GOOD)
    (row,) = shelf.store.results(limit=2)
    assert visitor.get(f"/results/{row.result_id}").status_code == 200
    visitor.post("/results", search=GOOD)
    assert visitor.get("/api/strips/1").status_code == 200
    assert visitor.get("/strips/999").status_code == 404
    wait_until(lambda: len(entries(shelf.store, "seen")) == 4)
    here = "from 127.0.0.1"
    assert entries(shelf.store, "seen") == [
        (NOBODY.name, "result", "strip:1", here),
        (NOBODY.name, "results", "list", here),
        (NOBODY.name, "search", "list", here),
        (NOBODY.name, "strip", "strip:1", here),
    ]
    history = (
        shelf.store._db().execute("SELECT group_concat(subject || actor || before || after || reason) FROM history").fetchone()
    )
    assert GOOD not in history[0]


def test_an_act_is_an_entry_with_its_address_and_how_it_was_answered(shelf: Stocked, visitor: Visitor) -> None:
    """Beside the event of the act itself, which has the person's name and reason: from where it was asked, and whether it was taken."""
    stop_id = shelf.held(number="5")
    assert visitor.post(f"/rejected/{stop_id}/discard", name="Ana", reason="spilt", specimen="run again").status_code == 303
    assert visitor.post(f"/rejected/{stop_id}/discard", name="Ana", reason="spilt", specimen="run again").status_code == 409
    wait_until(lambda: len(entries(shelf.store, "asked")) == 2)
    assert entries(shelf.store, "asked") == [
        (NOBODY.name, "/rejected/{stop_id}/discard", f"stop:{stop_id}", "from 127.0.0.1, answered 303"),
        (NOBODY.name, "/rejected/{stop_id}/{action}", f"stop:{stop_id}", "from 127.0.0.1, answered 409"),
    ]


@pytest.mark.parametrize("number", [str(2**63), "9" * 5000, "x", "²"])
def test_an_act_on_what_no_row_is_keeps_no_entry_out(shelf: Stocked, visitor: Visitor, number: str) -> None:
    """One such address had kept every later entry of anybody out of the trail (HZ-J03); it is one as of no row, and bears nothing that was typed."""
    assert visitor.post(f"/rejected/{number}/discard", name="Ana", reason="spilt").status_code == 422
    assert visitor.post("/find", text="x").status_code == 200
    wait_until(lambda: "search" in [each[1] for each in entries(shelf.store, "seen")])
    assert [each[2] for each in entries(shelf.store, "asked")] == ["stop"]


def test_an_act_on_a_result_is_an_entry_of_its_strip(shelf: Stocked, visitor: Visitor) -> None:
    """Taken or refused: whoever looks for a strip in the trail finds what was asked for of its result."""
    result = shelf.coded(number="5")
    strip = shelf.store.result(result)
    assert strip is not None
    assert visitor.post(f"/results/{result}/withdraw", version="1", name="Ana", second="Ana", reason="x").status_code == 409
    wait_until(lambda: len(entries(shelf.store, "asked")) == 1)
    (found,) = entries(shelf.store, "asked")
    assert found[1:3] == ("/results/{result_id}/{action}", f"strip:{strip.strip.strip_id}")


NAMELESS = ("/", "/receivers", "/hand-over", "/find", "/lots", "/analyzers", "/day-log", "/registered", "/signals", "/signals/ringing", "/try-out", "/enter", "/audit", "/days/{day}", "/controls/charts", "/api/today", "/api/news", "/api/news/rejected/rows?stops=1,2,3,4,5", "/api/reasons", "/health/ready")  # fmt: skip
# Looked through by their own tests, with what they need to be there
ELSEWHERE = {
    "/api/openapi.json": "the shape of the API",
    "/api/news/stream": "two row numbers, as long as somebody listens; tests/pages/test_newsroom.py",
    "/health/live": "a word",
    "/controls/lots/new": "a form",
    "/enter/eye/{source}": "an empty form",
    "/enter/slip/{source}": "an empty form",
    "/enter/kept/{capture_id}": "a number of ours; tests/pages/test_entries.py looks for the patient",
    "/controls/lots/{lot_id}": "a lot of control material",
    "/day-log/month": "lines about an analyzer",
    "/controls/months": "runs of control material",
    "/controls/months/{month}": "as above",
    "/controls/months/{month}/report": "as above",
    "/controls/months/{month}/report.pdf": "as above",
    "/reports": "a choice of days and months",
    "/reports/{period}/{topic}": "figures; tests/pages/test_report_pages.py looks through each",
    "/reports/{period}/{topic}/report": "as above",
    "/reports/{period}/{topic}/report.pdf": "as above",
    "/reports/{period}/{topic}/{table}.csv": "as above",
}


def test_every_page_is_one_or_the_other(shelf: Stocked) -> None:
    """HZ-J01: a new page is looked at: it leaves an entry, or is shown below to name nobody. A route that is renamed drops out of neither."""
    site = shelf.site()
    app = make_pages(shelf.store, shelf.desks(site), site=site, now=lambda: NOW)
    every = [each for found in app.routes for each in getattr(getattr(found, "original_router", None), "routes", (found,))]
    routes = {
        (method, route.path) for route in every if isinstance(route, Route) for method in (route.methods or set()) - {"HEAD"}
    }
    assert set(VIEWS) <= routes
    pages = {path for method, path in routes if method == "GET"} - {path for method, path in VIEWS if method == "GET"}
    assert pages == {*(path.partition("?")[0] for path in NAMELESS), *ELSEWHERE}


@pytest.mark.parametrize("path", [*NAMELESS, "/?wall=true"])
def test_a_page_that_leaves_no_entry_names_no_patient(shelf: Stocked, visitor: Visitor, path: str) -> None:
    """Looked for in what it shows of a strip that went out, one held, one stopped and one turned away."""
    shelf.coded(patient_id=GOOD, number="1")
    shelf.held(patient_id=GOOD, number="2")
    shelf.rejected(patient_id=GOOD, number="3")
    shelf.refused(patient_id=GOOD, number="4")
    answer = visitor.get(path.replace("{day}", "2026-11-25"))
    assert answer.status_code in {200, 503}
    assert GOOD not in answer.text
