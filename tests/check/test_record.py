"""Rules of the record: each fires on its own fault, and its near miss does not."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import pytest

from bridge.check import flagging, record
from bridge.check.understanding import Understood, understand_number, understand_reading
from bridge.coding import Person
from bridge.model import Finding, Flag, Place, PrintedPad, Reading, Severity
from bridge.tables.types import StripRatio
from tests.check.tables_for_tests import CATALOGUE, DAILY, STRIP, TABLES, UNMARKED, pad, printed, reading

NAMES = CATALOGUE.pads
NOBODY = Person(sex=None, born=None, on=date(2026, 11, 25))
CLEAN = (pad("GLU", "100", unit="mg/dL"), pad("PRO", "NEG"), pad("NIT", "NEG"))


def _with(*pads: PrintedPad) -> Understood:
    return understand_reading(replace(reading(), pads=pads), TABLES)


def _all(understood: Understood) -> tuple[Finding, ...]:
    pads = understood.pads
    return (
        *record.pads_known(pads, STRIP, NAMES),
        *record.units_agree(pads, understood.profile.unit_system, NAMES),
        *record.values_known(pads, NAMES),
        *record.marks_agree(pads, understood.profile.marks, flagging.assessed(understood, NOBODY, TABLES).flags, NAMES),
        *record.pads_complete(pads, STRIP, NAMES),
    )


def test_a_clean_strip_has_no_finding() -> None:
    """The near miss of every rule here."""
    assert _all(_with(*CLEAN)) == ()


@pytest.mark.parametrize(
    ("pads", "rule", "sentence"),
    [
        ((*CLEAN, pad("XYZ", "NEG")), "pad.unknown", "The pad “XYZ” is not known."),
        ((*CLEAN, pad("KET", "NEG")), "pad.unexpected", "Ketones is not a pad of the strip type Fern 3."),
        ((*CLEAN, pad("PRO", "NEG")), "pad.twice", "Protein comes twice."),
        (CLEAN[:1], "pad.missing", "The record lacks Protein, Nitrite."),
        ((pad("GLU", "E04"), *CLEAN[1:]), "pad.error", "The analyzer could not read Glucose: it printed “E04”."),
        ((pad("GLU", "neg", mark=""), *CLEAN[1:]), "pad.unknown_value", "Glucose: “neg” is not on its scale."),
        ((pad("GLU", ""), *CLEAN[1:]), "pad.unknown_value", "Glucose: it has no value."),
        ((pad("GLU", "120", unit="mg/dL"), *CLEAN[1:]), "pad.unknown_value", "Glucose: “120” is not on its scale."),
        (
            (pad("GLU", "120"), *CLEAN[1:]),
            "unit.off_scale",
            "Glucose: “120” is not on its scale and no unit is printed, so no value of this strip can be trusted.",
        ),
        (
            (pad("GLU", "5.6"), *CLEAN[1:]),
            "unit.other_system",
            "Glucose: “5.6” is a value in SI units; this analyzer is set up for conventional units.",
        ),
        (
            (pad("GLU", "100", unit="mmol/L"), *CLEAN[1:]),
            "unit.differs",
            "Glucose: the unit “mmol/L” is not the one declared for this analyzer, so no value of this strip can be trusted.",
        ),
    ],
)
def test_each_fault_of_a_pad_stops_the_strip(pads: tuple[PrintedPad, ...], rule: str, sentence: str) -> None:
    """One pad that is not understood keeps the whole strip from the record, and nobody can wave it through. HZ-C01, HZ-C06, HZ-D02, HZ-D05."""
    (found,) = _all(_with(*pads))
    assert (found.rule, found.sentence) == (rule, sentence)
    assert (found.severity, found.releasable) == (Severity.REJECT, False)


def test_a_missing_unit_is_a_unit_that_differs() -> None:
    """Where the profile says that a unit always stands beside the value, its absence is a changed setting."""
    vocabularies = {
        key: replace(each, units=frozenset({"mg/dL"})) if key[1] == "glucose" else each
        for key, each in DAILY.vocabularies.items()
    }
    tables = replace(TABLES, profiles={"daily": replace(DAILY, vocabularies=vocabularies)})
    understood = understand_reading(replace(reading(), pads=(pad("GLU", "100"), *CLEAN[1:])), tables)
    (found,) = record.units_agree(understood.pads, DAILY.unit_system, NAMES)
    assert found.sentence == (
        "Glucose: the record prints no unit where one is declared for this analyzer, so no value of this strip can be trusted."
    )
    assert found.place == Place(start=0, end=3)


def test_the_unit_system_is_one_finding_a_strip() -> None:
    """Ten pads in the wrong units are one setting to mend, not ten problems. HZ-D05."""
    understood = _with(pad("GLU", "5.6"), pad("PRO", "300"), pad("NIT", "NEG"))
    assert [each.rule for each in _all(understood)] == ["unit.other_system"]


@pytest.mark.parametrize("token", ["E04", "----", "", "NEGATIVE", "ERR", "0", "neg", "N"])
def test_no_token_outside_the_vocabulary_becomes_negative(token: str) -> None:
    """Unknown never becomes negative (PRODUCT, promise 8). HZ-D02, HZ-G03."""
    understood = _with(pad("GLU", token, mark=""), *CLEAN[1:])
    assert understood.pads[0].step is None
    assert _all(understood)[0].severity is Severity.REJECT


def test_a_ratio_that_is_not_computed_is_noted() -> None:
    """It holds nothing up: the strip goes without it. Where a value was not understood, that is told by itself."""
    made = StripRatio(
        pad=replace(STRIP.pads[0], pad="ketones"), of="glucose", to="protein", steps={(1, 0): STRIP.pads[0].ladder[1]}
    )
    strip = replace(STRIP, ratios=(made,))
    assert record.ratios_computed(_with(*CLEAN).pads, strip, NAMES) == ()
    assert record.ratios_computed(_with(pad("GLU", "E04"), *CLEAN[1:]).pads, strip, NAMES) == ()
    assert record.ratios_computed(_with(*CLEAN[1:]).pads, strip, NAMES) == ()
    (found,) = record.ratios_computed(_with(pad("GLU", "NEG"), *CLEAN[1:]).pads, strip, NAMES)
    assert (found.rule, found.severity, found.pad) == ("ratio.not_computed", Severity.NOTE, "ketones")
    assert found.sentence == "Ketones: Glucose NEG and Protein NEG do not decide it, so none is sent."


def test_marks_that_differ_are_noted_and_unknown_ones_held() -> None:
    """The scale decides; the analyzer's own mark is kept beside it, and a mark nobody knows is looked at. HZ-D07."""
    (missing,) = _all(_with(pad("GLU", "100", unit="mg/dL", mark=""), *CLEAN[1:]))
    assert (missing.rule, missing.severity) == ("mark.disagrees", Severity.NOTE)
    assert missing.sentence == "Glucose 100: the analyzer does not mark it, the scale says abnormal."
    (extra,) = _all(_with(CLEAN[0], pad("PRO", "NEG", mark="*"), CLEAN[2]))
    assert extra.sentence == "Protein NEG: the analyzer marks it abnormal, the scale does not."
    (unknown,) = _all(_with(CLEAN[0], pad("PRO", "NEG", mark="!"), CLEAN[2]))
    assert (unknown.rule, unknown.severity, unknown.releasable) == ("mark.unknown", Severity.HOLD, True)
    assert unknown.sentence == "Protein: the mark “!” is not known."


def test_an_analyzer_without_marks_is_not_asked() -> None:
    """Where the profile declares none, absence says nothing."""
    understood = understand_reading(replace(reading("unmarked"), pads=CLEAN), TABLES)
    assert record.marks_agree(understood.pads, UNMARKED.marks, {"glucose": Flag.ABNORMAL}, NAMES) == ()


@pytest.mark.parametrize(
    ("of", "rule", "severity", "sentence"),
    [
        (reading(number=None), "number.missing", Severity.HOLD, "The record has no strip number."),
        (reading(number="7#"), "number.unreadable", Severity.REJECT, "The strip number “7#” cannot be read."),
        (
            reading(number="Q7"),
            "number.unknown_word",
            Severity.REJECT,
            "“Q7” does not say for what the strip was read: patient, control or another purpose.",
        ),
        (
            reading(number="7", purpose=printed("Z")),
            "number.unknown_word",
            Severity.REJECT,
            "“Z” does not say for what the strip was read: patient, control or another purpose.",
        ),
    ],
)
def test_a_number_without_meaning_stops_the_strip(of: Reading, rule: str, severity: Severity, sentence: str) -> None:
    """A missing number is a person's to decide; one that cannot be read, or an unknown mode, is nobody's."""
    (found,) = record.number_understood(understand_number(of, DAILY.numbers))
    assert (found.rule, found.severity, found.sentence) == (rule, severity, sentence)
    assert found.releasable is (severity is Severity.HOLD)


def test_a_good_number_has_no_finding() -> None:
    """Its near miss."""
    assert record.number_understood(understand_number(reading(number="C7"), DAILY.numbers)) == ()


def test_the_strip_type_must_be_known() -> None:
    """Pads are named, but their scales hang on the type. HZ-C01."""
    (found,) = record.strip_type_known(None, printed("F9", 12))
    assert (found.rule, found.sentence, found.place) == (
        "strip_type.unknown",
        "The strip type “F9” is not known.",
        Place(start=12, end=14),
    )
    (unnamed,) = record.strip_type_known(None, None)
    assert unnamed.sentence == "The record names no strip type."
    assert record.strip_type_known(STRIP, printed("F3")) == ()


def test_a_fault_in_place_of_results_is_told_in_the_analyzers_words() -> None:
    """The remedy is in the analyzer's instructions, which know the code. HZ-D02."""
    (found,) = record.no_fault(printed("E99 LAMP"))
    assert (found.rule, found.sentence) == ("analyzer.fault", "The analyzer reports “E99 LAMP” for this strip.")
    assert record.no_fault(None) == record.no_fault(printed("")) == ()
