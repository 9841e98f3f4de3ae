"""A site on which every page has something to show: rows of every sort, long names, long identifiers, old months, forms that are open."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from typing import Any

from bridge.desk.entries import EntryDesk
from bridge.desk.lots import LotDesk
from bridge.model import Actor, Answer, Format, Priority, Purpose
from bridge.pages.site import Bench as PagesBench
from bridge.pages.site import ShownWay
from bridge.signals.kinds import Kind
from bridge.signals.machine import SignalState
from bridge.site import example_terms
from bridge.tables.telling_terms import TellingTerms, ToTell
from bridge.tables.types import ClockRule
from tests.bench.containers_for_tests import with_containers
from tests.bench.controls_for_tests import lot
from tests.bench.judged import with_policy
from tests.bench.shelved import Shelved
from tests.desk.test_entries import ENTRY, PLACE, SLIPS, TABLES
from tests.desk.test_run_again import pair
from tests.judging_for_tests import NOW
from tests.pages.stocked import GOOD, OTHER, Stocked
from tests.pages.test_signals import of
from tests.pages.test_views import hostile_pages
from tests.store.addition_contract import waiting
from tests.store.registered_contract import ROUND, register
from tests.store.signal_contract import MAIL, keep
from tests.store.telling_contract import ONCE, READ_BACK, say, told
from tests.tables.additions_for_tests import asking

LONG_NAME = "Centro de Saúde da Ilha do Sal e dos Moinhos da Maré Alta XX"  # 60 characters, Portuguese; invented
LONG_ID = "400000000000000000000000000007"  # 30 characters
LONG_LOT = "A-LOT-CODE-OF-THIRTY-CHARACTERS"
TERMS = TellingTerms(overdue_minutes=20, people=(ToTell(name="Ward 3", role="nurse in charge", contact="ext. 44"),))
ANA = Actor(name="Ana", verified="unverified")


def filled(shelf: Stocked) -> dict[str, Any]:
    """Fill the shelf; give what the site of its pages is made with."""
    shelf.now = NOW
    pair(shelf)  # first, so that its row is known to every_page.py
    shelf.eyes, shelf.slips = (PLACE,), (SLIPS,)
    EntryDesk(shelf.store, TABLES, shelf.eyes, now=lambda: shelf.now).by_eye(PLACE, ENTRY, ANA)
    bench = _bench(shelf)
    shelf.now = bench.at
    _stops_and_results(shelf)
    _signals(shelf)
    waiting(shelf.store, "W1", patient=LONG_ID)
    waiting(shelf.store, "W2", patient=GOOD, priority=Priority.STAT)
    register(shelf.store, replace(ROUND, text="CTRL-LOW"))
    register(shelf.store, replace(ROUND, text="CTRL-LOW", purpose=Purpose.TRAINING, scheme="Course 1"), signed=False)
    shelf.other(Purpose.PROFICIENCY)
    shelf.now += timedelta(minutes=20)
    return {
        "name": LONG_NAME,
        "bench": PagesBench(tables=replace(bench.tables, additions=asking().additions), terms=example_terms()),
        "schemes": {"bench-a": bench.tables.profiles["brook"].numbers},
        "ways": (ShownWay(name="mail", host="mail.example", addresses=1),),
    }


def _bench(shelf: Stocked) -> Shelved:
    """Let an analyzer have a morning: controls sound and failed, a gap, a run held, containers good, old and suspected."""
    made = with_containers(with_policy())
    policy = replace(made.policy, telling=TERMS, clock=ClockRule(), run_pause_minutes=5)
    bench = Shelved(shelf.store, gate=True)
    bench.tables = replace(made, policy=policy)
    bench.judging = bench.judging_over(shelf.store)
    bench.open(expires="2026-11-30")
    bench.read(bench.control("1")), bench.read(bench.control("2"))
    for number in range(12):
        bench.read(bench.patient(ranks={"nitrite": int(number < 9)}))
    bench.read(replace(bench.control("1"), lot="24B07")), bench.read(replace(bench.control("2"), lot="24B07"))
    bench.number += 2
    for _ in range(3):
        bench.read(bench.patient())
    bench.open(strip_lot=LONG_LOT, expires="2027-08-31", opened="2026-08-01T09:00")
    bench.read(bench.patient(lot=LONG_LOT))
    bench.read(bench.control("2", blood=0))
    bench.read(bench.patient())
    typed = {key: value for key, value in lot("1", "C1-0900-OF-A-VERY-LONG-LOT-CODE").items() if key not in {"entered", "signed"}}
    LotDesk(shelf.store, bench.tables, lambda: shelf.now).enter(typed, actor=Actor(name="R. Holm", verified="unverified"))
    return bench


def _stops_and_results(shelf: Stocked) -> None:
    """Put there what is stopped, sent, corrected, told of, purged and in doubt."""
    hostile_pages(shelf, LONG_ID, number="400000007")
    shelf.unread()
    shelf.rejected(priority=Priority.STAT, payload=b"O|" * 3_000 + b"\x05\x00\xff" * 40)
    shelf.held(tell=ONCE)
    told(shelf.store)
    shelf.held(number="12", tell=ONCE)
    shelf.coded(tell=ONCE)
    say(shelf.store, shelf.store.tellings_open()[1], READ_BACK)
    shelf.copy(shelf.other())
    shelf.answered(shelf.coded(GOOD, to=(Format.ORU_R01, Format.FHIR)), Answer.ACCEPTED, "filed")
    gone = shelf.coded(OTHER, to=(Format.ORU_R01,))
    shelf.answered(gone)
    shelf.purged(gone)
    shelf.coded(GOOD, to=(Format.ORU_R01,))
    shelf.restored()


def _signals(shelf: Stocked) -> None:
    keep(shelf.store, of(Kind.SILENT, "bench-a"), at=shelf.now)
    keep(
        shelf.store,
        of(Kind.RECEIVER, "records", "chart", state=SignalState.EASING),
        replace(MAIL, due_at=shelf.now),
        at=shelf.now,
    )
    keep(shelf.store, of(Kind.STAT, "stop:12", "strip:9"), at=shelf.now)
