"""All rules together over one reading: what stops, what is noted, what a person may pass over."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.check import Verdict, check, needs
from bridge.model import (
    Actor,
    Decisions,
    Facts,
    Needs,
    Purpose,
    Reading,
    SeenStrip,
    SeenStrips,
    Severity,
    StripContent,
    StripKey,
)
from bridge.tables.types import Tables
from tests.check.tables_for_tests import ARRIVED, NEGATIVE, NO_FACTS, TABLES, pad, printed, reading

WHO = Actor(name="B. Ahlers", verified="unverified")


def _check(of: Reading, facts: Facts = NO_FACTS, *, live: bool = True) -> Verdict:
    return check(of, facts, TABLES, arrived_at=ARRIVED, live=live, now=ARRIVED + timedelta(seconds=1))


def _rules(verdict: Verdict, severity: Severity | None = None) -> list[str]:
    return [each.rule for each in verdict.findings if severity in (None, each.severity)]


def _as_seen(verdict: Verdict, *, strip_id: int = 1, open_stop: bool = False) -> SeenStrip:
    checked = verdict.checked
    assert checked is not None
    return SeenStrip(
        strip_id=strip_id,
        key=checked.key,
        content=checked.content,
        printed_at=checked.analyzed_at,
        arrived_at=ARRIVED,
        record_digest=checked.reading.record_digest,
        open_stop=open_stop,
    )


def test_a_clean_strip_passes_whole() -> None:
    """The near miss of every rule: nothing is said of it, and everything on it is understood."""
    verdict = _check(reading(number="S0007"))
    assert verdict.findings == ()
    checked = verdict.checked
    assert checked is not None
    assert checked.key == StripKey(analyzer="bench-1", mode="stat", series="2026-11-25", number="7")
    assert checked.content == StripContent(
        patient_id="4711",
        operator="12",
        strip_type="fern-3",
        strip_lot="L100",
        pads=(("glucose", 0), ("protein", 0), ("nitrite", 0)),
    )
    assert (checked.patient_id, checked.corrected_by, checked.purpose) == ("4711", None, Purpose.PATIENT)
    assert checked.analyzed_at == ARRIVED - timedelta(minutes=2)
    assert [each.printed for each in checked.pads] == ["NEG", "NEG", "NEG"]


def test_the_needs_are_the_printed_keys() -> None:
    """What is looked up is what the strip says, not what a person made of it later."""
    assert needs(reading(number="S0007", digest="d"), TABLES) == Needs(
        analyzer="bench-1",
        mode="stat",
        number="7",
        record_digest="d",
        patient_id="4711",
        printed_at=(ARRIVED - timedelta(minutes=2)).astimezone(UTC),
        strip_type="fern-3",
        strip_lot="L100",
    )
    assert needs(reading(number=None, patient=None, clock=None, digest="d"), TABLES) == Needs(
        analyzer="bench-1", mode="routine", number="", record_digest="d", patient_id="", strip_type="fern-3", strip_lot="L100"
    )
    assert needs(reading(number="7#", digest="d"), TABLES).number == ""


def test_a_strips_lot_is_looked_up_as_it_is_recorded() -> None:
    """Blank by blank: a strip that waited by another text than its controls are kept by would wait for ever."""
    of = replace(reading(number="S0007", digest="d"), strip_lot=printed("24  A01"))
    checked = _check(of).checked
    assert checked is not None
    assert (needs(of, TABLES).strip_lot, checked.strip_lot) == ("24  A01", "24  A01")


def test_findings_stand_in_the_order_for_the_page() -> None:
    """Identity, record, analyzer, time, copy, completeness; what is only noted stands last."""
    bad = replace(
        reading(patient="47A1", clock="13:00", fault=printed("E99"), copy_mark=printed("COPY")),
        pads=(pad("GLU", "100", mark=""), pad("PRO", "----", mark="")),
    )
    assert _rules(_check(bad)) == [
        "patient.malformed",
        "pad.unknown_value",
        "analyzer.fault",
        "time.future",
        "copy.original_unknown",
        "pad.missing",
        "mark.disagrees",
    ]


def test_a_fault_in_place_of_results_is_the_one_finding() -> None:
    """Ten missing pads are not ten more problems."""
    assert _rules(_check(reading(pads=(), fault=printed("E99")))) == ["analyzer.fault"]


def test_an_unreadable_number_leaves_no_checked_reading() -> None:
    """Without a key the strip is compared with none; its other faults are told all the same."""
    verdict = _check(reading(number="7#", patient=None))
    assert verdict.checked is None
    assert _rules(verdict) == ["patient.missing", "number.unreadable"]


def test_a_released_rule_is_passed_over_only_if_it_may_be() -> None:
    """A named person's release stays on record as a note; a rejected strip cannot be released by any decision."""
    late = reading(clock="13:00")
    released = _check(late, Facts(decisions=Decisions(accepted_by={"time.future": WHO})))
    assert [(each.rule, each.severity) for each in released.findings] == [("time.future", Severity.NOTE)]
    forced = _check(reading(pads=NEGATIVE[:2]), Facts(decisions=Decisions(accepted_by={"pad.missing": WHO})))
    assert _rules(forced, Severity.REJECT) == ["pad.missing"]


def test_a_corrected_id_replaces_the_printed_one_and_is_checked_itself() -> None:
    """A correction is typed by a person and may be mistyped; content keeps what was printed. HZ-A02."""
    mistyped = reading(patient="47A1")
    corrected = _check(mistyped, Facts(decisions=Decisions(patient_id="4711", corrected_by=WHO)))
    assert corrected.findings == ()
    assert corrected.checked is not None
    assert (corrected.checked.patient_id, corrected.checked.corrected_by) == ("4711", WHO)
    assert corrected.checked.content.patient_id == "47A1"
    wrong = _check(mistyped, Facts(decisions=Decisions(patient_id="999", corrected_by=WHO)))
    assert _rules(wrong) == ["patient.denied"]
    assert wrong.findings[0].place is None


@pytest.mark.parametrize("number", ["C7", "T7"])
def test_controls_and_training_skip_the_patients_rules(number: str) -> None:
    """They have no patient and look alike by nature; whether they were understood still matters."""
    control = reading(number=number, patient=None)
    verdict = _check(control, Facts(seen=SeenStrips(same_patient=(_as_seen(_check(reading(number="C6"))),))))
    assert verdict.findings == ()
    assert _rules(_check(replace(control, pads=(pad("GLU", "E04"), pad("PRO", "NEG"), pad("NIT", "NEG"))))) == ["pad.error"]


def test_a_control_sent_again_is_a_copy_like_any_strip() -> None:
    """Its number counts for the series, once."""
    seen = _as_seen(_check(reading(number="C7", patient=None)), strip_id=5)
    assert _check(reading(number="C7", patient=None), Facts(seen=SeenStrips(same_number=(seen,)))).copy_of == 5


def test_a_copy_ends_the_matter() -> None:
    """A strip sent again a year later is a copy, not a strip that is too old; so is one whose first is still stopped."""
    seen = _as_seen(_check(reading()), strip_id=5, open_stop=True)
    later = check(
        reading(),
        Facts(seen=SeenStrips(same_number=(seen,), same_record=(seen,))),
        TABLES,
        arrived_at=ARRIVED + timedelta(days=365),
        live=True,
        now=ARRIVED + timedelta(days=365),
    )
    assert (later.copy_of, _rules(later)) == (5, ["copy.same_bytes"])


def test_an_analyzer_without_dates_lends_its_arrival_only_live() -> None:
    """On a live line the arrival is the reading's time, noted; a file may be days old, so a person says."""
    undated = reading("undated", day=None, clock=None)
    assert _rules(_check(undated, live=True)) == ["time.arrival_used"]
    assert _rules(_check(undated, live=False), Severity.HOLD) == ["time.missing"]
    assert _check(undated).checked is not None
    assert _check(undated).checked.analyzed_at is None  # type: ignore[union-attr] # asserted on the line before


def test_a_service_clock_that_was_set_back_is_no_excuse() -> None:
    """If our own clock ran ahead at arrival, the earlier of the two readings of it decides what is future."""
    verdict = check(reading(clock="13:00"), NO_FACTS, TABLES, arrived_at=ARRIVED + timedelta(hours=6), live=True, now=ARRIVED)
    assert _rules(verdict) == ["time.future"]


texts = st.text(max_size=8)


@given(number=texts, day=texts, clock=texts, patient=texts, label=texts, value=texts, strip_type=texts)
def test_no_text_breaks_a_rule(number: str, day: str, clock: str, patient: str, label: str, value: str, strip_type: str) -> None:
    """Whatever a torn or hostile record holds, judging answers, and what it does not know it does not pass."""
    odd = reading(number=number, day=day, clock=clock, patient=patient, pads=((label, value),), strip_type=printed(strip_type))
    for profile in TABLES.profiles:
        verdict = _check(replace(odd, profile=profile))
        assert verdict.has(Severity.REJECT)  # one pad of three is never a whole strip
        assert verdict.checked is None or all(each.step is not None for each in verdict.checked.pads)


def _tests(**more: object) -> Tables:
    return replace(TABLES, policy=replace(TABLES.policy, **more))  # type: ignore[arg-type]  # fields of the policy by name


@pytest.mark.parametrize(
    ("said", "sentence"),
    [
        ("T", "The message says that it is a test (processing ID T); here live (processing ID P) is expected."),
        ("D", "The message says that it is for debugging (processing ID D); here live (processing ID P) is expected."),
        ("X", "The message says that it is of the processing ID “X”; here live (processing ID P) is expected."),
        ("", "The message does not say whether it is live or a test; here live (processing ID P) is expected."),
    ],
)
def test_a_message_that_is_not_known_to_be_live_is_stopped_without_an_identity(said: str, sentence: str) -> None:
    """HL7 table 0103: what is a test must reach no record; the same strip sent live must not be taken for its copy. HZ-H11."""
    verdict = _check(reading(processing_id=printed(said)))
    assert verdict.checked is None
    (found,) = verdict.findings
    assert (found.rule, found.severity, found.sentence, found.releasable) == (
        "message.processing_id",
        Severity.REJECT,
        sentence,
        False,
    )
    assert _check(reading(processing_id=printed("P"))).findings == ()


def test_an_analyzer_that_sends_tests_alone() -> None:
    """A site for tests names what its analyzer sends; there a live message is the wrong one."""
    tables = _tests(processing_ids={"bench-1": "T"})
    for said, rules in (("T", []), ("D", ["message.processing_id"]), ("P", ["message.processing_id"])):
        of = reading(processing_id=printed(said))
        verdict = check(of, NO_FACTS, tables, arrived_at=ARRIVED, live=True, now=ARRIVED)
        assert _rules(verdict) == rules


def test_a_test_kept_for_training() -> None:
    """By the site's option it is a training strip without a number in any series, whatever its word says; one that says nothing stays stopped."""
    tables = _tests(test_messages="training")
    of = reading(number="S0007", processing_id=printed("T"), patient_id=printed("not one"))
    verdict = check(of, NO_FACTS, tables, arrived_at=ARRIVED, live=True, now=ARRIVED)
    assert verdict.findings == ()
    assert verdict.checked is not None
    assert verdict.checked.purpose is Purpose.TRAINING
    assert (verdict.checked.key.mode, verdict.checked.key.number) == ("test", "")
    assert (needs(of, tables).mode, needs(of, tables).number) == ("test", "")
    unsaid = check(reading(processing_id=printed("")), NO_FACTS, tables, arrived_at=ARRIVED, live=True, now=ARRIVED)
    assert _rules(unsaid) == ["message.processing_id"]


def test_a_live_strip_behind_its_test_is_no_second_one() -> None:
    """A bench that is tried out with a patient's values must not hold that patient's strip for a decision."""
    tables = _tests(test_messages="training")
    test = check(reading(number="3", processing_id=printed("T")), NO_FACTS, tables, arrived_at=ARRIVED, live=True, now=ARRIVED)
    seen = SeenStrips(same_patient=(_as_seen(test),))
    live = check(
        reading(number="7", processing_id=printed("P")), Facts(seen=seen), tables, arrived_at=ARRIVED, live=True, now=ARRIVED
    )
    assert live.findings == ()
