"""Pointers to what the Bundle does not carry: FHIR R4 references (logical, literal) and http (conditional references in a transaction).

The percent-encoding is read back by the standard library.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any
from urllib.parse import parse_qs

import pytest

from bridge.errors import RejectError
from bridge.render.fhir_pointers import order, patient
from bridge.tables.types import Pointing
from tests.render.results_for_tests import normal_result
from tests.render.tables_for_tests import FHIR

PLACED = {
    "type": {
        "coding": [{"system": "http://terminology.hl7.org/CodeSystem/v2-0203", "code": "PLAC", "display": "Placer Identifier"}]
    },
    "system": "urn:padpost:order",
}


def of_patient(pointing: Pointing, patient_id: str = "1002003") -> dict[str, Any]:
    """Give the pointer to a patient."""
    return patient(replace(normal_result(), patient_id=patient_id), replace(FHIR, patient_pointing=pointing))


def of_order(pointing: Pointing, number: str) -> dict[str, Any] | None:
    """Give the pointer to an order."""
    return order(replace(normal_result(), order_number=number), replace(FHIR, order_pointing=pointing))


@pytest.mark.parametrize(
    ("pointing", "reference"),
    [
        (Pointing.LOGICAL, {}),
        (Pointing.LITERAL, {"reference": "Patient/1002003"}),
        (Pointing.CONDITIONAL, {"reference": "Patient?identifier=urn%3Aoid%3A2.999.1%7C1002003"}),
    ],
)
def test_the_patient_is_pointed_to_as_agreed(pointing: Pointing, reference: dict[str, str]) -> None:
    """The identifier goes along each time, so that a receiver can compare what it was led to."""
    assert of_patient(pointing) == {
        **reference,
        "type": "Patient",
        "identifier": {"system": "urn:oid:2.999.1", "value": "1002003"},
    }


@pytest.mark.parametrize(
    ("pointing", "reference"),
    [
        (Pointing.LOGICAL, {}),
        (Pointing.LITERAL, {"reference": "ServiceRequest/O-7.1"}),
        (Pointing.CONDITIONAL, {"reference": "ServiceRequest?identifier=urn%3Apadpost%3Aorder%7CO-7.1"}),
    ],
)
def test_the_order_is_pointed_to_as_agreed(pointing: Pointing, reference: dict[str, str]) -> None:
    """The placer's number, said to be one (v2-0203, PLAC)."""
    assert of_order(pointing, "O-7.1") == {**reference, "type": "ServiceRequest", "identifier": {**PLACED, "value": "O-7.1"}}


@pytest.mark.parametrize("pointing", Pointing)
def test_without_an_order_number_there_is_no_pointer(pointing: Pointing) -> None:
    """Nobody ordered: nothing is made up."""
    assert of_order(pointing, "") is None


@pytest.mark.parametrize("value", ["a b", "a&identifier=x", "a+b#c", "a%7Cb", "尿", "x/../y", "a=b?c", "100%"])
def test_a_search_takes_no_structure_from_a_number(value: str) -> None:
    """Encoded whole: a receiver reads one parameter with the system and the number, whatever is in it."""
    reference = of_patient(Pointing.CONDITIONAL, value)["reference"]
    kind, _, query = reference.partition("?")
    assert kind == "Patient"
    assert parse_qs(query, strict_parsing=True) == {"identifier": [f"urn:oid:2.999.1|{value}"]}
    assert not set(reference) & set(' "<>#&+/|')


@pytest.mark.parametrize("value", ["a|b", "a$b", "a,b", "a\\b"])
def test_a_searchs_own_signs_are_escaped(value: str) -> None:
    r"""FHIR R4 search, escaping search parameters: a backslash before $ , | and \ inside a value."""
    query = of_patient(Pointing.CONDITIONAL, value)["reference"].partition("?")[2]
    escaped = f"{value[0]}\\{value[1:]}"
    assert parse_qs(query) == {"identifier": [f"urn:oid:2.999.1|{escaped}"]}


@pytest.mark.parametrize("value", ["a" * 64, "A-1.b", "0"])
def test_an_id_of_fhir_is_an_address(value: str) -> None:
    """R4 datatypes, id: up to 64 letters, digits, hyphens and dots."""
    assert of_patient(Pointing.LITERAL, value)["reference"] == f"Patient/{value}"


@pytest.mark.parametrize("value", ["a" * 65, "a/b", "a_b", "a b", "é", "1\n", "a?b", "..|"])
@pytest.mark.parametrize("what", ["patient ID", "order number"])
def test_any_other_number_is_no_address(value: str, what: str) -> None:
    """It is refused with its cause, without the number itself, which is a patient's."""
    with pytest.raises(RejectError) as found:
        of_patient(Pointing.LITERAL, value) if what == "patient ID" else of_order(Pointing.LITERAL, value)
    assert found.value.rule == "render.pointer"
    assert found.value.sentence.startswith(f"The {what} of this strip cannot be part of the address")
    assert value not in found.value.sentence
    assert what in found.value.remedy


@pytest.mark.parametrize("pointing", Pointing)
def test_no_patient_id_is_no_patient(pointing: Pointing) -> None:
    """A search for an empty number would find anybody."""
    with pytest.raises(RejectError, match="has no patient ID"):
        of_patient(pointing, "")
