"""What a sender is told of its capture: each strip's outcome and reason, nothing of a patient."""

from __future__ import annotations

from dataclasses import replace

from bridge.lifecycle.states import StopEnd
from bridge.model import Way
from bridge.store.commands import EndIntake, KeepCapture
from bridge.store.rows import CaptureState, StripState
from bridge.store.sqlite import SqliteStore
from tests.store import strips as s
from tests.store.plans import plans

WAIT = 20.0


def test_a_capture_from_kept_to_judged(store: SqliteStore) -> None:
    """It waits until its last strip is judged; then each strip has its outcome, and a stop's rule and place."""
    assert store.capture_state(1) is None
    capture_id = s.keep(store, b"x", source="line-1")
    waiting = store.capture_state(capture_id)
    assert waiting is not None
    assert (waiting.source, waiting.is_judged, waiting.strips) == ("line-1", False, ())
    assert waiting.digest == store.capture(capture_id).capture.digest
    of = s.reading("7")
    s.record(store, of, s.held(of), capture_id=capture_id)
    (stop,) = store.stops()
    state = store.capture_state(capture_id)
    assert state == CaptureState(
        source="line-1",
        digest=waiting.digest,
        is_judged=True,
        strips=(
            StripState(
                index=0,
                outcome="held",
                result_id="",
                rule=stop.rule,
                group="held",
                place_start=stop.place.start if stop.place else None,
            ),
        ),
    )
    s.close(store, stop.stop_id, StopEnd.DISCARDED)
    ended = store.capture_state(capture_id)
    assert ended is not None
    assert [(strip.outcome, strip.rule) for strip in ended.strips] == [("discarded", "")]


def test_an_empty_capture_is_judged(store: SqliteStore) -> None:
    """No strip and nothing left to judge."""
    capture_id = s.keep(store, b"")
    intake = store.next_intake("brook-1")
    assert intake is not None
    store.submit(EndIntake(intake_id=intake.intake_id, at=s.NOW)).result(WAIT)
    state = store.capture_state(capture_id)
    assert state is not None
    assert (state.is_judged, state.strips) == (True, ())


def test_a_message_sent_again_is_counted_on_its_stop(store: SqliteStore) -> None:
    """One row with a counter; a file that is only found again after a crash counts nothing."""
    command = KeepCapture(capture=s.capture(b"m"), analyzer="brook-1", profile="brook", origin="m")
    sent = replace(command, capture=replace(command.capture, way=Way.MLLP))
    capture_id = store.submit(sent).result(WAIT)
    of = s.reading("7")
    s.record(store, of, s.held(of), capture_id=capture_id)
    assert [store.submit(each).result(WAIT) for each in (sent, sent, command)] == [capture_id] * 3
    (stop,) = store.stops()
    assert stop.repeats == 2
    assert [event.what for event in store.events(f"capture:{capture_id}")] == [
        "capture.kept",
        "capture.came_again",
        "capture.came_again",
    ]


def test_a_copy_of_a_rejected_strip_has_its_originals_reason(store: SqliteStore) -> None:
    """The same record in another message joins the row; its sender is told the same, without a place in other bytes."""
    of = s.reading("7")
    ids = [s.keep(store, payload) for payload in (b"one", b"two")]
    for capture_id in ids:
        s.record(store, of, s.rejected(of, "pad.unknown"), capture_id=capture_id)
    states = [store.capture_state(capture_id) for capture_id in ids]
    told = [(strip.outcome, strip.rule, strip.group, strip.place_start) for state in states if state for strip in state.strips]
    assert told[1] == ("copy", "pad.unknown", "rejected", None)
    assert told[0][:3] == ("rejected", "pad.unknown", "rejected")


def test_the_question_walks_indexes(store: SqliteStore) -> None:
    """A status page that is asked every second must not read through a year's strips."""
    s.keep(store, b"x")
    found = plans(store, lambda: store.capture_state(1))
    assert found
    assert [plan for plan in found if "SCAN" in plan] == []
