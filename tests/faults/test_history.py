"""The checker is checked: every kind of fault, put into a sound history, is found, and nothing else is.

The kinds are those of Jepsen's total-queue checker (jepsen-io/jepsen, checker.clj: lost, unexpected, duplicated, recovered) and
our own two promises: one identity a strip, and order within a patient.
"""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.faults.history import Arrived, History, Urgency
from tests.faults.journal import Journal
from tests.faults.strips import Strip

HL7, CHART = "hl7", "chart"
BOTH = (HL7, CHART)
PATIENTS = {"s1": "ann", "s2": "bo", "s3": "ann", "s4": "bo"}


def arrived(strip: str, receiver: str = HL7, **other: object) -> Arrived:
    sound = Arrived(
        receiver=receiver,
        strip=strip,
        patient=PATIENTS.get(strip, "ann"),
        control_id=f"{receiver}-M-{strip}",
        filler=f"R-{strip}",
        content=strip.encode(),
    )
    return replace(sound, **other)  # type: ignore[arg-type]  # fields of Arrived


def history(*came: Arrived, acknowledged: tuple[str, ...] = tuple(PATIENTS)) -> History:
    return History(submitted=dict(PATIENTS), acknowledged=set(acknowledged), arrived=list(came))


def sound(receiver: str = HL7) -> list[Arrived]:
    return [arrived(strip, receiver) for strip in PATIENTS]


def test_a_sound_history_has_no_fault() -> None:
    """Every strip once with each receiver, the patients' lanes interleaved in any way."""
    assert history(*sound(), *reversed(sound(CHART)[1::2]), *sound(CHART)[0::2]).faults((HL7,)) == []
    assert history(*sound(), *sound(CHART)).faults(BOTH) == []


def test_lost() -> None:
    """Acknowledged and never there: the fault that must never be; told for the receiver that lacks it alone."""
    doctored = [each for each in (*sound(), *sound(CHART)) if (each.receiver, each.strip) != (CHART, "s3")]
    assert history(*doctored).faults(BOTH) == ["chart: strip s3 was acknowledged and never arrived"]


def test_everything_lost() -> None:
    """A receiver that has nothing lacks every strip: an empty history is not a sound one."""
    assert history(*sound()).faults((CHART,)) == [f"chart: strip {s} was acknowledged and never arrived" for s in PATIENTS]


def test_unknown_outcome_is_no_loss() -> None:
    """Submitted without an answer may be there or not: its sender still has it."""
    some = ("s1", "s2")
    assert history(*sound()[:2], acknowledged=some).faults((HL7,)) == []
    assert history(*sound()[:3], acknowledged=some).faults((HL7,)) == []


def test_unexpected() -> None:
    """A strip that nobody brought."""
    assert history(*sound(), arrived("s9")).faults((HL7,)) == ["hl7: strip s9 arrived and was never submitted"]


def test_sent_again_under_the_same_identity_is_sound() -> None:
    """At least once: the same control ID and the same bytes."""
    assert history(*sound(), arrived("s1"), arrived("s1")).faults((HL7,)) == []


@pytest.mark.parametrize(
    ("second", "shown"),
    [
        ({"control_id": "M-other"}, "[('M-other', 'R-s2'), ('hl7-M-s2', 'R-s2')]"),
        ({"filler": "R-other"}, "[('hl7-M-s2', 'R-other'), ('hl7-M-s2', 'R-s2')]"),
        ({"content": b"other bytes"}, "[('hl7-M-s2', 'R-s2'), ('hl7-M-s2', 'R-s2')]"),
    ],
)
def test_second_identity(second: dict[str, str], shown: str) -> None:
    """Sent again under another control ID, as another result, or with other bytes."""
    doctored = history(*sound(), arrived("s2", **second))
    assert doctored.faults((HL7,)) == [f"hl7: strip s2 came under 2 identities: {shown}"]


@pytest.mark.parametrize(
    ("number", "shown"), [({"control_id": "hl7-M-s1"}, "control ID hl7-M-s1"), ({"filler": "R-s1"}, "result R-s1")]
)
def test_one_number_for_two_strips(number: dict[str, str], shown: str) -> None:
    """A receiver that drops what it knows by MSH-10, or files by result number, would lose one of the two."""
    doctored = [arrived("s4", **number) if each.strip == "s4" else each for each in sound()]
    assert history(*doctored).faults((HL7,)) == [f"hl7: {shown} was given to ['s1', 's4']"]


def test_wrong_patient() -> None:
    """The worst of all: a strip in another patient's record."""
    doctored = [arrived("s4", patient="ann") if each.strip == "s4" else each for each in sound()]
    assert history(*doctored).faults((HL7,)) == [
        "hl7: strip s4 came under 2 identities: [('hl7-M-s4', 'R-s4'), ('wrong patient', 'ann')]"
    ]


def test_order_broken() -> None:
    """Within a patient a later strip came first; between patients order is free."""
    one, two, three, four = sound()
    assert history(three, two, one, four).faults((HL7,)) == ["hl7: strip s1 came after a later strip of the same patient"]
    assert history(two, one, four, three).faults((HL7,)) == []


def test_order_is_that_of_first_arrivals() -> None:
    """A message sent again after a lost answer comes late; its first arrival was in order."""
    one, two, three, four = sound()
    assert history(one, two, three, four, one).faults((HL7,)) == []


def test_what_a_receiver_dropped_is_not_there() -> None:
    """A message that came and was not kept saves nothing, spoils no order, and showed its identity all the same."""
    one, two, three, four = sound()
    dropped = replace(three, held=False)
    assert history(dropped, one, two, three, four).faults((HL7,)) == []
    assert history(one, two, dropped, four).faults((HL7,)) == ["hl7: strip s3 was acknowledged and never arrived"]
    assert history(one, two, replace(dropped, control_id="M-other"), three, four).faults((HL7,)) == [
        "hl7: strip s3 came under 2 identities: [('M-other', 'R-s3'), ('hl7-M-s3', 'R-s3')]"
    ]


def test_marked_as_delivered_and_not_there() -> None:
    """The service's mark must rest on what that receiver keeps, and on no other receiver's."""
    marked = [(receiver, f"{receiver}-M-{strip}") for receiver in BOTH for strip in PATIENTS]
    assert history(*sound(), *sound(CHART)).faults(BOTH, marked=marked) == []
    doctored = [replace(each, held=each.receiver == CHART or each.strip != "s4") for each in (*sound(), *sound(CHART))]
    assert history(*doctored, acknowledged=("s1",)).faults(BOTH, marked=marked) == [
        "hl7: hl7-M-s4 is marked as delivered and not held there"
    ]
    assert history(*sound()).faults((HL7,), marked=[(HL7, "chart-M-s1")]) == [
        "hl7: chart-M-s1 is marked as delivered and not held there"
    ]


def test_what_came_before_a_person_may_be_missing_or_late() -> None:
    """A message that was refused lets its lane go on, and may be discarded; it is excused at that receiver alone, and never a second identity."""
    one, two, three, four = sound()
    assert history(two, three, four).faults((HL7,), excused=[(HL7, "s1")]) == []
    assert history(two, three, four, one).faults((HL7,), excused=[(HL7, "s1")]) == []
    assert history(two, three, four).faults((HL7,), excused=[(CHART, "s1")]) == [
        "hl7: strip s1 was acknowledged and never arrived"
    ]
    again = history(one, two, three, four, replace(one, control_id="M-other"))
    assert len(again.faults((HL7,), excused=[(HL7, "s1")])) == 1


def test_urgency_is_counted_between_patients() -> None:
    """A STAT strip of one patient beside the routine ones of another; its own patient's order is no matter of urgency."""
    one, two, three, four = sound()
    doctored = history(three, four, one, two)  # ann: s1, s3; bo: s2, s4
    doctored.stat = {"s3"}
    assert doctored.urgency(HL7) == Urgency(overtook=1)
    late = history(two, four, one, three)
    late.stat = {"s1"}
    assert late.urgency(HL7) == Urgency(overtaken=2)
    assert history(*sound()).urgency(HL7) == Urgency()


@given(st.permutations(sorted(PATIENTS)))
def test_any_order_is_judged_by_patient(order: list[str]) -> None:
    """Faults are told exactly when some patient's strips are not in the order of submission."""
    is_broken = order.index("s3") < order.index("s1") or order.index("s4") < order.index("s2")
    assert bool(history(*(arrived(strip) for strip in order)).faults((HL7,))) == is_broken


def test_the_journal_goes_on_after_a_kill(tmp_path: Path) -> None:
    """What was noted is there again, and the line that a kill cut short is not."""
    path = tmp_path / "history.jsonl"
    first = Journal(path)
    one, two = Strip(name="s1", patient="ann"), Strip(name="s2", patient="bo", is_stat=True)
    first.submitted(one)
    first.submitted(two)
    first.submitted(one)
    first.acknowledged(two)
    first.arrived(arrived("s2"))
    first.close()
    whole = path.read_bytes()
    path.write_bytes(whole + b'{"did": "acknowl')
    again = Journal(path)
    assert again.history == first.history == History(
        submitted={"s1": "ann", "s2": "bo"}, acknowledged={"s2"}, arrived=[arrived("s2")], stat={"s2"}
    )  # fmt: skip
    again.acknowledged(one)
    again.close()
    assert path.read_bytes() == whole + json.dumps({"did": "acknowledged", "strip": "s1"}).encode() + b"\n"
