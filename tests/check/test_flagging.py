"""What is said of a strip's flags, through the whole of ``check``: bands, marks against them, critical rules, evidence."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from decimal import Decimal

import pytest

from bridge.bench.telling import Critical
from bridge.check import Verdict, check
from bridge.check.flagging import assessed, band_applied, critical_met, to_tell
from bridge.check.understanding import understand_reading
from bridge.coding import Person
from bridge.model import Actor, Decisions, Facts, Grade, Quantity, Reading, Rejected, Severity, Sex
from bridge.tables.flag_table import Band, Condition, CriticalRule, FlagTable
from tests.check.tables_for_tests import ARRIVED, DAILY, NO_FACTS, TABLES, pad, printed, reading

CHILD = Band(pad="protein", sex=None, from_age=0, to_age=12, expected="Negative", abnormal_from=Grade.TRACE)
GIRL = Band(
    pad="glucose",
    sex=Sex.FEMALE,
    from_age=0,
    to_age=None,
    expected="<50",
    high=Quantity(value=Decimal(50), unit="mg/dL"),
)
RULE = CriticalRule(
    rule="sugar-nitrite",
    when=(Condition(pad="glucose", grade=Grade.PLUS_2), Condition(pad="nitrite", grade=Grade.POSITIVE)),
    text="Sugar and nitrite.",
)
PROFILE = replace(DAILY, birth_format="%Y%m%d", sexes={"F": Sex.FEMALE, "M": Sex.MALE})
SITE = replace(
    TABLES,
    profiles={**TABLES.profiles, "daily": PROFILE},
    flags=FlagTable(bands={"protein": (CHILD,), "glucose": (GIRL,)}, critical=(RULE,)),
)
CRITICAL = (("GLU", "500"), ("PRO", "NEG"), ("NIT", "POS"))


def _check(of: Reading, facts: Facts = NO_FACTS) -> Verdict:
    return check(of, facts, SITE, arrived_at=ARRIVED, live=True, now=ARRIVED + timedelta(seconds=1))


def _known(born: str = "20200101", sex: str = "M", **more: object) -> Reading:
    return reading(birth_date=printed(born), sex=printed(sex), **more)  # type: ignore[arg-type]  # as ``reading`` itself


def _said(verdict: Verdict) -> list[tuple[str, str]]:
    return [(each.rule, each.sentence) for each in verdict.findings]


def test_what_is_known_is_kept_and_says_nothing() -> None:
    """The near miss of every rule here: born and sex are kept beside the reading, and are no part of what makes a strip the same."""
    verdict = _check(_known())
    assert verdict.findings == ()
    assert verdict.checked is not None
    assert (verdict.checked.born and verdict.checked.born.isoformat(), verdict.checked.sex) == ("2020-01-01", Sex.MALE)
    bare = _check(reading()).checked
    assert bare is not None
    assert (bare.born, bare.sex, bare.content) == (None, None, verdict.checked.content)


def test_limits_that_could_not_be_applied_are_noted() -> None:
    """Both pads, in one note; a band that cannot hold whatever the unknown is, is not one of them. HZ-G08."""
    assert _said(_check(reading())) == [
        ("flag.no_band", "The patient's age or sex is not known, so the limits for it were not applied: Glucose, Protein.")
    ]
    assert _said(_check(_known("19500101", ""))) == [
        ("flag.no_band", "The patient's age or sex is not known, so the limits for it were not applied: Glucose.")
    ]


@pytest.mark.parametrize(
    ("born", "sex", "rules"),
    [
        ("20270101", "M", ["birth_date.unreadable", "flag.no_band"]),
        ("20200101", "X", ["sex.unknown", "flag.no_band"]),
        ("", "", ["flag.no_band"]),
    ],
)
def test_evidence_that_is_not_understood_stops_nothing(born: str, sex: str, rules: list[str]) -> None:
    """It counts as not known, and every finding is a note."""
    verdict = _check(_known(born, sex))
    assert [each.rule for each in verdict.findings] == rules
    assert not verdict.has(Severity.HOLD)
    assert not verdict.has(Severity.REJECT)


def test_what_was_printed_beside_another_id_is_not_this_patients() -> None:
    """A corrected ID says that the record was made for somebody else: that one's age and sex must not pick the limits."""
    who = Actor(name="B. Ahlers", verified="unverified")
    other = _check(_known(), Facts(decisions=Decisions(patient_id="4712", corrected_by=who)))
    assert other.checked is not None
    assert (other.checked.patient_id, other.checked.born, other.checked.sex) == ("4712", None, None)
    assert [each.rule for each in other.findings] == ["flag.no_band"]
    same = _check(_known(), Facts(decisions=Decisions(patient_id="4711", corrected_by=who)))
    assert same.checked is not None
    assert same.checked.sex is Sex.MALE


def test_the_analyzers_mark_is_compared_with_the_flag_of_the_patients_band() -> None:
    """A child's trace that the analyzer leaves unmarked, and one that it marks, as the band does; a girl's 100 is high by her range. HZ-D07, HZ-G08."""
    unmarked = replace(DAILY, birth_format="%Y%m%d", sexes={"F": Sex.FEMALE, "M": Sex.MALE})
    assert unmarked.marks is not None
    normal = replace(TABLES.strip_types["fern-3"].pads[1].ladder[1], abnormal=False)
    ladder = (TABLES.strip_types["fern-3"].pads[1].ladder[0], normal, TABLES.strip_types["fern-3"].pads[1].ladder[2])
    strip = TABLES.strip_types["fern-3"]
    words = replace(DAILY.vocabularies["fern-3", "protein"], tokens={**DAILY.vocabularies["fern-3", "protein"].tokens})
    tokens = {**words.tokens, "TR": replace(words.tokens["TR"], step=normal)}
    profile = replace(PROFILE, vocabularies={**PROFILE.vocabularies, ("fern-3", "protein"): replace(words, tokens=tokens)})
    site = replace(
        SITE,
        profiles={"daily": profile},
        strip_types={"fern-3": replace(strip, pads=(strip.pads[0], replace(strip.pads[1], ladder=ladder), strip.pads[2]))},
    )

    def said(of: Reading) -> list[tuple[str, str]]:
        return _said(check(of, NO_FACTS, site, arrived_at=ARRIVED, live=True, now=ARRIVED + timedelta(seconds=1)))

    others = (pad("GLU", "NEG"), pad("NIT", "NEG"))
    child = _known("20200101", "M")
    adult = _known("19800101", "M")
    assert said(replace(child, pads=(*others, pad("PRO", "TR", mark="")))) == [
        ("mark.disagrees", "Protein TR: the analyzer does not mark it, the patient's reference range says abnormal.")
    ]
    assert said(replace(child, pads=(*others, pad("PRO", "TR", mark="*")))) == []
    assert said(replace(adult, pads=(*others, pad("PRO", "TR", mark="")))) == []
    assert said(replace(adult, pads=(*others, pad("PRO", "TR", mark="*")))) == [
        ("mark.disagrees", "Protein TR: the analyzer marks it abnormal, the scale does not.")
    ]


def test_a_critical_strip_is_noted_and_goes() -> None:
    """The rule's id and text, first among the notes; nothing is held by it."""
    verdict = _check(_known(pads=CRITICAL, clock="09:58"))
    assert _said(verdict) == [("critical.met", "Critical by the laboratory's rule sugar-nitrite: Sugar and nitrite.")]
    (noted,) = verdict.findings
    assert noted.severity is Severity.NOTE
    assert noted.row == "sugar-nitrite"
    assert noted.remedy == (
        "Tell somebody now, by the laboratory's procedure for critical results, and write it down on the page Telling. "
        "Padpost tells nobody by itself."
    )
    near = _check(_known(pads=(("GLU", "100"), ("PRO", "NEG"), ("NIT", "POS"))))
    assert near.findings == ()


def test_a_stopped_strip_says_that_it_looks_critical() -> None:
    """A strip that waits for its patient ID is still of somebody who may be in danger."""
    assert [each.rule for each in _check(_known(pads=CRITICAL, patient=None)).findings] == ["patient.missing", "critical.met"]


def test_a_control_and_a_strip_of_doubtful_units_are_not_critical() -> None:
    """Nobody need be told of control material, and of values that may be others nothing is said."""
    assert _check(_known(number="C0007", pads=CRITICAL)).findings == ()
    doubtful = (("GLU", "500"), ("PRO", "777"), ("NIT", "POS"))
    assert [each.rule for each in _check(_known(pads=doubtful)).findings] == ["unit.off_scale"]


def test_each_function_on_its_own() -> None:
    """What ``check`` puts together: the assessment, and the two that speak of it."""
    of = understand_reading(reading(pads=CRITICAL), SITE)
    person = Person(sex=None, born=None, on=ARRIVED.date())
    found = assessed(of, person, SITE)
    assert found.critical == (RULE,)
    assert [each.pad for each in band_applied(found, SITE.catalogue.pads)] == ["glucose"]
    assert [each.pad for each in critical_met(found)] == ["glucose"]
    nothing = assessed(of, person, TABLES)
    assert (band_applied(nothing, SITE.catalogue.pads), critical_met(nothing)) == ((), ())


def test_what_somebody_is_to_be_told_has_the_printed_values() -> None:
    """HZ-I01: of whatever outcome; a pad's value as it stands on the slip, with its unit; a strip without a note gives nothing."""
    of = _known(pads=CRITICAL, clock="09:58", patient=None)
    verdict = _check(of)
    outcome = Rejected(findings=verdict.findings, checked=verdict.checked)
    assert to_tell(of, outcome, SITE) == (
        Critical(
            rule="sugar-nitrite", text="Sugar and nitrite.", values=(("Glucose", "500 (2+)"), ("Nitrite", "POS (positive)"))
        ),
    )
    assert to_tell(of, replace(outcome, findings=()), SITE) == ()
    with_unit = replace(
        of, pads=tuple(replace(each, unit=printed("mg/dL")) if each.label.text == "GLU" else each for each in of.pads)
    )
    assert to_tell(with_unit, outcome, SITE)[0].values[0] == ("Glucose", "500 mg/dL (2+)")
