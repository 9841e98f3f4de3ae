"""When sets of controls were due, and how long a gate stood how: by worked days, and against the gate itself replayed minute by minute."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from datetime import UTC, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.bench.controls import RunVerdict
from bridge.bench.gate import (
    BegunAnew,
    Cause,
    ControlRead,
    Gate,
    GateEvent,
    Happening,
    Mended,
    PatientRead,
    RepeatExplained,
    after,
    asks,
    at_time,
    decides,
    may,
    reason_of,
)
from bridge.bench.month_due import (
    BY_CLOCK,
    BY_COUNT,
    BY_REPAIR,
    FIRST_USE,
    DueSet,
    GateHours,
    Line,
    Use,
    clock_dues,
    due_sets,
    gate_hours,
)
from bridge.model import Actor, GateState
from bridge.tables.control_table import GatePolicy, ShutDoes

S = GateState
LISBON = ZoneInfo("Europe/Lisbon")  # UTC in winter, so that the times below are the clock's
POLICY = GatePolicy(levels=frozenset({"1", "2"}), zone=LISBON, shut=ShutDoes.WAIT, day_starts=time(6))
FIRST = datetime(2026, 11, 2, 6, tzinfo=UTC)  # a Monday
WEEK = (FIRST, FIRST + timedelta(days=7))
ANNA = Actor(name="A. Sund", verified="unverified")


def at(day: int, clock: str) -> datetime:
    """Give a time of the week's n-th day, from 0."""
    return datetime.combine(FIRST.date() + timedelta(days=day), time.fromisoformat(clock), tzinfo=UTC)


def passed(day: int, clock: str, before: GateState = S.START) -> Line:
    """Give a set that was completed."""
    return Line(at=at(day, clock), before=before, after=S.OPEN, is_set=True)


def used(day: int, clock: str, strips: int = 1) -> Use:
    """Give patients' strips of a minute."""
    return Use(strip_lot="24A01", at=at(day, clock), strips=strips)


def sets(
    lines: Iterable[Line], uses: Iterable[Use], policy: GatePolicy = POLICY, stood: GateState = S.START
) -> list[tuple[object, ...]]:
    """Give each set as (day, why, done at, strips before it)."""
    found = due_sets("24A01", lines, uses, stood=stood, between=WEEK, policy=policy)
    return [((each.at - FIRST).days, each.why, each.done_at and f"{each.done_at:%H:%M}", each.strips_before) for each in found]


def test_the_clock_asks_each_day_at_the_site_s_hour() -> None:
    """Also over the change to winter time: 25 October 2026 has 25 hours in Lisbon (EU directive 2000/84/EC)."""
    dues = clock_dues(datetime(2026, 10, 24, 5, tzinfo=UTC), datetime(2026, 10, 27, 6, tzinfo=UTC), POLICY)
    assert [f"{due:%d %H}" for due in dues] == ["24 05", "25 06", "26 06"]
    assert clock_dues(*WEEK, replace(POLICY, each_day=False)) == ()


def test_each_day_of_use_asks_for_a_set() -> None:
    """HZ-E01: done in time on Monday, behind two strips on Tuesday, never on Wednesday; on Thursday nobody read a strip, so nothing was due."""
    found = sets(
        [passed(0, "07:00"), passed(1, "09:00")],
        [used(0, "08:00", 5), used(1, "08:30", 2), used(1, "10:00"), used(2, "08:00", 3)],
    )
    assert found == [(0, (BY_CLOCK,), "07:00", 0), (1, (BY_CLOCK,), "09:00", 2), (2, (BY_CLOCK,), None, 3)]


def test_a_set_that_nobody_asked_for_counts_apart() -> None:
    """Done on a day without a patient's strip, and done twice on one day."""
    monday = due_sets(
        "24A01",
        [passed(0, "07:00"), passed(0, "12:00", S.OPEN), passed(3, "07:00")],
        [used(0, "08:00")],
        stood=S.START,
        between=WEEK,
        policy=POLICY,
    )
    assert [(each.is_asked, each.is_missed, each.done_at is not None) for each in monday] == [
        (True, False, True),
        (False, False, True),
    ]


def test_a_new_container_asks_again_and_joins_what_is_due() -> None:
    """Opened after the morning's set it asks for another; opened before, one set answers both."""
    opened = Line(
        at=at(0, "10:00"), before=S.OPEN, after=S.START, is_set=False, what=GateEvent.BEGIN_ANEW, reason=Cause.CONTAINER.value
    )
    early = replace(opened, at=at(1, "06:30"), before=S.START)
    found = sets(
        [passed(0, "07:00"), opened, passed(0, "10:30"), early, passed(1, "07:00")],
        [used(0, "08:00"), used(0, "11:00"), used(1, "08:00")],
    )
    assert found == [
        (0, (BY_CLOCK,), "07:00", 0),
        (0, (Cause.CONTAINER.value,), "10:30", 0),
        (1, (BY_CLOCK, Cause.CONTAINER.value), "07:00", 0),
    ]
    unasked = replace(opened, after=S.OPEN)  # where the site's policy does not ask
    assert sets([passed(0, "07:00"), unasked], [used(0, "11:00")]) == [(0, (BY_CLOCK,), "07:00", 0)]


def test_a_repair_asks_for_a_whole_set() -> None:
    """Whatever passed before it."""
    mended = Line(at=at(0, "09:00"), before=S.FAILED, after=S.MENDED, is_set=False, what=GateEvent.MEND)
    found = sets([passed(0, "07:00"), mended, passed(0, "09:30", S.MENDED)], [used(0, "08:00"), used(0, "10:00")])
    assert found == [(0, (BY_CLOCK,), "07:00", 0), (0, (BY_REPAIR,), "09:30", 0)]


def test_a_count_of_strips_asks() -> None:
    """After every tenth patient's strip; the count begins with the set."""
    policy = replace(POLICY, every_strips=10)
    found = sets(
        [passed(0, "07:00"), passed(0, "12:00", S.DUE)],
        [used(0, "08:00", 9), used(0, "09:00"), used(0, "10:00", 2), used(0, "13:00", 9)],
        policy,
    )
    assert found == [(0, (BY_CLOCK,), "07:00", 0), (0, (BY_COUNT,), "12:00", 2)]


def test_a_lot_that_nothing_passed_on_is_due_with_its_first_strip() -> None:
    """Also where the clock asks for nothing; one that stood open from last month is not."""
    policy = replace(POLICY, each_day=False)
    assert sets([passed(0, "09:00")], [used(0, "08:00", 2), used(0, "10:00")], policy) == [(0, (FIRST_USE,), "09:00", 2)]
    assert sets([], [used(0, "08:00")], policy, stood=S.OPEN) == []


def test_a_gate_s_hours() -> None:
    """Open from 07:00 until the next morning's 06:00, an hour of grace, shut until 08:00; then a failure until the next day's repair and set."""
    policy = replace(POLICY, grace=timedelta(hours=1))
    lines = [
        passed(0, "07:00"),
        passed(1, "08:00"),
        Line(at=at(1, "10:00"), before=S.OPEN, after=S.FAILED, is_set=False),
        Line(at=at(1, "11:00"), before=S.FAILED, after=S.MENDED, is_set=False, what=GateEvent.MEND),
        passed(1, "12:00", S.MENDED),
    ]
    found = gate_hours("24A01", lines, counted=(), stood=S.START, between=(at(0, "06:30"), at(1, "13:00")), policy=policy)
    hour = timedelta(hours=1)
    assert found == GateHours(strip_lot="24A01", open=24 * hour + 2 * hour + hour, waiting=hour / 2 + hour, failed=2 * hour)


# --- the gate itself as the oracle


KINDS = ("p", "1+", "2+", "1-", "explain", "mend", "container")
POLICIES = st.builds(
    lambda each_day, shifts, every, grace: replace(
        POLICY, each_day=each_day, shifts=shifts, every_strips=every, grace=timedelta(minutes=grace)
    ),
    st.booleans(),
    st.sampled_from([(), (time(14),), (time(14), time(22))]),
    st.sampled_from([None, 3]),
    st.sampled_from([0, 45]),
)


def happening(kind: str, then: datetime, number: int) -> Happening:
    """Give what happens."""
    match kind:
        case "p":
            return PatientRead(at=then, seat=(number, 0))
        case "explain":
            return RepeatExplained(at=then, by=ANNA, reason="a drop missed a pad")
        case "mend":
            return Mended(at=then, by=ANNA, cause="old strips", action="new container")
        case "container":
            return BegunAnew(at=then, by=ANNA, cause=Cause.CONTAINER)
        case _:
            return ControlRead(
                at=then, seat=(number, 0), level=kind[0], verdict=RunVerdict.PASSED if kind[1] == "+" else RunVerdict.FAILED
            )


@given(steps=st.lists(st.tuples(st.sampled_from(KINDS), st.integers(1, 400)), min_size=1, max_size=25), policy=POLICIES)
@settings(max_examples=150, deadline=None)
def test_hours_are_those_of_the_gate_itself(steps: list[tuple[str, int]], policy: GatePolicy) -> None:
    """Each minute is counted as the machine of bench/gate.py stands in it, whatever happened; the three sum up to the whole stretch."""
    minute = timedelta(minutes=1)
    gate, then = Gate(), FIRST
    lines: list[Line] = []
    uses: list[Use] = []
    kept: list[tuple[datetime, Gate]] = [(FIRST, at_time(gate, FIRST, policy))]
    for number, (kind, apart) in enumerate(steps, start=1):
        then += apart * minute
        what = happening(kind, then, number)
        stands = at_time(gate, then, policy)
        if not isinstance(what, ControlRead | PatientRead) and not may(stands.state, asks(what)):
            continue
        gate = after(gate, what, policy)
        kept.append((then, gate))
        if isinstance(what, PatientRead):
            uses.append(Use(strip_lot="", at=then, strips=1))
            continue
        word = None if isinstance(what, ControlRead) else asks(what)
        reason = "" if isinstance(what, ControlRead) else reason_of(what)
        lines.append(
            Line(at=then, before=stands.state, after=gate.state, is_set=decides(what, gate) is True, what=word, reason=reason)
        )
    ends = then + 600 * minute
    found_sets = due_sets("", lines, uses, stood=S.START, between=(FIRST, ends), policy=policy)
    counted = [each.at for each in found_sets if BY_COUNT in each.why]
    found = gate_hours("", lines, counted=counted, stood=S.START, between=(FIRST, ends), policy=policy)
    assert found.open + found.waiting + found.failed == ends - FIRST
    stood = dict.fromkeys(("open", "waiting", "failed"), 0)
    place, moment = 0, FIRST
    while moment < ends:
        while place + 1 < len(kept) and kept[place + 1][0] <= moment:
            place += 1
        state = at_time(kept[place][1], moment, policy).state
        stood["open" if state.may_go else "failed" if state.is_failure or state is S.MENDED else "waiting"] += 1
        moment += minute
    assert (found.open, found.waiting, found.failed) == tuple(count * minute for count in stood.values())


@pytest.mark.parametrize("why", [(), (BY_CLOCK,)])
def test_what_was_asked_and_missed(why: tuple[str, ...]) -> None:
    """A set that nobody asked for cannot be missed, nor one of a stretch without a strip."""
    due = DueSet(strip_lot="24A01", at=FIRST, why=why, strips=3)
    assert (due.is_asked, due.is_missed) == (bool(why), bool(why))
    assert not replace(due, strips=0).is_missed
    assert not replace(due, done_at=FIRST).is_missed
