"""A strip's flags, all pads together, for one person."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

from bridge.coding.assessment import Assessment, assess
from bridge.coding.bands import Person
from bridge.model import Flag, Grade, Sex, Step
from bridge.tables.flag_table import Band, Condition, CriticalRule, FlagTable
from bridge.tables.types import Tables
from tests.render.tables_for_tests import STRIP, hand_made, number

ON = date(2026, 11, 25)
INFANT = Band(
    pad="specific_gravity",
    sex=None,
    from_age=0,
    to_age=2,
    expected="1.002-1.015",
    low=number("1.002", "1"),
    high=number("1.015", "1"),
)
MEN = Band(pad="nitrite", sex=Sex.MALE, from_age=0, to_age=None, expected="Negative", abnormal_from=Grade.POSITIVE)
RULE = CriticalRule(
    rule="sugar",
    when=(Condition(pad="glucose", grade=Grade.PLUS_1), Condition(pad="ph", at_most=number("5.0", "[pH]"))),
    text="Sugar in an acid urine.",
)
TABLES = replace(hand_made(), flags=FlagTable(bands={"specific_gravity": (INFANT,), "nitrite": (MEN,)}, critical=(RULE,)))


def steps(*ranks: int) -> dict[str, Step]:
    """Give the steps of the hand-made strip at these ranks."""
    return {pad.pad: pad.ladder[rank] for pad, rank in zip(STRIP.pads, ranks, strict=True)}


def of(person: Person | None, *ranks: int, tables: Tables = TABLES) -> Assessment:
    """Assess a strip."""
    return assess(steps(*ranks), person, tables)


def test_an_infant_has_the_bands_flags() -> None:
    """1.020 is high for an infant and normal for an adult. HZ-G08."""
    infant = of(Person(sex=Sex.FEMALE, born=date(2025, 11, 26), on=ON), 0, 0, 2, 1, 0, 0)
    assert infant.bands == {"specific_gravity": INFANT}
    assert infant.flags["specific_gravity"] is Flag.HIGH
    assert (infant.unsure, infant.critical) == ((), ())
    adult = of(Person(sex=Sex.FEMALE, born=date(1980, 1, 1), on=ON), 0, 0, 2, 1, 0, 0)
    assert adult.bands == {}
    assert adult.flags["specific_gravity"] is Flag.NORMAL


def test_what_is_not_known_is_named() -> None:
    """Both pads have bands that could hold; neither is applied."""
    unknown = of(Person(sex=None, born=None, on=ON), 0, 0, 2, 1, 0, 0)
    assert (unknown.bands, unknown.unsure) == ({}, ("nitrite", "specific_gravity"))
    assert unknown.flags["specific_gravity"] is Flag.NORMAL


def test_a_critical_rule_marks_the_pads_that_it_names() -> None:
    """Its own pads, each by the kind of its condition; the flags without it stay what they are."""
    met = of(Person(sex=None, born=None, on=ON), 2, 0, 1, 0, 0, 0)
    assert met.critical == (RULE,)
    assert met.critical_flags == {"glucose": Flag.CRITICAL, "ph": Flag.CRITICAL_LOW}
    assert (met.flags["glucose"], met.flags["ph"]) == (Flag.ABNORMAL, Flag.NORMAL)
    near = of(Person(sex=None, born=None, on=ON), 2, 0, 1, 1, 0, 0)
    assert (near.critical, near.critical_flags) == ((), {})


def test_a_control_has_no_band_and_is_never_critical() -> None:
    """Control material has no age, and nobody need be told of it."""
    control = of(None, 2, 0, 2, 0, 0, 0)
    assert (control.bands, control.unsure, control.critical, control.critical_flags) == ({}, (), (), {})
    assert control.flags["glucose"] is Flag.ABNORMAL


def test_a_pad_without_a_row_in_the_catalogue_is_left_to_coding() -> None:
    """Coding stops such a strip by name; here it must not be a crash."""
    bare = replace(TABLES, catalogue=replace(TABLES.catalogue, pads={}))
    assert of(Person(sex=None, born=None, on=ON), 2, 0, 1, 0, 0, 0, tables=bare).flags == {}
