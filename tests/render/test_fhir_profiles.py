"""The three shapes of Bundles and the site's options: exact bytes, every source outside the project on every sample.

Outside the project: fhir_check.py (official R4 schema, fhirkit, invariants), fhir.resources (R4B), and the guides' own invariants
run by fhirpathpy: US Core's from HL7/US-Core 9.0.0, HL7 Europe's from hl7-eu/laboratory 2.0.0.
"""

from __future__ import annotations

import json
import re
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import fhirpathpy
import pytest
from fhirpathpy.models import models

from bridge.errors import RejectError
from bridge.model import CodedResult, Purpose
from bridge.render import compile_plan
from bridge.render.conformance import faults
from bridge.render.oracles import oracle_faults
from bridge.render.samples import samples
from bridge.tables.types import DestinationTerms, Orders, Pointing
from tests.render.fhir_check import bundle_faults
from tests.render.fhir_sites import EU, ORDERS_OF_FORMS, REEDBANK, SINGLE, SITES, US, ordered
from tests.render.results_for_tests import MADE_AT, normal_result, stat_result
from tests.render.tables_for_tests import EVERY_STRIP, FHIR, STRIP, hand_made, tables_of

GOLDEN = Path(__file__).parent / "golden"
# (guide, kind of resource) -> invariant -> expression, as the guides have them
GUIDES = {
    ("us", "Observation"): {
        "us-core-1": "effective.ofType(dateTime).empty() or effective.ofType(dateTime).toString().length() >= 10",
        "us-core-2": "(component.empty() and hasMember.empty()) implies (dataAbsentReason.exists() or value.exists())",
        "us-core-3": "value.ofType(Quantity).system.empty() or value.ofType(Quantity).system = 'http://unitsofmeasure.org'",
        "us-core-22": (
            "referenceRange.all((low.system.empty() or low.system = 'http://unitsofmeasure.org') "
            "and (high.system.empty() or high.system = 'http://unitsofmeasure.org'))"
        ),
        "category": "category.coding.where(system = 'http://terminology.hl7.org/CodeSystem/observation-category' and code = 'laboratory').count() = 1",
        "specimen and performer": "specimen.exists() and performer.exists()",
    },
    ("us", "DiagnosticReport"): {
        "us-core-8": "(status = 'final' or status = 'corrected') implies effective.exists()",
        "us-core-9": "(status = 'final' or status = 'corrected') implies issued.exists()",
        "category": "category.coding.where(system = 'http://terminology.hl7.org/CodeSystem/v2-0074' and code = 'LAB').count() = 1",
    },
    ("eu", "Observation"): {
        "eu-lab-1": "(status in ('registered'|'cancelled')) or value.exists() or hasMember.exists() or component.exists() or dataAbsentReason.exists()",
        "category": "category.coding.where(system = 'http://terminology.hl7.org/CodeSystem/observation-category' and code = 'laboratory').count() = 1",
        "performer": "performer.count() >= 1",
        "value": "value.ofType(boolean).empty() and value.ofType(integer).empty()",
    },
}


def golden(name: str) -> bytes:
    """Give a Bundle that was written by hand; line ends and the blanks after them are only for the reader of the file."""
    return re.sub(rb"\n *", b"", (GOLDEN / f"{name}.json").read_bytes())


def written(result: CodedResult, destination: DestinationTerms) -> bytes:
    """Render through a fresh plan."""
    plan = compile_plan(destination, "testing", STRIP.name, hand_made())
    return plan.render(result, control_id="TESTAM1", made_at=MADE_AT).payload


def resources(payload: bytes, kind: str) -> list[dict[str, Any]]:
    """Give the resources of one type."""
    found = [entry["resource"] for entry in json.loads(payload)["entry"]]
    return [resource for resource in found if resource["resourceType"] == kind]


@cache
def invariant(expression: str) -> Any:
    """Compile one expression."""
    return fhirpathpy.compile(expression, models["r4"])


def guide_faults(payload: bytes, guide: str) -> list[str]:
    """Give what the guide's own expressions find."""
    return [
        fault
        for of, kind in GUIDES
        if of == guide
        for resource in resources(payload, kind)
        for fault in _broken(guide, kind, json.dumps(resource))
    ]


@cache  # the same resource stands in many a Bundle
def _broken(guide: str, kind: str, text: str) -> tuple[str, ...]:
    resource = json.loads(text)
    rules = GUIDES[guide, kind].items()
    return tuple(f"{kind}: {name}" for name, rule in rules if invariant(rule)(resource, {"resource": resource}) != [True])


# --- exact bytes


@pytest.mark.parametrize("name", SITES)
def test_the_bundle_is_exactly_this(name: str) -> None:
    """Each option's elements where R4 has them; no digit of 1.010 or 1.030 lost."""
    assert written(ordered(name), SITES[name]) == golden(name)


@pytest.mark.parametrize("name", SITES)
def test_every_source_takes_the_bundle_written_by_hand(name: str) -> None:
    """What was typed is FHIR R4, by every source, and keeps our own rules."""
    made, fmt = golden(name), SITES[name].format
    assert (bundle_faults(made), oracle_faults(fmt, made), faults(fmt, made)) == ([], (), ())


# --- every sample of every strip

OPTIONS = {
    "us": US,
    "eu": EU,
    "single": replace(SINGLE, patient_pointing=Pointing.LOGICAL),
    "literal": replace(US, patient_pointing=Pointing.LITERAL, order_pointing=Pointing.LITERAL, laboratory=REEDBANK),
    "eu single": replace(EU, orders=Orders.SINGLE, patient_pointing=Pointing.CONDITIONAL),
    "bare": replace(EU, equipment=False, operator=False, local_codes=False),
}


# the two guides' shapes in every order of forms, the other options in one
CASES = [(option, forms) for option in OPTIONS for forms in (ORDERS_OF_FORMS if option in {"us", "eu"} else ["grades"])]
asked = cache(
    lambda fmt, payload: (bundle_faults(payload), oracle_faults(fmt, payload))
)  # two profiles of one strip type give the same bytes


@pytest.mark.slow
@pytest.mark.parametrize(("profile", "strip"), EVERY_STRIP)
@pytest.mark.parametrize(("option", "forms"), CASES)
def test_every_source_takes_every_sample(option: str, forms: str, profile: str, strip: str) -> None:
    """Every step of every pad in the US guide's shape, which shares its values with the others; of those what differs beside the pads: schema, fhirkit, fhir.resources, invariants, the guides' own, our rules."""
    destination, tables = replace(OPTIONS[option], value_forms=ORDERS_OF_FORMS[forms]), tables_of(profile)
    plan = compile_plan(destination, profile, strip, tables)
    fmt, guide = destination.format, destination.format.value.removeprefix("fhir").strip("_")
    every = samples(destination, profile, strip, tables)
    telling = every if option == "us" else (*every[:2], *(s for s in every if s.result_id.startswith("SMPL1R9")))
    for number, sample in enumerate(telling):
        result = replace(sample, order_number=sample.order_number or "ORD-4711")
        payload = plan.render(result, control_id=f"TESTAM{number}", made_at=MADE_AT).payload
        assert asked(fmt, payload) == ([], ()), sample.result_id
        assert (faults(fmt, payload), guide_faults(payload, guide)) == ((), [])


# --- single options


def test_no_analyzer_leaves_no_device_behind() -> None:
    """Without equipment there is neither Device nor link, and the strips' lot has no place either."""
    payload = written(stat_result(), replace(EU, equipment=False))
    assert resources(payload, "Device") == []
    assert not any({"device", "extension"} & value.keys() for value in resources(payload, "Observation"))
    assert faults(EU.format, payload) == ()


def test_strips_without_a_printed_lot_are_no_device() -> None:
    """Nothing is made up: one Device, the analyzer."""
    payload = written(replace(stat_result(), strip_lot=""), EU)
    assert [each["type"]["text"] for each in resources(payload, "Device")] == ["Urine strip analyzer"]


def test_the_lot_goes_only_where_the_guide_has_a_place() -> None:
    """The extension is HL7 Europe's; a receiver of plain R4 or US Core's shape gets none that it does not know."""
    for destination in (FHIR, US):
        assert b"lotNumber" not in written(stat_result(), destination)
        assert b'"extension"' not in written(stat_result(), destination)


@pytest.mark.parametrize(
    ("destination", "operator", "expected"),
    [
        (EU, "op7", ["op7", "Reedbank Laboratory"]),
        (EU, "", ["Reedbank Laboratory"]),
        (replace(EU, operator=False), "op7", ["Reedbank Laboratory"]),
        (replace(FHIR, operator=False), "op7", ["LAB7"]),
        (replace(FHIR, operator=False, sending_facility=""), "op7", []),
    ],
)
def test_the_performers_are_who_the_site_names(destination: DestinationTerms, operator: str, expected: list[str]) -> None:
    """Operator if printed and asked for, then the laboratory; the facility's name stands in only where neither is known."""
    for value in resources(written(replace(stat_result(), operator=operator), destination), "Observation"):
        assert [each["display"] for each in value.get("performer", [])] == expected


def test_a_laboratory_without_a_number_is_a_name() -> None:
    """No identifier is made up."""
    (value, *_) = resources(
        written(replace(stat_result(), operator=""), replace(EU, laboratory=replace(REEDBANK, number=""))), "Observation"
    )
    assert value["performer"] == [{"type": "Organization", "display": "Reedbank Laboratory"}]


def test_a_unit_has_the_sites_text_and_ucums_code() -> None:
    """A unit that the site has no text for goes as UCUM."""
    payload = written(stat_result(), replace(US, unit_texts={"[pH]": "pH"}))
    units = {
        value["valueQuantity"]["code"]: value["valueQuantity"]["unit"]
        for value in resources(payload, "Observation")
        if "valueQuantity" in value
    }
    assert units == {"1": "1", "[pH]": "pH", "mg/dL": "mg/dL"}


def test_nothing_is_claimed_unless_the_site_does() -> None:
    """meta.profile is the site's own word; several of one kind are all there."""
    assert b'"meta"' not in written(stat_result(), replace(US, message_profile=""))
    claimed = replace(US, message_profile="Observation=urn:a Specimen=urn:c Observation=urn:b")
    payload = written(stat_result(), claimed)
    assert {
        kind: [each.get("meta") for each in resources(payload, kind)][:1]
        for kind in ("Observation", "Specimen", "DiagnosticReport", "Device")
    } == {
        "Observation": [{"profile": ["urn:a", "urn:b"]}],
        "Specimen": [{"profile": ["urn:c"]}],
        "DiagnosticReport": [None],
        "Device": [None],
    }


def test_single_orders_make_a_report_for_each_pad() -> None:
    """Own identifiers, the pad's code, one value each; the same on every render, a correction updates them."""
    payload = written(replace(stat_result(), version=2), replace(FHIR, orders=Orders.SINGLE))
    reports, values = resources(payload, "DiagnosticReport"), resources(payload, "Observation")
    assert [each["identifier"][0]["value"] for each in reports] == [f"TESTAR42-{pad.pad}.report" for pad in stat_result().pads]
    assert [each["code"] for each in reports] == [each["code"] for each in values]
    assert [len(each["result"]) for each in reports] == [1] * 6
    requests = [
        entry["request"] for entry in json.loads(payload)["entry"] if entry["resource"]["resourceType"] == "DiagnosticReport"
    ]
    assert requests[0] == {"method": "PUT", "url": "DiagnosticReport?identifier=urn%3Apadpost%3Aresult%7CTESTAR42-glucose.report"}


@pytest.mark.parametrize("purpose", [each for each in Purpose if each is not Purpose.PATIENT])
def test_a_strip_of_no_patient_is_refused(purpose: Purpose) -> None:
    """A control's value must never stand in a patient's record, whatever the destination is set to."""
    with pytest.raises(RejectError) as found:
        written(replace(normal_result(), purpose=purpose), replace(FHIR, non_patient=True))
    assert found.value.rule == "render.purpose"
    assert purpose.value in found.value.sentence


def test_no_patient_resource_is_written() -> None:
    """Born, sex and name are evidence, not ours to file: nothing of them but the display."""
    payload = written(replace(stat_result(), born=MADE_AT.date()), US)
    assert resources(payload, "Patient") == []
    assert b"birthDate" not in payload
