"""What is asked for when a server says *duplicate*, and what counts as the same result.

The Bundles are our own renderer's (samples over every shipped strip type); shapes of searchsets and of resources: FHIR R4.
"""

from __future__ import annotations

import json
from copy import deepcopy
from decimal import Decimal
from typing import Any

import pytest

from bridge.lifecycle.answers import Question, is_there, not_proved, questions, same_meaning, there_already
from bridge.model import Acknowledgement, Answer, Format
from tests.peers.outgoing import bundle
from tests.render.results_for_tests import stat_result
from tests.render.tables_for_tests import terms
from tests.render.written import written

SENT: dict[str, Any] = {
    "resourceType": "Observation",
    "identifier": [{"system": "urn:t:result", "value": "R1-glu"}],
    "status": "final",
    "subject": {"identifier": {"system": "urn:t:patient", "value": "4711"}},
    "code": {"coding": [{"system": "http://loinc.org", "code": "2349-9"}], "text": "Glucose"},
    "valueQuantity": {"value": Decimal("1.010"), "unit": "mg/dL", "system": "http://unitsofmeasure.org", "code": "mg/dL"},
}


def changed(**more: Any) -> dict[str, Any]:
    """Give the resource with some elements changed; None takes one out."""
    return {key: value for key, value in {**deepcopy(SENT), **more}.items() if value is not None}


def test_each_result_of_a_real_bundle_is_asked_for_by_our_own_identifier() -> None:
    """A search for every Observation and the report; never a patient's number in an address."""
    payload = written(stat_result(), terms(Format.FHIR))
    asked = questions(payload)
    kinds = [entry["resource"]["resourceType"] for entry in json.loads(payload)["entry"]]
    assert [question.kind for question in asked] == [kind for kind in kinds if kind in {"Observation", "DiagnosticReport"}]
    assert len(asked) > 2
    for question in asked:
        assert question.query.startswith("identifier=")
        assert stat_result().result_id in question.query
        assert stat_result().patient_id not in question.query
        assert same_meaning(question.sent, question.sent)


@pytest.mark.parametrize(
    "found",
    [
        changed(),
        changed(id="17", meta={"versionId": "1"}, text={"status": "generated"}),
        changed(identifier=[{"system": "urn:other", "value": "x"}, *SENT["identifier"]]),
        changed(valueQuantity={**SENT["valueQuantity"], "value": Decimal("1.01")}),
        changed(code={"coding": [{"system": "urn:x", "code": "GLU"}, *SENT["code"]["coding"]], "text": "Glucose"}),
        changed(subject={"reference": "Patient/9", **SENT["subject"]}),
    ],
)
def test_what_a_server_adds_changes_nothing(found: dict[str, Any]) -> None:
    """An id, a version, a narrative, further identifiers and codings, another writing of the same number."""
    assert same_meaning(SENT, found)


@pytest.mark.parametrize(
    "found",
    [
        changed(identifier=[{"system": "urn:t:result", "value": "R2-glu"}]),
        changed(identifier=None),
        changed(status="preliminary"),
        changed(status="entered-in-error"),
        changed(subject={"identifier": {"system": "urn:t:patient", "value": "4712"}}),
        changed(subject={"reference": "Patient/9"}),
        changed(subject=None),
        changed(code={"coding": [{"system": "http://loinc.org", "code": "2350-7"}], "text": "Glucose"}),
        changed(valueQuantity={**SENT["valueQuantity"], "value": Decimal("1.011")}),
        changed(valueQuantity={**SENT["valueQuantity"], "code": "mmol/L"}),
        changed(valueQuantity={**SENT["valueQuantity"], "comparator": ">"}),
        changed(valueQuantity=None, valueString="1.010"),
        changed(valueQuantity=None),
        changed(dataAbsentReason={"text": "error"}),
    ],
)
def test_another_patient_unit_value_or_state_is_another_result(found: dict[str, Any]) -> None:
    """Anything that a reader of the record would read otherwise, and anything that cannot be compared."""
    assert not same_meaning(SENT, found)


@pytest.mark.parametrize(
    ("sent", "found", "same"),
    [
        ("Patient/4711", "Patient/4711", True),
        ("Patient/4711", "http://chart.example/r4/Patient/4711", True),
        ("Patient/4711", "Patient/14711", False),
        ("Patient?identifier=urn:t:patient%7C4711", "Patient/9", False),
    ],
)
def test_a_patient_by_address(sent: str, found: str, *, same: bool) -> None:
    """The same address, relative or whole. A search that the server has resolved is no proof: a person looks."""
    assert same_meaning(changed(subject={"reference": sent}), changed(subject={"reference": found})) is same


def searchset(*resources: Any, **more: Any) -> bytes:
    """Give a searchset of these."""
    entries = [{"resource": each, "search": {"mode": "match"}} for each in resources]
    return json.dumps({"resourceType": "Bundle", "type": "searchset", "entry": entries, **more}, default=str).encode()


QUESTION = Question(kind="Observation", query="identifier=x", sent=changed(valueQuantity=None, valueString="clear"))
SAME = changed(valueQuantity=None, valueString="clear")


@pytest.mark.parametrize(
    ("body", "there"),
    [
        (searchset(SAME), True),
        (searchset(SAME, SAME), False),  # two records under one identifier are no proof of anything
        (searchset(), False),
        (searchset({"resourceType": "OperationOutcome"}), False),
        (searchset(SAME, type="history"), False),
        (json.dumps(SAME, default=str).encode(), False),
        (b"<html>", False),
        (b"[" * 100_000, False),
        (b'{"type": "searchset", "entry": [1, {"resource": 2}, {}]}', False),
    ],
)
def test_exactly_one_match_that_is_the_same_is_a_yes(body: bytes, *, there: bool) -> None:
    """A searchset with one match; whatever else comes is none. HZ-H04."""
    assert is_there(QUESTION, body) is there


def test_what_was_only_included_is_no_match() -> None:
    """Bundle.entry.search.mode: include and outcome are beside the point."""
    body = searchset(SAME).replace(b'"mode": "match"', b'"mode": "include"')
    assert not is_there(QUESTION, body)


def test_a_bundle_without_results_proves_nothing() -> None:
    """Nothing to ask for is never a yes; the client takes it for not there."""
    payload = json.loads(bundle("E1").payload)
    payload["entry"] = payload["entry"][:1]
    assert questions(json.dumps(payload).encode()) == ()


def test_the_two_ends_have_words() -> None:
    """A yes with a code of its own; a refusal that says why in our words, before the server's."""
    assert there_already() == Acknowledgement(answer=Answer.ACCEPTED, code="there already")
    refusal = not_proved(Acknowledgement(answer=Answer.REFUSED, code="HTTP 409", text="an identical record"))
    assert (refusal.answer, refusal.code) == (Answer.REFUSED, "HTTP 409")
    assert refusal.text.endswith("could not be shown to be the same result. an identical record")
