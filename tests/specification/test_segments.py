"""The field table of each format against real messages, as PyPI ``hl7`` decodes them, and against PyPI hl7apy's tables of 2.5.1."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import pytest
from hl7apy.v2_5_1.fields import FIELDS
from hl7apy.v2_5_1.segments import SEGMENTS

from bridge.model import Format
from bridge.render import compile_plan
from bridge.render.samples import MADE_AT, samples
from bridge.specification import Subject
from bridge.specification.messages import shown_samples, strip_types
from bridge.specification.segments import segment_rows, structure
from bridge.specification.types import FieldRow
from bridge.tables.types import DestinationTerms, Orders
from tests.render.second_decoder import decoded
from tests.render.tables_for_tests import HL7, LABORATORY, PROVIDER, terms
from tests.specification.subjects import subject

GIVEN = subject()
BARE = replace(GIVEN, terms=replace(GIVEN.terms, equipment=False, operator=False))
# what a destination may be: each format as plain as it can be, each with everything that a site can set, single orders
KINDS: dict[str, DestinationTerms] = {
    **{fmt.value: replace(GIVEN.terms, format=fmt) for fmt in HL7 if fmt is not Format.ORU_R01_US},
    "bare": BARE.terms,
    **{
        f"{fmt.value} with all": replace(
            terms(fmt), laboratory=LABORATORY, provider=PROVIDER, message_profile="Agreed", order_authority="WARDS"
        )
        for fmt in HL7
    },
    "single": replace(GIVEN.terms, orders=Orders.SINGLE),
    "single oul": replace(terms(Format.OUL_R22), orders=Orders.SINGLE),
}
EACH = pytest.mark.parametrize("kind", KINDS)


@cache
def given_of(kind: str) -> tuple[Subject, dict[str, FieldRow], tuple[bytes, ...]]:
    """Give the subject, its table by place, and the messages that the document shows."""
    made = replace(GIVEN, terms=KINDS[kind])
    shown = shown_samples(made)
    return made, {row.place: row for row in segment_rows(shown, made.terms)}, tuple(each.payload for each in shown)


def carried(payload: bytes) -> dict[str, set[str]]:
    """Give the values, still escaped, of every field of a message that has one."""
    found: dict[str, set[str]] = {}
    for segment in decoded(payload):
        for number, field in enumerate(segment):
            if number and str(field):
                found.setdefault(f"{segment[0]}-{number}", set()).add(str(field))
    return found


@EACH
def test_every_field_that_any_sample_carries_is_in_the_table(kind: str) -> None:
    """Every step of every pad, STAT, hostile texts, and what the writer could write but the bridge never does today."""
    made, table, _ = given_of(kind)
    seen: set[str] = set()
    for strip_type, profile in strip_types(made).items():
        plan = compile_plan(made.terms, profile, strip_type, made.tables)
        for result in samples(made.terms, profile, strip_type, made.tables):
            seen |= carried(plan.render(result, control_id="M1", made_at=MADE_AT).payload).keys()
    assert seen - table.keys() == set()
    assert table.keys() - seen - NAMES == set(), "a field that is never written has no row"


# of the header's names the plain destination has none for MSH-5 and MSH-6, and the others' rows say that they can be set
NAMES = {"MSH-3", "MSH-4", "MSH-5", "MSH-6"}


@EACH
def test_every_example_stands_in_a_shown_sample(kind: str) -> None:
    """An example that no message has would send a vendor the wrong way."""
    made, table, payloads = given_of(kind)
    seen: dict[str, set[str]] = {}
    for payload in payloads:
        for place, values in carried(payload).items():
            seen.setdefault(place, set()).update(values)
    assert {place for place, row in table.items() if row.in_sample} == seen.keys()
    assert [place for place, row in table.items() if row.in_sample and row.example not in seen[place]] == []
    not_today = {"OBX-14", "SPM-17"} & table.keys()
    assert {place: row.example for place, row in table.items() if not row.in_sample and place not in NAMES} == dict.fromkeys(
        not_today, "none: not sent today"
    )
    assert made.terms.format is Format.ORU_R30 or "SPM-17" in not_today


@EACH
def test_use_is_what_the_samples_do(kind: str) -> None:
    """R is in every message, X in none, and C and RE not in all that could be."""
    _, table, payloads = given_of(kind)
    messages = [carried(payload) for payload in payloads]
    for place, row in table.items():
        count = sum(place in fields for fields in messages)
        if row.use == "R":
            assert count == len(messages), place
        elif row.use == "X":
            assert count == 0, place
        else:
            assert row.use in {"C", "RE"}
    assert 0 < sum("TQ1-9" in fields for fields in messages) < len(messages)


@EACH
def test_no_value_is_longer_than_its_length(kind: str) -> None:
    """Where the table names a length, every sample keeps to it."""
    _, table, payloads = given_of(kind)
    for payload in payloads:
        for place, values in carried(payload).items():
            if table[place].length.isdigit():
                assert max(map(len, values)) <= int(table[place].length), place


@EACH
def test_types_and_tables_are_those_of_the_standard(kind: str) -> None:
    """PyPI hl7apy 1.3.5 ships the 2.5.1 definitions; what the standard requires is R here, or stands in a segment that may be absent."""
    _, table, _ = given_of(kind)
    optional = {"TQ1", "SAC", "INV", "SID", *(["PID"] if "SAC-3" in table else [])}
    for row in table.values():
        segment, _, number = row.place.partition("-")
        name = f"{segment}_{number}"
        if row.place == "OBX-29":
            assert name not in FIELDS, "2.5.1 has it after all"
            assert (row.use, row.example) == ("R", "RSLT")
            continue
        definition = FIELDS[name]
        assert row.type == definition[2], row.place
        assert row.table == (definition[4].removeprefix("HL7") if definition[4] else "none"), row.place
        fewest = next(entry[2][0] for entry in SEGMENTS[segment][1] if entry[0] == name)
        assert row.use == "R" or fewest == 0 or segment in optional, row.place


def test_an_option_that_is_not_set_is_said() -> None:
    """An empty MSH-4 has no example, and the row says why."""
    given = replace(GIVEN, terms=replace(GIVEN.terms, sending_facility="", observed_at="empty"))
    rows = {row.place: row for row in segment_rows(shown_samples(given), given.terms)}
    assert rows["MSH-4"].example == "none: not set for this destination"
    assert rows["OBR-7"].example == "none: left empty as set for this destination"


def test_an_option_that_leaves_a_field_out_leaves_its_row_out() -> None:
    """What is never sent has no row, so that nobody builds for it."""
    assert {"OBX-16", "OBX-18"} & given_of("bare")[1].keys() == set()
    assert {"ORC-12", "OBR-16", "OBX-23", "MSH-21", "OBX-29"} & given_of("oru_r01")[1].keys() == set()
    assert {"ORC-12", "OBR-16", "OBX-23", "MSH-21", "OBX-29"} <= given_of("oru_r01_us with all")[1].keys()
    assert {"SAC-3", "INV-1"} & given_of("oul_r22")[1].keys() == set()


@pytest.mark.parametrize(
    ("kind", "expected"),
    [
        ("oru_r01", "MSH PID ORC OBR [{NTE}] [TQ1] {OBX [{NTE}]} SPM"),
        ("oru_r01_us with all", "MSH PID ORC OBR [{NTE}] [TQ1] {OBX [{NTE}]} SPM"),
        ("single", "MSH PID {ORC OBR [{NTE}] [TQ1] OBX [{NTE}] SPM}"),
        ("oru_r30", "MSH PID ORC OBR [{NTE}] [TQ1] {OBX [{NTE}]}"),
        ("oul_r22", "MSH PID SPM OBR ORC [{NTE}] [TQ1] {OBX [SID] [{NTE}]}"),
        ("oul_r22 with all", "MSH [PID] SPM [SAC [INV]] OBR ORC [{NTE}] [TQ1] {OBX [SID] [{NTE}]}"),
        ("single oul", "MSH [PID] SPM [SAC [INV]] {OBR ORC [{NTE}] [TQ1] OBX [SID] [{NTE}]}"),
    ],
)
def test_the_structure_names_every_segment_in_order(kind: str, expected: str) -> None:
    """The line above the table is the grammar of 2.5.1 as far as we send it, and the table has its order."""
    made, table, _ = given_of(kind)
    assert structure(made.terms) == expected
    order = list(dict.fromkeys(place.partition("-")[0] for place in table))
    assert list(dict.fromkeys(expected.translate(str.maketrans("", "", "[]{}")).split())) == order
