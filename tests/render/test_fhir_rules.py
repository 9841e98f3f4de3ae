"""Each of our rules for a Bundle against a Bundle that breaks that rule alone.

The sound Bundle is one that was written by hand (golden/). fhir.resources is shown the broken ones too: where it finds
nothing, no library that the product has checks it, which is why the rule is ours.
"""

from __future__ import annotations

import copy
import json
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from bridge.model import Format
from bridge.render.fhir_rules import fhir_faults
from bridge.render.oracles import oracle_faults

GOLDEN = Path(__file__).parent / "golden"
SOUND: dict[str, Any] = json.loads((GOLDEN / "normal.json").read_bytes())
DEVICE, SPECIMEN, GLUCOSE, NITRITE, GRAVITY, REPORT = 0, 1, 2, 3, 4, 8  # the order of the entries in the sound Bundle
DEVICE_URL, SPECIMEN_URL, GLUCOSE_URL = (SOUND["entry"][at]["fullUrl"] for at in (DEVICE, SPECIMEN, GLUCOSE))

Change = Callable[[dict[str, Any]], None]


def put(at: int, *path: str | int, value: Any) -> Change:
    """Give a change of one member of an entry's resource; ``None`` takes the member away."""

    def change(bundle: dict[str, Any]) -> None:
        inner: Any = bundle["entry"][at]["resource"]
        for step in path[:-1]:
            inner = inner[step]
        assert inner.get(path[-1]) != value if isinstance(inner, dict) else inner[path[-1]] != value
        if value is None:
            del inner[path[-1]]
        else:
            inner[path[-1]] = value

    return change


def text_value(code: str, name: str) -> Change:
    """Give the change of the glucose grade into a text under this code, with the note that holds what was printed."""

    def change(bundle: dict[str, Any]) -> None:
        resource = bundle["entry"][GLUCOSE]["resource"]
        resource["valueString"] = resource.pop("valueCodeableConcept")["text"]
        resource["note"].insert(0, {"text": "As printed by the analyzer: NEGATIVE"})
        resource["code"]["coding"][0] = {"system": "http://loinc.org", "code": code, "display": name}

    return change


def request(at: int, **members: str) -> Change:
    """Give a change of an entry's request."""

    def change(bundle: dict[str, Any]) -> None:
        bundle["entry"][at]["request"] = members

    return change


def every(member: str, value: Any, *, first: int = GLUCOSE) -> Change:
    """Give a change of one member of the report and every value."""

    def change(bundle: dict[str, Any]) -> None:
        for entry in bundle["entry"][first:]:
            if value is None:
                del entry["resource"][member]
            else:
                entry["resource"][member] = value

    return change


def top(member: str, value: Any) -> Change:
    """Give a change of a member of the Bundle itself."""

    def change(bundle: dict[str, Any]) -> None:
        bundle[member] = value

    return change


def without_notes(bundle: dict[str, Any]) -> None:
    """Take every effective time and the notes of the graded values away."""
    every("effectiveDateTime", None)(bundle)
    for entry in bundle["entry"][GLUCOSE:REPORT]:
        if "valueCodeableConcept" in entry["resource"]:
            del entry["resource"]["note"]


def second_report(bundle: dict[str, Any]) -> None:
    """Add another report with an identity of its own."""
    more = copy.deepcopy(bundle["entry"][REPORT])
    more["fullUrl"] = "urn:uuid:00000000-0000-4000-8000-000000000000"
    more["resource"]["identifier"][0]["value"] = "TESTAR99"
    more["request"]["ifNoneExist"] = "identifier=urn%3Apadpost%3Aresult%7CTESTAR99"
    bundle["entry"].append(more)


def same_identifier(bundle: dict[str, Any]) -> None:
    """Give two values one identifier, with its condition."""
    bundle["entry"][NITRITE]["resource"]["identifier"] = bundle["entry"][GLUCOSE]["resource"]["identifier"]
    bundle["entry"][NITRITE]["request"] = bundle["entry"][GLUCOSE]["request"]


def same_address(bundle: dict[str, Any]) -> None:
    """Give two values one fullUrl; the report then points to it twice."""
    bundle["entry"][NITRITE]["fullUrl"] = GLUCOSE_URL
    bundle["entry"][REPORT]["resource"]["result"][1]["reference"] = GLUCOSE_URL


def server_address(bundle: dict[str, Any]) -> None:
    """Give a value a fullUrl that claims a place on the receiver."""
    bundle["entry"][GLUCOSE]["fullUrl"] = "Observation/1"
    bundle["entry"][REPORT]["resource"]["result"][0]["reference"] = "Observation/1"


NAME = "Observation TESTAR41-glucose"
COLON = "urn%3Apadpost%3Aresult"
FOUND = ("http://terminology.hl7.org/CodeSystem/v3-ObservationInterpretation", "NEG")

# what is broken -> (how, the one fault that must be found)
BROKEN: dict[str, tuple[Change, str]] = {
    # the Bundle
    "a batch": (top("type", "batch"), "this is not a transaction Bundle"),
    "no entries": (top("entry", []), "the Bundle has no entries"),
    "no identifier": (top("identifier", {"system": "urn:padpost:result"}), "the Bundle has no identifier"),
    "a second report": (second_report, "the Bundle holds {'Device': 1, 'Specimen': 1, 'Observation': 6, 'DiagnosticReport': 2}"),
    # identities and conditions
    "one fullUrl twice": (same_address, f"fullUrl {GLUCOSE_URL} is not an own urn:uuid"),
    "a fullUrl on the receiver": (server_address, "fullUrl Observation/1 is not an own urn:uuid"),
    "one identifier twice": (same_identifier, "Observation has an identifier that another entry has too"),
    "a condition on another identifier": (
        request(GLUCOSE, method="POST", url="Observation", ifNoneExist=f"identifier={COLON}%7CTESTAR41-nitrite"),
        f"{NAME}: the condition 'identifier={COLON}%7CTESTAR41-nitrite' does not name the resource's own identifier",
    ),
    "a condition that is not encoded": (
        request(GLUCOSE, method="POST", url="Observation", ifNoneExist="identifier=urn:padpost:result|TESTAR41-glucose"),
        f"{NAME}: the condition 'identifier=urn:padpost:result|TESTAR41-glucose' does not name the resource's own identifier",
    ),
    "no condition": (
        request(GLUCOSE, method="POST", url="Observation"),
        f"{NAME}: the condition '' does not name the resource's own identifier",
    ),
    "a post of another type": (
        request(GLUCOSE, method="POST", url="DiagnosticReport", ifNoneExist=f"identifier={COLON}%7CTESTAR41-glucose"),
        f"{NAME}: POST to 'DiagnosticReport'",
    ),
    "an update of another type": (
        request(GLUCOSE, method="PUT", url=f"DiagnosticReport?identifier={COLON}%7CTESTAR41-glucose"),
        f"{NAME}: PUT to 'DiagnosticReport?identifier={COLON}%7CTESTAR41-glucose'",
    ),
    "an update of the Device": (
        request(DEVICE, method="PUT", url=f"Device?identifier={COLON}%7Canalyzer.bench-2"),
        "Device analyzer.bench-2: the analyzer's Device would be overwritten",
    ),
    "a deletion": (request(GLUCOSE, method="DELETE", url="Observation/1"), f"{NAME}: method 'DELETE'"),
    # references
    "a reference to the wrong type": (
        put(GLUCOSE, "specimen", "reference", value=DEVICE_URL),
        f"{NAME}: specimen points to {DEVICE_URL}, which is Device",
    ),
    "a reference out of the Bundle": (
        put(GLUCOSE, "device", "reference", value="Device/7"),
        f"{NAME}: device points to Device/7, which is not in the Bundle",
    ),
    "a value that the report leaves out": (
        lambda bundle: bundle["entry"][REPORT]["resource"]["result"].pop(0) and None,
        f"nothing refers to the Observation {GLUCOSE_URL}",
    ),
    # report and values agree
    "another patient": (
        put(GLUCOSE, "subject", value={"type": "Patient", "identifier": {"system": "urn:oid:2.999.1", "value": "1002004"}}),
        f"{NAME}: subject differs from the report's",
    ),
    "another status": (put(GLUCOSE, "status", value="corrected"), f"{NAME}: status differs from the report's"),
    "another time": (
        put(GLUCOSE, "effectiveDateTime", value="2026-11-25T08:15:31+00:00"),
        f"{NAME}: effectiveDateTime differs from the report's",
    ),
    "another time of issue": (
        put(GLUCOSE, "issued", value="2026-11-25T08:16:11+00:00"),
        f"{NAME}: issued differs from the report's",
    ),
    "no patient": (every("subject", {"type": "Patient", "display": "somebody"}), "the report names no patient"),
    "neither time nor note": (without_notes, "there is neither a time nor a note that says why"),
    "one code twice": (
        put(NITRITE, "code", value=SOUND["entry"][GLUCOSE]["resource"]["code"]),
        "the code 50555-2 stands in two Observations",
    ),
    # leaves
    "a time without offset": (
        every("effectiveDateTime", "2026-11-25T08:15:30"),
        "Bundle.entry[2].resource.effectiveDateTime: '2026-11-25T08:15:30' is not a time with offset",
    ),
    "a date alone": (
        every("issued", "2026-11-25"),
        "Bundle.entry[2].resource.issued: '2026-11-25' is not a time with offset",
    ),
    "a day that no calendar has": (
        top("timestamp", "2026-02-30T08:16:10+00:00"),
        "Bundle.timestamp: '2026-02-30T08:16:10+00:00' is not a time with offset",
    ),
    "an empty text": (
        put(GLUCOSE, "code", "text", value=""),
        "Bundle.entry[2].resource.code.text is empty",
    ),
    "an empty list": (put(GLUCOSE, "performer", value=[]), "Bundle.entry[2].resource.performer is empty"),
    "a control character": (
        put(GLUCOSE, "note", 0, "text", value="a\x00b"),
        "Bundle.entry[2].resource.note[0].text holds the control character U+0000",
    ),
    "a code with a wrong check digit": (
        put(GLUCOSE, "code", "coding", 0, "code", value="50555-3"),
        "Bundle.entry[2].resource.code.coding: 50555-3 is not a LOINC code with its check digit",
    ),
    "an answer with a wrong check digit": (
        put(GLUCOSE, "valueCodeableConcept", "coding", 0, "code", value="LA6577-7"),
        "Bundle.entry[2].resource.valueCodeableConcept.coding: LA6577-7 is not a LOINC code with its check digit",
    ),
    # values
    "two values": (
        put(GLUCOSE, "valueString", value="negative"),
        f"{NAME}: its value is ['valueCodeableConcept', 'valueString']",
    ),
    "a text without its printed text": (
        lambda bundle: bundle["entry"][GLUCOSE]["resource"].update(
            valueString=bundle["entry"][GLUCOSE]["resource"].pop("valueCodeableConcept")["text"]
        ),
        f"{NAME}: no note holds the text as printed",
    ),
    "a text under a [Mass/volume] code": (
        text_value("53328-1", "Glucose [Mass/volume] in Urine"),
        f"{NAME}: valueString is not what 'Glucose [Mass/volume] in Urine' measures",
    ),
    "a text under a code that does not say what it measures": (
        text_value("50555-2", "Glucose"),
        f"{NAME}: valueString is not what 'Glucose' measures",
    ),
    "two codes of one system": (
        put(GLUCOSE, "valueCodeableConcept", "coding", value=[
            {"system": "http://loinc.org", "code": "LA6577-6"}, {"system": "http://loinc.org", "code": "LA6576-8"}
        ]),
        f"{NAME}: its value has two codes of one system: ['http://loinc.org', 'http://loinc.org']",
    ),
    "a concept with a wrong check digit": (
        put(GLUCOSE, "valueCodeableConcept", "coding", 0, value={"system": "http://snomed.info/sct", "code": "260385008"}),
        "Bundle.entry[2].resource.valueCodeableConcept.coding: 260385008 is not a SNOMED CT code with its check digit",
    ),
    "a code without its system": (
        put(GLUCOSE, "valueCodeableConcept", "coding", 0, value={"code": "N0"}),
        "Bundle.entry[2].resource.valueCodeableConcept.coding: {'code': 'N0'} is no code with its system",
    ),
    "no value": (put(GLUCOSE, "valueCodeableConcept", value=None), f"{NAME}: its value is []"),
    "a grade under a [Mass/volume] code": (
        put(GLUCOSE, "code", "coding", 0, value={"system": "http://loinc.org", "code": "53328-1", "display": "Glucose [Mass/volume] in Urine"}),
        f"{NAME}: valueCodeableConcept is not what 'Glucose [Mass/volume] in Urine' measures",
    ),
    "a number under a [Presence] code": (
        put(GRAVITY, "code", "coding", 0, value={"system": "http://loinc.org", "code": "50551-1", "display": "Bilirubin.total [Presence] in Urine"}),
        "Observation TESTAR41-specific_gravity: valueQuantity is not what 'Bilirubin.total [Presence] in Urine' measures",
    ),
    "a unit without a system": (
        put(GRAVITY, "valueQuantity", value={"value": 1.01, "unit": "1", "code": "1"}),
        "Observation TESTAR41-specific_gravity: {'value': 1.01, 'unit': '1', 'code': '1'} is not a number with a UCUM unit",
    ),
    "a comparator of HL7 v2": (
        put(GRAVITY, "valueQuantity", "comparator", value="<>"),
        "Observation TESTAR41-specific_gravity: the comparator '<>' is not one of FHIR's",
    ),
    "a bound without its unit": (
        put(GRAVITY, "referenceRange", 0, "low", value={"value": 1.005}),
        "Observation TESTAR41-specific_gravity: {'value': 1.005} is not a number with a UCUM unit",
    ),
    "a number without its printed text": (
        put(GRAVITY, "note", value=None),
        "Observation TESTAR41-specific_gravity: no note holds the text as printed",
    ),
    "a grade without its printed text": (
        put(GLUCOSE, "valueCodeableConcept", "text", value=None),
        f"{NAME}: the text as printed is missing",
    ),
    "a range that says nothing": (
        put(GLUCOSE, "referenceRange", value=[{"appliesTo": [{"text": "all"}]}]),
        f"{NAME}: a reference range says nothing",
    ),
    "a flag of another system": (
        put(GLUCOSE, "interpretation", 0, "coding", 0, value={"system": "http://example.org", "code": "N"}),
        f"{NAME}: its interpretation is [('http://example.org', 'N'), {FOUND}]",
    ),
    "a flag that we do not send": (
        put(GLUCOSE, "interpretation", 0, "coding", 0, "code", value="NEG"),
        f"{NAME}: its interpretation is [{FOUND}, {FOUND}]",
    ),
    "no flag": (put(GLUCOSE, "interpretation", value=None), f"{NAME}: its interpretation is []"),
}  # fmt: skip

# Each of these touches every value and the report; the rule says so of each.
SEVERAL = {"a time without offset", "a date alone"}
# What fhir.resources 8.3 lets pass (FHIR reference, section 0: no bindings, no invariants, no reference targets).
UNCHECKED = sorted(
    BROKEN.keys()
    - {
        "no entries",
        "a time without offset",
        "a date alone",
        "a day that no calendar has",
        "an empty text",
        "an empty list",
        "two values",
    }
)


def broken(what: str) -> bytes:
    """Give the sound Bundle with one thing broken."""
    bundle = copy.deepcopy(SOUND)
    BROKEN[what][0](bundle)
    assert bundle != SOUND
    return json.dumps(bundle, ensure_ascii=True).encode()


@pytest.mark.parametrize("name", ["normal.json", "corrected_stat.json"])
def test_a_sound_bundle_has_no_fault(name: str) -> None:
    """No false alarm: a rule that cries wolf would shut a destination."""
    assert list(fhir_faults(Format.FHIR, (GOLDEN / name).read_bytes())) == []


@pytest.mark.parametrize("what", BROKEN)
def test_a_bundle_that_breaks_one_rule_has_that_fault_alone(what: str) -> None:
    """The rule finds it, says where, and no other rule is set off."""
    found = list(fhir_faults(Format.FHIR, broken(what)))
    fault = BROKEN[what][1]
    if what in SEVERAL:
        ending = fault.partition(": ")[2]
        assert found[0] == fault
        assert len(found) == 7
        assert all(each.endswith(ending) for each in found)
    else:
        assert found == [fault]


@pytest.mark.parametrize("what", UNCHECKED)
def test_the_library_does_not_find_these(what: str) -> None:
    """Why the rule is ours. If a newer fhir.resources finds it, this test says so, and the rule may go."""
    assert oracle_faults(Format.FHIR, broken(what)) == ()


@pytest.mark.parametrize(
    "payload", [b"", b"{", b"[]", b"null", b"7", b"{}", b'{"resourceType":"Bundle","type":"transaction"}', b"\xff"]
)
def test_anything_else_is_a_fault_and_never_an_error(payload: bytes) -> None:
    """The rules judge whatever they are given."""
    assert len(list(fhir_faults(Format.FHIR, payload))) == 1


def paths(value: Any, path: tuple[str | int, ...] = ()) -> Iterator[tuple[str | int, ...]]:
    """Give the path of every member and list item of a JSON value."""
    items = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for step, inner in items:
        yield (*path, step)
        yield from paths(inner, (*path, step))


@pytest.mark.parametrize("other", [None, 7, "x", {}, []])
def test_a_bundle_with_anything_missing_or_replaced_is_judged_without_an_error(other: object) -> None:
    """Every member in turn is taken away (None) or replaced by something else: faults or none, but never an error."""
    judged = 0
    for path in paths(SOUND):
        bundle = copy.deepcopy(SOUND)
        inner: Any = bundle
        for step in path[:-1]:
            inner = inner[step]
        if other is None:
            del inner[path[-1]]
        else:
            inner[path[-1]] = other
        list(fhir_faults(Format.FHIR, json.dumps(bundle).encode()))
        judged += 1
    assert judged == 539


# --- what only some destinations send: pointers, an order, orders of their own, no devices

OTHERS = {
    name: json.loads((GOLDEN / f"{name}.json").read_bytes()) for name in ("us_conditional", "eu_laboratory", "single_orders")
}
FORMATS = {"us_conditional": Format.FHIR_US, "eu_laboratory": Format.FHIR_EU, "single_orders": Format.FHIR}


def everywhere(member: str, inner: str, value: Any) -> Change:
    """Give a change of one member of a pointer in every resource that has it; ``None`` takes it away."""

    def change(bundle: dict[str, Any]) -> None:
        for entry in bundle["entry"]:
            pointer = entry["resource"].get(member)
            for each in pointer if isinstance(pointer, list) else [pointer] if pointer else []:
                if value is None:
                    del each[inner]
                else:
                    each[inner] = value

    return change


def placer(value: dict[str, Any]) -> Change:
    """Give a change of the order's identifier."""
    return everywhere("basedOn", "identifier", value)


def merged_reports(bundle: dict[str, Any]) -> None:
    """Let the first of two reports be of both values."""
    first, second = bundle["entry"][-2:]
    first["resource"]["result"] += second["resource"]["result"]


# what is broken -> (golden file, how, the one fault)
BROKEN_OTHERS: dict[str, tuple[str, Change, str]] = {
    "a search for another patient": (
        "us_conditional",
        everywhere("subject", "reference", "Patient?identifier=urn%3Aoid%3A2.999.1%7C1002004"),
        "'Patient?identifier=urn%3Aoid%3A2.999.1%7C1002004' does not point to the Patient whose identifier stands beside it",
    ),
    "a search that is not encoded": (
        "us_conditional",
        everywhere("subject", "reference", "Patient?identifier=urn:oid:2.999.1|1002003"),
        "'Patient?identifier=urn:oid:2.999.1|1002003' does not point to the Patient whose identifier stands beside it",
    ),
    "a search for another kind": (
        "us_conditional",
        everywhere("subject", "reference", "Group?identifier=urn%3Aoid%3A2.999.1%7C1002003"),
        "'Group?identifier=urn%3Aoid%3A2.999.1%7C1002003' does not point to the Patient whose identifier stands beside it",
    ),
    "another patient's address": (
        "single_orders",
        everywhere("subject", "reference", "Patient/1002004"),
        "'Patient/1002004' does not point to the Patient whose identifier stands beside it",
    ),
    "a subject of another type": (
        "eu_laboratory", everywhere("subject", "type", "Group"), "a pointer to a Patient is said to be one to Group"
    ),
    "a search for another order": (
        "us_conditional",
        everywhere("basedOn", "reference", "ServiceRequest?identifier=urn%3Aoid%3A2.999.5%7CORD"),
        "'ServiceRequest?identifier=urn%3Aoid%3A2.999.5%7CORD' does not point to the ServiceRequest whose identifier stands beside it",
    ),
    "an order number of no type": (
        "eu_laboratory", placer({"system": "urn:padpost:order", "value": "ORD 47/11"}), "the order has no placer's number"
    ),
    "an order of one value alone": (
        "single_orders", put(1, "basedOn", value=None), "Observation TESTAR41-glucose: basedOn differs from the report's"
    ),
    "the specimen of another patient": (
        "us_conditional",
        put(1, "subject", value={"type": "Patient", "identifier": {"system": "urn:oid:2.999.1", "value": "1002004"}}),
        "the specimen is another patient's",
    ),
    "a report of two values beside another": (
        "single_orders", merged_reports, "DiagnosticReport TESTAR41-glucose.report: beside other reports it is of 2 values"
    ),
    "a report with another pad's code": (
        "single_orders",
        put(3, "code", value=OTHERS["single_orders"]["entry"][2]["resource"]["code"]),
        "DiagnosticReport TESTAR41-glucose.report: its code is not its value's",
    ),
    "a test kit that is no device": (
        "eu_laboratory",
        put(3, "extension", 0, "valueReference", value={"reference": OTHERS["eu_laboratory"]["entry"][2]["fullUrl"]}),
        f"Observation TESTAR42-nitrite: the test kit points to {OTHERS['eu_laboratory']['entry'][2]['fullUrl']}, which is Specimen",
    ),
    "found, of a number": (
        "single_orders",
        put(2, "interpretation", value=OTHERS["single_orders"]["entry"][1]["resource"]["interpretation"]),
        f"Observation TESTAR41-specific_gravity: its interpretation is [('{FOUND[0]}', 'N'), {FOUND}]",
    ),
    "two statements in one concept": (
        "single_orders",
        put(1, "interpretation", value=[{"coding": [
            {"system": FOUND[0], "code": "N", "display": "Normal"}, {"system": FOUND[0], "code": "NEG", "display": "Negative"}
        ]}]),
        f"Observation TESTAR41-glucose: its interpretation is [('{FOUND[0]}', 'N'), {FOUND}]",
    ),
}  # fmt: skip


def broken_other(what: str) -> tuple[Format, bytes]:
    """Give the format and the Bundle with one thing broken."""
    name, change, _ = BROKEN_OTHERS[what]
    bundle = copy.deepcopy(OTHERS[name])
    change(bundle)
    assert bundle != OTHERS[name]
    return FORMATS[name], json.dumps(bundle).encode()


@pytest.mark.parametrize("what", BROKEN_OTHERS)
def test_what_only_some_send_has_its_rules(what: str) -> None:
    """The fault is named; where two rules see it, ours of the pointer comes with the one of a value's link."""
    found = list(fhir_faults(*broken_other(what)))
    expected = BROKEN_OTHERS[what][2]
    kit = [f"nothing refers to the Device {OTHERS['eu_laboratory']['entry'][1]['fullUrl']}"] if "test kit" in what else []
    assert found == [expected, *kit]


@pytest.mark.parametrize("what", BROKEN_OTHERS)
def test_the_library_does_not_find_these_either(what: str) -> None:
    """Why these rules are ours."""
    assert oracle_faults(*broken_other(what)) == ()
