"""What every store must tell of analyzers' clocks, and keep of a time that a person corrected."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import pytest

from bridge.bench.clock import Heard
from bridge.lifecycle.states import StopEnd
from bridge.model import Coded, Severity
from bridge.store.api import Store
from tests.store import strips as s
from tests.store.contract import Opened
from tests.store.strips import BO, EDA, NOW, later


class ClockContract:
    """The suite. Each test opens an empty store of its own."""

    @pytest.fixture
    def opened(self, make: Callable[[], Store]) -> Iterator[Opened]:
        opened = Opened(make)
        yield opened
        opened.store.close()

    def test_strips_tell_of_their_analyzers_clock(self, opened: Opened) -> None:
        """Newest first: when each arrived and says that it was read, whether over a line, alone, and at a certain hour; no copies, no other analyzer's."""
        store, of = opened.store, [s.reading(str(number)) for number in range(1, 6)]
        one = s.keep(store, arrived_at=later(1), live=True)
        s.record(store, of[0], s.held(of[0]), capture_id=one)
        batch = s.keep(store, arrived_at=later(2))
        for index, undated in enumerate((None, NOW)):
            each = s.reading(str(6 + index), index=index)
            s.record(store, each, s.held(each, at=undated), capture_id=batch, ends=index == 1)
        twice = s.keep(store, arrived_at=later(3), live=True)
        s.record(store, of[1], s.held(of[1], s.finding("time.repeated_hour", Severity.HOLD, releasable=True)), capture_id=twice)
        again = s.keep(store, arrived_at=later(4), live=True)
        s.record(store, of[0], s.copy(of[0], 1), capture_id=again)
        foreign = s.keep(store, analyzer="tern-1")
        other = s.reading("9", analyzer="tern-1")
        s.record(store, other, s.held(other), capture_id=foreign)
        first = Heard(seat=(one, 0), arrived_at=later(1), printed_at=NOW, is_live=True)
        told = (
            Heard(seat=(twice, 0), arrived_at=later(3), printed_at=NOW, is_live=True, is_certain=False),
            Heard(seat=(batch, 1), arrived_at=later(2), printed_at=NOW, is_live=False, is_alone=False),
            Heard(seat=(batch, 0), arrived_at=later(2), printed_at=None, is_live=False, is_alone=False),
            first,
        )
        store = opened.restart()
        assert store.heard_strips("brook-1", limit=9) == told
        assert store.heard_strips("brook-1", limit=2) == told[:2]
        assert store.heard_strips("brook-1", until=one, limit=9) == (first,)
        assert store.heard_strips("bench-9", limit=9) == ()

    def test_a_corrected_time_is_a_decision_of_the_reading(self, opened: Opened) -> None:
        """Kept with the person's name; the printed time stays with the strip, and the list of results shows the corrected one. The last word counts."""
        of = s.reading("2")
        capture_id = s.keep(opened.store)
        stopped = s.record(opened.store, of, s.held(of), capture_id=capture_id)
        for number, (who, minutes) in enumerate(((BO, -90), (EDA, -60))):
            assert stopped.stop_id is not None
            s.close(opened.store, stopped.stop_id, StopEnd.TIME_CORRECTED, who=who, analyzed_at=later(minutes))
            store = opened.restart()
            intake = store.next_intake("brook-1")
            assert intake is not None
            assert (intake.only_index, intake.because) == (0, "time corrected")
            decisions = store.reading_facts(capture_id, 0, record_digest=of.record_digest).decisions
            assert (decisions.analyzed_at, decisions.timed_by, decisions.accepted_rules) == (later(minutes), who, frozenset())
            if number == 0:
                stopped = s.record(store, of, s.held(of), capture_id=capture_id)
        made = s.result("R1")
        fixed = Coded(checked=s.checked(of, corrected_at=later(-60), timed_by=EDA), result=made)
        went = s.record(opened.store, of, fixed, deliveries=[s.delivery(s.message(made, "M1"))], capture_id=capture_id)
        strip = opened.store.strip(went.strip_id)
        assert strip is not None
        assert strip.analyzed_at == NOW
        (row,) = opened.store.results()
        assert row.analyzed_at == later(-60)

    def test_a_release_leaves_the_time_alone(self, opened: Opened) -> None:
        """Whoever lets a strip go as it is says nothing of when it was read."""
        of = s.reading("3")
        stop_id = s.record(opened.store, of, s.held(of, s.finding("time.future", Severity.HOLD, releasable=True))).stop_id
        assert stop_id is not None
        s.close(opened.store, stop_id, StopEnd.RELEASED, accept_rules=frozenset({"time.future"}))
        decisions = opened.store.reading_facts(1, 0, record_digest=of.record_digest).decisions
        assert (decisions.analyzed_at, decisions.timed_by, decisions.accepted_by) == (None, None, {"time.future": BO})
