"""The element table against real Bundles, walked by code of its own."""

from __future__ import annotations

import json
import lzma
from dataclasses import replace
from functools import lru_cache
from pathlib import Path
from typing import Any

import pytest
from fhir.resources.R4B import get_fhir_model_class

from bridge.render import compile_plan
from bridge.render.samples import MADE_AT, samples
from bridge.specification import Door
from bridge.specification.elements import MEANINGS, element_rows
from bridge.specification.messages import Shown, shown_samples, strip_types
from bridge.tables.types import DestinationTerms
from tests.render.fhir_sites import EU, SINGLE, US
from tests.specification.subjects import subject

GIVEN = subject(Door.FHIR)
ROWS = {row.place: row for row in element_rows(shown_samples(GIVEN))}


def ordered(terms: DestinationTerms) -> tuple[Shown, ...]:
    """Show each strip type's first sample with an order number."""
    found = []
    for strip_type, profile in strip_types(GIVEN).items():
        result = replace(samples(terms, profile, strip_type, GIVEN.tables)[0], order_number="ORD-4711")
        payload = compile_plan(terms, profile, strip_type, GIVEN.tables).render(result, control_id="M1", made_at=MADE_AT).payload
        found.append(Shown(name="", says="", result=result, payload=payload))
    return tuple(found)


# The rows of destinations that use every option of FHIR (tests/render/fhir_sites.py)
SITES = {"us": US, "eu": EU, "single": SINGLE}
OPTION_ROWS = {name: {row.place: row for row in element_rows(ordered(terms))} for name, terms in SITES.items()}
PLACES = sorted({place for rows in (ROWS, *OPTION_ROWS.values()) for place in rows})


def row_of(place: str) -> Any:
    """Give the row of an element from the first table that has it."""
    return next(rows[place] for rows in (ROWS, *OPTION_ROWS.values()) if place in rows)


def leaves(payload: bytes) -> dict[str, set[str]]:
    """Give each leaf's path with its values; numbers as they are written."""
    found: dict[str, set[str]] = {}

    def walk(value: Any, path: str) -> None:
        for name, inner in value.items():
            for each in inner if isinstance(inner, list) else [inner]:
                place = each["resourceType"] if name == "resource" else f"{path}.{name}"
                if isinstance(each, dict):
                    walk(each, place)
                else:
                    found.setdefault(place, set()).add(str(each))

    walk(json.loads(payload, parse_float=str, parse_int=str), "Bundle")
    return found


def test_every_element_of_a_shown_sample_is_in_the_table_with_an_example() -> None:
    """And every example is a value that a shown sample has there."""
    seen: dict[str, set[str]] = {}
    for each in shown_samples(GIVEN):
        for place, values in leaves(each.payload).items():
            seen.setdefault(place, set()).update(values)
    assert seen.keys() == ROWS.keys()
    assert [place for place, row in ROWS.items() if row.example not in seen[place]] == []


def test_every_element_that_the_writer_can_write_is_known() -> None:
    """A shown sample lacks only what Padpost does not send today: a known collection time."""
    seen: set[str] = set()
    for strip_type, profile in strip_types(GIVEN).items():
        plan = compile_plan(GIVEN.terms, profile, strip_type, GIVEN.tables)
        for result in samples(GIVEN.terms, profile, strip_type, GIVEN.tables):
            seen |= leaves(plan.render(result, control_id="M1", made_at=MADE_AT).payload).keys()
    assert seen - ROWS.keys() == {"Specimen.collection.collectedDateTime"}


def test_use_is_what_the_samples_do() -> None:
    """R is in every resource of its kind; a number or a grade only in some."""
    assert ROWS["Observation.status"].use == "R"
    assert ROWS["Bundle.entry.request.ifNoneExist"].use == "R"
    assert ROWS["Observation.valueQuantity.value"].use == "RE"
    assert ROWS["Observation.valueCodeableConcept.text"].use == "RE"


def test_the_options_have_elements_of_their_own() -> None:
    """What a vendor sees of them is in the table of the destination that uses them, and in no other."""
    assert {place for place in OPTION_ROWS["us"] if "meta" in place} == {
        "Observation.meta.profile",
        "DiagnosticReport.meta.profile",
    }
    assert OPTION_ROWS["us"]["Specimen.subject.reference"].example == "Patient?identifier=urn%3Aoid%3A2.999.1%7C1002003"
    assert OPTION_ROWS["us"]["DiagnosticReport.basedOn.reference"].table == "none"
    assert OPTION_ROWS["eu"]["Device.lotNumber"].example == "L55"
    assert OPTION_ROWS["eu"]["Observation.extension.url"].example.endswith("observation-deviceLabTestKit")
    assert OPTION_ROWS["eu"]["Observation.performer.identifier.value"].example == "LAB-0815"
    assert not any(place.startswith("Device") or "device" in place for place in OPTION_ROWS["single"])
    assert not any(place.endswith("subject.reference") for place in ROWS)


@pytest.mark.parametrize("place", PLACES)
def test_every_element_is_one_of_r4(place: str) -> None:
    """PyPI fhir.resources (R4B; of these resources the same elements as R4) knows the first step of every path."""
    kind, _, path = place.partition(".")
    element = path.partition(".")[0]
    assert element == "resourceType" or element in get_fhir_model_class(kind).elements_sequence()


@lru_cache(maxsize=1)
def r4() -> dict[str, Any]:
    """Give the definitions of the official R4 JSON Schema (origin: tests/render/data/README.md)."""
    path = Path(__file__).parents[1] / "render/data/fhir.schema.json.xz"
    definitions: dict[str, Any] = json.loads(lzma.decompress(path.read_bytes()))["definitions"]
    return definitions


@pytest.mark.parametrize("place", PLACES)
def test_every_type_is_r4s(place: str) -> None:
    """The schema's own type at the end of the path; an enumeration is a code."""
    kind, *path = place.split(".")
    for name in path:
        leaf = r4()[kind]["properties"][name]
        leaf = leaf.get("items", leaf)
        kind = (
            leaf["$ref"].rpartition("/")[2] if "$ref" in leaf else "code" if "enum" in leaf or "const" in leaf else leaf["type"]
        )
    wanted = {"number": "decimal"}.get(kind, kind)  # the schema gives valueX primitives as plain JSON types
    if place.endswith(("effectiveDateTime", "occurredDateTime")):
        wanted = "dateTime" if kind == "string" else kind
    assert row_of(place).type == wanted


def test_an_element_without_a_meaning_is_a_defect() -> None:
    """The table must never be blank; and a resource's own meaning goes before the shared one."""
    from bridge.specification.elements import _known, _type  # noqa: PLC0415 - the one place that looks inside

    assert _known("Bundle.identifier.value") == "Bundle.identifier"
    assert _known("Observation.identifier.value") == "identifier.value"
    with pytest.raises(ValueError, match=r"Observation\.moon has no meaning"):
        _known("Observation.moon")
    with pytest.raises(ValueError, match=r"Observation\.moon has no data type"):
        _type("Observation.moon")


def test_every_meaning_is_used() -> None:
    """A meaning of nothing would be a claim that nobody checks; what is not sent today is named in the test above."""
    from bridge.specification.elements import _known  # noqa: PLC0415 - as above

    used = {_known(place) for place in PLACES}
    assert {key for key in MEANINGS if not any(other == key or other.startswith(f"{key}.") for other in used)} == {
        "Specimen.collection",
        "derivedFrom",
        "valueString",
    }


def test_a_computed_ratio_is_described() -> None:
    """Where a strip type computes one, both samples show it, and the table says what derivedFrom points to."""
    shown = shown_samples(subject(Door.FHIR, profiles=("wren",)))
    rows = {row.place: row for row in element_rows(shown)}
    assert (
        rows["Observation.derivedFrom.reference"].meaning
        == "Of a ratio that Padpost computed: the two values that it comes from."
    )
    told = [[(pad.pad, pad.flag.value) for pad in each.result.pads if pad.computed_from] for each in shown[:2]]
    assert told == [
        [("albumin_creatinine", "N")],
        [("albumin_creatinine", "H"), ("protein_creatinine", "H")],
    ]


def test_a_grade_sent_as_text_is_described() -> None:
    """Only a destination that takes grades as text gets valueString; then no coded value stands in the table."""
    text = replace(GIVEN, terms=replace(GIVEN.terms, grades=("text",)))
    rows = {row.place: row for row in element_rows(shown_samples(text))}
    assert (rows["Observation.valueString"].type, rows["Observation.valueString"].meaning) == (
        "string",
        "A grade, a colour or a clarity as text.",
    )
    assert rows.keys() ^ ROWS.keys() == {"Observation.valueString"} | {
        place for place in ROWS if place.startswith("Observation.valueCodeableConcept")
    }
