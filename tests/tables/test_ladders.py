"""Strip types: typed steps from plain rows. Wrong files are in test_wrong_files.py."""

from __future__ import annotations

from decimal import Decimal

from bridge.model import Grade, Property, Quantity, Step
from bridge.settings import Document, shipped_mappings
from bridge.tables.documents import StripTypeDocument
from bridge.tables.ladders import strip_type
from tests.tables.shipped_tables import catalogue, tables


def test_a_ladder_becomes_steps() -> None:
    """Ranks count from 0, comparator and zeros stay, and a step without a number has none."""
    document = StripTypeDocument.model_validate(
        {
            "title": "Two",
            "origin": "invented",
            "pads": [
                {
                    "pad": "glucose",
                    "conventional": {"property": "MCnc", "unit": "mg/dL"},
                    "si": {"property": "SCnc", "unit": "mmol/L"},
                    "ladder": [
                        {"grade": "negative", "abnormal": False},
                        {"grade": "1+", "conventional": ">=90", "si": ">=5.0", "abnormal": True},
                    ],
                },
                {
                    "pad": "ph",
                    "conventional": {"property": "LsCnc", "unit": "[pH]"},
                    "ladder": [{"conventional": "5.0", "abnormal": False}, {"conventional": "9.0", "abnormal": True}],
                },
            ],
        }
    )
    made = strip_type("two", document, tables().catalogue.pads, catalogue())
    assert (made.name, made.title) == ("two", "Two")
    glucose, ph = made.pads
    assert glucose.ladder == (
        Step(rank=0, grade=Grade.NEGATIVE, conventional=None, si=None, abnormal=False),
        Step(
            rank=1,
            grade=Grade.PLUS_1,
            conventional=Quantity(value=Decimal(90), unit="mg/dL", comparator=">="),
            si=Quantity(value=Decimal("5.0"), unit="mmol/L", comparator=">="),
            abnormal=True,
        ),
    )
    assert (glucose.conventional_property, glucose.si_property) == (Property.MASS, Property.SUBSTANCE)
    assert (ph.conventional_property, ph.si_property) == (Property.ACIDITY, None)
    assert [str(step.conventional.value) for step in ph.ladder if step.conventional] == ["5.0", "9.0"]


def test_no_float_anywhere() -> None:
    """Every number of every shipped ladder is a Decimal: a float would print digits that no analyzer printed."""
    numbers = [
        number
        for strip in tables().strip_types.values()
        for pad in strip.pads
        for step in pad.ladder
        for number in (step.conventional, step.si)
        if number is not None
    ]
    assert len(numbers) == 323
    assert {type(number.value) for number in numbers} == {Decimal}


def test_when_a_pad_is_read_by_eye_is_said_or_not_known() -> None:
    """Seconds after dipping, from the strips' own instructions: the shipped strip types say none, and none is invented."""
    plain = Document(shipped_mappings() / "strip_types" / "quill-10.yaml").shaped(StripTypeDocument).model_dump(mode="json")
    plain["pads"][0]["read_after_s"] = 40
    made = strip_type("ours", StripTypeDocument.model_validate(plain), tables().catalogue.pads, catalogue())
    assert [pad.read_after_s for pad in made.pads] == [40, *[None] * 9]
    assert b"read_after_s" not in tables().canonical
