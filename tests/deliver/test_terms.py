"""What a destination's settings say of its answers."""

from __future__ import annotations

import pytest

from bridge.deliver.terms import asked_of, site_answers_of
from bridge.lifecycle.answers import Asked
from bridge.model import Answer
from bridge.settings import FhirDestination, MllpDestination


@pytest.mark.parametrize(
    ("settings", "asked"),
    [
        ({}, Asked.ORIGINAL),
        ({"acknowledgement": "enhanced"}, Asked.ALWAYS),
        ({"acknowledgement": "enhanced", "application_answer": "ER"}, Asked.ERRORS),
        ({"acknowledgement": "enhanced", "application_answer": "NE"}, Asked.NEVER),
        ({"acknowledgement": "enhanced", "application_answer": "SU"}, Asked.SUCCESS),
    ],
)
def test_what_msh_15_and_16_ask_for(settings: dict[str, str], asked: Asked) -> None:
    """HL7 table 0155; original mode asks for nothing in words."""
    destination = MllpDestination.model_validate({"kind": "mllp", "name": "record", "host": "h", "port": 1, **settings})
    assert asked_of(destination) is asked


def test_the_sites_lines_become_values() -> None:
    """A line for a code with its reason, and none for others."""
    line = {"when": "HTTP 500", "means": "refused"}
    destination = FhirDestination.model_validate(
        {"kind": "fhir", "name": "chart", "base_url": "http://h/r4", "result_system": "urn:t:r", "answers": [line]}
    )
    site = site_answers_of(destination)
    assert site.answer("HTTP 500", Answer.TRY_AGAIN) is Answer.REFUSED
    assert site.answer("HTTP 503", Answer.TRY_AGAIN) is Answer.TRY_AGAIN
