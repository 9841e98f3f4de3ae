"""What every store must keep of day logs: lines are only appended, maintenance asks for controls, and a log that is complete frees what waited."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import timedelta
from typing import Any

import pytest

from bridge.bench.day_log import Degrees, Found, KeptLine, LogLine
from bridge.bench.gate import GateKey
from bridge.errors import Overtaken
from bridge.lifecycle.states import StopState
from bridge.model import GateState, Severity
from bridge.store.api import Store
from bridge.store.commands import RecordedOutcome
from bridge.store.life_commands import NoteDayLog
from bridge.tables.day_log_table import DayItem
from tests.store import strips as s
from tests.store.contract import Opened
from tests.store.gate_contract import KEY, POLICY, Bench
from tests.store.strips import BO, EDA, NOW, WAIT, later

CLEANED = LogLine(analyzer="brook-1", item=DayItem.CLEANING, done_at=NOW)
WARM = LogLine(analyzer="brook-1", item=DayItem.TEMPERATURE, done_at=NOW, typed="72", scale=Degrees.CELSIUS, remark="window")
SERVICED = LogLine(analyzer="brook-1", item=DayItem.SERVICE, done_at=NOW)


def noted(store: Store, *lines: LogLine, **more: object) -> tuple[int, ...]:
    """Note lines, by Bo, five minutes later."""
    command = NoteDayLog(**{"lines": lines, "policy": None, "actor": BO, "at": later(5), **more})  # type: ignore[arg-type] # its own fields
    made: tuple[int, ...] = store.submit(command).result(WAIT)
    return made


class DayLogContract:
    """The suite. Each test opens an empty store of its own."""

    @pytest.fixture
    def opened(self, make: Callable[[], Store]) -> Iterator[Opened]:
        opened = Opened(make)
        yield opened
        opened.store.close()

    def test_lines_outlive_a_restart_as_they_were_typed(self, opened: Opened) -> None:
        """Text and scale of a temperature, who and when; a span has what was done within it, its end left out."""
        first, second = noted(opened.store, CLEANED, WARM)
        (third,) = noted(opened.store, replace(CLEANED, done_at=later(60)), actor=EDA)
        store = opened.restart()
        told: dict[str, Any] = {"entered_by": "Bo", "verified": BO.verified, "entered_at": later(5)}
        assert store.day_log(since=NOW, until=later(60)) == (
            KeptLine(line_id=first, line=CLEANED, **told),
            KeptLine(line_id=second, line=WARM, **told),
        )
        assert [each.line_id for each in store.day_log(since=later(1))] == [third]
        line = store.day_log_line(second)
        assert line is not None
        assert (line.line, store.day_log_line(99)) == (WARM, None)
        (event,) = store.events(f"day_log:{third}")
        assert (event.what, event.actor, event.before, event.after) == ("day_log.noted", "Eda", "cleaning", "in order")

    def test_a_correction_keeps_the_first_and_is_one(self, opened: Opened) -> None:
        """Two people who correct one line at the same time would leave two truths: the second is told."""
        (first,) = noted(opened.store, WARM)
        right = replace(WARM, scale=Degrees.FAHRENHEIT)
        (second,) = noted(opened.store, right, corrects=first, reason="wrong scale", actor=EDA)
        before, after = opened.store.day_log(since=NOW)
        assert (before.line, before.line_id) == (WARM, first)
        assert (after.line, after.corrects, after.reason, after.entered_by) == (right, first, "wrong scale", "Eda")
        (event,) = opened.store.events(f"day_log:{second}")
        assert (event.what, event.reason) == ("day_log.corrected", "wrong scale")
        for gone in (first, 99):
            with pytest.raises(Overtaken):
                noted(opened.store, right, corrects=gone, reason="again")
        assert len(opened.store.day_log(since=NOW)) == 2

    def test_maintenance_asks_for_controls_where_the_policy_does(self, opened: Opened) -> None:
        """Hazard HZ-D01: every gate of the analyzer begins anew, and no other; a correction to a mistake asks for nothing."""
        other = GateKey(analyzer="brook-2", strip_type="plover-12", strip_lot="L1")
        for key in (KEY, other):
            bench = Bench(opened.store, key=key)
            bench.control("1")
            bench.control("2")
        assert _states(opened.store) == {KEY: GateState.OPEN, other: GateState.OPEN}
        noted(opened.store, SERVICED, policy=None)
        noted(opened.store, SERVICED, policy=replace(POLICY, after_service=False))
        noted(opened.store, CLEANED, policy=POLICY)
        assert _states(opened.store) == {KEY: GateState.OPEN, other: GateState.OPEN}
        (line,) = noted(opened.store, SERVICED, policy=POLICY)
        assert _states(opened.store) == {KEY: GateState.START, other: GateState.OPEN}
        (event,) = (each for each in opened.store.gate_events() if each.capture_id == 0)
        assert (event.what, event.actor, event.reason) == (
            "begin_anew",
            "Bo",
            "the analyzer was maintained, repaired or returned",
        )
        before = opened.store.gate_events()
        noted(opened.store, replace(SERVICED, found=Found.MISTAKE), policy=POLICY, corrects=line, reason="other analyzer")
        assert opened.store.gate_events() == before

    def test_a_complete_log_frees_what_it_alone_held(self, opened: Opened) -> None:
        """Of that analyzer and day, held for nothing else, in the order in which it was read."""
        first = _held(opened.store, "day_log.missing")
        both = _held(opened.store, "day_log.missing", "time.missing", minutes=1)
        wrong = _held(opened.store, "day_log.wrong", minutes=2)
        other_day = _held(opened.store, "day_log.missing", minutes=-24 * 60)
        second = _held(opened.store, "day_log.missing", minutes=3)
        noted(opened.store, CLEANED)
        assert _open(opened.store) == {each.stop_id for each in (first, both, wrong, other_day, second)}
        noted(opened.store, CLEANED, frees=(NOW - timedelta(hours=1), later(60)))
        assert _open(opened.store) == {each.stop_id for each in (both, wrong, other_day)}
        stop = opened.store.stop(first.stop_id or 0)
        assert stop is not None
        assert (stop.state, stop.closed_how, stop.closed_reason) == (StopState.CLOSED, "read again", "day log complete")
        again = opened.store.next_intake("brook-1")
        assert again is not None
        (after,) = opened.store.intake_ahead("brook-1", after=again.intake_id, limit=1)
        assert (again.because, after.because) == ("day log complete", "day log complete")
        assert again.capture_id < after.capture_id


def _held(store: Store, *rules: str, minutes: int = 0) -> RecordedOutcome:
    """Record a strip that is held for these rules, read so long after the day began to count."""
    found = tuple(s.finding(rule, severity=Severity.HOLD) for rule in rules)
    of = s.reading(str(5000 + minutes))
    return s.record(store, of, s.held(of, *found, at=later(minutes)))


def _states(store: Store) -> dict[GateKey, GateState]:
    return {row.key: row.gate.state for row in store.gates()}


def _open(store: Store) -> set[int | None]:
    return {stop.stop_id for stop in store.stops()}
