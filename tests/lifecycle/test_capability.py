"""What a server says it can do, against FHIR R4's own elements (CapabilityStatement, hl7.org/fhir/R4)."""

from __future__ import annotations

import copy
from typing import Any

import pytest
from fhir.resources.R4B.capabilitystatement import CapabilityStatement
from hypothesis import given
from hypothesis import strategies as st

from bridge.lifecycle.capability import Asked, differences

ASKED = Asked(
    creates=("Observation", "Device"),
    searches=(("Observation", "identifier"), ("Device", "identifier"), ("Patient", "identifier")),
)
IDENTIFIER = [{"name": "identifier", "type": "token"}]
WHOLE: dict[str, Any] = {
    "resourceType": "CapabilityStatement",
    "status": "active",
    "date": "2026-11-01",
    "kind": "instance",
    "fhirVersion": "4.0.1",
    "format": ["application/fhir+xml", "application/fhir+json; charset=utf-8"],
    "implementation": {"description": "an invented server"},
    "rest": [
        {"mode": "client"},
        {
            "mode": "server",
            "interaction": [{"code": "search-system"}, {"code": "transaction"}],
            "resource": [
                {"type": "Observation", "conditionalCreate": True, "searchParam": IDENTIFIER},
                {"type": "Device", "conditionalCreate": True, "searchParam": IDENTIFIER},
                {"type": "Patient", "searchParam": IDENTIFIER},
            ],
        },
    ],
}


def changed(**more: Any) -> dict[str, Any]:
    """Give a statement with other members."""
    return {**copy.deepcopy(WHOLE), **more}


def test_a_server_that_promises_all_leaves_nothing_to_say() -> None:
    """The sample is a capability statement by an independent library's model too."""
    CapabilityStatement.model_validate({**WHOLE, "fhirVersion": "4.3.0"})
    assert differences(WHOLE, ASKED) == ()
    assert differences(changed(format=["json"], fhirVersion="4.0.0"), ASKED) == ()


@pytest.mark.parametrize(
    ("statement", "words"),
    [
        (changed(fhirVersion="4.3.0"), "it says FHIR 4.3.0, and Padpost sends R4 (4.0.1)"),
        (changed(fhirVersion=None), "it says FHIR of no version, and Padpost sends R4 (4.0.1)"),
        (changed(format=["xml"]), "it does not list JSON among its formats"),
    ],
)
def test_one_thing_that_is_not_promised_is_one_sentence(statement: Any, words: str) -> None:
    """Nothing else is said."""
    assert differences(statement, ASKED) == (words,)


def test_what_a_client_can_do_does_not_count() -> None:
    """rest.mode: a server describes what it calls itself, too."""
    statement = copy.deepcopy(WHOLE)
    statement["rest"][0], statement["rest"][1]["mode"] = {"mode": "server"}, "client"
    assert differences(statement, ASKED) == (
        "it does not list transactions (rest.interaction)",
        "it does not list conditional creation of Observation, Device: a message that goes twice may be filed twice",
        "it does not list the search of Observation by identifier, Device by identifier, Patient by identifier",
    )


def test_each_resource_is_named() -> None:
    """A promise as text is none; a missing parameter is named with its type."""
    statement = copy.deepcopy(WHOLE)
    statement["rest"][1]["resource"][1]["conditionalCreate"] = "true"
    statement["rest"][1]["resource"][2]["searchParam"] = [{"name": "name"}]
    assert differences(statement, ASKED) == (
        "it does not list conditional creation of Device: a message that goes twice may be filed twice",
        "it does not list the search of Patient by identifier",
    )


@pytest.mark.parametrize("statement", [None, [], "x", {}, {"resourceType": "OperationOutcome"}])
def test_what_is_none_is_said_to_be_none(statement: Any) -> None:
    """A sign-in page, an error, anything."""
    assert differences(statement, ASKED) == ("what it gives at /metadata is no capability statement of FHIR",)


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.sampled_from([*WHOLE["rest"][1], "x"]), inner, max_size=3),
    max_leaves=10,
)


@given(member=st.sampled_from(sorted(WHOLE)), value=JSON)
def test_no_statement_raises(member: str, value: Any) -> None:
    """Whatever stands in it."""
    assert isinstance(differences(changed(**{member: value}), ASKED), tuple)
