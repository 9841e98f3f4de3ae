"""The day log of a real line over a real store: noted at the desk, judged from memory, seen within seconds."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from pathlib import Path
from typing import cast

import pytest

from bridge.bench.day_log import Degrees, Found, LogLine
from bridge.facts.day_logs import DayLogs
from bridge.model import Needs
from bridge.store.api import Store
from bridge.store.sqlite import SqliteStore
from bridge.tables.day_log_table import DayItem, DayLogRule, Undone
from bridge.tables.types import Tables
from tests.bench.judged import Bench
from tests.judging_for_tests import NOW
from tests.store.day_log_contract import noted
from tests.tables.shipped_tables import ZONE, tables

CLEANED = LogLine(analyzer="bench-a", item=DayItem.CLEANING, done_at=NOW)
GREY = LogLine(analyzer="bench-a", item=DayItem.REFERENCE, done_at=NOW, found=Found.WRONG, remark="grey")


def with_log(undone: Undone | None) -> Tables:
    """Give the shipped tables of a site at which cleaning and the white reference are due, or nothing is."""
    made = tables()
    rule = DayLogRule(zone=ZONE, due=(DayItem.CLEANING, DayItem.REFERENCE), undone=undone) if undone else None
    return replace(made, policy=replace(made.policy, day_log=rule))


@pytest.fixture
def store(tmp_path: Path) -> Iterator[SqliteStore]:
    """Give an empty store."""
    opened = SqliteStore(tmp_path, now=lambda: NOW)
    yield opened
    opened.close()


def rules(store: SqliteStore) -> list[tuple[str, str]]:
    """Give rule and severity of the newest strip's findings."""
    return [(rule, severity) for rule, severity, _ in store.strips(limit=1)[0].findings]


def test_a_site_that_lists_lets_every_strip_go(store: SqliteStore) -> None:
    """As before: what is missing stands on Today, and nothing on the strip."""
    for undone in (None, Undone.LIST):
        bench = Bench(store, with_log(undone))
        bench.minute = 0 if undone is None else 60
        bench.number = 0 if undone is None else 60
        assert bench.read(bench.patient()) == ["coded"]
        assert rules(store) == []


def test_a_strip_goes_with_a_note_until_the_log_is_complete(store: SqliteStore) -> None:
    """Hazard HZ-D01: what is missing and what is not in order are noted, each from the next strip on; a new day begins anew."""
    bench = Bench(store, with_log(Undone.NOTE))
    assert bench.read(bench.patient()) == ["coded"]
    assert rules(store) == [("day_log.missing", "note")]
    noted(store, CLEANED, GREY)
    assert bench.read(bench.patient()) == ["coded"]
    assert rules(store) == [("day_log.wrong", "note")]
    noted(store, replace(GREY, found=Found.RIGHT, done_at=NOW + timedelta(minutes=bench.minute)))
    assert bench.read(bench.patient()) == ["coded"]
    assert rules(store) == []
    bench.minute += 24 * 60
    assert bench.read(bench.patient()) == ["coded"]
    assert rules(store) == [("day_log.missing", "note")]


def test_a_site_may_hold_them_and_a_complete_log_frees_them(store: SqliteStore) -> None:
    """Hazard HZ-D01: nothing goes before the morning's check is noted; then what only waited for it goes by itself."""
    bench = Bench(store, with_log(Undone.HOLD))
    assert bench.read(bench.patient()) == ["held"]
    assert bench.read(bench.control("2")) == ["non_patient"]  # a control is no patient's strip
    day = datetime(NOW.year, NOW.month, NOW.day, tzinfo=ZONE).astimezone(UTC)
    noted(store, CLEANED, replace(GREY, found=Found.RIGHT), frees=(day, day + timedelta(days=1)))
    bench.minute += 1
    bench.work_off()
    assert [strip.outcome for strip in store.strips(outcome="coded")] == ["coded"]
    assert store.stops() == ()
    assert bench.read(bench.patient()) == ["coded"]


def needs(minutes: int = 0) -> Needs:
    """Give what a strip needs that was printed so long after NOW."""
    return Needs(
        analyzer="bench-a", mode="", number="1", record_digest="d", patient_id="", printed_at=NOW + timedelta(minutes=minutes)
    )


def test_the_room_is_told_with_and_without_a_policy(store: SqliteStore) -> None:
    """Hazard HZ-B03: as it was measured last before the strip, in degrees Celsius, exactly; within seconds of its entry."""
    warm = LogLine(analyzer="bench-a", item=DayItem.TEMPERATURE, done_at=NOW, typed="87.8", scale=Degrees.FAHRENHEIT)
    at = NOW
    logs = [DayLogs(cast("Store", store), with_log(undone), lambda: at) for undone in (None, Undone.LIST)]
    assert logs[0].facts(needs(), NOW) is None
    assert [each.temperature_c("bench-a", NOW) for each in logs] == [None, None]
    noted(store, warm)
    assert [each.temperature_c("bench-a", NOW) for each in logs] == [None, None]
    at += timedelta(seconds=5)
    for each in logs:
        assert each.temperature_c("bench-a", NOW) == Decimal(31)
        assert each.temperature_c("bench-b", NOW) is None
        assert each.temperature_c("bench-a", NOW - timedelta(seconds=1)) is None
        told = [each.facts(needs(minutes), NOW + timedelta(hours=30)) for minutes in (0, -1, 24 * 60, 24 * 60 + 1)]
        assert [facts and facts.room_c for facts in told] == [Decimal(31), None, Decimal(31), None]


def test_of_older_days_nothing_is_missing(store: SqliteStore) -> None:
    """A strip of last month that is sent again is not held for a log that is not looked at any more."""
    logs = DayLogs(cast("Store", store), with_log(Undone.HOLD), lambda: NOW)
    asked = [logs.facts(needs(-minutes), NOW) for minutes in (0, 8 * 24 * 60, 8 * 24 * 60 + 1)]
    assert [facts.missing if facts else None for facts in asked] == [("daily cleaning", "white reference")] * 2 + [None]
