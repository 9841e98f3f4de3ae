"""A value that stands on two unit systems' ladders is judged by the whole strip: whatever was printed, no wrong step goes out.

The mappings and the capture are invented (data/README.md); the random ladders stand on no chart.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from functools import cache
from pathlib import Path

import pytest
from hypothesis import HealthCheck, Phase, assume, find, given, settings
from hypothesis import strategies as st

from bridge import pipeline
from bridge.check import record
from bridge.check.judgement import Verdict, check
from bridge.check.rulebook import RULES
from bridge.check.understanding import Understood, content_of, rival_systems, undecided_pads, understand_reading
from bridge.errors import TableError
from bridge.model import (
    Actor,
    Capture,
    Coded,
    Copy,
    Decisions,
    Facts,
    Finding,
    Grade,
    Held,
    NonPatient,
    PrintedPad,
    Property,
    Quantity,
    Reading,
    Severity,
    Step,
    UnitSystem,
    Way,
)
from bridge.settings import Document, shipped_mappings
from bridge.site import load_tables
from bridge.tables.documents import ProfileDocument
from bridge.tables.types import StripPad, StripType, Tables
from bridge.tables.vocabulary import vocabulary
from tests.check.tables_for_tests import ARRIVED, NO_FACTS, TABLES, UNMARKED, printed, reading
from tests.tables.shipped_tables import POLICY, ZONE
from tests.test_pipeline import Memory

BY = Actor(name="B. Ahlers", verified="unverified")
OWN = Path(__file__).parent / "data" / "undecided"
AT = datetime(2026, 11, 25, 9, 30, tzinfo=UTC)
CONVENTIONAL, SI, ARBITRARY = UnitSystem.CONVENTIONAL, UnitSystem.SI, UnitSystem.ARBITRARY


@cache
def tables() -> Tables:
    """Give the shipped tables with the strip type and the analyzers of this test."""
    return load_tables(shipped_mappings(), OWN, POLICY, zone=ZONE)


def pads(texts: str, units: str = "") -> tuple[PrintedPad, ...]:
    """Give the four printed pads of sorrel-4; ``-`` stands for a unit that was not printed."""
    labels, beside = ("KETO", "BLOO", "LEUK", "GLUC"), units.split() or ["-"] * 4
    return tuple(
        PrintedPad(label=printed(label), value=printed(text), unit=None if unit == "-" else printed(unit))
        for label, text, unit in zip(labels, texts.split(), beside, strict=True)
    )


def strip(texts: str, units: str = "", *, profile: str = "wren", number: str = "N021", **more: object) -> Reading:
    """Give a reading of one strip of sorrel-4, of patient 40718823."""
    when = "2026-11-25 09:14" if profile == "wren" else "202611250914"
    made = reading(profile, number=number, day=when, clock=None, patient="40718823", digest=f"{number}{texts}{units}{profile}")
    return replace(made, pads=pads(texts, units), strip_type=printed("R4"), strip_lot=None, operator=None, **more)  # type: ignore[arg-type]


def understood(texts: str, units: str = "", *, profile: str = "wren") -> Understood:
    return understand_reading(strip(texts, units, profile=profile), tables())


def found(texts: str, units: str = "", *, profile: str = "wren") -> tuple[Finding, ...]:
    """Give what the rules of units say of a strip."""
    of, names = understood(texts, units, profile=profile), tables().catalogue.pads
    return (
        *record.units_agree(of.pads, of.profile.unit_system, names),
        *record.units_decided(of.pads, of.profile.unit_system, names),
    )


# --- the rule, exactly -------------------------------------------------------------------------


def test_a_strip_that_does_not_show_its_units_is_held_for_a_person() -> None:
    """Ketones 5 is the trace in mg/dL and 2+ in mmol/L; blood 0.3 is 2+ or 1+; leukocytes and words are the same in both."""
    (finding,) = found("5 0.3 35 NEG")
    assert finding.sentence == (
        "Ketones “5”, Blood “0.3”: the same text is another step in SI units, "
        "and no value of this strip shows that the analyzer still prints conventional units."
    )
    assert (finding.rule, finding.severity, finding.releasable) == ("unit.undecided", Severity.HOLD, True)
    assert (finding.pad, finding.place) == ("ketones", understood("5 0.3 35 NEG").pads[0].printed.value.place)
    assert finding.remedy == RULES["unit.undecided"].remedy


@pytest.mark.parametrize(
    ("texts", "units", "profile", "why"),
    [
        ("5 0.3 35 80", "", "wren", "glucose 80 is printed in mg/dL only"),
        ("5 0.03 35 NEG", "", "wren", "so is blood 0.03, and it settles ketones too"),
        ("15 NEG 35 NEG", "", "wren", "ketones 15 has one meaning, and proves its system"),
        ("NEG NEG 110 NEG", "", "wren", "words and cell counts are the same step in both"),
        ("5 0.3 35 NEG", "mg/dL mg/dL /uL -", "wren-line", "the units are printed"),
        ("5 0.3 35 NEG", "mg/dL - - -", "wren-line", "one printed unit settles the values without"),
        ("5 0.3 35 NEG", "- - /uL -", "wren-line", "a unit that stands beside a cell count settles it as well"),
    ],
)
def test_one_value_that_only_the_declared_system_prints_settles_it(texts: str, units: str, profile: str, why: str) -> None:
    """The near misses: each strip has what the one above lacks."""
    assert (why, found(texts, units, profile=profile)) == (why, ())


@pytest.mark.parametrize("units", ["", "- - - -"])
def test_a_unit_that_is_not_printed_settles_nothing(units: str) -> None:
    """On the line that prints units, values that come without are as open as in the file."""
    assert [each.rule for each in found("5 0.3 35 NEG", units, profile="wren-line")] == ["unit.undecided"]


@pytest.mark.parametrize(
    ("texts", "units", "profile", "rule"),
    [
        ("5 0.3 35 4.4", "", "wren", "unit.other_system"),
        ("5 0.3 35 81", "", "wren", "unit.off_scale"),
        ("5 0.3 35 NEG", "mmol/L - - -", "wren-line", "unit.differs"),
    ],
)
def test_one_value_of_another_system_stops_the_strip_for_good(texts: str, units: str, profile: str, rule: str) -> None:
    """What shows the other system is a reject, and is said alone. HZ-D05."""
    assert [(each.rule, each.severity) for each in found(texts, units, profile=profile)] == [(rule, Severity.REJECT)]


def test_what_cannot_be_released_is_said_first() -> None:
    """A value that nobody knows stops the strip whatever its units are."""
    verdict = check(strip("5 ERR 35 NEG"), NO_FACTS, tables(), arrived_at=AT, live=True, now=AT)
    assert [each.rule for each in verdict.findings] == ["pad.unknown_value", "unit.undecided"]


def test_which_system_rivals_the_declared_one() -> None:
    """Grades without units are ruled out by any number that is not a pad's only scale; SI by what SI does not print."""
    assert rival_systems(understood("5 0.3 35 NEG").pads) == (SI,)
    assert [each.pad for each in undecided_pads(understood("5 NEG NEG NEG").pads)] == ["ketones"]
    assert rival_systems(understood("NEG NEG NEG NEG").pads) == rival_systems(understood("5 NEG NEG 80").pads) == ()


# --- captures, identity, release ---------------------------------------------------------------


def test_the_captured_strips_come_to_what_they_show() -> None:
    """The fixture: undecided, decided by glucose, without such a number, shown to be SI, and a control that is undecided."""
    payload = (OWN / "wren_undecided.csv").read_bytes()
    capture = Capture(source="files", way=Way.FOLDER, arrived_at=AT, payload=payload, live=False)
    strips = pipeline.understand(capture, tables().profiles["wren"], analyzer="wren-1")
    moment = pipeline.Moment(arrived_at=AT, live=False, now=AT)
    outcomes = [
        pipeline.judge(each, Facts(), tables(), moment=moment, result_id="UNITR1") for each in strips if isinstance(each, Reading)
    ]
    told = [(type(each).__name__, [finding.rule for finding in each.findings]) for each in outcomes]
    assert told == [
        ("Held", ["unit.undecided"]),
        ("Coded", []),
        ("Coded", []),
        ("Rejected", ["unit.other_system"]),
        ("Held", ["unit.undecided"]),
    ]


def test_a_released_control_stays_nobodys() -> None:
    """A person may let a control's units stand; it goes to no record for that."""
    memory = Memory(
        tables=tables(),
        decisions={"one": Decisions(accepted_by={"unit.undecided": BY})},
    )
    assert isinstance(memory.judge(strip("5 NEG NEG NEG", number="C025"), at=AT, place="one"), NonPatient)


def test_only_the_pads_that_hang_on_the_units_are_in_doubt() -> None:
    """Leukocytes and glucose stand whatever the units are; the others are known again once a person saw the display."""
    of = understood("5 0.3 35 NEG")
    assert content_of(of).pads == (("ketones", -3), ("blood", -4), ("leukocytes", 1), ("glucose", 0))
    assert content_of(of, is_decided=True).pads == (("ketones", 1), ("blood", 2), ("leukocytes", 1), ("glucose", 0))
    shown_wrong = content_of(understood("5 0.3 35 4.4"), is_decided=True).pads
    assert shown_wrong == (("ketones", -1), ("blood", -1), ("leukocytes", -1), ("glucose", -1))


@pytest.mark.parametrize("second", ["5 0.3 35 NEG", "51 0.03 35 NEG"])
def test_a_record_that_shows_the_units_replaces_the_undecided_one(second: str) -> None:
    """Sent again by the line, with units: it goes, be its steps those that the file seemed to say or the true ones."""
    memory = Memory(tables=tables())
    assert isinstance(memory.judge(strip("5 0.3 35 NEG"), at=AT, place="file"), Held)
    outcome = memory.judge(strip(second, "mg/dL mg/dL /uL -", profile="wren-line"), at=AT)
    assert isinstance(outcome, Coded)
    assert [each.rule for each in outcome.findings] == ["copy.replaces_stopped"]


def test_the_undecided_one_is_a_copy_once_the_other_has_gone() -> None:
    """Released after all, it is known for the same strip; with other steps it is a conflict, and reaches no record by itself."""
    for second, kind in (("5 0.3 35 NEG", Copy), ("51 0.03 35 NEG", Held)):
        memory = Memory(tables=tables())
        assert isinstance(memory.judge(strip("5 0.3 35 NEG"), at=AT, place="file"), Held)
        assert isinstance(memory.judge(strip(second, "mg/dL mg/dL /uL -", profile="wren-line"), at=AT), Coded)
        memory.decisions["file"] = Decisions(accepted_by={"unit.undecided": BY})
        released = memory.judge(strip("5 0.3 35 NEG"), at=AT, place="file")
        assert isinstance(released, kind)
        if kind is Held:
            assert [each.rule for each in released.findings if each.severity is Severity.HOLD] == ["copy.conflict"]


def test_a_released_one_is_the_strip_that_a_later_record_repeats() -> None:
    """Its steps count from the release on: the same ones are a copy, others a conflict."""
    for second, rule in (("5 0.3 35 NEG", "copy.same_strip"), ("51 0.03 35 NEG", "copy.conflict")):
        memory = Memory(
            tables=tables(),
            decisions={"file": Decisions(accepted_by={"unit.undecided": BY})},
        )
        first = memory.judge(strip("5 0.3 35 NEG"), at=AT, place="file")
        assert isinstance(first, Coded)
        assert [(each.rule, each.severity) for each in first.findings] == [("unit.undecided", Severity.NOTE)]
        assert [pad.printed for pad in first.result.pads] == ["5", "0.3", "35", "NEG"]
        outcome = memory.judge(strip(second, "mg/dL mg/dL /uL -", profile="wren-line"), at=AT)
        assert [each.rule for each in outcome.findings] == [rule]


def test_two_undecided_records_of_one_number_are_both_shown() -> None:
    """What is in doubt is equal only to itself: the second is no copy of the first, and a person sees both."""
    memory = Memory(tables=tables())
    assert isinstance(memory.judge(strip("5 NEG NEG NEG"), at=AT), Held)
    second = memory.judge(strip("NEG 0.3 NEG NEG"), at=AT)
    assert isinstance(second, Held)
    assert [each.rule for each in second.findings] == ["unit.undecided", "copy.replaces_stopped"]
    assert isinstance(memory.judge(replace(strip("5 NEG NEG NEG"), record_digest="x"), at=AT + timedelta(minutes=1)), Copy)


# --- any ladder, any setting -------------------------------------------------------------------

GRADES = (Grade.NEGATIVE, Grade.TRACE, Grade.PLUS_1, Grade.PLUS_2)
POOL = ("1", "2", "3", "5", "0.5", "30", ">=30")  # ours: few numbers, so that ladders collide often
WORDS = {
    "plain": {Grade.NEGATIVE: ("NEG",), Grade.TRACE: ("TR",), Grade.PLUS_1: ("+1",), Grade.PLUS_2: ("+2",)},
    "digits": {Grade.NEGATIVE: ("0",), Grade.TRACE: ("0.5",), Grade.PLUS_1: ("1",), Grade.PLUS_2: ("2",)},
}
UNITS = {"mg/dL": ("mg/dL",), "mmol/L": ("mmol/L",), "mg/L": ("mg/dL",)}  # ours: two scales may share a printed unit
FORMS = ("{value}", "{grade}", "{grade} {value}")


@dataclass(frozen=True, kw_only=True)
class Case:
    """An analyzer that is declared to print one system, a strip type, and a strip that it printed under another setting."""

    pads: tuple[StripPad, ...]
    declared: UnitSystem
    setting: UnitSystem
    form: str
    words: str
    has_units: bool
    ranks: tuple[int, ...]
    without_unit: tuple[bool, ...]


@st.composite
def ladders(draw: st.DrawFn) -> StripPad:
    """Give a pad of two to four steps: graded or not, with one scale, two or none, and numbers from a small pool."""
    size = draw(st.integers(2, 4))
    has_si = draw(st.booleans())
    is_graded = draw(st.booleans())
    numbers = st.lists(st.sampled_from(POOL), min_size=size, max_size=size, unique=True)
    conventional, molar = draw(numbers), draw(numbers)
    si_unit = draw(st.sampled_from(("mmol/L", "mg/L")))
    bare = draw(st.integers(0, size)) if is_graded else 0  # so many steps have no number
    steps = tuple(
        Step(
            rank=rank,
            grade=GRADES[rank] if is_graded else None,
            conventional=None if rank < bare else quantity(conventional[rank], "mg/dL"),
            si=None if rank < bare or not has_si else quantity(molar[rank], si_unit),
            abnormal=False,
        )
        for rank in range(size)
    )
    prop = Property.SUBSTANCE if has_si and bare < size else None
    return StripPad(pad="", ladder=steps, conventional_property=Property.MASS if bare < size else None, si_property=prop)


def quantity(text: str, unit: str) -> Quantity:
    comparator = ">=" if text.startswith(">=") else ""
    return Quantity(value=Decimal(text.removeprefix(comparator)), unit=unit, comparator=comparator)


@st.composite
def cases(draw: st.DrawFn) -> Case:
    drawn = draw(st.lists(ladders(), min_size=1, max_size=4))
    made = tuple(replace(pad, pad=f"pad_{number}") for number, pad in enumerate(drawn))
    return Case(
        pads=made,
        declared=draw(st.sampled_from(UnitSystem)),
        setting=draw(st.sampled_from(UnitSystem)),
        form=draw(st.sampled_from(FORMS)),
        words=draw(st.sampled_from(sorted(WORDS))),
        has_units=draw(st.booleans()),
        ranks=tuple(draw(st.integers(0, len(pad.ladder) - 1)) for pad in made),
        without_unit=tuple(draw(st.booleans()) for _ in made),
    )


def as_printed(step: Step, pad: StripPad, case: Case) -> tuple[str, str]:
    """Give the value and the unit that an analyzer with this setting prints; written apart from the vocabulary."""
    word = WORDS[case.words][step.grade][0] if step.grade else ""
    number = step.si if case.setting is SI and pad.si_property else step.conventional
    if number is None or (case.setting is ARBITRARY and word) or (case.form == "{grade}" and word):
        return word, ""
    text = f"{number.comparator}{number.value}"
    return (f"{word} {text}".strip() if "{grade}" in case.form else text), UNITS[number.unit][0]


def tables_of(case: Case) -> Tables:
    """Compile the case's closed vocabulary. An analyzer whose own texts would have two meanings is no case: tables refuse it."""
    name = "wren-line" if case.has_units else "wren"
    document = Document(OWN / "profiles" / f"{name}.yaml").shaped(ProfileDocument)
    document = document.model_copy(
        update={"unit_system": case.declared, "printed": (case.form,), "words": WORDS[case.words], "units": UNITS}
    )
    try:
        words = {("any", pad.pad): vocabulary(pad, document, ()) for pad in case.pads}
    except TableError:
        assume(False)
    profile = replace(
        UNMARKED,
        unit_system=case.declared,
        vocabularies=words,
        labels={pad.pad: pad.pad for pad in case.pads},
        strip_types={"F3": "any"},
    )
    strip_type = StripType(name="any", title="Any", pads=case.pads)
    return replace(TABLES, strip_types={"any": strip_type}, profiles={UNMARKED.name: profile})


def judged(case: Case) -> Verdict:
    """Print the case's strip, and hold it against every rule."""
    of = []
    for pad, rank, bare in zip(case.pads, case.ranks, case.without_unit, strict=True):
        value, unit = as_printed(pad.ladder[rank], pad, case)
        beside = printed(unit) if case.has_units and unit and not bare else None
        of.append(PrintedPad(label=printed(pad.pad), value=printed(value), unit=beside))
    made = replace(reading(UNMARKED.name), pads=tuple(of))
    return check(made, NO_FACTS, tables_of(case), arrived_at=ARRIVED, live=True, now=ARRIVED)


def ranks_of(verdict: Verdict) -> tuple[int, ...]:
    assert verdict.checked is not None
    return tuple(pad.step.rank for pad in verdict.checked.pads)


@settings(max_examples=600, deadline=None, suppress_health_check=[HealthCheck.filter_too_much, HealthCheck.too_slow])
@given(cases())
def test_no_wrong_step_is_ever_understood(case: Case) -> None:
    """Whatever the ladders, the declared units and the setting: the steps are those that were printed, or the strip is stopped. HZ-D05."""
    verdict = judged(case)
    stops = [each for each in verdict.findings if each.severity is not Severity.NOTE]
    if not stops:
        assert ranks_of(verdict) == case.ranks
    if case.setting is case.declared and not any(case.has_units and bare for bare in case.without_unit):
        assert {each.rule for each in stops} <= {"unit.undecided"}
        assert ranks_of(verdict) == case.ranks


def test_the_random_cases_reach_what_they_are_for() -> None:
    """Among them are strips that only this rule keeps from going out wrong."""

    def only_undecided_keeps_it(case: Case) -> bool:
        verdict = judged(case)
        return {each.rule for each in verdict.findings} == {"unit.undecided"} and ranks_of(verdict) != case.ranks

    quick = settings(max_examples=20_000, deadline=None, database=None, phases=(Phase.generate,))
    case = find(cases(), only_undecided_keeps_it, settings=quick)
    assert case.setting is not case.declared
