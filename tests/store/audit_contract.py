"""What every store must keep of the audit trail: what people saw beside what they did, found by who, what, strip and time."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import timedelta

import pytest

from bridge.lifecycle.states import StopEnd
from bridge.model import Actor, Answer
from bridge.store.api import Store
from bridge.store.audit_commands import NoteVerified
from bridge.store.commands import NoteSights, Sight
from bridge.store.rows import AuditRow, AuditSearch, Verified
from tests.store import strips as s
from tests.store.contract import Opened
from tests.store.strips import BO, EDA, NOW, WAIT, later

DESK = "from 192.0.2.7"  # RFC 5737: addresses for documentation


def saw(who: Actor, page: str, subject: str, minutes: float, *, is_asked: bool = False) -> Sight:
    return Sight(at=later(minutes), actor=who, page=page, subject=subject, address=DESK, is_asked=is_asked)


def said(rows: tuple[AuditRow, ...]) -> list[tuple[str, str, str, str]]:
    return [(row.event.actor, row.event.what, row.event.subject, row.event.after) for row in rows]


class AuditContract:
    """The suite. Each test opens an empty store of its own."""

    @pytest.fixture
    def opened(self, make: Callable[[], Store]) -> Iterator[Opened]:
        opened = Opened(make)
        yield opened
        opened.store.close()

    def _day(self, store: Store) -> None:
        """One strip sent and looked at, one held and discarded."""
        sent = s.post(store, "R1", destinations=("records",))
        s.attempt(store, sent.delivery_ids[0], Answer.ACCEPTED, "AA")
        of = s.reading("2")
        held = s.record(store, of, s.held(of))
        assert held.stop_id is not None
        s.close(store, held.stop_id, StopEnd.DISCARDED, who=EDA, at=later(2))
        sights = (
            saw(BO, "results", "list", 3),
            saw(BO, "result", "result:R1", 4),
            saw(EDA, "result", "result:none", 5),
            saw(EDA, "/rejected/{stop_id}/{action}", "stop:1", 6, is_asked=True),
        )
        store.submit(NoteSights(sights=sights)).result(WAIT)

    def test_whatever_was_asked_for_is_kept(self, opened: Opened) -> None:
        """HZ-J03: an entry that could not be kept would be tried for ever, and keep every later one out; numbers from an address are as long as somebody types."""
        subjects = [f"stop:{2**63 - 1}", f"stop:{2**63}", f"strip:{'9' * 5000}", "destination:a"]
        asked = tuple(saw(BO, "page", each, number, is_asked=True) for number, each in enumerate((*subjects, "result:\0")))
        opened.store.submit(NoteSights(sights=asked)).result(WAIT)
        assert [row.event.subject for row in reversed(opened.store.audit(AuditSearch(who="Bo"), limit=9))] == [
            *subjects,
            "result",
        ]

    def test_what_people_saw_is_found_by_who_and_what(self, opened: Opened) -> None:
        """HZ-J01: person, page, our own number of what was shown, and the address; newest first, and nothing of Padpost's own between."""
        store = opened.store
        self._day(store)
        by_bo = store.audit(AuditSearch(who="Bo"), limit=9)
        assert said(by_bo) == [("Bo", "seen", "strip:1", "result"), ("Bo", "seen", "list", "results")]
        assert {row.event.reason for row in by_bo} == {DESK}
        assert said(store.audit(AuditSearch(what="seen"), limit=2)) == [
            ("Eda", "seen", "result", "result"),
            ("Bo", "seen", "strip:1", "result"),
        ]
        assert said(store.audit(AuditSearch(who="Eda", what="asked"), limit=9)) == [
            ("Eda", "asked", "stop:1", "/rejected/{stop_id}/{action}")
        ]
        assert store.audit(AuditSearch(who="nobody"), limit=9) == ()
        assert store.audit(AuditSearch(what="nothing"), limit=9) == ()
        people, acts = store.audit_names()
        assert people == ("Bo", "Eda")
        assert {"seen", "asked", "stop.closed"} <= set(acts)

    def test_a_strip_has_its_whole_way_and_who_looked_at_it(self, opened: Opened) -> None:
        """Its capture, stops and deliveries too; who looked stands in the trail and not in the history that its page shows."""
        store = opened.store
        self._day(store)
        of_first = store.audit(AuditSearch(strip_id=1), limit=99)
        assert {row.event.what for row in of_first} >= {
            "strip.judged",
            "delivery.made",
            "delivery.begin",
            "delivery.accept",
            "seen",
        }
        assert of_first[0].event.what == "seen"
        assert said(store.audit(AuditSearch(strip_id=1, who="Bo"), limit=9)) == [("Bo", "seen", "strip:1", "result")]
        assert "asked" in {row.event.what for row in store.audit(AuditSearch(strip_id=2), limit=99)}
        assert [event.what for event in store.events("stop:1")] == ["stop.opened", "stop.closed"]
        assert store.audit(AuditSearch(strip_id=99), limit=9) == ()

    def test_time_and_pages_cut_the_same_trail(self, opened: Opened) -> None:
        """From a moment on, up to another and not with it; each page goes on where the last one ended."""
        store = opened.store
        self._day(store)
        every = store.audit(AuditSearch(), limit=99)
        assert [row.event_id for row in every] == sorted((row.event_id for row in every), reverse=True)
        paged: list[AuditRow] = []
        while more := store.audit(AuditSearch(), before=paged[-1].event_id if paged else None, limit=4):
            paged += more
        assert tuple(paged) == every
        between = AuditSearch(since=later(3), until=later(5))
        assert said(store.audit(between, limit=9)) == [("Bo", "seen", "strip:1", "result"), ("Bo", "seen", "list", "results")]
        assert said(store.audit(AuditSearch(what="seen", since=later(5)), limit=9)) == [("Eda", "seen", "result", "result")]
        assert store.audit(AuditSearch(since=NOW + timedelta(days=1)), limit=9) == ()
        assert store.audit(AuditSearch(until=NOW), limit=9) == ()

    def test_what_a_walk_found_is_kept_with_since_when_it_is_so(self, opened: Opened) -> None:
        """HZ-J02: only the newest, and each is an event of the history itself; a second night that finds the same moves nothing but its time."""
        store = opened.store
        assert store.verified() is None
        for minute, broken in ((1, ""), (2, "Entry 1-2: gone."), (3, "Entry 1-2: gone."), (4, "")):
            store.submit(NoteVerified(at=later(minute), entries=7, events=40 + minute, broken=broken)).result(WAIT)
            if minute == 3:
                assert store.verified() == Verified(at=later(3), since=later(2), entries=7, events=43, broken="Entry 1-2: gone.")
        store = opened.restart()
        assert store.verified() == Verified(at=later(4), since=later(4), entries=7, events=44, broken="")
        told = [(row.event.after, row.event.reason) for row in store.audit(AuditSearch(what=""), limit=4)]
        assert told == [
            ("as it was written", ""),
            ("broken", "Entry 1-2: gone."),
            ("broken", "Entry 1-2: gone."),
            ("as it was written", ""),
        ]
