"""The capability statement over a real socket: asked for as FHIR R4 says, and silence is no difference."""

from __future__ import annotations

import asyncio
import json
from typing import Any

import pytest

from bridge.deliver.capability import asked_differences, asked_of
from bridge.settings import FhirDestination
from tests.lifecycle.test_capability import WHOLE
from tests.peers.fhir_receiver import FhirReceiver


def settings(base_url: str, **more: Any) -> FhirDestination:
    """Give a destination."""
    given = {"kind": "fhir", "name": "record", "base_url": base_url, "result_system": "urn:t:result"}
    return FhirDestination.model_validate({**given, **more})


def test_what_is_asked_follows_the_settings() -> None:
    """Each type that is created, and each that is searched."""
    asked = asked_of(settings("http://127.0.0.1:9/r4", pointers={"patient": "conditional"}))
    assert asked.creates == ("DiagnosticReport", "Observation", "Specimen", "Device")
    assert asked.searches == tuple((kind, "identifier") for kind in (*asked.creates, "Patient"))
    without = asked_of(settings("http://127.0.0.1:9/r4", equipment=False, pointers={"order": "conditional"}))
    assert "Device" not in without.creates
    assert ("ServiceRequest", "identifier") in without.searches


@pytest.mark.parametrize("slash", ["", "/"])
def test_it_is_read_from_metadata(slash: str) -> None:
    """GET [base]/metadata; what is missing is said in words."""
    with FhirReceiver() as server:
        server.documents["metadata"] = json.dumps(WHOLE).encode()
        found = asyncio.run(asked_differences(settings(server.base_url + slash)))
        assert server.got == ["metadata"]
        assert found == (
            "it does not list conditional creation of DiagnosticReport, Specimen: a message that goes twice may be filed twice",
            "it does not list the search of DiagnosticReport by identifier, Specimen by identifier",
        )


def test_a_body_that_is_no_json_is_said_and_silence_is_not() -> None:
    """An HTML page at /metadata is told; 404 and a server that is away are asked again later."""
    with FhirReceiver() as server:
        assert asyncio.run(asked_differences(settings(server.base_url))) is None
        server.documents["metadata"] = b"<html>"
        assert asyncio.run(asked_differences(settings(server.base_url))) == (
            "what it gives at /metadata is no capability statement of FHIR",
        )
    assert asyncio.run(asked_differences(settings("http://127.0.0.1:1/r4"))) is None
