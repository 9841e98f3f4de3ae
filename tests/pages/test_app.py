"""The application as a whole: health, a store that cannot write, a defect, and its files."""

from __future__ import annotations

import functools
import secrets
import sqlite3
from collections.abc import Iterator
from concurrent.futures import Future
from pathlib import Path
from typing import Any

import pytest
from fastapi.routing import APIRoute
from starlette.routing import Mount, Route

from bridge.desk.actions import Desk
from bridge.errors import StoreFull
from bridge.model import Actor
from bridge.pages.app import HERE, make_pages
from bridge.pages.editions import Editions
from bridge.pages.guard import HEADERS
from bridge.pages.report_pages import TOPICS
from bridge.pages.site import WayIn
from bridge.pages.today import STORE_FAILED, STORE_FULL
from bridge.pages.views import Views
from bridge.store.database import SqliteDb
from bridge.store.sqlite import SqliteStore
from tests.pages.stocked import LISBON, NOW, POLICY, Page, Stocked, Visitor
from tests.speed.measures import PAGES

ANA = {"name": "Ana", "reason": "no urine left", "specimen": "collected again"}
FULL = "The disk is full; nothing was written (SQLITE_FULL)."


class _Reachable(SqliteStore):
    """A real store whose writing connection a test may bound or close, as a full or dying disk would."""

    written_by: sqlite3.Connection

    def _connect(self) -> SqliteDb:
        connection = sqlite3.connect(self._file, isolation_level=None, timeout=30, check_same_thread=False, factory=SqliteDb)
        for pragma in ("journal_mode = WAL", "synchronous = FULL", "foreign_keys = ON"):
            connection.execute(f"PRAGMA {pragma}")
        self.written_by = connection
        return connection


@pytest.fixture
def failing(tmp_path: Path) -> Iterator[Stocked]:
    """Give a shelf over a store that can be made to fail; the writer's connection is known once it wrote."""
    stocked = Stocked(tmp_path)
    stocked.store.close()
    stocked.store = _Reachable(tmp_path / "store", now=lambda: NOW)
    stocked.desk = Desk(stocked.store, POLICY, lambda: NOW, zone=LISBON)
    yield stocked
    stocked.close()


def fill(shelf: Stocked) -> None:
    """Let the disk be full: SQLite may take no further page (sqlite.org, PRAGMA max_page_count)."""
    store = shelf.store
    assert isinstance(store, _Reachable)
    pages = store.written_by.execute("PRAGMA page_count").fetchone()[0]
    store.written_by.execute(f"PRAGMA max_page_count = {pages}")
    with pytest.raises(StoreFull):
        _keep(shelf, 200)


def _keep(shelf: Stocked, strips: int) -> None:
    for _ in range(strips):
        shelf.rejected(payload=secrets.token_bytes(10_000))


def make_room(shelf: Stocked) -> None:
    """Let the disk have room again."""
    assert isinstance(shelf.store, _Reachable)
    shelf.store.written_by.execute("PRAGMA max_page_count = 1000000")


def test_health_says_live_and_ready(still: Visitor) -> None:
    """For whatever watches the process."""
    assert still.get("/health/live").json() == {"status": "live"}
    answer = still.get("/health/ready")
    assert (answer.status_code, answer.json()) == (200, {"status": "ready", "reasons": [], "shut": [], "notes": []})


def test_what_will_run_out_is_told_before_it_does(shelf: Stocked) -> None:
    """On Today beside the receiver, and in health, which stays ready: a restart would not help."""
    note = "Padpost's certificate (own.pem) runs out on 2026-12-31, in 30 days: renew it; no restart is needed"
    with shelf.serving(notes=lambda: {"records": (note,), "chart": ()}) as visitor:
        answer = visitor.get("/health/ready")
        page = visitor.get("/").text
    assert (answer.status_code, answer.json()["status"]) == (200, "ready")
    assert answer.json()["notes"] == [{"destination": "records", "note": note}]
    assert page.count("To look at: ") == 1
    assert note.replace("'", "&#39;") in page


def test_a_shut_receiver_is_told_and_makes_it_no_less_ready(shelf: Stocked) -> None:
    """Whatever watches the process must not restart it for what only a person can mend."""
    with shelf.serving(shut=lambda: {"records": "Nobody has signed."}) as visitor:
        answer = visitor.get("/health/ready")
    shut = [{"destination": "records", "reason": "Nobody has signed."}]
    assert (answer.status_code, answer.json()) == (200, {"status": "ready", "reasons": [], "shut": shut, "notes": []})


def test_want_of_room_is_degraded_and_no_reason_to_restart(shelf: Stocked) -> None:
    """Strips are refused, what is here is delivered: Today and the API say so, and a probe that restarts what is not ready does not."""
    with shelf.serving(refusing=lambda: "5 MB are free.") as visitor:
        answer = visitor.get("/health/ready")
        said = (
            "No strip is taken in, though results that are here already are still sent: analyzers are told to send again, files stay where"
            " they are. Tell your administrator. 5 MB are free."
        )
        assert (answer.status_code, answer.json()) == (200, {"status": "degraded", "reasons": [said], "shut": [], "notes": []})
        assert f"Stop. {said}" in visitor.page("/").text
        assert visitor.get("/api/today").json()["faults"] == [said]
    with shelf.serving(notice=lambda: "Room runs short: 7 MB are free.") as visitor:
        assert visitor.get("/health/ready").json()["status"] == "ready"
        assert "Room runs short: 7 MB are free. Tell your administrator." in visitor.page("/").text


def test_what_the_service_says_of_itself_is_said_on(shelf: Stocked) -> None:
    """A loop that fell over makes us not ready; the process still lives."""
    with shelf.serving(not_ready=lambda: ("source drops: fell over; see the log",)) as visitor:
        answer = visitor.get("/health/ready")
        assert (answer.status_code, answer.json()) == (
            503,
            {"status": "not ready", "reasons": ["source drops: fell over; see the log"], "shut": [], "notes": []},
        )
        assert visitor.get("/health/live").status_code == 200
        (notice,) = Page(visitor.get("/").text).all("p", role="alert")
        assert notice["class"] == "notice cannot"


def test_a_full_disk_is_said_to_people_until_there_is_room(failing: Stocked) -> None:
    """Real SQLITE_FULL: on Today in plain words, in health, and in the answer to an action; it goes when something was written."""
    stop = failing.rejected()
    fill(failing)
    with failing.serving() as visitor:
        assert f"Stop. {STORE_FULL} {FULL}" in visitor.page("/").text
        ready = visitor.get("/health/ready")
        assert (ready.status_code, ready.json()["reasons"]) == (503, [f"{STORE_FULL} {FULL}"])
        assert visitor.get("/api/today").json()["faults"] == [f"{STORE_FULL} {FULL}"]
        make_room(failing)
        assert visitor.post(f"/rejected/{stop}/discard", **ANA).status_code == 303
        assert visitor.get("/health/ready").status_code == 200
        assert visitor.page("/").all("p", role="alert") == []


def test_a_failed_store_is_said_to_people_and_nothing_is_pretended(failing: Stocked) -> None:
    """After a failed write nothing more is taken; the action's answer says so, in words and as a problem."""
    stop = failing.rejected()
    store = failing.store
    assert isinstance(store, _Reachable)
    store.written_by.close()
    with failing.serving() as visitor:
        answer = visitor.post(f"/rejected/{stop}/discard", **ANA)
        assert answer.status_code == 503
        assert "Nothing was done: it could not be kept" in answer.text
        assert "Writing to the store failed" in answer.text
        problem = visitor.api(f"/api/stops/{stop}/discard", ANA)
        assert (problem.status_code, problem.headers["content-type"]) == (503, "application/problem+json")
        assert problem.json()["detail"] == store.fault
        assert f"Stop. {STORE_FAILED} {store.fault}" in visitor.page("/").text
        assert visitor.get("/health/ready").json()["reasons"] == [f"{STORE_FAILED} {store.fault}"]
        row = store.stop(stop)
        assert row is not None
        assert row.state.value == "open"


class _Falls(Desk):
    def discard(self, stop_id: int, *, reason: str, actor: Actor, specimen: str = "") -> None:
        raise ZeroDivisionError(f"{stop_id} {reason} {actor.name} {specimen}")


def test_a_defect_is_answered_without_its_insides(shelf: Stocked) -> None:
    """Nobody is shown a stack trace, nor what they had typed; and the headers stand there as everywhere."""
    stop = shelf.rejected()
    shelf.desk = _Falls(shelf.store, POLICY, lambda: NOW, zone=LISBON)
    with shelf.serving() as visitor:
        page = visitor.post(f"/rejected/{stop}/discard", **ANA)
        problem = visitor.api(f"/api/stops/{stop}/discard", ANA)
    assert (page.status_code, problem.status_code) == (500, 500)
    assert "This page fell over" in page.text
    assert problem.json()["title"] == "This page fell over"
    assert "ZeroDivision" not in page.text + problem.text
    assert "no urine left" not in page.text + problem.text
    for answer in (page, problem):
        assert {name: answer.headers[name] for name in HEADERS} == HEADERS


def test_our_own_files_are_served_by_us(still: Visitor) -> None:
    """Style, script and icon; nothing is fetched from elsewhere, and no other file of this machine can be had."""
    kinds = {name: still.get(f"/static/{name}").headers["content-type"] for name in ("padpost.css", "padpost.js", "icon.svg")}
    assert kinds == {
        "padpost.css": "text/css; charset=utf-8",
        "padpost.js": "text/javascript; charset=utf-8",
        "icon.svg": "image/svg+xml",
    }
    page = still.page("/")
    outside = [its for _, its in page.elements for key in ("src", "href", "action") if "//" in its.get(key, "")]
    assert outside == []
    for path in ("/static/../app.py", "/static/%2e%2e/app.py", "/static/..%2fapp.py", "/static/"):
        assert still.get(path).status_code in {404, 405}, path


def test_no_page_names_a_patient_in_an_address(shelf: Stocked, visitor: Visitor) -> None:
    """Addresses stand in histories and logs: they hold row numbers, never an identifier. HZ-J01."""
    shelf.rejected("40700023")
    shelf.coded("40700023")
    for path in ("/", "/rejected", "/results", "/rejected/1"):
        assert not [link for link in visitor.page(path).links("") if "40700023" in link]


def test_an_action_is_answered_after_its_commit(shelf: Stocked) -> None:
    """By the time the person reads that it is done, another connection reads it too."""
    stop = shelf.rejected()
    seen: list[str] = []

    class Watching:
        def submit(self, command: Any) -> Future[Any]:
            future = shelf.store.submit(command)
            future.add_done_callback(self._note)
            return future

        def _note(self, _: Future[Any]) -> None:
            row = shelf.store.stop(stop)
            seen.append(row.closed_how if row else "")

        def __getattr__(self, name: str) -> Any:
            return getattr(shelf.store, name)

    shelf.desk = Desk(Watching(), POLICY, lambda: NOW, zone=LISBON)
    with shelf.serving() as visitor:
        assert visitor.post(f"/rejected/{stop}/discard", **ANA).status_code == 303
    assert seen == ["discarded"]


def test_each_route_is_made_once(shelf: Stocked) -> None:
    """A router that is included makes each of its routes again as the first page is asked for: an eighth of the start, and the memory twice."""
    site = shelf.site()
    app = make_pages(shelf.store, shelf.desks(site), site=site, now=lambda: NOW)
    assert {type(each) for each in app.routes} == {Route, APIRoute, Mount}


def test_the_benchmark_looks_at_every_page(shelf: Stocked) -> None:
    """Each GET route, so that none becomes slow with the years and nobody sees it."""
    site = shelf.site()
    described = make_pages(shelf.store, shelf.desks(site), site=site, now=lambda: NOW).openapi()["paths"]
    pages = Views(shelf.store, shelf.desks(site), site, Editions(HERE / "templates", {}), lambda: NOW).router().routes
    routes = {path for path, ways in described.items() if "get" in ways} | {"/api/openapi.json"}
    routes |= {route.path for route in pages if isinstance(route, Route) and "GET" in (route.methods or ())}
    names = {
        "RESULT": "{result_id}",
        "STRIP": "{strip_id}",
        "STOP": "{stop_id}",
        "LOT": "{lot_id}",
        "CAPTURE": "{capture_id}",
        "AWAITED": "{awaited_id}",
        "ward-eyes": "{source}",
        "bench0": "{source}",
        "/reports/2026-10/": "/reports/{period}/",
        "/reports/2026-11-25/": "/reports/{period}/",
        **{f"{{period}}/{topic}": "{period}/{topic}" for topic in TOPICS},
        "hours.csv": "{table}.csv",
        "2026-11-25": "{day}",
        "2026-10": "{month}",
        "copy.possible/release": "{rule}/{action}",
        "copy.possible": "{rule}",
        "/release": "/{action}",
    }
    looked_at = {
        functools.reduce(lambda path, name: path.replace(name, names[name]), names, page.partition("?")[0]) for page in PAGES
    }
    assert looked_at == routes


def test_a_way_in_to_look_at_is_told(shelf: Stocked) -> None:
    """Who is connected, who was turned away and what spoils stand on Today; probes hear the last two. Nothing of a patient is in them."""
    ways = (
        WayIn(source="net", here=("bench-7 (192.0.2.8)",), notes=("a connection from <b>192.0.2.9 was turned away",)),
        WayIn(source="idle", here=(), notes=()),
        WayIn(source="posts", here=None, notes=()),
    )
    with shelf.serving(ways_in=lambda: ways) as visitor:
        page, ready = visitor.get("/").text, visitor.get("/health/ready")
    assert "connected: bench-7 (192.0.2.8)" in page
    assert "To look at: a connection from &lt;b&gt;192.0.2.9 was turned away" in page
    assert page.count("nobody is connected now") == 1
    assert page.count("takes posts with its key") == 1
    assert ready.json()["notes"] == [{"source": "net", "note": "a connection from <b>192.0.2.9 was turned away"}]
