"""What may become of a result that was sent, and whom to telephone about it."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from bridge.bench.corrections import Call, Correction, Kind, Unit, Wanted, Withdrawal, corrected, moved, units_to_call, withdrawn
from bridge.errors import RefusedAction
from bridge.model import Change, DeliveryState, ResultStatus, Sex
from tests.store.strips import BO, EDA, NOW, later, result

D = DeliveryState
FIRST = replace(result("R1"), order_number="ORD-1", specimen_id="U-1", patient_name="Sample Person", comments=("as printed",))
SOON, LATE = later(29), later(30)


def correction(kind: Kind = Kind.MOVED, *, critical: bool = False) -> Correction:
    """Give a correction of now, whose withdrawal is to be acknowledged within half an hour."""
    return Correction(
        kind=kind, result_id="R1", version=1, new_result_id="R2", new_version=1, fields=(), by=EDA, second="Bo", reason="r", at=NOW,
        is_critical=critical, calls_by=None if kind is Kind.CORRECTED else LATE,
    )  # fmt: skip


def call(unit: Unit, *, read_back: bool = True) -> Call:
    return Call(unit=unit, told="ward 3", read_back=read_back, by=BO, at=NOW)


# --- versions


def test_a_corrected_report_says_what_was_reported_before() -> None:
    """HZ-I02: 42 CFR 493.1291(k) asks for the corrected report and the original; the values are those of the version before."""
    made, fields = corrected(
        FIRST,
        Wanted(order_number="ORD-2", specimen_id="", collected_at=NOW - timedelta(hours=1), comment="turbid"),
        by="Ana",
        at=later(5),
    )
    assert fields == ("order number", "specimen number", "collection time", "comment")
    assert (made.result_id, made.version, made.status, made.pads) == ("R1", 2, ResultStatus.FINAL, FIRST.pads)
    assert (made.order_number, made.specimen_id, made.collected_at) == ("ORD-2", "", NOW - timedelta(hours=1))
    assert made.change == Change(by="Ana", at=later(5))
    assert made.comments == (
        "as printed",
        (
            "Corrected by Ana on 2026-11-25 10:05: order number, previously reported as ORD-1; specimen number, previously reported as U-1; "
            "collection time, previously reported without one."
        ),
        "Comment added by Ana on 2026-11-25 10:05: turbid",
    )


@pytest.mark.parametrize("wanted", [Wanted(), Wanted(order_number="ORD-1", specimen_id="U-1")])
def test_a_correction_that_changes_nothing_is_refused(wanted: Wanted) -> None:
    """A version that says the same would only make receivers look for a difference."""
    with pytest.raises(RefusedAction, match="Nothing would change"):
        corrected(FIRST, wanted, by="Ana", at=NOW)


def test_a_withdrawal_is_the_same_result_said_to_be_wrong() -> None:
    """Under the number and the patient that it was posted with; the right patient is not named in the wrong record."""
    made = withdrawn(FIRST, by="Ana", at=later(5))
    assert made.status is ResultStatus.WITHDRAWN
    assert (made.result_id, made.version, made.patient_id) == ("R1", 2, FIRST.patient_id)
    assert made.comments == ("as printed", "Withdrawn by Ana on 2026-11-25 10:05: this result was posted in error.")


def test_the_right_patients_result_is_a_new_one_without_what_was_the_others() -> None:
    """HZ-I03: a number of its own, since the old one stays in the wrong record; no name, no order of the other patient, and no number of either in words."""
    made = moved(FIRST, result_id="R9", patient_id="0815", by="Ana", at=later(5))
    assert (made.result_id, made.version, made.status, made.patient_id) == ("R9", 1, ResultStatus.FINAL, "0815")
    assert (made.patient_name, made.order_number, made.specimen_id, made.pads) == ("", "", "U-1", FIRST.pads)
    assert made.comments[1:] == ("First reported under another patient's number; corrected by Ana on 2026-11-25 10:05.",)
    assert made.change is None


def test_flags_that_may_rest_on_another_persons_age_or_sex_are_not_moved() -> None:
    """A range for a child beside an adult's value would be a wrong report; nor is a result moved to whom it belongs already."""
    for known in (replace(FIRST, sex=Sex.MALE), replace(FIRST, born=NOW.date())):
        with pytest.raises(RefusedAction, match="age or sex"):
            moved(known, result_id="R9", patient_id="0815", by="Ana", at=NOW, is_banded=True)
        made = moved(known, result_id="R9", patient_id="0815", by="Ana", at=NOW)  # no limit differs by them
        assert (made.born, made.sex) == (None, None)
        assert made.comments[-1] == (
            "Birth date and sex as printed were another patient's and are left out; no flag of this result rests on them."
        )
    with pytest.raises(RefusedAction, match="already"):
        moved(FIRST, result_id="R9", patient_id=FIRST.patient_id, by="Ana", at=NOW)


# --- calls


def at(*states: DeliveryState, still: str = "") -> tuple[Withdrawal, ...]:
    """Give withdrawals at receivers of their own."""
    return tuple(Withdrawal(destination=f"to-{place}", state=state, stands_still=still) for place, state in enumerate(states))


def test_an_acknowledged_withdrawal_asks_for_no_call() -> None:
    """Nor does one that waits within its time, nor one that had nothing to withdraw."""
    for states in ((D.ACCEPTED,), (D.SUPERSEDED,), ()):
        assert units_to_call(correction(), at(*states), (), now=LATE) == ()
    assert units_to_call(correction(), at(D.RETRYING), (), now=SOON) == ()


@pytest.mark.parametrize("state", [D.UNBORN, D.QUEUED, D.SENDING, D.RETRYING, D.COMMITTED, D.UNSURE])
def test_one_that_is_not_acknowledged_in_time_asks_for_both_units(state: DeliveryState) -> None:
    """HZ-I03: one receiver that does not answer is enough; of a result that was only withdrawn one unit is told."""
    assert units_to_call(correction(), at(D.ACCEPTED, state), (), now=LATE) == (Unit.WRONG, Unit.RIGHT)
    assert units_to_call(correction(Kind.WITHDRAWN), at(state), (), now=LATE) == (Unit.WRONG,)


@pytest.mark.parametrize("state", [D.REFUSED, D.EXPIRED, D.DISCARDED])
def test_one_that_was_turned_away_or_given_up_asks_at_once(state: DeliveryState) -> None:
    """Nobody has acknowledged that the wrong record is clean."""
    assert units_to_call(correction(), at(state), (), now=NOW) == (Unit.WRONG, Unit.RIGHT)


@pytest.mark.parametrize("still", ["paused", "shut"])
def test_one_that_cannot_go_asks_at_once(still: str) -> None:
    """HZ-I03: a paused or shut receiver shows the result until a person acts; what it has acknowledged, or never had, it does not show."""
    assert units_to_call(correction(Kind.WITHDRAWN), at(D.ACCEPTED, D.UNBORN, still=still), (), now=NOW) == (Unit.WRONG,)
    assert units_to_call(correction(), at(D.RETRYING, still=still), (), now=NOW) == (Unit.WRONG, Unit.RIGHT)
    assert units_to_call(correction(), at(D.RETRYING, still=still), (call(Unit.WRONG), call(Unit.RIGHT)), now=NOW) == ()
    assert units_to_call(correction(), at(D.ACCEPTED, D.SUPERSEDED, still=still), (), now=NOW) == ()


def test_a_receiver_may_show_what_it_has_not_taken_back() -> None:
    """A withdrawal that was set aside had nothing to take back there."""
    assert [each.may_be_shown for each in at(D.ACCEPTED, D.SUPERSEDED, D.UNBORN, D.COMMITTED, D.REFUSED, D.DISCARDED, D.UNSURE)] == [
        False, False, True, True, True, True, True,
    ]  # fmt: skip
    assert [each.is_acknowledged for each in at(D.ACCEPTED, D.COMMITTED)] == [True, False]


def test_a_critical_one_asks_at_once_whatever_is_acknowledged() -> None:
    """Somebody may be acting on it; where no receiver ever had it nobody can be."""
    assert units_to_call(correction(critical=True), at(D.ACCEPTED), (), now=NOW) == (Unit.WRONG, Unit.RIGHT)
    assert units_to_call(correction(Kind.CORRECTED, critical=True), at(), (), now=NOW) == (Unit.WRONG,)
    assert units_to_call(correction(critical=True), at(), (), now=NOW) == ()


def test_a_call_counts_once_it_was_read_back() -> None:
    """Told and not read back is not told."""
    about = correction(critical=True)
    assert units_to_call(about, at(D.ACCEPTED), (call(Unit.WRONG, read_back=False),), now=NOW) == (Unit.WRONG, Unit.RIGHT)
    assert units_to_call(about, at(D.ACCEPTED), (call(Unit.WRONG),), now=NOW) == (Unit.RIGHT,)
    assert units_to_call(about, at(D.ACCEPTED), (call(Unit.WRONG), call(Unit.RIGHT)), now=NOW) == ()
