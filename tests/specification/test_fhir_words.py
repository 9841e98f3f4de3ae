"""What the document says of a FHIR destination is what its messages do."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest

from bridge.model import Format
from bridge.render import compile_plan
from bridge.specification.fhir_words import HOW, SHAPES, UNKNOWN, message_words, pointer_words, structure_words, unit_words
from bridge.tables.types import DestinationTerms, Pointing
from tests.render.fhir_sites import EU, SINGLE, SITES, US, ordered
from tests.render.results_for_tests import MADE_AT
from tests.render.tables_for_tests import FHIR, STRIP, hand_made


def said(terms: DestinationTerms) -> dict[str, str]:
    """Give every fact by name."""
    return {fact.name: fact.says for fact in (*message_words(terms), *pointer_words(terms))}


def test_every_shape_and_pointing_has_words() -> None:
    """A new one must be described."""
    assert set(SHAPES) == {fmt for fmt in Format if fmt.is_fhir}
    assert set(HOW) == set(UNKNOWN) == set(Pointing)


@pytest.mark.parametrize(("terms", "guide"), [(US, "US Core (9.0.0)"), (EU, "HL7 Europe (2.0.0)")])
def test_a_guide_is_named_as_what_it_is(terms: DestinationTerms, guide: str) -> None:
    """Shaped after, in all words: no conformance is claimed by the format."""
    assert said(terms)["message"] == (
        f"FHIR R4 (4.0.1) transaction Bundle, one for each strip, shaped after the laboratory results of {guide}; "
        "no conformance to a profile is claimed by that"
    )
    assert "shaped" not in said(FHIR)["message"]


def test_claims_are_the_laboratorys() -> None:
    """They stand there word for word; without any the document says so."""
    assert said(EU)["profiles claimed"] == "none: Padpost claims no profile by itself"
    for word in US.message_profile.split():
        assert word in said(US)["profiles claimed"]


def test_pointers_are_described() -> None:
    """With the system of the order numbers."""
    assert said(US)["pointer to the patient"].startswith("by a search in the transaction, Patient?identifier=system|value")
    assert said(SINGLE)["pointer to the order"].startswith("by address, ServiceRequest/NUMBER")
    assert said(US)["identifier system of orders"] == "urn:oid:2.999.5, type PLAC of table 0203"


@pytest.mark.parametrize("name", SITES)
def test_the_structure_is_that_of_a_bundle(name: str) -> None:
    """The kinds named, in their order, are those that a rendered Bundle has."""
    plan = compile_plan(SITES[name], "testing", STRIP.name, hand_made())
    payload = plan.render(ordered(name), control_id="TESTAM1", made_at=MADE_AT).payload
    kinds = [entry["resource"]["resourceType"] for entry in json.loads(payload)["entry"]]
    words = structure_words(SITES[name]).split(", ")
    assert [next(kind for kind in dict.fromkeys(kinds) if kind in word) for word in words] == [
        kind
        for kind, count in ((kind, kinds.count(kind)) for kind in dict.fromkeys(kinds))
        for _ in range(count if kind == "Device" else 1)
    ]
    assert ("for each pad" in words[-1]) == (kinds.count("DiagnosticReport") == kinds.count("Observation") > 1)


def test_units_are_the_laboratorys_where_it_has_texts() -> None:
    """Code and text are told apart."""
    assert unit_words(FHIR) == "valueQuantity with UCUM unit"
    assert unit_words(US) == "valueQuantity: code in UCUM, unit as the laboratory writes it (1 as 'rel. density'), else UCUM too"
    assert unit_words(replace(US, unit_texts={})) == unit_words(FHIR)
