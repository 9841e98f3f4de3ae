"""Each rule of a regional guide against a Bundle that breaks it; the sound Bundles were written by hand (golden/).

Rules and names: HL7/US-Core 9.0.0 and hl7-eu/laboratory 2.0.0 (reference fhir.md, section 2). fhir.resources is shown the broken ones
too: it knows no guide, which is why the rules are ours.
"""

from __future__ import annotations

import copy
import json
from pathlib import Path
from typing import Any

import pytest

from bridge.model import Format
from bridge.render.conformance import faults
from bridge.render.fhir_shapes import RULES, shape_faults
from bridge.render.oracles import oracle_faults

GOLDEN = Path(__file__).parent / "golden"
SOUND = {
    Format.FHIR_US: json.loads((GOLDEN / "us_conditional.json").read_bytes()),
    Format.FHIR_EU: json.loads((GOLDEN / "eu_laboratory.json").read_bytes()),
}
Change = dict[str, Any]
NITRITE, GRAVITY = "Observation TESTAR42-nitrite", "Observation TESTAR42-specific_gravity"
OTHER_UNIT = {"value": 1.005, "unit": "1", "system": "urn:other", "code": "1"}
# what is broken -> (format, resource, members put in place (None: taken away), the rule in words)
BROKEN: dict[str, tuple[Format, str, Change, str]] = {
    "no category": (Format.FHIR_US, NITRITE, {"category": [{"text": "Laboratory"}]}, "US Core: no category laboratory"),
    "no subject": (Format.FHIR_US, NITRITE, {"subject": None}, "US Core: no subject"),
    "no specimen": (Format.FHIR_US, NITRITE, {"specimen": None}, "US Core: no specimen"),
    "no time": (Format.FHIR_US, NITRITE, {"effectiveDateTime": None}, "US Core: no effective time, which a reading always has"),
    "a month": (Format.FHIR_US, NITRITE, {"effectiveDateTime": "2026-11"}, "us-core-1: effectiveDateTime is less than a day"),
    "no value": (Format.FHIR_US, NITRITE, {"valueCodeableConcept": None}, "us-core-2: neither value nor dataAbsentReason"),
    "a unit of another system": (Format.FHIR_US, GRAVITY, {"valueQuantity": OTHER_UNIT}, "us-core-3: the value's unit is not UCUM"),
    "a bound of another system": (Format.FHIR_US, GRAVITY, {"referenceRange": [{"high": OTHER_UNIT}]}, "us-core-22: a bound's unit is not UCUM"),
    "a report without category": (Format.FHIR_US, "DiagnosticReport TESTAR42", {"category": None}, "US Core: no category LAB"),
    "a report without subject": (Format.FHIR_US, "DiagnosticReport TESTAR42", {"subject": None}, "US Core: no subject"),
    "a report without time": (Format.FHIR_US, "DiagnosticReport TESTAR42", {"effectiveDateTime": None}, "us-core-8: no effective time"),
    "a report without issue": (Format.FHIR_US, "DiagnosticReport TESTAR42", {"issued": None}, "us-core-9: no time of issue"),
    "a specimen without type": (Format.FHIR_US, "Specimen TESTAR42.specimen", {"type": None}, "US Core: no type"),
    "eu: no category": (Format.FHIR_EU, NITRITE, {"category": None}, "HL7 Europe: no category laboratory"),
    "eu: no performer": (Format.FHIR_EU, NITRITE, {"performer": None}, "HL7 Europe: no performer"),
    "eu: yes or no": (
        Format.FHIR_EU, NITRITE, {"valueCodeableConcept": None, "valueBoolean": True}, "HL7 Europe: a value of a kind that it does not have"
    ),
    "eu: a count": (
        Format.FHIR_EU, NITRITE, {"valueCodeableConcept": None, "valueInteger": 2}, "HL7 Europe: a value of a kind that it does not have"
    ),
    "eu: no value": (
        Format.FHIR_EU, NITRITE, {"valueCodeableConcept": None}, "eu-lab-1: no value, dataAbsentReason, hasMember or component"
    ),
}  # fmt: skip


def broken(what: str) -> tuple[Format, dict[str, Any], str]:
    """Give the format, the sound Bundle with one thing broken, and the fault."""
    fmt, name, change, rule = BROKEN[what]
    bundle = copy.deepcopy(SOUND[fmt])
    kind, _, value = name.partition(" ")
    (resource,) = (
        entry["resource"]
        for entry in bundle["entry"]
        if (entry["resource"]["resourceType"], entry["resource"]["identifier"][0]["value"]) == (kind, value)
    )
    for member, new in change.items():
        if new is None:
            del resource[member]
        else:
            resource[member] = new
    return fmt, bundle, f"{name}: {rule}"


def resources(bundle: dict[str, Any]) -> list[dict[str, Any]]:
    """Give the resources of a Bundle."""
    return [entry["resource"] for entry in bundle["entry"]]


@pytest.mark.parametrize("fmt", SOUND)
def test_a_sound_bundle_has_no_fault(fmt: Format) -> None:
    """No false alarm."""
    assert list(shape_faults(fmt, resources(SOUND[fmt]))) == []


@pytest.mark.parametrize("what", BROKEN)
def test_a_broken_rule_is_named(what: str) -> None:
    """That rule alone of the guide's, and the format's conformance says it too."""
    fmt, bundle, fault = broken(what)
    assert list(shape_faults(fmt, resources(bundle))) == [fault]
    assert fault in faults(fmt, json.dumps(bundle).encode())


@pytest.mark.parametrize("what", BROKEN)
def test_plain_r4_asks_for_nothing_of_it(what: str) -> None:
    """A guide's rule is no rule of R4."""
    assert list(shape_faults(Format.FHIR, resources(broken(what)[1]))) == []


# status, code and the like are R4's own; of these changes none is against R4 but for the month, which R4 allows too
@pytest.mark.parametrize("what", BROKEN)
def test_the_library_does_not_find_these(what: str) -> None:
    """Why the rules are ours."""
    fmt, bundle, _ = broken(what)
    assert oracle_faults(fmt, json.dumps(bundle).encode()) == ()


def test_every_rule_is_broken_above() -> None:
    """A new rule must be shown to find something."""
    named = {(fmt, name.partition(" ")[0], rule) for fmt, name, _, rule in BROKEN.values()}
    assert named == {(fmt, kind, rule) for (fmt, kind), rules in RULES.items() for rule in rules}


def test_a_status_without_a_result_needs_no_value() -> None:
    """eu-lab-1 leaves out what was registered or cancelled; us-core-8 and 9 what is not out yet."""
    cancelled = {
        "resourceType": "Observation",
        "identifier": [{"value": "x"}],
        "status": "cancelled",
        "performer": [{"display": "a"}],
    }
    assert list(shape_faults(Format.FHIR_EU, [cancelled])) == ["Observation x: HL7 Europe: no category laboratory"]
    registered = {
        "resourceType": "DiagnosticReport",
        "identifier": [{"value": "x"}],
        "status": "registered",
        "subject": {"display": "a"},
    }
    assert list(shape_faults(Format.FHIR_US, [registered])) == ["DiagnosticReport x: US Core: no category LAB"]
