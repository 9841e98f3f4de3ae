"""Computed ratios, against exact fractions, the published factor, and every concentration that two open steps may stand for."""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction

import pytest

from bridge.coding import code_step
from bridge.model import Property, Quantity, Step
from bridge.tables.conversion import factor, is_within_print
from bridge.tables.documents import Scale, StripTypeDocument
from bridge.tables.ladders import strip_type
from bridge.tables.types import StripRatio
from tests.tables.shipped_tables import catalogue, rows, tables

STRIP = tables().strip_types["sorrel-14"]
PADS = {pad.pad: pad for pad in STRIP.pads}
LIMITS = {"albumin_creatinine": 30, "protein_creatinine": 200}  # mg/g: sources in catalogue.yaml, expected
FACTOR = Fraction(next(row["factor"] for row in rows("conversions.csv") if row["analyte"] == "albumin/creatinine ratio"))
FAR = [Fraction(1, 1000), Fraction(1, 3), Fraction(1), Fraction(3), Fraction(1000)]  # how far beyond an open end a value is tried


def numbered() -> list[tuple[StripRatio, Step, Step]]:
    """Give every two steps that both have a number."""
    return [
        (ratio, of, to)
        for ratio in STRIP.ratios
        for of in PADS[ratio.of].ladder
        for to in PADS[ratio.to].ladder
        if of.conventional and to.conventional
    ]


def possible(number: Quantity) -> list[Fraction]:
    """Give concentrations that a printed number may stand for: itself, and on the open side nearer and farther ones."""
    exact = Fraction(number.value)
    return [exact * far for far in FAR if far == 1 or ((far > 1) is number.comparator.startswith(">") and number.comparator)]


def quotients(of: Step, to: Step) -> list[Fraction]:
    """Give the ratios in mg/g that two steps may stand for; both are in mg/dL, so the unit cancels."""
    assert of.conventional is not None
    assert to.conventional is not None
    return [upper / lower * 1000 for upper in possible(of.conventional) for lower in possible(to.conventional)]


def holds(told: Quantity, exact: Fraction) -> bool:
    """Say whether what is told is true of an exact value; a plain number is right within half of its last digit."""
    value, half = Fraction(told.value), Fraction(Decimal(1).scaleb(int(told.value.as_tuple().exponent))) / 2
    match told.comparator:
        case "":
            return abs(value - exact) <= half
        case ">=":
            return exact >= value
        case _:
            return told.comparator == "<=" and exact <= value


@pytest.mark.parametrize(
    ("ratio", "of", "to"), numbered(), ids=lambda part: part.pad.pad if isinstance(part, StripRatio) else part.rank
)
def test_what_is_told_is_true_of_every_possible_value(ratio: StripRatio, of: Step, to: Step) -> None:
    """An open step keeps its honesty: whatever was in the urine, ">=" and "<=" hold, in both unit systems, and so does the flag."""
    step = ratio.steps.get((of.rank, to.rank))
    limit = LIMITS[ratio.pad.pad]
    if step is None:
        # left out for one of two reasons: it may be anything, or it may lie on either side of the limit
        assert min(quotients(of, to)) < limit < max(quotients(of, to))
        return
    assert step.conventional is not None
    assert step.si is not None
    assert (step.conventional.unit, step.si.unit, step.grade) == ("mg/g{creat}", "mg/mmol{creat}", None)
    for exact in quotients(of, to):
        assert holds(step.conventional, exact)
        # the published factor has six digits, so the last told digit of the SI number gets that much room
        assert holds(step.si, exact * FACTOR) or abs(exact * FACTOR - Fraction(step.si.value)) < exact * FACTOR / 100000
        assert step.abnormal is (exact >= limit) or abs(exact - limit) <= Fraction(1, 2)


def test_these_pairs_give_none() -> None:
    """Both open against each other, or open over the limit; a protein without number (negative) gives none at all."""
    missing = {
        ratio.pad.pad: sorted(
            {(of.rank, to.rank) for of in PADS[ratio.of].ladder for to in PADS[ratio.to].ladder} - set(ratio.steps)
        )
        for ratio in STRIP.ratios
    }
    assert missing == {
        "albumin_creatinine": [(0, 0), (0, 1), (3, 4)],
        "protein_creatinine": [(0, 0), (0, 1), (0, 2), (0, 3), (0, 4), (3, 4), (4, 4)],
    }


def told(of: int, to: int) -> tuple[str, str]:
    """Give what the albumin/creatinine ratio of two steps is told as."""
    step = STRIP.ratios[0].steps[of, to]
    assert step.conventional is not None
    assert step.si is not None
    return (f"{step.conventional.comparator}{step.conventional.value}", f"{step.si.comparator}{step.si.value}")


def test_worked_examples() -> None:
    """By hand: 8.5/110 mg/dL is 77.27 mg/g, times 0.113118 is 8.74 mg/mmol; 2.8/12 is 233.3, at least, and 8.5/320 is 26.6, at most."""
    assert told(2, 2) == ("77", "8.7")
    assert told(1, 0) == (">=233", ">=26.3")
    assert told(2, 4) == ("<=27", "<=3.1")
    assert told(3, 0) == (">=1166", ">=131.9")


def test_the_ladder_of_a_ratio_rises() -> None:
    """Its distinct values in rising order, ranks from 0: what plans and samples walk through."""
    for ratio in STRIP.ratios:
        values = [step.conventional.value for step in ratio.pad.ladder if step.conventional]
        assert values == sorted(values)
        assert [step.rank for step in ratio.pad.ladder] == list(range(len(values)))
        assert set(ratio.steps.values()) == set(ratio.pad.ladder)


def test_other_strips_compute_nothing() -> None:
    """A ratio is computed only where a strip type asks for it, even if it has both pads."""
    assert {name for name, strip in tables().strip_types.items() if strip.ratios} == {"sorrel-14"}
    assert {pad.pad for pad in tables().strip_types["pebble-2"].pads} == {"albumin", "creatinine"}


def test_a_printed_ratio_is_a_pad_like_any_other() -> None:
    """An analyzer that prints it needs no computing: a ladder of its own, the same codes, and no mark."""
    document = StripTypeDocument.model_validate(
        {
            "title": "Prints its ratio",
            "origin": "invented for this test",
            "pads": [
                {
                    "pad": "albumin_creatinine",
                    "conventional": {"property": "MRto", "unit": "mg/g{creat}"},
                    "si": {"property": "Ratio", "unit": "mg/mmol{creat}"},
                    "ladder": [
                        {"conventional": "<=25", "si": "<=2.8", "abnormal": False},
                        {"conventional": "90", "si": "10.2", "abnormal": True},
                    ],
                }
            ],
        }
    )
    made = strip_type("prints-1", document, tables().catalogue.pads, catalogue())
    coded = code_step(tables().catalogue.pads["albumin_creatinine"], made.pads[0], made.pads[0].ladder[1], {}, printed="90")
    assert [form.code.code for form in coded.forms] == ["20621-9", "30001-2"]
    assert (coded.computed_from, coded.flag.value, made.ratios) == ((), "H", ())


def test_a_printed_ratio_must_agree_through_creatinine() -> None:
    """90 mg/g is 10.2 mg/mmol (113.118 g/mol); 12.0 is another ratio, and is refused like any two numbers of one step."""
    low, high = (
        Scale(property=prop, unit=unit)
        for prop, unit in ((Property.MASS_RATIO, "mg/g{creat}"), (Property.RATIO, "mg/mmol{creat}"))
    )
    by = factor(low, high, catalogue().units, catalogue().pads["albumin_creatinine"].molar_mass)
    assert by is not None
    assert abs(Fraction(by) / FACTOR - 1) < Fraction(1, 100000)
    right, wrong = (Quantity(value=Decimal(text), unit="mg/mmol{creat}") for text in ("10.2", "12.0"))
    ninety = Quantity(value=Decimal(90), unit="mg/g{creat}")
    assert is_within_print(ninety, right, by)
    assert not is_within_print(ninety, wrong, by)
