"""The provenance of a version that a person made: R4 Provenance, one for each version, of everything that it changes."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import timedelta
from typing import Any

import pytest

from bridge.model import Change, CodedResult, Format, ResultStatus
from bridge.render import compile_plan
from bridge.render.conformance import faults
from bridge.render.queries import tag_of
from bridge.render.samples import samples
from tests.render.results_for_tests import MADE_AT
from tests.render.tables_for_tests import FHIR, STRIP, hand_made

CHANGE = Change(by="Ana Sousa", at=MADE_AT - timedelta(minutes=5))


def written(result: CodedResult) -> tuple[bytes, list[dict[str, Any]]]:
    """Give a message, and its entries."""
    payload = compile_plan(FHIR, "testing", STRIP.name, hand_made()).render(result, control_id="TESTAM1", made_at=MADE_AT).payload
    return payload, json.loads(payload)["entry"]


def result(status: ResultStatus) -> CodedResult:
    first = samples(FHIR, "testing", STRIP.name, hand_made())[0]
    return replace(first, version=2, status=status, change=CHANGE)


@pytest.mark.parametrize(
    ("status", "word", "code"),
    [(ResultStatus.CORRECTED, "corrected", "UPDATE"), (ResultStatus.WITHDRAWN, "entered-in-error", "NULLIFY")],
)
def test_who_changed_it_when_and_what(status: ResultStatus, word: str, code: str) -> None:
    """R4 provenance.html: target, occurred, recorded, activity (v3-DataOperation), author; US Core 9.0.0: the bridge is the transmitter."""
    payload, entries = written(result(status))
    assert faults(Format.FHIR, payload) == ()
    (entry,) = [each for each in entries if each["resource"]["resourceType"] == "Provenance"]
    provenance = entry["resource"]
    changed = {
        each["fullUrl"]: each for each in entries if each["resource"]["resourceType"] in ("Observation", "DiagnosticReport")
    }
    assert {target["reference"] for target in provenance["target"]} == changed.keys()
    assert {each["resource"]["status"] for each in changed.values()} == {word}
    assert {each["request"]["method"] for each in changed.values()} == {"PUT"}
    assert provenance["activity"]["coding"][0]["code"] == code
    assert [(agent["type"]["coding"][0]["code"], agent["who"]["display"]) for agent in provenance["agent"]] == [
        ("author", "Ana Sousa"),
        ("transmitter", FHIR.sending_application),
    ]
    zone = FHIR.zone
    assert provenance["occurredDateTime"] == CHANGE.at.astimezone(zone).isoformat(timespec="seconds")
    assert provenance["recorded"] == MADE_AT.astimezone(zone).isoformat(timespec="seconds")


def test_a_message_that_goes_again_makes_no_second_one() -> None:
    """R4 http.html, conditional create: the condition is the tag, which names result and version."""
    _, entries = written(result(ResultStatus.CORRECTED))
    (entry,) = [each for each in entries if each["resource"]["resourceType"] == "Provenance"]
    assert entry["request"] == {"method": "POST", "url": "Provenance", "ifNoneExist": entry["request"]["ifNoneExist"]}
    tag = entry["resource"]["meta"]["tag"][0]
    assert tag_of(entry["request"]["ifNoneExist"]) == (tag["system"], tag["code"])
    assert tag["code"].endswith(".v2")


def test_what_nobody_changed_has_none() -> None:
    """A first report says nothing of changes."""
    _, entries = written(samples(FHIR, "testing", STRIP.name, hand_made())[0])
    assert [each for each in entries if each["resource"]["resourceType"] == "Provenance"] == []
