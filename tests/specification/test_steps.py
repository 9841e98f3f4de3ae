"""The code tables against the mapping files, read as plain YAML, and the record against real messages."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
import yaml

from bridge.model import Format
from bridge.render import compile_plan
from bridge.render.samples import MADE_AT, samples
from bridge.settings import shipped_mappings
from bridge.specification import Door
from bridge.specification.messages import strip_types
from bridge.specification.steps import NO_UNIT, step_records, step_tables
from bridge.specification.types import StepRow, Subject
from tests.render.every_sample import SYSTEMS, terms_for
from tests.render.flags_for_tests import banded
from tests.render.second_decoder import components
from tests.specification.subjects import subject

GIVEN = subject()
TABLES = {table.strip_type: table for table in step_tables(GIVEN)}


def read(name: str) -> dict[str, Any]:
    """Read a mapping file as YAML, past our own loader."""
    loaded: dict[str, Any] = yaml.safe_load((shipped_mappings() / name).read_text(encoding="utf-8"))
    return loaded


CATALOGUE = read("catalogue.yaml")


def declared(strip_type: str) -> list[tuple[str, str, str, str]]:
    """Give (local code, step, system, value or grade) of everything that a strip type's file declares."""
    return [
        (CATALOGUE["pads"][pad["pad"]]["local"]["code"], str(number), system, str(step[key]))
        for pad in read(f"strip_types/{strip_type}.yaml")["pads"]
        for number, step in enumerate(pad["ladder"], 1)
        for key, system in (("grade", "arbitrary"), ("conventional", "conventional"), ("si", "si"))
        if key in step
    ]


@pytest.mark.parametrize("strip_type", ["pebble-2", "plover-12", "quill-10", "sedge-5"])
def test_every_step_in_every_system_stands_in_the_table(strip_type: str) -> None:
    """In the file's own order, none left out and none added; a number with the digits of the file."""
    rows = TABLES[strip_type].rows
    wanted = declared(strip_type)
    assert [(row.local, row.step, row.system) for row in rows] == [(local, step, system) for local, step, system, _ in wanted]
    for row, (*_, value) in zip(rows, wanted, strict=True):
        if row.system == "arbitrary":
            assert row.value.lower().endswith(value), row
        else:
            assert row.value == value, row


@pytest.mark.parametrize("strip_type", ["pebble-2", "plover-12", "quill-10", "sedge-5"])
def test_codes_and_units_are_those_of_the_catalogue(strip_type: str) -> None:
    """The LOINC code is one of the pad's own rows, by name and number; a unit is there exactly where a number is."""
    codes = {(pad["local"]["code"], code["code"], code["text"]) for pad in CATALOGUE["pads"].values() for code in pad["codes"]}
    units = {
        pad["local"]["code"]: {unit for each in pad["units"].values() for unit in each} for pad in CATALOGUE["pads"].values()
    }
    for row in TABLES[strip_type].rows:
        assert (row.local, row.loinc, row.loinc_name) in codes, row
        assert (row.unit == NO_UNIT) is (row.type == "CWE"), row
        assert row.unit == NO_UNIT or row.unit in units[row.local], row


def test_one_form_of_each_step_is_sent() -> None:
    """The first that the destination asks for and the step has."""
    for table in TABLES.values():
        steps: dict[tuple[str, str], list[StepRow]] = {}
        for row in table.rows:
            steps.setdefault((row.local, row.step), []).append(row)
        for rows in steps.values():
            assert [row.sent for row in rows] == ["yes"] + ["no"] * (len(rows) - 1)  # ORU prefers arbitrary, conventional, SI


def sent_values(given: Subject) -> set[str]:
    """Give what the real messages of every step carry, in the record's own words."""
    found = set()
    for strip_type, profile in strip_types(given).items():
        plan = compile_plan(given.terms, profile, strip_type, given.tables)
        for result in samples(given.terms, profile, strip_type, given.tables):
            for obx in components(plan.render(result, control_id="M1", made_at=MADE_AT).payload, "OBX"):
                value = obx[5]
                kind = obx[2][0]
                coded = " ".join(value[:2]) + (f", alternate {' '.join(value[3:5])}" if kind == "CWE" and value[3] else "")
                words = coded if kind == "CWE" else "".join(value)
                unit = f" {obx[6][0]}" if obx[6][0] else ""
                found.add(f"{obx[3][0]}, {kind}, {words}{unit}, flag {obx[8][0]}")
    return found


@pytest.mark.parametrize("form", ["grades", *SYSTEMS])
def test_the_record_expects_what_the_messages_carry(form: str) -> None:
    """One row for each pad and step; every expectation is what PyPI hl7 decodes from a real message, and none is missing, in each form of grades."""
    told = terms_for(Format.ORU_R01, form)
    given = replace(GIVEN, terms=replace(GIVEN.terms, grades=told.grades, grade_table=told.grade_table))
    rows = step_records(given)
    steps = sum(len({(local, step) for local, step, *_ in declared(strip_type)}) for strip_type in TABLES)
    assert len(rows) == steps > 100
    assert {row.expected for row in rows} == sent_values(given)
    assert {(row.received, row.who, row.when) for row in rows} == {("", "", "")}


def test_bands_and_critical_rules_have_rows_of_their_own() -> None:
    """A vendor must be able to try each range and flag that can come; a step keeps its number whatever is expected."""
    given = replace(GIVEN, tables=banded())
    (table,) = [each for each in step_tables(given) if each.strip_type == "quill-10"]
    gravity = [(row.step, row.value, row.reference, row.flag) for row in table.rows if row.local == "PP-SG"]
    steps = len(TABLES["quill-10"].rows and [row for row in TABLES["quill-10"].rows if row.local == "PP-SG"])
    assert [row for row in gravity if row[2] == "1.002-1.035"] == [
        (row.step, row.value, row.reference, row.flag) for row in TABLES["quill-10"].rows if row.local == "PP-SG"
    ]
    infants = [row for row in gravity if row[2] == "1.002-1.015"]
    assert [row[0] for row in infants] == [str(number) for number in range(1, steps + 1)]
    assert all((row[3] == "H") is (row[1].lstrip("<>=") > "1.015") for row in infants)
    assert {row.flag for row in table.rows if row.local == "PP-GLU"} == {"N", "A", "AA", "HH"}
    said = {row.send for row in step_records(given) if row.case == "quill-10: Protein"}
    assert "step 1: LA6577-6 Negative, where Negative is expected" in said
    assert "step 1: LA6577-6 Negative, where <20.0 mg/dL is expected" in said
    assert any(row.send.endswith("where None at all is expected, with a critical rule met") for row in step_records(given))


def test_fhir_types_are_fhirs() -> None:
    """A FHIR vendor knows no OBX-2."""
    rows = [row for table in step_tables(subject(Door.FHIR)) for row in table.rows]
    assert {row.type for row in rows} == {"CodeableConcept", "Quantity"}
    text = replace(subject(Door.FHIR), terms=replace(subject(Door.FHIR).terms, grades=("text",)))
    assert {row.type for table in step_tables(text) for row in table.rows} == {"string", "Quantity"}
