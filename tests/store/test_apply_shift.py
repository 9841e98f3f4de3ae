"""What of a run's strips a confirmation lets go. The contract of held runs: number_contract.py."""

from __future__ import annotations

from bridge.lifecycle.states import StopEnd
from bridge.model import Held, Rejected, Severity
from bridge.store.commands import ConfirmRun, RecordOutcome, ShiftWrite
from bridge.store.sqlite import SqliteStore
from tests.store import strips as s
from tests.store.number_contract import CAUSE, held
from tests.store.strips import EDA, NOW, WAIT


def test_a_rejected_and_a_discarded_strip_stay_as_they_are(store: SqliteStore) -> None:
    """The run's confirmation is about patients' neighbours; what cannot be sent for another reason is not sent by it."""
    held(store, 8, begins=True)
    shift = s.finding("number.shift", Severity.HOLD)
    for number, outcome in (("9", Rejected), ("10", Held)):
        of = s.reading(number)
        capture_id = s.keep(store)
        work = store.next_intake("brook-1")
        assert work is not None
        made = outcome(checked=s.checked(of), findings=(s.finding("pad.missing"), shift) if outcome is Rejected else (shift,))
        command = RecordOutcome(
            intake_id=work.intake_id, capture_id=capture_id, reading=of, outcome=made, deliveries=(), tables_digest="t", at=NOW,
            ends_intake=True, shift=ShiftWrite(cause=CAUSE, begins=False),
        )  # fmt: skip
        store.submit(command).result(WAIT)
    discarded = store.stops()[0]
    s.close(store, discarded.stop_id, StopEnd.DISCARDED)
    (run,) = store.held_runs()
    assert [strip.number for strip in run.strips] == ["8"]
    confirm = ConfirmRun(shift_id=run.shift_id, last=run.last, actor=EDA, reason="r", at=NOW)
    assert store.submit(confirm).result(WAIT) == 1
    assert [stop.rule for stop in store.stops()] == ["pad.missing"]
    assert [strip.number for strip in store.strips(outcome="discarded")] == ["10"]
