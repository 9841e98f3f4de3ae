"""The known traps of urine-strip coding, each held by a test (coding reference, "Findings that matter"; decision 0010)."""

from __future__ import annotations

from pathlib import Path

import pytest

from bridge.errors import TableError
from bridge.model import Property
from bridge.settings import shipped_mappings
from bridge.site import load_tables
from bridge.tables.conversion import factor
from bridge.tables.documents import Scale
from tests.tables.shipped_tables import POLICY, ZONE, catalogue, rows, spoiled, tables

LOINC = {row["loinc"]: row for row in rows("loinc_pads.csv")}
MAPPED = {code.code: (name, code) for name, pad in catalogue().pads.items() for code in pad.codes}
MISLABELLED = {  # named wrongly in public files: the code, the property that it has, and what it was called
    "5804-0": ("MCnc", "Protein [Presence] in Urine by Test strip"),
    "5792-7": ("MCnc", "Glucose [Presence] in Urine by Test strip"),
    "5797-6": ("MCnc", "Ketones [Presence] in Urine by Test strip"),
    "5818-0": ("PrThr", "Urobilinogen [Mass/volume] in Urine by Test strip"),
}
NEVER = {
    "20406-5": "deprecated, and still in a published value set",
    "20627-6": "turbidity, published as colour",
    "50552-9": "clarity by refractometry, not by eye or strip",
    "50553-7": "not confirmed",
    "22705-8": "not confirmed",
    "53292-9": "a particle counter",
    "53316-6": "a particle counter",
    "53963-5": "blood seen by eye, not on a strip",
    "34535-5": "discouraged, and not a dipstick panel",
    "98121-7": "one named source only",
}


@pytest.mark.parametrize(("code", "said"), MISLABELLED.items())
def test_a_mislabelled_code_keeps_its_own_property(code: str, said: tuple[str, str]) -> None:
    """Many public files call these something else; ours are named and used as LOINC's row has them."""
    _, row = MAPPED[code]
    assert (row.property.value, row.text) == (said[0], LOINC[code]["long_common_name"])
    assert row.text != said[1]


@pytest.mark.parametrize(("code", "said"), MISLABELLED.items())
def test_a_wrong_label_is_refused(tmp_path: Path, code: str, said: tuple[str, str]) -> None:
    """Whoever copies the wrong name from such a file is told, whichever way round it is wrong."""
    own = spoiled(tmp_path, "catalogue.yaml", f'text: "{LOINC[code]["long_common_name"]}"', f'text: "{said[1]}"')
    with pytest.raises(TableError, match=f"The name of {code} says "):
        load_tables(shipped_mappings(), own, POLICY, zone=ZONE)


@pytest.mark.parametrize("code", sorted(NEVER))
def test_no_trap_is_mapped(code: str) -> None:
    """They are in the sources, and are left out for a reason."""
    assert code in LOINC
    assert code not in MAPPED
    assert code not in {panel.code for panel in (catalogue().panel, catalogue().visual_panel) if panel is not None}


def test_numbers_of_strips_are_semi_quantitative() -> None:
    """SemiQn since LOINC 2.75: a demand for Qn is wrong. Where a source did not show the scale it is left empty, never guessed."""
    scales = {
        code.scale
        for _, code in MAPPED.values()
        if code.method in {"automated", "strip"} and code.property not in {Property.ORDINAL, Property.TYPE}
    }
    assert scales == {"SemiQn", ""}


def test_a_presence_stayed_ordinal() -> None:
    """2514-8 was SemiQn for a while by accident (2.75 to 2.77): ours is Ord."""
    assert (MAPPED["2514-8"][1].scale, LOINC["2514-8"]["version_last_changed"]) == ("Ord", "2.77")


def test_pads_without_an_automated_code_are_these() -> None:
    """No automated code was found for them; their messages name the method in words (wording.METHODS)."""
    without = {name for name, pad in catalogue().pads.items() if all(code.method != "automated" for code in pad.codes)}
    assert without - {"albumin_creatinine", "protein_creatinine"} == {
        "albumin", "ascorbic_acid", "calcium", "clarity", "colour", "creatinine",
    }  # fmt: skip


def test_calcium_has_no_strip_code() -> None:
    """Its three codes are method-free, and so marked."""
    assert [(code.code, code.method) for code in catalogue().pads["calcium"].codes] == [
        ("29276-3", "none"),
        ("17862-4", "none"),
        ("2004-0", "none"),
    ]


def test_ehrlich_units_join_nothing() -> None:
    """[EU] is arbitrary in UCUM: nothing converts it to milligrams, and its only strip code is 19161-9."""
    pad, units = catalogue().pads["urobilinogen"], catalogue().units
    ehrlich = Scale(property=Property.ARBITRARY, unit="[EU]/dL")
    for unit, prop in (("mg/dL", Property.MASS), ("umol/L", Property.SUBSTANCE)):
        assert factor(ehrlich, Scale(property=prop, unit=unit), units, pad.molar_mass) is None
    assert [code.code for code in pad.codes if code.property is Property.ARBITRARY] == ["19161-9", "32727-0"]


@pytest.mark.parametrize(("trap", "right"), [("EU/dL", "[EU]/dL"), ("pH", "[pH]")])
def test_a_unit_that_is_valid_for_something_else_is_refused(trap: str, right: str) -> None:
    """Both pass every UCUM validator (ucum_units.csv: TRAP) and mean exa-enzyme-units and picohenry."""
    assert catalogue().refused_units[trap].use == right
    assert trap not in catalogue().units


def test_blood_has_three_meanings_and_three_codes() -> None:
    """A Hb grade, a Hb mass and "erythrocytes per uL" are three codes; nothing converts one into another."""
    codes = {code.prop: code.code.code for code in tables().catalogue.pads["blood"].codes if code.method == "automated"}
    assert codes == {Property.ORDINAL: "57751-0", Property.MASS: "50559-4", Property.COUNT: "57747-8"}
    mass, count = Scale(property=Property.MASS, unit="mg/dL"), Scale(property=Property.COUNT, unit="/uL")
    assert factor(mass, count, catalogue().units, catalogue().pads["blood"].molar_mass) is None
