"""What must be looked at again after a failed control, and people's decisions."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.bench.controls import RunVerdict
from bridge.bench.gate import ControlRead, PatientRead, after
from bridge.bench.look_back import LookBack, LookBackRow, Verdict, decided, look_back_of, rows_of
from bridge.errors import Overtaken, RefusedAction
from bridge.model import Actor
from tests.bench.test_gate import MORNING, POLICY, Bench

ANNA = Actor(name="A. Sund", verified="unverified")
NOON = datetime(2026, 11, 25, 12, 0, tzinfo=UTC)
ROW = LookBackRow(seat=(7, 0), failed_by=(9, 0))


def control(number: int, level: str, verdict: RunVerdict) -> ControlRead:
    """Give a judged control."""
    return ControlRead(at=MORNING + timedelta(minutes=number), seat=(number, 0), level=level, verdict=verdict)


def test_a_failure_at_strip_31_of_60() -> None:
    """42 CFR 493.1282(b)(2): strips 1 and 2 are the set that passed, 3 to 30 were sent, the control at 31 fails, 32 to 60 are not sent. HZ-E08."""
    bench = Bench().do("1+", "2+", *["p"] * 28)
    sent = [(strip, 0) for strip in range(3, 31) if bench.gate.state.may_go]
    failing = control(31, "2", RunVerdict.FAILED)
    looked = look_back_of([(2, 0)], failing)
    assert looked == LookBack(since=(2, 0), failed_by=(31, 0))
    gate = after(bench.gate, failing, POLICY)
    for strip in range(32, 61):
        gate = after(gate, PatientRead(at=failing.at + timedelta(minutes=strip), seat=(strip, 0)), POLICY)
        assert not gate.state.may_go
    assert [row.seat for row in rows_of(looked, sent)] == [(strip, 0) for strip in range(3, 31)]


@pytest.mark.parametrize("verdict", [RunVerdict.PASSED, RunVerdict.NOT_COUNTED])
def test_only_a_failure_looks_back(verdict: RunVerdict) -> None:
    """What passed, or does not count, puts nothing in doubt."""
    assert look_back_of([(2, 0)], control(9, "1", verdict)) is None
    assert look_back_of([(2, 0)], PatientRead(at=MORNING, seat=(9, 0))) is None


def test_without_any_set_everything_is_looked_at() -> None:
    """What was sent before the first controls ever passed (noted only, or released in an emergency) is in doubt from the beginning."""
    looked = look_back_of([], control(9, "1", RunVerdict.FAILED))
    assert looked == LookBack(since=None, failed_by=(9, 0))
    assert [row.seat for row in rows_of(looked, [(10, 0), (8, 1), (1, 0), (8, 1)])] == [(1, 0), (8, 1), (10, 0)]


def test_a_control_that_completed_a_set_and_fails_when_it_is_read_again() -> None:
    """The set that it completed is none: what was sent since the one before it is in doubt."""
    looked = look_back_of([(2, 0), (9, 0), (14, 0)], control(9, "1", RunVerdict.FAILED))
    assert looked == LookBack(since=(2, 0), failed_by=(9, 0))


def test_a_second_failure_lists_nothing_twice() -> None:
    """What an earlier failure put on the list has its decision there."""
    rows = rows_of(LookBack(since=(2, 0), failed_by=(12, 0)), [(3, 0), (4, 0), (11, 0)], frozenset({(3, 0), (4, 0)}))
    assert [row.seat for row in rows] == [(11, 0)]


SEATS = st.tuples(st.integers(1, 30), st.integers(0, 2))


@given(st.sets(SEATS), st.none() | SEATS, SEATS)
def test_the_list_is_what_lies_behind_the_set(
    sent: set[tuple[int, int]], since: tuple[int, int] | None, failed_by: tuple[int, int]
) -> None:
    """Each sent strip after the set, oldest first, and no other: what lies behind the control too, since it may have failed late. HZ-E08."""
    rows = rows_of(LookBack(since=since, failed_by=failed_by), sent)
    every = [(capture, index) for capture in range(1, 31) for index in range(3)]
    behind = every[every.index(since) + 1 if since else 0 :]
    assert [row.seat for row in rows] == [seat for seat in behind if seat in sent]
    assert all(row.is_open and row.failed_by == failed_by for row in rows)


def test_a_decision_has_a_name_and_a_reason() -> None:
    """Stands, to be corrected, to be withdrawn: by whom, when and why."""
    row = decided(ROW, Verdict.STANDS, by=ANNA, reason=" the pad that failed is negative here \n", at=NOON)
    assert (row.verdict, row.by, row.at, row.reason) == (Verdict.STANDS, ANNA, NOON, "the pad that failed is negative here")
    assert not row.is_open
    for name, reason in (("", "because"), (" ", "because"), ("A. Sund", "  ")):
        with pytest.raises(RefusedAction, match="Write who decides and why"):
            decided(ROW, Verdict.WITHDRAWN, by=Actor(name=name, verified="unverified"), reason=reason, at=NOON)


def test_nobody_decides_twice() -> None:
    """A later decision would hide the first; a result that changes its fate gets a version, not another row."""
    row = decided(ROW, Verdict.STANDS, by=ANNA, reason="seen", at=NOON)
    with pytest.raises(Overtaken, match=r"A\. Sund has decided about this result already"):
        decided(row, Verdict.WITHDRAWN, by=Actor(name="B. Moe", verified="unverified"), reason="no", at=NOON)
