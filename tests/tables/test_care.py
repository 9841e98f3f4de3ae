"""The rules between codes, units and properties. What each wrong file is told is in test_wrong_files.py."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.errors import TableError
from bridge.model import Property
from bridge.tables.care import check_catalogue, check_unit
from bridge.tables.compiled import loinc_check_digit
from tests.tables.shipped_tables import catalogue, rows


def test_the_shipped_catalogue_is_sound() -> None:
    """Nothing to refuse in what is shipped."""
    check_catalogue(catalogue())
    assert len(catalogue().pads) == 18


@pytest.mark.parametrize("unit", sorted(catalogue().refused_units))
def test_a_unit_that_looks_right_is_refused_by_name(unit: str) -> None:
    """The traps of the reference table (EU/dL is exa-enzyme-units, pH is picohenry) say what to write instead."""
    row = catalogue().refused_units[unit]
    with pytest.raises(TableError) as caught:
        check_unit(unit, catalogue(), ("catalogue.yaml",))
    assert (caught.value.sentence, caught.value.remedy) == (f"The unit {unit!r} is refused: {row.why}.", f"Write {row.use}.")
    assert row.use in catalogue().units
    assert unit not in catalogue().units


@given(st.text(max_size=12))
def test_only_listed_units_pass(unit: str) -> None:
    """The list is closed: any other text is refused, whatever it is."""
    if unit in catalogue().units:
        check_unit(unit, catalogue(), ("x",))
    else:
        with pytest.raises(TableError):
            check_unit(unit, catalogue(), ("x",))


@pytest.mark.parametrize("name", sorted(catalogue().pads))
def test_every_property_with_numbers_has_units_and_a_code(name: str) -> None:
    """A number without a code cannot be sent, and a code without a unit never is."""
    pad = catalogue().pads[name]
    assert set(pad.units) == {code.property for code in pad.codes} - {Property.ORDINAL, Property.TYPE}


ANSWERS = [row for row in rows("ordinal_codes.csv") if row["system"] == "http://loinc.org"]


@pytest.mark.parametrize("row", ANSWERS, ids=lambda row: row["code"])
def test_answer_check_digit(row: dict[str, str]) -> None:
    """The rule, letters counted as ASCII, holds for every answer code that the source looked up in LOINC 2.82."""
    body, digit = row["code"].split("-")
    assert body.startswith("LA")
    assert loinc_check_digit(body) == int(digit)
