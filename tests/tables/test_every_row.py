"""Every row of the reference tables against what we map: equal, or listed here by name with the reason why not.

A row that is neither fails: a new fact, or a new pad, has to be decided on. Where the rows come from: data/README.md.
"""

from __future__ import annotations

import re
from decimal import Decimal

import lark
import pytest
import ucumvert

from bridge.model import Flag, ResultStatus
from bridge.render import hl7_rules, segments, value_rules
from bridge.tables.additions import URINE_TYPES
from bridge.tables.conversion import factor
from bridge.tables.documents import CodeRow, Scale
from tests.tables.shipped_tables import catalogue, rows

CATALOGUE = catalogue()
UNITS = CATALOGUE.units

# --- LOINC ------------------------------------------------------------------------------------

METHODS = {
    "Test strip.automated": "automated",
    "Test strip": "strip",
    "Detection limit <= 20 mg/L test strip": "strip",
    "": "none",
}
PADS = {"pH": "ph", "specific gravity": "specific_gravity", "leukocyte esterase": "leukocytes", "microalbumin": "albumin"}
PADS |= {"ascorbic acid": "ascorbic_acid", "albumin/creatinine ratio": "albumin_creatinine"}
PADS |= {"protein/creatinine ratio": "protein_creatinine"}
NO_PAD = {
    "specimen source": "not a pad; its name was never seen in text",
}
NOT_MAPPED = {
    "22705-8": "not confirmed: code lists only",
    "20406-5": "deprecated by LOINC, though still listed in a published value set",
    "2349-9": "one named source only, and a strip's own codes are nearer",
    "33903-6": "one named source only, and a strip's own codes are nearer",
    "33051-4": "one named source only, and a strip's own codes are nearer",
    "58450-8": "a confirmatory method, not a strip",
    "5810-7": "a refractometer, not a strip",
    "50562-8": "a refractometer, not a strip",
    "53963-5": "seen by eye, not a strip",
    "53292-9": "a particle counter, not a strip",
    "53316-6": "a particle counter, not a strip",
    "4636-7": "free haemoglobin: no strip of ours tells it from cells",
    "53525-2": "a precipitation test, not a strip",
    "2657-5": "method-free, and the strip's own mass code 20407-3 is nearer",
    "32782-5": "two pads in one answer; ours are two answers",
    "27297-1": "units of enzyme activity: no strip prints them",
    "14957-5": "a laboratory assay, not a strip",
    "24356-8": "the panel with microscopy, which a strip has not",
    "14959-1": "a laboratory assay, not a strip",
    "30000-4": "a laboratory assay, not a strip",
    "9318-7": "one named source only, and the strip's own code 20621-9 is nearer",
    "98121-7": "a grade of the ratio; one named source only",
    "50553-7": "not confirmed: code lists only, and its name was never seen",
    "20627-6": "turbidity; a published value set has it as colour",
    "50552-9": "a refractometer, not a strip",
    "5767-9": "appearance is colour and clarity in one; ours are two answers",
    "34535-5": "discouraged by LOINC, and not a dipstick panel",
}
STATUS_NOT_SHOWN = {
    "25428-4": "the source is the panel's page, which lists active members",
    "57751-0": "the sources show names, not the table's row",
    "49137-3": "the sources show names, not the table's row",
    "57735-3": "the sources show names, not the table's row",
    "5768-7": "the sources show names, not the table's row",
    "30004-6": "the sources show names, not the table's row",
    "5778-6": "the sources show names, not the table's row",
    "2161-8": "the sources show names, not the table's row",
}
OTHER_EXAMPLE_UNIT = {
    "5811-5": "{Spec grav} fails in UCUM, since a remark has no blank; 1 is the same and valid",
    "2888-6": "g/dL is a laboratory's scale for protein; strips print mg/dL or g/L",
    "19161-9": "{Ehrlich'U}/dL reads as a bare number per decilitre; [EU]/dL is UCUM's unit",
    "32727-0": "{Ehrlich'U}/dL reads as a bare number per decilitre; [EU]/dL is UCUM's unit",
}
LOINC = rows("loinc_pads.csv")
PANELS = {panel.code for panel in (CATALOGUE.panel, CATALOGUE.visual_panel) if panel is not None}
MAPPED = {code.code: (name, code) for name, pad in CATALOGUE.pads.items() for code in pad.codes}


@pytest.mark.parametrize("row", LOINC, ids=lambda row: row["loinc"])
def test_every_loinc_row(row: dict[str, str]) -> None:
    """A code that we send has pad, name, property, scale, method, status and unit of its row; any other has its reason."""
    if row["loinc"] not in MAPPED:
        assert row["loinc"] in NOT_MAPPED or row["pad"] in NO_PAD or row["loinc"] in PANELS
        return
    name, code = MAPPED[row["loinc"]]
    assert row["loinc"] not in NOT_MAPPED
    assert name == PADS.get(row["pad"], row["pad"])
    assert (code.text, code.property.value, code.scale, code.method) == (
        row["long_common_name"],
        row["property"],
        row["scale"],
        METHODS.get(row["method"], row["method"]),
    )
    assert row["check_digit_ok"] == "Y"
    assert (row["status"] == "ACTIVE") is (row["loinc"] not in STATUS_NOT_SHOWN)
    assert code.status == ("" if row["loinc"] in STATUS_NOT_SHOWN else row["status"])
    agrees = example_units(row) <= set(CATALOGUE.pads[name].units.get(code.property, ()))
    assert agrees is (row["loinc"] not in OTHER_EXAMPLE_UNIT)


def example_units(row: dict[str, str]) -> set[str]:
    """Give LOINC's own example units of a row, and those of the independent code and unit list."""
    return {unit for column in ("example_ucum", "nlm_ucum_2_67") for unit in row[column].split(";") if unit}


def test_every_reason_is_of_a_row() -> None:
    """A reason for a code that no longer differs would hide the next difference."""
    codes = {row["loinc"] for row in LOINC}
    assert len(LOINC) == len(codes) == 104
    assert set(NOT_MAPPED) | set(STATUS_NOT_SHOWN) | set(OTHER_EXAMPLE_UNIT) <= codes
    assert set(MAPPED) <= codes
    assert {row["pad"] for row in LOINC} >= set(NO_PAD)
    assert sorted(PANELS) == ["24357-6", "50556-0"]


def test_strip_scales_are_semi_quantitative() -> None:
    """Since LOINC 2.75 a strip's number is SemiQn; Qn is right only where no method is named."""
    scales: dict[str, set[str]] = {}
    for _, code in MAPPED.values():
        scales.setdefault(kind(code), set()).add(code.scale)
    assert scales == {
        "grade": {"Ord"},
        "word": {"Nom"},
        "strip": {"SemiQn", ""},
        "none": {"Qn", "SemiQn"},
    }  # 2756-5: pH is SemiQn without a method


def kind(code: CodeRow) -> str:
    """Say whether a code is of a grade, a word, a strip's number, or a number without a method."""
    if code.property.value in {"PrThr", "Type"}:
        return "grade" if code.property.value == "PrThr" else "word"
    return "none" if code.method == "none" else "strip"


# --- UCUM -------------------------------------------------------------------------------------

UCUM = rows("ucum_units.csv")
PARSER = ucumvert.get_ucum_parser()
REMARK = "a remark in braces is text only, and UCUM says to compare without it: the bare unit is sent"
RATIO = "of what the ratio is to is not said, or another size of the same: mg/g{creat}, mg/mmol{creat} and g/mmol{creat} are used"
OTHER_SCALE = "valid, and no strip scale of ours is in it"
INVALID = "refused by UCUM"
NO_UNIT = {
    **dict.fromkeys(["g/dL", "ug/mL", "mmol/dL", "10*3/uL", "mg/mL", "%", "[iU]/L", "[arb'U]/mL", "[arb'U]/dL"], OTHER_SCALE),
    **dict.fromkeys(["{RBC}/uL", "{RBCs}/uL", "{Ery}/uL", "{ERY}/uL", "{Leu}/uL", "{WBC}/uL", "{WBCs}/uL", "{cells}/uL"], REMARK),
    **dict.fromkeys(["{SG}", "{s.g.}", "{EhrlichU}/dL", "{arb}", "{titer}", "{score}", "{Trace}"], REMARK),
    **dict.fromkeys(["/[HPF]", "{RBC}/[HPF]", "/[LPF]"], "microscopy, not a strip"),
    **dict.fromkeys(["mg/mmol", "mg/g", "mg/mg{creat}"], RATIO),
    **dict.fromkeys(["ug/mg{creat}", "mol/mol{creat}"], RATIO),
    **dict.fromkeys(["{Spec grav}", "{specific gravity}", "{urine specific gravity}", "mcg/mL", "[drb'U]"], INVALID),
    **dict.fromkeys([" mg/dL", "mg / dL", "/hpf", "/HPF"], INVALID),
}


def parses(unit: str) -> bool:
    """Say whether ucumvert, a UCUM library that is not ours, reads a unit."""
    try:
        PARSER.parse(unit)
    except lark.exceptions.UnexpectedInput:
        return False
    return True


@pytest.mark.parametrize("row", UCUM, ids=lambda row: row["ucum"])
def test_every_ucum_row(row: dict[str, str]) -> None:
    """The library agrees with the row; what we send is valid and no trap; what we do not send is refused or has its reason."""
    unit = row["ucum"]
    assert parses(unit) is (row["ucumvert_0_3_2"] == "parse ok")
    if unit in UNITS:
        assert row["both_accept"] == "Y"
        assert "TRAP" not in row["recommendation"]
    assert (unit in UNITS) + (unit in CATALOGUE.refused_units) + (unit in NO_UNIT) == 1
    if NO_UNIT.get(unit) == INVALID:
        assert row["both_accept"] == "N"


def test_every_unit_of_ours_is_in_a_row() -> None:
    """No unit is sent, and none refused, that two validators were not asked about."""
    known = {row["ucum"] for row in UCUM}
    assert len(known) == 67
    assert set(UNITS) | set(CATALOGUE.refused_units) | set(NO_UNIT) == known


@pytest.mark.parametrize("unit", sorted(UNITS))
def test_sizes_are_those_of_a_library(unit: str) -> None:
    """How many base units a unit is, is what the library makes of it; a unit of no family is its own."""
    base = {"MCnc": "mg/L", "SCnc": "umol/L", "NCnc": "/uL", "MRto": "mg/g", "Ratio": "mg/mmol"}.get(UNITS[unit].property.value)
    if base is None:
        assert UNITS[unit].size == "1"
        return
    registry = ucumvert.PintUcumRegistry()
    size = registry.from_ucum(unit).to(registry.from_ucum(base).units).magnitude
    assert size == pytest.approx(float(UNITS[unit].size), rel=1e-12)


# --- conversions ------------------------------------------------------------------------------

CONVERSIONS = rows("conversions.csv")
CONVERTED = {
    "glucose": "glucose",
    "bilirubin": "bilirubin",
    "ketones (as acetoacetic acid)": "ketones",
    "urobilinogen": "urobilinogen",
    "creatinine": "creatinine",
    "ascorbic acid": "ascorbic_acid",
    "protein": "protein",
    "nitrite": "nitrite",
    "calcium": "calcium",
    "albumin (microalbumin)": "albumin",
    "haemoglobin (free)": "blood",
    "leukocytes / erythrocytes": "leukocytes",
    "pH": "ph",
    "specific gravity": "specific_gravity",
    "albumin/creatinine ratio": "albumin_creatinine",
    "protein/creatinine ratio": "protein_creatinine",
}
NOT_CONVERTED = {
    ("ketones (as acetone)", "mmol/L"): "only if the reader states acetone; no strip of ours does",
    ("urobilinogen (alternative formula)", "umol/L"): "a formula from memory, 0.34 % away; C33H42N4O6 is LOINC's",
    ("urobilinogen Ehrlich units", "mg/dL"): "a convention: UCUM's [EU] is arbitrary",
    ("albumin (microalbumin)", "umol/L"): "the row says so: do not use for strips",
    ("haemoglobin to erythrocytes", "/uL"): "equivalence by a standard, not by chemistry: never converted",
}


@pytest.mark.parametrize("row", CONVERSIONS, ids=lambda row: f"{row['analyte']} {row['to_unit']}")
def test_every_conversion_row(row: dict[str, str]) -> None:
    """What our molar masses and unit sizes give is the row's factor within its six digits; or nothing is converted, and why."""
    key = (row["analyte"], row["to_unit"])
    ours = ours_of(row)
    if key in NOT_CONVERTED:
        assert ours is None
        return
    assert ours is not None
    assert abs(ours / Decimal(row["factor"]) - 1) < Decimal("0.00001")
    assert abs(ours * Decimal(row["inverse"]) - 1) < Decimal("0.00001")


def ours_of(row: dict[str, str]) -> Decimal | None:
    """Give our factor of a row; None where the catalogue joins no two such units of that pad."""
    name = CONVERTED.get(row["analyte"])
    remark = (
        "{creat}" if row["analyte"].endswith("creatinine ratio") else ""
    )  # ours say of what the ratio is; UCUM compares without it
    units = [row[key] + remark for key in ("from_unit", "to_unit")]
    if name is None or not set(units) <= UNITS.keys():
        return None
    low, high = (Scale(property=UNITS[unit].property, unit=unit) for unit in units)
    return factor(low, high, UNITS, CATALOGUE.pads[name].molar_mass)


@pytest.mark.parametrize(
    "row", [row for row in CONVERSIONS if "g/mol" in row["basis"] and row["analyte"] in CONVERTED], ids=lambda row: row["analyte"]
)
def test_molar_masses_are_the_rows(row: dict[str, str]) -> None:
    """The catalogue's molar mass and formula are those that the row was computed with."""
    mass = CATALOGUE.pads[CONVERTED[row["analyte"]]].molar_mass
    assert mass is not None
    found = re.match(r"(\S+) ([0-9.]+) g/mol", row["basis"])
    assert found is not None
    assert (mass.formula, Decimal(mass.grams_per_mole)) == (
        "C4H7N3O" if found[1] == "creatinine" else found[1],
        Decimal(found[2]),
    )


# --- HL7 tables -------------------------------------------------------------------------------

HL7 = rows("hl7_tables.csv")
SENT = {  # what our messages say, by table
    "0074": {"LAB"},  # fhir.py: the category of the report
    "0078": {flag.value for flag in Flag},
    "0085": {status.value for status in ResultStatus},
    "0123": set(segments.REPORTS.values()),
    "0125": set(value_rules.TABLE_0125),
    "0369": {role.split("^")[0] for role in segments.ROLES.values()},
    "0487": set(URINE_TYPES),
}
LISTED = {"0078": value_rules.TABLE_0078, "0085": value_rules.TABLE_0085, "0123": hl7_rules.TABLE_0123}
NOT_IN_LIST = {("0125", "CWE"): "the library's list of 2.5.1 has CE and not CWE, which chapter 2 of 2.5.1 has as a data type"}
NO_CODE = {("0078", "null"): "stands for a field that is left empty, not for a code"}
NOT_SENT = {
    "0038": "ORC-5: the receiver's order is not known to us",
    "0065": "OBR-11: nobody is asked for a specimen",
    "0203": "PID-3.5: the site says which type its patient numbers have",
    "0301": "no identifier of ours is universal",
}


@pytest.mark.parametrize("row", HL7, ids=lambda row: f"{row['table']} {row['code']}")
def test_every_hl7_row(row: dict[str, str]) -> None:
    """What we send is in the list of 2.5.1, our own rules allow exactly that list, and FHIR knows the flags by the same letter."""
    table, code = row["table"], row["code"]
    assert (table in SENT) is not (table in NOT_SENT)
    if code in SENT.get(table, set()):
        assert (row["in_v2_5_1_hl7apy"] == "Y") is ((table, code) not in NOT_IN_LIST)
        if table == "0078":
            assert row["fhir_equivalent"].startswith(f"v3-ObservationInterpretation {code} ")
            assert row["fhir_equivalent"].endswith("(active)")
    if table in LISTED and (table, code) not in NO_CODE:
        assert (code in LISTED[table]) is (row["in_v2_5_1_hl7apy"] == "Y")


def test_every_code_that_we_send_is_in_a_row() -> None:
    """Nothing is sent, and no reason given, that the tables do not have."""
    known = {(row["table"], row["code"]) for row in HL7}
    assert len(HL7) == len(known) == 188
    assert {(table, code) for table, codes in SENT.items() for code in codes} <= known
    assert set(NOT_IN_LIST) | set(NO_CODE) <= known
    assert {table for table, _ in known} == set(SENT) | set(NOT_SENT)
