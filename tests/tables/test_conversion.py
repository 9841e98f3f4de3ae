"""Two units of one concentration, against factors of outside sources and a library of molecular masses."""

from __future__ import annotations

from decimal import Decimal

import molmass
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.model import Property, Quantity
from bridge.tables.conversion import factor, is_one_rounding, is_within_print, shown
from bridge.tables.documents import Scale
from tests.tables.shipped_tables import catalogue, rows

UNITS = catalogue().units
PADS = {name: pad for name, pad in catalogue().pads.items() if pad.molar_mass is not None}
ANALYTES = {"ketones": "ketones (as acetoacetic acid)", "ascorbic_acid": "ascorbic acid"}
ANALYTES |= {"albumin_creatinine": "albumin/creatinine ratio", "protein_creatinine": "protein/creatinine ratio"}
GLUCOSE = Decimal("0.0555074")  # conversions.csv: mg/dL to mmol/L


def scale(unit: str) -> Scale:
    """Give the scale of a unit, with the property that the catalogue says it has."""
    return Scale(property=UNITS[unit].property, unit=unit)


@pytest.mark.parametrize("name", sorted(PADS))
def test_molar_masses_are_those_of_a_library(name: str) -> None:
    """Each formula weighs what molmass, which is not ours, computes from the isotopes: within a tenth of a per mille."""
    row = PADS[name].molar_mass
    assert row is not None
    mass = molmass.Formula(row.formula).mass
    assert abs(float(row.grams_per_mole) / mass - 1) < 1e-4


@pytest.mark.parametrize("name", sorted(PADS))
def test_molar_masses_give_the_published_factors(name: str) -> None:
    """Every molar row of conversions.csv for a pad that we map is what our molar mass gives, to its printed digits."""
    analyte = ANALYTES.get(name, name)
    remark = "{creat}" if analyte.endswith("creatinine ratio") else ""  # ours say of what the ratio is
    compared = 0
    for row in rows("conversions.csv"):
        if row["analyte"] == analyte and row["to_unit"] in {"mmol/L", "umol/L", "mg/mmol"}:
            by = factor(scale(row["from_unit"] + remark), scale(row["to_unit"] + remark), UNITS, PADS[name].molar_mass)
            assert by is not None
            assert abs(by / Decimal(row["factor"]) - 1) < Decimal("0.00001")
            assert abs(by / Decimal(row["published_factor"] or row["factor"]) - 1) < Decimal("0.0015")  # published: 3 digits
            compared += 1
    assert compared == {"creatinine": 2, "ascorbic_acid": 2}.get(name, 1)


@pytest.mark.parametrize(
    ("low", "high", "by"),
    [
        ("mg/dL", "g/L", "0.01"),  # conversions.csv: protein
        ("mg/L", "mg/dL", "0.1"),  # conversions.csv: albumin (microalbumin)
        ("mg/dL", "mg/L", "10"),  # conversions.csv: haemoglobin (free)
        ("/uL", "10*6/L", "1"),  # conversions.csv: leukocytes / erythrocytes
        ("[pH]", "[pH]", "1"),
        ("1", "1", "1"),
    ],
)
def test_units_of_one_property_need_no_mass(low: str, high: str, by: str) -> None:
    """Powers of ten are exact: no molar mass, no rounding."""
    assert factor(scale(low), scale(high), UNITS, None) == Decimal(by)


@pytest.mark.parametrize(("low", "high"), [("mg/dL", "/uL"), ("[EU]/dL", "mg/dL"), ("[EU]/dL", "umol/L")])
def test_what_only_a_convention_joins_is_not_joined(low: str, high: str) -> None:
    """conversions.csv: haemoglobin to cells is "equivalence by standard, not by chemistry"; UCUM marks [EU] as arbitrary."""
    assert factor(scale(low), scale(high), UNITS, PADS["urobilinogen"].molar_mass) is None


def test_mass_and_substance_need_a_molar_mass() -> None:
    """Without it nothing is guessed; with it the two ways are each other's inverse."""
    mass = PADS["glucose"].molar_mass
    assert factor(scale("mg/dL"), scale("mmol/L"), UNITS, None) is None
    there, back = (
        factor(scale("mg/dL"), scale("mmol/L"), UNITS, mass),
        factor(scale("mmol/L"), scale("mg/dL"), UNITS, mass),
    )
    assert there is not None
    assert back is not None
    assert abs(there * back - 1) < Decimal("1e-20")


def test_every_unit_has_the_property_that_its_codes_have() -> None:
    """A unit belongs to one property, so that a mass is never sent under a count's code."""
    assert {unit: row.property for unit, row in UNITS.items()} == {
        "mg/dL": Property.MASS,
        "mg/L": Property.MASS,
        "g/L": Property.MASS,
        "mmol/L": Property.SUBSTANCE,
        "umol/L": Property.SUBSTANCE,
        "/uL": Property.COUNT,
        "10*6/L": Property.COUNT,
        "[EU]/dL": Property.ARBITRARY,
        "[pH]": Property.ACIDITY,
        "mg/g{creat}": Property.MASS_RATIO,
        "mg/mmol{creat}": Property.RATIO,
        "g/mmol{creat}": Property.RATIO,
        "1": Property.GRAVITY,
    }


@pytest.mark.parametrize(
    ("mg", "mmol", "within", "one"),
    [
        ("100", "5.6", True, True),  # 5.55 rounds up
        ("100", "5.5", True, False),  # 5.5507 rounds up, and 5.5 is 99.09; 99.9 mg/dL would be 5.545
        ("100", "5.7", False, False),
        ("1000", "55", True, False),  # 55.507: only 999.5 to 1000.5 reaches 55.5
        ("90", "5.0", True, True),
        ("1", "0.1", True, True),  # 0.0555 rounds up
        ("0", "0.0", True, True),
    ],
)
def test_agreement_is_that_of_what_is_printed(mg: str, mmol: str, within: bool, one: bool) -> None:
    """Two printed numbers agree if one concentration is printed as both: half of each last digit, and no more."""
    low, high = Quantity(value=Decimal(mg), unit="mg/dL"), Quantity(value=Decimal(mmol), unit="mmol/L")
    assert (is_within_print(low, high, GLUCOSE), is_one_rounding(low, high, GLUCOSE)) == (within, one)


@pytest.mark.parametrize(
    ("value", "text"), [("4.440592", "4.441"), ("0.35", "0.35"), ("1200.00", "1200"), ("66.60888", "66.61"), ("169287", "169300")]
)
def test_converted_numbers_are_shown_short(value: str, text: str) -> None:
    """A remedy shows enough digits to print any scale, and no power of ten."""
    assert shown(Decimal(value)) == text


@given(st.integers(min_value=1, max_value=2000), st.integers(min_value=0, max_value=3), st.booleans())
def test_what_is_rounded_from_the_other_always_agrees(mg: int, decimals: int, is_up: bool) -> None:
    """Whatever digits a maker prints: a number that is the other one converted and rounded passes, and two last digits off never does."""
    low = Quantity(value=Decimal(mg), unit="mg/dL")
    digit = Decimal(1).scaleb(-decimals)
    right = (low.value * GLUCOSE).quantize(digit)
    assert is_one_rounding(low, Quantity(value=right, unit="mmol/L"), GLUCOSE)
    assert is_within_print(low, Quantity(value=right, unit="mmol/L"), GLUCOSE)
    off = max(digit, GLUCOSE) * 2
    wrong = (right + off if is_up else right - off).quantize(digit)
    assert not is_within_print(low, Quantity(value=wrong, unit="mmol/L"), GLUCOSE)
