"""What must be looked at again after a failed control, and people's decisions."""

from __future__ import annotations

from datetime import timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.bench.controls import RunVerdict
from bridge.bench.gate import ControlRead, PatientRead, after
from bridge.bench.look_back import LookBack, look_back_of
from tests.bench.test_gate import MORNING, POLICY, Bench

Seats = list[tuple[int, int]]


def listed(look_back: LookBack | None, sent: Seats) -> Seats:
    """Give what of ``sent`` is to be looked at again."""
    assert look_back is not None
    return [seat for seat in sent if look_back.takes_in(seat)]


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
    assert listed(looked, sent) == [(strip, 0) for strip in range(3, 31)]


@pytest.mark.parametrize("verdict", [RunVerdict.PASSED, RunVerdict.NOT_COUNTED])
def test_only_a_failure_looks_back(verdict: RunVerdict) -> None:
    """What passed, or does not count, puts nothing in doubt."""
    assert look_back_of([(2, 0)], control(9, "1", verdict)) is None
    assert look_back_of([(2, 0)], PatientRead(at=MORNING, seat=(9, 0))) is None


def test_without_any_set_everything_is_looked_at() -> None:
    """What was sent before the first controls ever passed (noted only, or released in an emergency) is in doubt from the beginning."""
    looked = look_back_of([], control(9, "1", RunVerdict.FAILED))
    assert looked == LookBack(since=None, failed_by=(9, 0))
    assert listed(looked, [(1, 0), (8, 1), (10, 0)]) == [(1, 0), (8, 1), (10, 0)]


def test_a_control_that_completed_a_set_and_fails_when_it_is_read_again() -> None:
    """The set that it completed is none: what was sent since the one before it is in doubt."""
    looked = look_back_of([(2, 0), (9, 0), (14, 0)], control(9, "1", RunVerdict.FAILED))
    assert looked == LookBack(since=(2, 0), failed_by=(9, 0))


SEATS = st.tuples(st.integers(1, 30), st.integers(0, 2))


@given(st.sets(SEATS), st.none() | SEATS, SEATS)
def test_the_list_is_what_lies_behind_the_set(
    sent: set[tuple[int, int]], since: tuple[int, int] | None, failed_by: tuple[int, int]
) -> None:
    """Each sent strip after the set, and no other: what lies behind the control too, since it may have failed late. HZ-E08."""
    every = [(capture, index) for capture in range(1, 31) for index in range(3)]
    behind = every[every.index(since) + 1 if since else 0 :]
    found = listed(LookBack(since=since, failed_by=failed_by), sorted(sent))
    assert found == [seat for seat in behind if seat in sent]
