"""Rules of copies: each with the case that fires and the near miss that must not."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta

import pytest

from bridge.check.copies import (
    Claim,
    conflict,
    doubt,
    marked_copy,
    original,
    other_time,
    possible_rerun,
    purged,
    replaces_stopped,
    run_again,
    same_id_again,
)
from bridge.identity.strip import without_values
from bridge.model import SeenStrip, Severity, StripContent, StripKey
from tests.check.tables_for_tests import ARRIVED

CONTENT = StripContent(
    patient_id="4711", operator="12", strip_type="fern-3", strip_lot="L100", pads=(("glucose", 1), ("protein", 0), ("nitrite", 0))
)
KEY = StripKey(analyzer="bench-1", mode="routine", series="2026-11-25", number="7")
CLAIM = Claim(
    key=KEY,
    content=CONTENT,
    printed_at=ARRIVED,
    arrived_at=ARRIVED,
    is_daily=True,
    is_marked=False,
    window=timedelta(minutes=120),
)
UNDATED = replace(CLAIM, key=replace(KEY, series=""), printed_at=None)
OTHER_PATIENT = replace(CONTENT, patient_id="4712")
OTHER_PADS = replace(CONTENT, pads=(("glucose", 2), ("protein", 0), ("nitrite", 0)))
TORN = replace(CONTENT, pads=(("glucose", 1), ("protein", -1)))


def _seen(
    strip_id: int,
    *,
    key: StripKey = KEY,
    content: StripContent = CONTENT,
    at: datetime | None = ARRIVED,
    open_stop: bool = False,
    discarded: bool = False,
) -> SeenStrip:
    return SeenStrip(
        strip_id=strip_id,
        key=key,
        content=content,
        printed_at=at,
        arrived_at=at or ARRIVED,
        record_digest="d",
        open_stop=open_stop,
        discarded=discarded,
    )


def _of(
    claim: Claim, *, number: tuple[SeenStrip, ...] = (), record: tuple[SeenStrip, ...] = (), patient: tuple[SeenStrip, ...] = ()
) -> object:
    found = original(claim, same_number=number, same_record=record, same_patient=patient)
    return (found.seen.strip_id, found.note.rule) if found else None


def test_the_same_number_and_content_is_a_copy_of_the_oldest() -> None:
    """By whichever way it came, even without the lot that the other layout does not print. HZ-F05."""
    by_file = _seen(3, content=replace(CONTENT, strip_lot="", operator=""))
    assert _of(CLAIM, number=(_seen(9), by_file)) == (3, "copy.same_strip")
    assert _of(CLAIM, number=(_seen(9, key=replace(KEY, series="2026-11-24")),)) is None
    assert _of(CLAIM, number=(_seen(9, content=OTHER_PADS),)) is None
    assert _of(CLAIM, number=(_seen(9, content=TORN),)) is None


def test_the_same_bytes_are_a_copy_only_if_they_carry_number_and_time() -> None:
    """Two strips may print the same bytes where nothing in them tells strips apart."""
    assert _of(CLAIM, record=(_seen(4), _seen(2))) == (2, "copy.same_bytes")
    assert _of(UNDATED, record=(_seen(2, key=UNDATED.key, at=None),)) is None
    no_number = replace(CLAIM, key=replace(KEY, number="", series=""))
    assert _of(no_number, record=(_seen(2, key=no_number.key),)) is None


def test_a_marked_copy_finds_its_original_under_another_number() -> None:
    """The reprint has a new number and time, and says that it is one. HZ-F06."""
    marked = replace(CLAIM, is_marked=True, key=replace(KEY, number="8"))
    assert _of(marked, patient=(_seen(5),)) == (5, "copy.marked")
    assert _of(replace(marked, is_marked=False), patient=(_seen(5),)) is None
    assert _of(marked, patient=(_seen(5, content=OTHER_PADS),)) is None
    assert _of(replace(UNDATED, is_marked=True), number=(_seen(6, key=UNDATED.key, at=None),)) == (6, "copy.marked")


def test_a_marked_copy_without_its_original_is_held() -> None:
    """The copy is all there is of that strip: a person decides, nothing is lost. HZ-F06."""
    marked = replace(CLAIM, is_marked=True)
    (found,) = marked_copy(marked, None, ())
    assert (found.rule, found.severity, found.releasable) == ("copy.original_unknown", Severity.HOLD, True)
    assert marked_copy(CLAIM, None, ()) == ()
    known = original(marked, same_number=(_seen(1),), same_record=(), same_patient=())
    assert marked_copy(marked, known, (_seen(1),)) == ()


def test_a_strip_sent_again_as_the_remedy_goes_though_it_is_marked() -> None:
    """Analyzers mark all that comes from memory; if the first was stopped as torn, the whole one is what we asked for."""
    marked = replace(CLAIM, is_marked=True)
    assert marked_copy(marked, None, (_seen(3, content=TORN, open_stop=True),)) == ()
    assert [each.rule for each in marked_copy(marked, None, (_seen(3, content=OTHER_PADS),))] == ["copy.original_unknown"]


@pytest.mark.parametrize(
    ("content", "open_stop", "discarded", "releasable", "says"),
    [
        (OTHER_PATIENT, False, False, False, "patient ID"),  # it has gone to another patient: two records, one strip
        (OTHER_PATIENT, True, False, True, "patient ID"),  # it is stopped: one of the two will go
        (OTHER_PATIENT, False, True, True, "patient ID"),  # it was discarded
        (OTHER_PADS, False, False, True, "pad values"),  # the same patient's in either case
        (
            replace(OTHER_PADS, operator="13", strip_lot="L2", strip_type="x"),
            False,
            False,
            True,
            "operator, strip type, strip lot, pad values",
        ),
    ],
)
def test_the_same_number_with_other_content_is_a_persons_to_decide(
    content: StripContent, open_stop: bool, discarded: bool, releasable: bool, says: str
) -> None:
    """Held always; releasable only where that cannot put one strip into two patients' records. Values are not shown. HZ-A15."""
    (found,) = conflict(CLAIM, (_seen(3, content=content, open_stop=open_stop, discarded=discarded),))
    assert (found.rule, found.severity, found.releasable) == ("copy.conflict", Severity.HOLD, releasable)
    assert found.sentence == f"Number 7 came before with other content: {says}."
    assert found.remedy.startswith("Compare both strips")


def test_a_number_whose_strip_was_purged_is_held_unless_it_is_the_same() -> None:
    """Nothing is left to compare but a digest: the same content is a copy as before, any other is a person's to decide, and cannot be released."""
    known = (_seen(3, content=without_values(CONTENT)),)
    found = original(CLAIM, same_number=known, same_record=(), same_patient=())
    assert found is not None
    assert (found.seen.strip_id, found.note.rule) == (3, "copy.same_strip")
    assert purged(CLAIM, known) == conflict(CLAIM, known) == ()
    other = replace(CLAIM, content=OTHER_PADS)
    assert original(other, same_number=known, same_record=(), same_patient=()) is None
    assert conflict(other, known) == ()
    (held,) = purged(other, known)
    assert (held.rule, held.severity, held.releasable) == ("copy.purged", Severity.HOLD, False)
    assert held.sentence == (
        "Number 7 came before, so long ago that its values were purged by the site's rule: nothing is left to compare."
    )


def test_near_misses_of_a_purged_number() -> None:
    """Another series, no series at all, and a strip that was not purged."""
    other = replace(CLAIM, content=OTHER_PADS)
    gone = without_values(CONTENT)
    assert purged(other, (_seen(3, key=replace(KEY, series="2026-11-24"), content=gone),)) == ()
    assert purged(replace(other, key=replace(KEY, series="")), (_seen(3, key=replace(KEY, series=""), content=gone),)) == ()
    assert purged(other, (_seen(3),)) == ()


def test_near_misses_of_a_conflict() -> None:
    """Another series, another number, or a torn record that says less of the same strip."""
    assert conflict(CLAIM, (_seen(3, key=replace(KEY, series="2026-11-24"), content=OTHER_PADS),)) == ()
    assert conflict(CLAIM, (_seen(3, content=TORN, open_stop=True),)) == ()
    assert conflict(UNDATED, (_seen(3, key=UNDATED.key, content=OTHER_PADS, at=None),)) == ()


def test_a_whole_record_after_a_torn_one_goes_and_says_so() -> None:
    """Sending again from the analyzer's memory is the remedy that we name; it must work."""
    (found,) = replaces_stopped(CLAIM, (_seen(3, content=TORN, open_stop=True),))
    assert (found.rule, found.severity) == ("copy.replaces_stopped", Severity.NOTE)
    assert replaces_stopped(CLAIM, (_seen(3, content=TORN),)) == ()
    assert replaces_stopped(CLAIM, (_seen(3, open_stop=True),)) == ()
    assert replaces_stopped(CLAIM, (_seen(3, content=OTHER_PADS, open_stop=True),)) == ()


def test_one_number_far_apart_in_time_is_held_where_counts_restart() -> None:
    """A counter that started again at the same number must not lose a strip as a copy; within one dated day it is one. HZ-F06, HZ-K05."""
    falling = replace(CLAIM, is_daily=False)
    late = _seen(3, at=ARRIVED - timedelta(minutes=121))
    (found,) = other_time(falling, (late,))
    assert (found.rule, found.severity, found.releasable) == ("copy.other_time", Severity.HOLD, True)
    assert _of(falling, number=(late,)) is None
    near = _seen(3, at=ARRIVED - timedelta(minutes=120))
    assert other_time(falling, (near,)) == ()
    assert _of(falling, number=(near,)) == (3, "copy.same_strip")
    assert other_time(CLAIM, (late,)) == ()
    assert _of(CLAIM, number=(late,)) == (3, "copy.same_strip")


def test_the_same_patient_and_pads_in_the_window_is_held() -> None:
    """A reprint under a new number, or a second strip of the same urine: only a person knows. HZ-F06, HZ-I04."""
    earlier = replace(KEY, number="6")
    inside = _seen(3, key=earlier, at=ARRIVED - timedelta(minutes=120))
    (found,) = possible_rerun(CLAIM, (inside,))
    assert (found.rule, found.severity, found.releasable) == ("copy.possible", Severity.HOLD, True)
    assert found.sentence == "The same patient had a strip with the same values within 120 minutes: a copy, or a second strip?"


@pytest.mark.parametrize(
    "seen",
    [
        _seen(3, key=replace(KEY, number="6"), at=ARRIVED - timedelta(minutes=121)),
        _seen(3, key=replace(KEY, number="6"), content=OTHER_PATIENT),
        _seen(3, key=replace(KEY, number="6"), content=OTHER_PADS),
        _seen(3, key=replace(KEY, number="6"), discarded=True),
        _seen(3),
    ],
)
def test_near_misses_of_a_rerun(seen: SeenStrip) -> None:
    """Outside the window, another patient, other pads, one that was discarded, or the same key (another rule's matter)."""
    assert possible_rerun(CLAIM, (seen,)) == ()


def test_strips_without_a_patient_are_not_compared_by_patient() -> None:
    """Two blank IDs are not one patient."""
    blank = replace(CONTENT, patient_id="")
    assert possible_rerun(replace(CLAIM, content=blank), (_seen(3, key=replace(KEY, number="6"), content=blank),)) == ()


def test_without_a_printed_time_a_likeness_is_a_doubt() -> None:
    """Two byte-identical negative strips: nothing tells copy from strip, so a person is asked, however long ago."""
    before = _seen(3, key=UNDATED.key, at=None)
    for found in (
        doubt(UNDATED, same_number=(before,), same_record=()),
        doubt(UNDATED, same_number=(), same_record=(before,)),
        doubt(CLAIM, same_number=(before,), same_record=()),  # this one is dated, the other is not
    ):
        assert [(each.rule, each.severity, each.releasable) for each in found] == [("copy.doubt", Severity.HOLD, True)]
    assert doubt(UNDATED, same_number=(replace(before, content=OTHER_PADS),), same_record=()) == ()
    assert doubt(CLAIM, same_number=(_seen(3),), same_record=()) == ()


BEFORE = replace(KEY, number="6")
OTHER_URINE = replace(CONTENT, pads=(("glucose", 3), ("protein", 2), ("nitrite", 0)))


def test_the_id_of_the_strip_before_on_another_urine_is_held() -> None:
    """HZ-A09, HZ-I04: two pads lie over a step apart; nobody but a person with both cups knows whose it is."""
    (found,) = same_id_again(CLAIM, (_seen(3, key=BEFORE, content=OTHER_URINE),))
    assert (found.rule, found.severity, found.releasable) == ("patient.same_again", Severity.HOLD, True)
    assert found.sentence == (
        "Strip 6, just before it, bears the same patient ID and reads otherwise: the ID may have stayed from the patient before."
    )


@pytest.mark.parametrize(
    "seen",
    [
        _seen(3, key=BEFORE, content=replace(OTHER_URINE, pads=(("glucose", 3), ("protein", 1), ("nitrite", 1)))),  # one pad
        _seen(
            3, key=BEFORE, content=replace(OTHER_URINE, pads=(("glucose", 3), ("protein", -1), ("nitrite", 0)))
        ),  # not understood
        _seen(3, key=BEFORE, content=replace(OTHER_URINE, patient_id="4712")),
        _seen(3, key=BEFORE, content=replace(OTHER_URINE, strip_type="fern-4")),
        _seen(3, key=replace(KEY, number="5"), content=OTHER_URINE),  # another patient's strip lies between
        _seen(3, key=replace(BEFORE, series="2026-11-24"), content=OTHER_URINE),
        _seen(3, key=replace(BEFORE, analyzer="bench-2"), content=OTHER_URINE),
        _seen(3, key=BEFORE, content=OTHER_URINE, discarded=True),
        _seen(3, key=BEFORE, content=OTHER_URINE, at=ARRIVED - timedelta(minutes=121)),
        _seen(3, key=BEFORE, content=without_values(OTHER_URINE)),
    ],
)
def test_near_misses_of_an_id_that_stayed(seen: SeenStrip) -> None:
    """The same urine read twice, a later specimen, another count, and what nobody can compare."""
    assert same_id_again(CLAIM, (seen,)) == ()


def test_strips_without_an_id_or_a_number_have_none_that_stayed() -> None:
    """A blank ID is another rule's matter; without a number nothing is just before."""
    blank = replace(CONTENT, patient_id="")
    assert (
        same_id_again(replace(CLAIM, content=blank), (_seen(3, key=BEFORE, content=replace(OTHER_URINE, patient_id="")),)) == ()
    )
    assert same_id_again(UNDATED, (_seen(3, key=replace(BEFORE, series=""), content=OTHER_URINE),)) == ()


def _run_before(**more: object) -> SeenStrip:
    """Give a strip of the specimen U-1 whose result is reported, half an hour before."""
    seen = _seen(3, key=replace(KEY, number="6"), at=ARRIVED - timedelta(minutes=30))
    return replace(seen, **{"specimen_id": "U-1", "is_reported": True, **more})  # type: ignore[arg-type] # a strip's own fields, of several types


def test_a_specimen_that_was_run_before_waits_for_a_person() -> None:
    """The first valid result is the reported one, both are kept, and nobody chooses the better (trade practice; hazards.csv HZ-I04)."""
    (found,) = run_again(CLAIM, "U-1", (_run_before(),))
    assert (found.rule, found.severity, found.releasable) == ("specimen.run_again", Severity.HOLD, False)
    assert (
        found.sentence
        == "This specimen was run before, as strip 6, and that result is reported; no pad lies more than a step from it."
    )
    far = replace(CONTENT, pads=(("glucose", 3), ("protein", 2), ("nitrite", 0)))
    (found,) = run_again(
        replace(CLAIM, content=far), "U-1", (_run_before(key=replace(KEY, number="")), _run_before(is_reported=False))
    )
    assert found.sentence.startswith(
        "This specimen was run before, as strip without a number, and that result is reported; 2 pads lie"
    )


@pytest.mark.parametrize(
    ("specimen", "more"),
    [
        ("U-2", {}),
        ("", {"specimen_id": ""}),
        ("U-1", {"is_reported": False}),
        ("U-1", {"key": KEY}),
        ("U-1", {"key": replace(KEY, number="6", mode="test")}),
        ("U-1", {"content": OTHER_PATIENT}),
        ("U-1", {"content": replace(CONTENT, strip_type="plover-3")}),
        ("U-1", {"printed_at": ARRIVED - timedelta(minutes=121)}),
    ],
)
def test_near_misses_of_a_specimen_run_again(specimen: str, more: dict[str, object]) -> None:
    """Another specimen, none named, a first that is no result (in error, held, given up), the same strip, a test, another patient, type or day. HZ-I04."""
    assert run_again(CLAIM, specimen, (_run_before(**more),)) == ()
