"""Operators of a real line over a real store: entered at the desk, judged from memory, seen within seconds."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from bridge.store.commands import EndOperator, EnterOperator
from bridge.store.sqlite import SqliteStore
from bridge.tables.types import Tables
from tests.bench.judged import Bench
from tests.judging_for_tests import NOW
from tests.store.operator_contract import ANA
from tests.store.strips import BO, WAIT
from tests.tables.shipped_tables import tables


def with_policy(operators: str) -> Tables:
    """Give the shipped tables of a site that does so with strips of unknown operators."""
    made = tables()
    return replace(made, policy=replace(made.policy, operators=operators))


@pytest.fixture
def store(tmp_path: Path) -> Iterator[SqliteStore]:
    """Give an empty store."""
    opened = SqliteStore(tmp_path, now=lambda: NOW)
    yield opened
    opened.close()


def rules(store: SqliteStore) -> list[tuple[str, str]]:
    """Give rule and severity of the newest strip's findings."""
    return [(rule, severity) for rule, severity, _ in store.strips(limit=1)[0].findings]


def enter(store: SqliteStore, **more: object) -> int:
    """Enter an operator of the analyzer."""
    made: int = store.submit(EnterOperator(operator=replace(ANA, **more), actor=BO, at=NOW)).result(WAIT)  # type: ignore[arg-type] # an entry's own fields
    return made


def test_unknown_and_expired_numbers_are_noted(store: SqliteStore) -> None:
    """Hazard HZ-D15: nothing is asked before anybody is entered; then a blank or foreign number is noted, and an ended one within seconds."""
    bench = Bench(store, with_policy("note"))
    assert bench.read(bench.patient(operator="7")) == ["coded"]
    assert rules(store) == []
    entered = enter(store, number="7")
    for operator, told in (("7", []), ("8", [("operator.unknown", "note")])):
        assert bench.read(bench.patient(operator=operator)) == ["coded"]
        assert rules(store) == told
    store.submit(EndOperator(operator_id=entered, actor=BO, reason="left", at=NOW)).result(WAIT)
    enter(store, number="9")
    assert bench.read(bench.patient(operator="7")) == ["coded"]
    assert rules(store) == [("operator.unknown", "note")]


def test_a_site_may_hold_them(store: SqliteStore) -> None:
    """Hazard HZ-D15: the day after the last, and after the day on which training was due, it is held; a person may let it go."""
    bench = Bench(store, with_policy("hold"))
    enter(store, number="7", until=NOW.date().replace(day=24))
    enter(store, number="8", competency_due=NOW.date().replace(day=24))
    enter(store, number="9", competency_due=NOW.date())
    assert [bench.read(bench.patient(operator=each)) for each in ("7", "8", "9")] == [["held"], ["held"], ["coded"]]
    assert {(stop.rule, stop.releasable) for stop in store.stops()} == {("operator.expired", True)}
