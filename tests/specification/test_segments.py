"""The field table against real messages, as PyPI ``hl7`` decodes them, and against PyPI hl7apy's tables of 2.5.1."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hl7apy.v2_5_1.fields import FIELDS
from hl7apy.v2_5_1.segments import SEGMENTS

from bridge.render import compile_plan
from bridge.render.samples import MADE_AT, samples
from bridge.specification.messages import shown_samples, strip_types
from bridge.specification.segments import ROWS, STRUCTURE, segment_rows
from bridge.specification.types import FieldRow
from tests.render.second_decoder import decoded
from tests.specification.subjects import subject

GIVEN = subject()
TABLE = {row.place: row for row in segment_rows(shown_samples(GIVEN), GIVEN.terms)}


def carried(payload: bytes) -> dict[str, set[str]]:
    """Give the values, still escaped, of every field of a message that has one."""
    found: dict[str, set[str]] = {}
    for segment in decoded(payload):
        for number, field in enumerate(segment):
            if number and str(field):
                found.setdefault(f"{segment[0]}-{number}", set()).add(str(field))
    return found


def test_every_field_that_any_sample_carries_is_in_the_table() -> None:
    """Every step of every pad, STAT, hostile texts, and what the writer could write but the bridge never does today."""
    seen: set[str] = set()
    for strip_type, profile in strip_types(GIVEN).items():
        plan = compile_plan(GIVEN.terms, profile, strip_type, GIVEN.tables)
        for result in samples(GIVEN.terms, profile, strip_type, GIVEN.tables):
            seen |= carried(plan.render(result, control_id="M1", made_at=MADE_AT).payload).keys()
    assert seen - TABLE.keys() == set()
    assert TABLE.keys() - seen == set(), "a field that is never written has no row"


def test_every_example_stands_in_a_shown_sample() -> None:
    """An example that no message has would send a vendor the wrong way."""
    seen: dict[str, set[str]] = {}
    for each in shown_samples(GIVEN):
        for place, values in carried(each.payload).items():
            seen.setdefault(place, set()).update(values)
    assert {place for place, row in TABLE.items() if row.in_sample} == seen.keys()
    assert [place for place, row in TABLE.items() if row.in_sample and row.example not in seen[place]] == []
    assert {place: row.example for place, row in TABLE.items() if not row.in_sample} == {
        "OBX-14": "none: not sent today",
        "SPM-17": "none: not sent today",
    }


def test_use_is_what_the_samples_do() -> None:
    """R is in every message, X in none, and C and RE not in all that could be."""
    payloads = [carried(each.payload) for each in shown_samples(GIVEN)]
    for place, row in TABLE.items():
        count = sum(place in fields for fields in payloads)
        if row.use == "R":
            assert count == len(payloads), place
        elif row.use == "X":
            assert count == 0, place
        else:
            assert row.use in {"C", "RE"}
    assert 0 < sum("TQ1-9" in fields for fields in payloads) < len(payloads)


def test_no_value_is_longer_than_its_length() -> None:
    """Where the table names a length, every sample keeps to it."""
    for each in shown_samples(GIVEN):
        for place, values in carried(each.payload).items():
            if TABLE[place].length.isdigit():
                assert max(map(len, values)) <= int(TABLE[place].length), place


@pytest.mark.parametrize("row", TABLE.values(), ids=lambda row: row.place)
def test_types_and_tables_are_those_of_the_standard(row: FieldRow) -> None:
    """PyPI hl7apy 1.3.5 ships the 2.5.1 definitions; what the standard requires is R here."""
    segment, _, number = row.place.partition("-")
    name = f"{segment}_{number}"
    definition = FIELDS[name]
    assert row.type == definition[2]
    assert row.table == (definition[4].removeprefix("HL7") if definition[4] else "none")
    fewest = next(entry[2][0] for entry in SEGMENTS[segment][1] if entry[0] == name)
    assert row.use == "R" or fewest == 0 or row.place == "TQ1-1"


def test_an_option_that_is_not_set_is_said() -> None:
    """An empty MSH-4 has no example, and the row says why."""
    given = replace(GIVEN, terms=replace(GIVEN.terms, sending_facility="", observed_at="empty"))
    rows = {row.place: row for row in segment_rows(shown_samples(given), given.terms)}
    assert rows["MSH-4"].example == "none: not set for this destination"
    assert rows["OBR-7"].example == "none: left empty as set for this destination"


def test_the_structure_names_every_segment_in_order() -> None:
    """The line above the table and the table agree."""
    order = list(dict.fromkeys(row[0].partition("-")[0] for row in ROWS))
    assert order == ["MSH", "PID", "ORC", "OBR", "NTE", "TQ1", "OBX", "SPM"]
    assert list(dict.fromkeys(STRUCTURE.translate(str.maketrans("", "", "[]{}")).split())) == order
