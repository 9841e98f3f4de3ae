"""What a technician may do with something stopped: every term of every action, against a real store."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from datetime import UTC, datetime
from typing import Any

import pytest

from bridge.desk.actions import MOST_AT_ONCE, Desk
from bridge.errors import Overtaken, RefusedAction
from bridge.lifecycle.states import StopEnd, StopState
from bridge.model import Actor, Answer, Decisions, DeliveryState, Format, Purpose, Severity
from bridge.store.commands import CloseStop, EndIntake
from bridge.tables.hold_table import HoldTable, ReleasePolicy
from tests.pages.stocked import GOOD, LISBON, MISTYPED, NOW, OTHER, POLICY, Stocked, finding

ANA, BEN = Actor(name="Ana", verified="unverified"), Actor(name="Ben", verified="unverified")
SLIP = "typing slip"


def correct(shelf: Stocked, stop_id: int, **more: Any) -> None:
    """Correct an ID as a careful person does, but for what the test gives."""
    given = {"first": GOOD, "second": GOOD, "second_identifier": "109", "reason": SLIP, "actor": ANA, **more}
    shelf.desk.correct_patient_id(stop_id, **given)


def is_open(shelf: Stocked, stop_id: int) -> bool:
    row = shelf.store.stop(stop_id)
    assert row is not None
    return row.state is StopState.OPEN


def test_a_corrected_id_becomes_a_decision_and_the_strip_is_judged_again(shelf: Stocked) -> None:
    """The printed ID stays with the bytes; the corrected one stands beside it with the person's name."""
    stop_id = shelf.rejected(number="109")
    correct(shelf, stop_id, reason=f"  {SLIP} ")
    row = shelf.store.stop(stop_id)
    assert row is not None
    assert (row.state, row.closed_at, row.closed_by, row.closed_how, row.closed_reason) == (
        StopState.CLOSED,
        NOW,
        "Ana (unverified)",
        "patient ID corrected",
        SLIP,
    )
    intake = shelf.store.next_intake("bench-a")
    assert intake is not None
    assert (intake.capture_id, intake.only_index, intake.because) == (row.capture_id, 0, "patient ID corrected")
    assert shelf.store.reading_facts(
        intake.capture_id, 0, record_digest=shelf.store.strips()[0].record_digest
    ).decisions == Decisions(patient_id=GOOD, corrected_by=ANA)
    strip = shelf.store.strips()[0]
    assert strip.patient_id == MISTYPED  # nobody rewrites what was judged; the new judgement comes beside it
    (event,) = [event for event in shelf.store.events(f"stop:{stop_id}") if event.what == "stop.closed"]
    assert (event.actor, event.verified, event.reason, event.at) == ("Ana", "unverified", SLIP, NOW)


@pytest.mark.parametrize(
    ("given", "sentence"),
    [
        ({"second": OTHER}, "The two entries of the patient ID differ. Scan or key it twice again."),
        ({"second": f"{GOOD} "}, "The two entries of the patient ID differ. Scan or key it twice again."),
        ({"first": "", "second": ""}, "The patient ID is empty. Scan the label again."),
        ({"first": f"{GOOD} ", "second": f"{GOOD} "}, "This does not look like a patient ID of this site. Scan the label again."),
        ({"first": "4070000", "second": "4070000"}, "This does not look like a patient ID of this site. Scan the label again."),
        ({"first": "40700070", "second": "40700070"}, "This patient ID fails its check digit. Scan the label again."),
        (
            {"first": "00000000", "second": "00000000"},
            "This is on the list of texts that are never a patient ID (a lot, an operator, a placeholder). Scan the patient's label.",
        ),
        (
            {"first": "40700023", "second": "40700023"},  # this strip's own lot, scanned off the container
            "This is on the list of texts that are never a patient ID (a lot, an operator, a placeholder). Scan the patient's label.",
        ),
        ({"first": MISTYPED, "second": MISTYPED}, "This patient ID fails its check digit. Scan the label again."),
        (
            {"second_identifier": " "},
            "Give a second identifier: the specimen ID, or the strip's number as printed on the slip.",
        ),
        (
            {"second_identifier": "110"},
            "The second identifier does not belong to this strip. Check that you have the right slip in hand.",
        ),
        (
            {"second_identifier": GOOD},
            "The second identifier does not belong to this strip. Check that you have the right slip in hand.",
        ),
        ({"reason": " \t"}, "Give a reason: it is kept with what you do."),
        ({"actor": Actor(name="  ", verified="unverified")}, "Say who you are: the name is kept with what you do."),
    ],
)
def test_an_id_that_is_not_sure_is_refused(shelf: Stocked, given: dict[str, Any], sentence: str) -> None:
    """Promise 5: no result under an identity that was guessed. Nothing changes. HZ-A02, HZ-A06."""
    stop_id = shelf.rejected(number="109", strip_lot="40700023")
    with pytest.raises(RefusedAction) as refused:
        correct(shelf, stop_id, **given)
    assert str(refused.value) == sentence
    assert is_open(shelf, stop_id)
    assert shelf.store.next_intake("bench-a") is None


@pytest.mark.parametrize("given", ["109", " 109 ", "0109", "U26-109", "u26-109"])
def test_the_second_identifier_is_the_number_or_the_specimen(shelf: Stocked, given: str) -> None:
    """As a person reads it off the slip or label: leading zeros and case carry nothing."""
    stop_id = shelf.rejected(number="109")
    correct(shelf, stop_id, second_identifier=given)
    assert not is_open(shelf, stop_id)


def test_a_number_with_zeros_is_found_without_them(shelf: Stocked) -> None:
    """Slips print 00109 where people say 109."""
    stop_id = shelf.rejected(number="00109")
    correct(shelf, stop_id, second_identifier="109")
    assert not is_open(shelf, stop_id)


def test_a_strip_that_carries_nothing_else_cannot_be_corrected(shelf: Stocked) -> None:
    """Without anything to compare with, the wrong slip in hand would go unseen."""
    stop_id = shelf.rejected(number="", specimen_id="")
    with pytest.raises(RefusedAction, match="carries neither specimen ID nor number to compare with"):
        correct(shelf, stop_id)
    assert is_open(shelf, stop_id)


def test_the_same_id_is_no_correction(shelf: Stocked) -> None:
    """It would only be judged the same again."""
    stop_id = shelf.held(GOOD, number="109")
    with pytest.raises(RefusedAction, match="This is the patient ID that the strip has already"):
        correct(shelf, stop_id)


@pytest.mark.parametrize("kind", ["unread", "refused_file"])
def test_where_no_strip_was_read_there_is_no_id_to_correct(shelf: Stocked, kind: str) -> None:
    """And the sentence says what to do instead."""
    stop_id = getattr(shelf, kind)()
    with pytest.raises(RefusedAction, match="Read it again, or run the strip again"):
        correct(shelf, stop_id)


def test_a_control_has_no_patient_id_to_correct(shelf: Stocked) -> None:
    """Whatever it printed there: corrected, it would be a patient's in name. Sent again, it goes as it was."""
    shelf.answered(shelf.sent_control(number="109"), Answer.REFUSED, destination="qc")
    (stop,) = shelf.store.stops()
    with pytest.raises(RefusedAction, match="was not read for a patient"):
        correct(shelf, stop.stop_id)
    assert is_open(shelf, stop.stop_id)
    shelf.desk.send_again(stop.stop_id, reason="the receiver is mended", actor=ANA)
    assert [head.message.destination for head in shelf.store.lane_heads("qc", now=shelf.now, limit=9)] == ["qc"]


def test_a_refused_result_is_corrected_only_if_nobody_has_it(shelf: Stocked) -> None:
    """Turned away by one receiver and not yet with the other: the result is set aside everywhere and judged again."""
    result = shelf.coded(OTHER, to=(Format.ORU_R01, Format.FHIR), number="109")
    shelf.answered(result, Answer.REFUSED)
    (stop,) = shelf.store.stops()
    correct(shelf, stop.stop_id)
    assert {each.state for each in shelf.store.deliveries(result)} == {DeliveryState.SUPERSEDED}


def test_a_result_that_a_receiver_has_is_not_moved(shelf: Stocked) -> None:
    """It must be withdrawn there first; by then nothing was changed here. HZ-I03."""
    result = shelf.coded(OTHER, to=(Format.ORU_R01, Format.FHIR), number="109")
    shelf.answered(result, Answer.REFUSED)
    shelf.answered(result, Answer.ACCEPTED, destination="chart")
    (stop,) = shelf.store.stops()
    with pytest.raises(RefusedAction, match="chart has this result as it was, or may have it"):
        correct(shelf, stop.stop_id)
    assert [each.state for each in shelf.store.deliveries(result)] == [DeliveryState.REFUSED, DeliveryState.ACCEPTED]
    assert is_open(shelf, stop.stop_id)


def test_a_held_strip_is_released_for_what_held_it_and_no_more(shelf: Stocked) -> None:
    """The rules that the person saw are passed over when it is judged again; a new one would hold it again. HZ-I07."""
    found = tuple(finding(rule, severity=Severity.HOLD, releasable=True) for rule in ("time.missing", "copy.possible"))
    stop_id = shelf.held(found=found)
    shelf.desk.release(stop_id, reason="seen on the analyzer", actor=ANA)
    row = shelf.store.stop(stop_id)
    assert row is not None
    assert row.closed_how == "released"
    intake = shelf.store.next_intake("bench-a")
    assert intake is not None
    assert shelf.store.reading_facts(
        intake.capture_id, 0, record_digest=shelf.store.strips()[0].record_digest
    ).decisions.accepted_rules == frozenset({"time.missing", "copy.possible"})


def test_what_may_not_be_released_is_not(shelf: Stocked) -> None:
    """A rejection, a message, or a hold with one finding that no person may pass over."""
    fast = (
        finding("time.missing", severity=Severity.HOLD, releasable=True),
        finding("copy.conflict", severity=Severity.HOLD, releasable=False),
    )
    for stop_id in (shelf.rejected(), shelf.refused(), shelf.held(found=fast)):
        with pytest.raises(RefusedAction, match=r"^This cannot be released\. \w"):
            shelf.desk.release(stop_id, reason="r", actor=ANA)
        assert is_open(shelf, stop_id)


def test_where_the_terms_ask_for_two_a_second_person_agrees(shelf: Stocked) -> None:
    """The strictest of the strip's rules counts. Both names are kept, in the row and each in an event of its own."""
    found = tuple(finding(rule, severity=Severity.HOLD, releasable=True) for rule in ("time.missing", "copy.possible"))
    stop_id = shelf.held(found=found)
    holds = HoldTable(policies={"copy.possible": ReleasePolicy(persons=2)})
    desk = Desk(shelf.store, POLICY, lambda: NOW, zone=LISBON, holds=holds)
    for second, sentence in (("", "This needs two persons here"), (" ana ", "must be another one than you")):
        with pytest.raises(RefusedAction, match=sentence):
            desk.release(stop_id, reason="compared", actor=ANA, second=second)
        assert is_open(shelf, stop_id)
    desk.release(stop_id, reason="compared", actor=ANA, second=" Ben ")
    row = shelf.store.stop(stop_id)
    assert row is not None
    assert (row.closed_how, row.closed_by, row.closed_with) == ("released", "Ana (unverified)", "Ben")
    said = [(event.what, event.actor, event.verified, event.reason) for event in shelf.store.events(f"stop:{stop_id}")]
    assert said[1:] == [
        ("stop.closed", "Ana", "unverified", "compared"),
        ("release.agreed", "Ben", "unverified", "compared"),
    ]


@pytest.mark.parametrize("kind", ["rejected", "held"])
def test_discarding_a_patients_reading_asks_for_the_specimen(shelf: Stocked, kind: str) -> None:
    """Behind a reading that goes nowhere somebody still waits for a result; the answer is kept with the row and in the history."""
    stop_id = getattr(shelf, kind)()
    with pytest.raises(RefusedAction, match="Say what becomes of the specimen"):
        shelf.desk.discard(stop_id, reason="spilt", actor=ANA)
    assert is_open(shelf, stop_id)
    shelf.desk.discard(stop_id, reason="spilt", actor=ANA, specimen="collected again")
    row = shelf.store.stop(stop_id)
    assert row is not None
    assert (row.closed_how, row.specimen) == ("discarded", "collected again")
    (said,) = [event for event in shelf.store.events(f"stop:{stop_id}") if event.what == "specimen.next"]
    assert (said.actor, said.after) == ("Ana", "collected again")


@pytest.mark.parametrize("kind", ["unread", "refused_file", "refused"])
def test_where_no_reading_is_given_up_nobody_is_asked(shelf: Stocked, kind: str) -> None:
    """Nothing was read, or the result stands and one receiver does not get it: whatever is said of a specimen is not kept."""
    stop_id = getattr(shelf, kind)()
    shelf.desk.discard(stop_id, reason="r", actor=ANA, specimen="run again")
    row = shelf.store.stop(stop_id)
    assert row is not None
    assert (row.closed_how, row.specimen) == ("discarded", "")


def test_a_control_has_no_specimen(shelf: Stocked) -> None:
    """A stopped control is nobody's; nobody is asked for it."""
    stop_id = shelf.rejected("CTRL-LOW", purpose=Purpose.CONTROL, found=finding("pad.error"))
    shelf.desk.discard(stop_id, reason="r", actor=ANA)
    assert not is_open(shelf, stop_id)


@pytest.mark.parametrize("kind", ["rejected", "held", "unread", "refused_file", "refused"])
def test_anything_stopped_can_be_discarded_with_a_reason(shelf: Stocked, kind: str) -> None:
    """Its bytes and its history stay."""
    stop_id = getattr(shelf, kind)()
    with pytest.raises(RefusedAction, match="Give a reason"):
        shelf.desk.discard(stop_id, reason="", actor=ANA)
    shelf.desk.discard(stop_id, reason="no urine left", actor=ANA, specimen="collected again")
    row = shelf.store.stop(stop_id)
    assert row is not None
    assert (row.closed_how, row.closed_reason) == ("discarded", "no urine left")
    if row.capture_id is not None:
        assert shelf.store.capture(row.capture_id).capture.payload == b"capture 1"
    assert shelf.store.next_intake("bench-a") is None


def test_a_refused_message_goes_again_as_it_is(shelf: Stocked) -> None:
    """The same bytes under the same identity; nothing that was never sent can go again."""
    stop_id = shelf.refused()
    (before,) = shelf.store.deliveries("R000001")
    shelf.desk.send_again(stop_id, reason="registered now", actor=ANA)
    (after,) = shelf.store.deliveries("R000001")
    assert (after.delivery_id, after.control_id, after.state) == (before.delivery_id, before.control_id, DeliveryState.QUEUED)
    (head,) = shelf.store.lane_heads("records", now=NOW, limit=5)
    assert head.message.payload.endswith(b"PID|1||40700007\r")
    with pytest.raises(RefusedAction, match="Nothing of this was ever sent"):
        shelf.desk.send_again(shelf.rejected(), reason="r", actor=ANA)


def test_one_strip_is_read_again(shelf: Stocked) -> None:
    """The one strip; but the whole capture where nothing could be read, since a mended profile may cut it otherwise."""
    stop_id, whole = shelf.rejected(), shelf.unread()
    for each in (stop_id, whole):
        shelf.desk.read_again(each, reason="profile mended", actor=ANA)
    one = shelf.store.next_intake("bench-a")
    assert one is not None
    assert (one.only_index, one.because) == (0, "read again")
    shelf.store.submit(EndIntake(intake_id=one.intake_id, at=NOW)).result(10)
    all_of_it = shelf.store.next_intake("bench-a")
    assert all_of_it is not None
    assert (all_of_it.only_index, all_of_it.next_index, all_of_it.because) == (None, 0, "read again")
    row = shelf.store.stop(whole)
    assert row is not None
    assert row.closed_how == "read again"


def test_all_of_one_reason_are_previewed_and_read_again(shelf: Stocked) -> None:
    """Only those with bytes to read, of that reason; the count is checked against what the person saw."""
    stops = [shelf.rejected() for _ in range(3)]
    shelf.unread()
    shelf.refused_file()
    assert sorted(row.stop_id for row in shelf.desk.preview_read_again("patient.check_digit")) == stops
    assert shelf.desk.preview_read_again("receive.refused") == ()
    with pytest.raises(Overtaken, match="There are 3 of these now, not 4"):
        shelf.desk.read_again_all("patient.check_digit", expected=4, reason="r", actor=ANA)
    with pytest.raises(RefusedAction, match="Give a reason"):
        shelf.desk.read_again_all("patient.check_digit", expected=3, reason=" ", actor=ANA)
    assert all(is_open(shelf, stop_id) for stop_id in stops)
    assert shelf.desk.read_again_all("patient.check_digit", expected=3, reason="profile mended", actor=ANA) == 3
    assert not any(is_open(shelf, stop_id) for stop_id in stops)


def test_a_refused_message_is_not_read_again_with_its_reason(shelf: Stocked) -> None:
    """Its strip was read well; what the receiver says of it is another matter."""
    shelf.refused()
    assert shelf.desk.preview_read_again("deliver.refused") == ()


def test_a_preview_is_bounded(shelf: Stocked) -> None:
    """As many as a person can look through; the rest next time."""
    for _ in range(MOST_AT_ONCE + 1):
        shelf.rejected()
    assert len(shelf.desk.preview_read_again("patient.check_digit")) == 500


ACTIONS: dict[str, Callable[[Desk, int], None]] = {
    "discard": lambda desk, stop: desk.discard(stop, reason="r", actor=BEN, specimen="run again"),
    "release": lambda desk, stop: desk.release(stop, reason="r", actor=BEN),
    "read again": lambda desk, stop: desk.read_again(stop, reason="r", actor=BEN),
    "send again": lambda desk, stop: desk.send_again(stop, reason="r", actor=BEN),
    "correct": lambda desk, stop: desk.correct_patient_id(
        stop, first=GOOD, second=GOOD, second_identifier="1", reason="r", actor=BEN
    ),
}


@pytest.mark.parametrize("action", ACTIONS)
def test_the_second_person_is_told_who_was_first(shelf: Stocked, action: str) -> None:
    """And how it was dealt with; a row that never was is said to be none."""
    stop_id = shelf.rejected()
    shelf.desk.discard(stop_id, reason="no urine left", actor=ANA, specimen="collected again")
    with pytest.raises(Overtaken) as overtaken:
        ACTIONS[action](shelf.desk, stop_id)
    assert str(overtaken.value) == "Ana (unverified) has dealt with this already: discarded."
    with pytest.raises(RefusedAction, match=r"^There is no such row\.$"):
        ACTIONS[action](shelf.desk, 999)


class _Slower:
    """The store, in which somebody else is quicker between the look at a row and the commit."""

    def __init__(self, shelf: Stocked) -> None:
        self._shelf = shelf

    def submit(self, command: CloseStop) -> Future[Any]:
        first = CloseStop(stop_id=command.stop_id, end=StopEnd.DISCARDED, actor=ANA, reason="quicker", at=NOW)
        self._shelf.store.submit(first).result(10)
        return self._shelf.store.submit(command)

    def __getattr__(self, name: str) -> Any:
        return getattr(self._shelf.store, name)


def test_who_was_quicker_by_a_moment_is_named_too(shelf: Stocked) -> None:
    """The look found the row open; the commit did not."""
    stop_id = shelf.rejected()
    desk = Desk(_Slower(shelf), POLICY, lambda: NOW, zone=LISBON)  # type: ignore[arg-type]  # the store, overtaken
    with pytest.raises(Overtaken) as overtaken:
        desk.read_again(stop_id, reason="r", actor=BEN)
    assert str(overtaken.value) == "Ana (unverified) has dealt with this already: discarded."


def test_of_twenty_at_once_one_acts(shelf: Stocked) -> None:
    """Whoever it is: one decision, nineteen who are told whose it was."""
    stop_id = shelf.rejected()

    def act(n: int) -> str:
        actor = Actor(name=f"P{n}", verified="unverified")
        try:
            shelf.desk.discard(stop_id, reason="r", actor=actor, specimen="run again")
        except Overtaken as overtaken:
            return str(overtaken)
        return f"done by {actor.name}"

    with ThreadPoolExecutor(20) as people:
        said = list(people.map(act, range(20)))
    (done,) = [each for each in said if each.startswith("done by ")]
    name = done.removeprefix("done by ")
    assert sorted(set(said)) == sorted({done, f"{name} (unverified) has dealt with this already: discarded."})
    assert len([event for event in shelf.store.events(f"stop:{stop_id}") if event.what == "stop.closed"]) == 1


# --- a corrected time


def correct_time(shelf: Stocked, stop_id: int, **more: Any) -> None:
    """Say when a strip was read, as a careful person does, but for what the test gives."""
    given = {"day": "2026-11-25", "clock": "11:40", "which": "", "reason": "from the slip", "actor": ANA, **more}
    shelf.desk.correct_time(stop_id, **given)


def doubtful(shelf: Stocked) -> int:
    """Put a strip there that is held for its time."""
    return shelf.held(found=(finding("time.half_day", severity=Severity.HOLD, sentence="Near twelve hours.", releasable=True),))


def test_a_corrected_time_becomes_a_decision_and_the_strip_is_judged_again(shelf: Stocked) -> None:
    """Hazard HZ-D08: the reader's time is never overwritten silently; the person's stands beside it, with name and reason."""
    stop_id = doubtful(shelf)
    printed = shelf.store.strips()[0].analyzed_at
    correct_time(shelf, stop_id)
    row = shelf.store.stop(stop_id)
    assert row is not None
    assert (row.closed_how, row.closed_by, row.closed_reason) == ("time corrected", "Ana (unverified)", "from the slip")
    intake = shelf.store.next_intake("bench-a")
    assert intake is not None
    decisions = shelf.store.reading_facts(intake.capture_id, 0, record_digest=shelf.store.strips()[0].record_digest).decisions
    assert decisions == Decisions(analyzed_at=datetime(2026, 11, 25, 11, 40, tzinfo=UTC), timed_by=ANA)
    assert shelf.store.strips()[0].analyzed_at == printed


@pytest.mark.parametrize(
    ("given", "sentence"),
    [
        ({"clock": "noon"}, "This is not a date and a time. Write the date as 2026-11-25 and the time as 13:05."),
        ({"clock": "12:02"}, "This is after the strip arrived, at 2026-11-25 12:00. It was read before that."),
        (
            {"day": "2026-10-01"},
            "This is more than 30 days before the strip arrived. Discard it, or read the specimen again.",
        ),
        ({"reason": " "}, "Give a reason: it is kept with what you do."),
        ({"actor": Actor(name="", verified="unverified")}, "Say who you are: the name is kept with what you do."),
    ],
)
def test_a_time_that_cannot_be_is_refused(shelf: Stocked, given: dict[str, Any], sentence: str) -> None:
    """A strip was read before it arrived; the stop stays open and nothing is kept."""
    stop_id = doubtful(shelf)
    with pytest.raises(RefusedAction) as refused:
        correct_time(shelf, stop_id, **given)
    assert str(refused.value) == sentence
    assert is_open(shelf, stop_id)


def test_only_a_time_in_doubt_is_corrected(shelf: Stocked) -> None:
    """Nobody moves the time of a strip that was stopped for something else."""
    other = shelf.held(
        found=(finding("copy.possible", severity=Severity.HOLD, sentence="s", remedy="Compare both.", releasable=True),)
    )
    for stop_id in (other, shelf.rejected()):
        with pytest.raises(RefusedAction, match="is not what stopped it"):
            correct_time(shelf, stop_id)
        assert is_open(shelf, stop_id)
