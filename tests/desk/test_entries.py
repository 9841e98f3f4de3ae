"""On which terms a strip that was read by eye is kept, and under which number."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import timedelta
from typing import Any

import pytest

from bridge.bench.entry import ladders, printed_ladders
from bridge.desk.entries import EntryDesk, EntryPlace, EyeEntry, SlipEntry
from bridge.errors import RefusedAction, StoreFull
from bridge.model import Actor, Way
from tests.pages.stocked import GOOD, LISBON, MISTYPED, NOW, OTHER, Stocked
from tests.tables.shipped_tables import tables

ANA = Actor(name="Ana", verified="unverified")
TABLES = tables()
PLACE = EntryPlace(source="eyes", analyzer="ward-4", profile=TABLES.profiles["heron"])
ENTRY = EyeEntry(
    number=1,
    strip_type="ten",
    purpose="ward",
    strip_lot="22D31",
    operator="R4",
    patient_id=GOOD,
    patient_again=GOOD,
    ranks={pad.pad: 0 for pad in ladders(PLACE.profile, "ten", TABLES)},
)


@pytest.fixture
def desk(shelf: Stocked) -> EntryDesk:
    """Give the desk over it."""
    return EntryDesk(shelf.store, TABLES, [PLACE], now=lambda: shelf.now)


def kept(shelf: Stocked, capture_id: int) -> dict[str, Any]:
    found = shelf.store.capture(capture_id)
    assert (found.analyzer, found.profile, found.capture.way, found.capture.live) == ("ward-4", "heron", Way.FORM, False)
    (strip,) = json.loads(found.capture.payload)["readings"]
    return dict(strip)


def test_what_was_entered_is_kept_in_the_profiles_own_texts(shelf: Stocked, desk: EntryDesk) -> None:
    """Time in the place's zone, steps as the profile writes them, and who entered it."""
    entered = desk.by_eye(PLACE, replace(ENTRY, ranks={**ENTRY.ranks, "protein": 2}), ANA)
    strip = kept(shelf, entered.capture_id)
    pads = {pad["label"]: pad["value"] for pad in strip.pop("pads")}
    assert pads["protein"] == "+"
    assert len(pads) == 10
    assert strip == {
        "number": "1",
        "entered_by": "Ana",
        "patient_id": GOOD,
        "operator": "R4",
        "strip_type": "ten",
        "strip_lot": "22D31",
        "purpose": "ward",
        "printed_date": f"{NOW.astimezone(LISBON):%d-%m-%Y %H:%M}",
    }


@pytest.mark.parametrize(
    ("more", "sentence"),
    [
        ({"patient_again": OTHER}, "The two entries of the patient ID differ."),
        ({"specimen_id": "U1", "specimen_again": ""}, "The two entries of the specimen ID differ."),
        ({"patient_id": MISTYPED, "patient_again": MISTYPED}, "does not look like|check digit"),
        ({"patient_id": "", "patient_again": ""}, "The patient ID is empty."),
        ({"strip_lot": GOOD}, "never a patient ID"),
        ({"operator": GOOD}, "never a patient ID"),
        ({"strip_lot": " "}, "Give the lot"),
        ({"strip_type": "eleven"}, "Choose the strip type"),
        ({"purpose": "no such"}, "Say what the strip was read for."),
        ({"ranks": {**ENTRY.ranks, "protein": 99}}, "Choose the step of Protein."),
        ({"ranks": {pad: 0 for pad in ENTRY.ranks if pad != "nitrite"}}, "Choose the step of Nitrite."),
        ({"read_at": "yesterday"}, "Give the time of reading"),
        ({"read_at": "2026-11-25T12:02"}, "has not come yet"),
        ({"read_at": "2026-11-22T12:00"}, "too long ago"),
        ({"specimen_id": "U\x1d1", "specimen_again": "U\x1d1"}, "cannot be printed"),
    ],
)
def test_what_cannot_stand_is_refused_and_nothing_is_kept(
    shelf: Stocked, desk: EntryDesk, more: dict[str, Any], sentence: str
) -> None:
    """HZ-A01, HZ-D02: an ID that was keyed once, or a pad that was left out, is no strip; what was typed stays in the form."""
    luhn = replace(TABLES.policy, patient_id=replace(TABLES.policy.patient_id, check_digit="luhn"))
    strict = EntryDesk(shelf.store, replace(TABLES, policy=luhn), [PLACE], now=lambda: NOW)
    with pytest.raises(RefusedAction, match=sentence):
        strict.by_eye(PLACE, replace(ENTRY, **more), ANA)
    with pytest.raises(RefusedAction, match="Say who you are"):
        desk.by_eye(PLACE, ENTRY, Actor(name=" ", verified="unverified"))
    assert shelf.store.analyzers_with_work() == ()


def test_a_control_needs_no_patient(shelf: Stocked, desk: EntryDesk) -> None:
    """Its lot may stand in the patient's place, as on an analyzer."""
    entered = desk.by_eye(PLACE, replace(ENTRY, purpose="control", patient_id="C1", patient_again="C1"), ANA)
    assert kept(shelf, entered.capture_id)["purpose"] == "control"


def test_a_form_sent_twice_is_kept_once_and_two_forms_get_two_numbers(shelf: Stocked, desk: EntryDesk) -> None:
    """Opened at once they bear the same number; the later one gets the next, and again the same one if it is sent twice."""
    first, second = ENTRY, replace(ENTRY, patient_id=OTHER, patient_again=OTHER)
    one, same = desk.by_eye(PLACE, first, ANA), desk.by_eye(PLACE, first, ANA)
    other, again = desk.by_eye(PLACE, second, ANA), desk.by_eye(PLACE, second, ANA)
    assert one == same
    assert other == again
    assert (one.number, other.number) == (1, 2)
    assert one.capture_id != other.capture_id
    noted = [(event.actor, event.what, event.after) for event in shelf.store.events(f"capture:{one.capture_id}")]
    assert noted == [("padpost", "capture.kept", "form"), ("Ana", "capture.entered", "eyes")], "once, by name"
    assert kept(shelf, other.capture_id)["number"] == "2"


def test_a_form_sent_again_in_the_next_minute_is_still_kept_once(shelf: Stocked, desk: EntryDesk) -> None:
    """The time of keeping makes no other strip; what came between does not move it, and half an hour later it is another strip."""
    desk.by_eye(PLACE, replace(ENTRY, patient_id=OTHER, patient_again=OTHER), ANA)
    one = desk.by_eye(PLACE, ENTRY, ANA)
    shelf.now = NOW + timedelta(minutes=1)
    third = desk.by_eye(PLACE, replace(ENTRY, specimen_id="U3", specimen_again="U3"), ANA)
    assert desk.by_eye(PLACE, ENTRY, ANA) == one
    shelf.now = NOW + timedelta(minutes=30)
    assert (one.number, third.number, desk.by_eye(PLACE, ENTRY, ANA).number) == (2, 3, 4)


def test_numbers_begin_anew_each_day_and_go_by_the_day_of_reading(shelf: Stocked, desk: EntryDesk) -> None:
    """An entry of yesterday's strip counts in yesterday's series, and is no gap in today's."""
    desk.by_eye(PLACE, ENTRY, ANA)
    late = desk.by_eye(PLACE, replace(ENTRY, read_at="2026-11-24T16:20"), ANA)
    assert late.number == 1
    assert kept(shelf, late.capture_id)["printed_date"] == "24-11-2026 16:20"
    shelf.now = NOW + timedelta(days=1)
    assert desk.next_number(PLACE) == 1
    assert desk.by_eye(PLACE, ENTRY, ANA).number == 1


def test_nothing_is_kept_where_there_is_no_room(shelf: Stocked) -> None:
    """As of any other way in."""

    def full() -> None:
        raise StoreFull("There is no room.")

    with pytest.raises(StoreFull):
        EntryDesk(shelf.store, TABLES, [PLACE], now=lambda: NOW, require_room=full).by_eye(PLACE, ENTRY, ANA)
    assert shelf.store.analyzers_with_work() == ()


SLIPS = EntryPlace(source="line", analyzer="bench-a", profile=TABLES.profiles["brook"])
SLIP = SlipEntry(
    number="N00042",
    purpose="",
    strip_type="Q10",
    printed_at="2026-11-25T11:40",
    operator="07",
    strip_lot="24A01",
    patient_id=GOOD,
    patient_again=GOOD,
    values={pad.pad: pad.choices[0].text for pad in printed_ladders(SLIPS.profile, "Q10", TABLES)},
)


def test_a_slip_is_kept_as_its_analyzer_prints(shelf: Stocked) -> None:
    """Number with its letter, the time in the analyzer's own form, values and units as printed; twice the same is once."""
    desk = EntryDesk(shelf.store, TABLES, slips=[SLIPS], now=lambda: NOW)
    first, again = desk.slip(SLIPS, SLIP, ANA), desk.slip(SLIPS, SLIP, ANA)
    assert first == again
    assert first.number == 42
    found = shelf.store.capture(first.capture_id)
    assert (found.analyzer, found.profile, found.capture.way) == ("bench-a", "brook", Way.FORM)
    (strip,) = json.loads(found.capture.payload)["readings"]
    assert (strip["number"], strip["printed_date"], strip["entered_by"]) == ("N00042", "20261125114000", "Ana")
    assert {"label": "GLUC", "value": "NEG", "unit": "mg/dL"} in strip["pads"] or {"label": "GLUC", "value": "NEG"} in strip[
        "pads"
    ]


@pytest.mark.parametrize(
    ("more", "sentence"),
    [
        ({"number": "42"}, "This is not how the analyzer prints a number."),
        ({"number": "C00042"}, "Only patients' strips are typed in."),
        ({"number": "Z00042"}, "Say what the strip was read for"),
        ({"strip_type": "eleven"}, "Choose the strip type that the slip names."),
        ({"patient_again": OTHER}, "The two entries of the patient ID differ."),
        ({"printed_at": ""}, "Give date and time as the slip prints them."),
        ({"printed_at": "2026-11-25T12:05"}, "has not come yet"),
        ({"values": {**SLIP.values, "glucose": "about 5"}}, "Choose what the slip prints for Glucose."),
        ({"values": {}}, "Choose what the slip prints for"),
    ],
)
def test_a_slip_that_cannot_stand_is_refused(shelf: Stocked, more: dict[str, Any], sentence: str) -> None:
    """HZ-I06: a control that was typed in would open the gate for patients; a value that no slip prints is a slip of the hand."""
    desk = EntryDesk(shelf.store, TABLES, slips=[SLIPS], now=lambda: NOW)
    with pytest.raises(RefusedAction, match=sentence):
        desk.slip(SLIPS, replace(SLIP, **more), ANA)
    assert shelf.store.analyzers_with_work() == ()
