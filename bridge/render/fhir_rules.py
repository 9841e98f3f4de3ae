"""Rules for our FHIR R4 transaction Bundle that no library checks.

Sources: FHIR R4 4.0.1 (http, bundle, observation, datatypes) and the list of faults that the offline validators let
pass: impossible dates, LOINC check digits, the kind of value, identifiers in conditional requests and references. What a regional
guide asks for besides stands in ``fhir_shapes``.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator, Mapping
from datetime import datetime
from typing import Any

import orjson

from bridge.identity.check_digits import verhoeff_agrees
from bridge.model import Format
from bridge.render.fhir import INTERPRETATION, SYSTEMS, TEST_KIT, UCUM
from bridge.render.fhir_pointers import ID, PLACER
from bridge.render.fhir_shapes import shape_faults
from bridge.render.loinc import has_check_digit, wants_number
from bridge.render.queries import identifier_of, tag_of
from bridge.render.wording import PREFACES

Resource = Mapping[str, Any]

TIMES = frozenset({"effectiveDateTime", "issued", "timestamp", "collectedDateTime", "recorded", "occurredDateTime"})
# What each of our references may point to (R4 definitions of Observation and DiagnosticReport).
TARGETS = {"specimen": "Specimen", "device": "Device", "result": "Observation", "derivedFrom": "Observation"}
CHANGED = frozenset({"Observation", "DiagnosticReport"})  # what a Provenance of ours is of
# ours: one strip in one Bundle; its devices are the analyzer and the strips of its lot, its provenance is of the version that it is
MOST = {"Specimen": 1, "Device": 2, "Provenance": 1}
AGREED = ("status", "subject", "basedOn", "effectiveDateTime", "issued")  # ours: members that reports and values have alike
FLAGS = frozenset({"N", "A", "H", "L", "AA", "HH", "LL"})  # v3-ObservationInterpretation, those that we send
CONTROL = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f]")  # R4 datatypes, string: below 32 only tab, LF and CR
FOUND = frozenset({"POS", "NEG"})  # the same code system's words of detection, which a [Presence] grade has beside its flag
COMPARATORS = frozenset({"<", "<=", ">=", ">"})  # R4 quantity-comparator


def fhir_faults(fmt: Format, payload: bytes) -> Iterator[str]:
    """Give the faults of one Bundle; ``fmt`` says after which guide it is shaped."""
    try:
        bundle = orjson.loads(payload)
    except orjson.JSONDecodeError as error:
        yield f"this is not JSON: {error}"
        return
    if not isinstance(bundle, dict) or (bundle.get("resourceType"), bundle.get("type")) != ("Bundle", "transaction"):
        yield "this is not a transaction Bundle"
        return
    try:
        yield from _bundle_faults(bundle)
        yield from shape_faults(fmt, [entry["resource"] for entry in bundle.get("entry", [])])
    except (KeyError, IndexError, TypeError, AttributeError) as error:
        yield f"something is missing that every Bundle of ours has: {error!r}"


def _bundle_faults(bundle: Resource) -> Iterator[str]:
    """Give the faults of a Bundle. Raises KeyError and the like where it lacks what all of ours have."""
    entries = bundle.get("entry", [])
    if not entries:
        yield "the Bundle has no entries"
        return
    if not bundle.get("identifier", {}).get("value"):
        yield "the Bundle has no identifier"
    yield from _entry_faults(entries)
    yield from _reference_faults(entries)
    resources = [entry["resource"] for entry in entries]
    yield from _set_faults(resources)
    for path, name, value in _walk(bundle, "Bundle"):
        yield from _leaf_faults(path, name, value)
    for resource in resources:
        if resource["resourceType"] == "Observation":
            yield from (f"{_named(resource)}: {fault}" for fault in _value_faults(resource))


def _named(resource: Resource) -> str:
    return f"{resource['resourceType']} {(_identifiers(resource) or [('', '?')])[0][1]}"


def _identifiers(resource: Resource) -> list[tuple[str, str]]:
    return [(identifier.get("system", ""), identifier.get("value", "")) for identifier in resource.get("identifier", [])]


def _entry_faults(entries: list[Resource]) -> Iterator[str]:
    """Identity of every entry: fullUrl, identifier and the condition of its request (R4 http, transaction)."""
    for url, count in Counter(entry["fullUrl"] for entry in entries).items():
        if count > 1 or not url.startswith("urn:uuid:"):
            yield f"fullUrl {url} is not an own urn:uuid"
    firsts = Counter((entry["resource"]["resourceType"], *_identifiers(entry["resource"])[:1]) for entry in entries)
    yield from (f"{kind} has an identifier that another entry has too" for (kind, *_), count in firsts.items() if count > 1)
    for entry in entries:
        yield from (f"{_named(entry['resource'])}: {fault}" for fault in _request_faults(entry["resource"], entry["request"]))


def _request_faults(resource: Resource, request: Resource) -> Iterator[str]:
    kind = resource["resourceType"]
    if request["method"] == "POST":
        query = request.get("ifNoneExist", "")
        if request["url"] != kind:
            yield f"POST to {request['url']!r}"
    elif request["method"] == "PUT":
        url, _, query = request["url"].partition("?")
        if url != kind:
            yield f"PUT to {request['url']!r}"
        if kind == "Device":
            yield "the analyzer's Device would be overwritten"
    else:
        yield f"method {request['method']!r}"
        return
    if kind == "Provenance":
        if tag_of(query) not in [(tag.get("system"), tag.get("code")) for tag in resource.get("meta", {}).get("tag", [])]:
            yield f"the condition {query!r} does not name the resource's own tag"
    elif identifier_of(query) not in _identifiers(resource)[:1]:
        yield f"the condition {query!r} does not name the resource's own identifier"


def _reference_faults(entries: list[Resource]) -> Iterator[str]:
    kinds = {entry["fullUrl"]: entry["resource"]["resourceType"] for entry in entries}
    used: set[str] = set()
    for entry in entries:
        for target in entry["resource"].get("target", []):
            if kinds.get(target["reference"]) not in CHANGED:
                yield f"the provenance is of {target['reference']}, which is {kinds.get(target['reference'], 'not in the Bundle')}"
        for name, wanted, link in _links(entry["resource"]):
            used.add(link)
            if kinds.get(link) != wanted:
                yield f"{_named(entry['resource'])}: {name} points to {link}, which is {kinds.get(link, 'not in the Bundle')}"
    for url, kind in kinds.items():
        if kind not in {"DiagnosticReport", "Provenance"} and url not in used:
            yield f"nothing refers to the {kind} {url}"


def _links(resource: Resource) -> Iterator[tuple[str, str, str]]:
    """Give (member, kind that it must point to, address) of each link inside the Bundle."""
    for name, wanted in TARGETS.items():
        value = resource.get(name, [])
        yield from ((name, wanted, link.get("reference", "")) for link in (value if isinstance(value, list) else [value]))
    for extension in resource.get("extension", []):
        if extension.get("url") == TEST_KIT:
            yield "the test kit", "Device", extension.get("valueReference", {}).get("reference", "")


def _set_faults(resources: list[Resource]) -> Iterator[str]:
    """One specimen, at most two devices, one report for all values or one for each; they agree on patient, order, status and time."""
    values, reports, specimens = (_of_kind(resources, kind) for kind in ("Observation", "DiagnosticReport", "Specimen"))
    kinds = Counter(resource["resourceType"] for resource in resources)
    if not _is_a_set(kinds):
        yield f"the Bundle holds {dict(kinds)}"
        return
    yield from _agreement_faults(reports[0], [*values, *reports[1:]])
    patient = reports[0].get("subject", {}).get("identifier")
    if patient and specimens[0].get("subject", {}).get("identifier") != patient:
        yield "the specimen is another patient's"
    yield from _report_faults(reports[0], values)
    if len(reports) > 1:
        yield from _single_faults(reports, values)
    yield from _provenance_faults(resources, [*values, *reports])
    codes = Counter(value["code"]["coding"][0]["code"] for value in values)
    yield from (f"the code {code} stands in two Observations" for code, count in codes.items() if count > 1)


def _of_kind(resources: list[Resource], kind: str) -> list[Resource]:
    return [each for each in resources if each["resourceType"] == kind]


def _provenance_faults(resources: list[Resource], changed: list[Resource]) -> Iterator[str]:
    """Give the faults of who changed a version: it is of every value and report, and says of a withdrawal what their statuses say."""
    for provenance in _of_kind(resources, "Provenance"):
        if len({target["reference"] for target in provenance["target"]}) != len(changed):
            yield "the provenance is not of every value and report"
        if not all(agent["who"].get("display") for agent in provenance["agent"]):
            yield "the provenance does not name who changed the result, or who sends it"
        nullifies = provenance["activity"]["coding"][0]["code"] == "NULLIFY"
        if nullifies != all(each["status"] == "entered-in-error" for each in changed):
            yield "the provenance does not say of a withdrawal what the statuses say"


def _is_a_set(kinds: Counter[str]) -> bool:
    """Say whether a Bundle's resources are those of one strip, by how many there are of each kind."""
    return (
        kinds.keys() <= {"Observation", "DiagnosticReport", "Specimen", *MOST}
        and kinds["Provenance"] <= MOST["Provenance"]
        and kinds["Specimen"] == 1
        and kinds["Device"] <= MOST["Device"]
        and kinds["DiagnosticReport"] > 0
        and kinds["DiagnosticReport"] in {1, kinds["Observation"]}
    )


def _agreement_faults(report: Resource, others: list[Resource]) -> Iterator[str]:
    for member in AGREED:
        differing = (other for other in others if other.get(member) != report.get(member))
        yield from (f"{_named(other)}: {member} differs from the report's" for other in differing)


def _single_faults(reports: list[Resource], values: list[Resource]) -> Iterator[str]:
    """Each report is of one value, in the values' order, and has its code."""
    for report, value in zip(reports, values, strict=True):
        if len(report["result"]) != 1:
            yield f"{_named(report)}: beside other reports it is of {len(report['result'])} values"
        elif report["code"] != value["code"]:
            yield f"{_named(report)}: its code is not its value's"


def _report_faults(report: Resource, values: list[Resource]) -> Iterator[str]:
    """Give the faults of a report that lacks its patient, or its time and the reason why there is none, or points elsewhere than it says."""
    if not report.get("subject", {}).get("identifier", {}).get("value"):
        yield "the report names no patient"
    if "effectiveDateTime" not in report and not all(value.get("note") for value in values):
        yield "there is neither a time nor a note that says why"
    yield from _pointer_faults(report.get("subject", {}), "Patient")
    for order in report.get("basedOn", []):
        yield from _pointer_faults(order, "ServiceRequest")
        if order.get("identifier", {}).get("type") != PLACER or not order["identifier"].get("value"):
            yield "the order has no placer's number"


def _pointer_faults(pointer: Resource, kind: str) -> Iterator[str]:
    """Give the faults of a reference out of the Bundle that is no address of, or search for, the identifier beside it (R4 references)."""
    if pointer.get("type") != kind:
        yield f"a pointer to a {kind} is said to be one to {pointer.get('type')}"
    if "reference" not in pointer:
        return
    reference, identifier = pointer["reference"], pointer.get("identifier", {})
    address = reference.removeprefix(f"{kind}/")
    literal = address != reference and ID.fullmatch(address) and address == identifier.get("value")
    search = reference.removeprefix(f"{kind}?")
    conditional = search != reference and identifier_of(search) == (identifier.get("system"), identifier.get("value"))
    if not literal and not conditional:
        yield f"{reference!r} does not point to the {kind} whose identifier stands beside it"


def _walk(value: Any, path: str) -> Iterator[tuple[str, str, Any]]:
    """Give (path, member name, value) of every member at any depth."""
    if isinstance(value, dict):
        for name, inner in value.items():
            yield f"{path}.{name}", name, inner
            yield from _walk(inner, f"{path}.{name}")
    elif isinstance(value, list):
        for number, inner in enumerate(value):
            yield from _walk(inner, f"{path}[{number}]")


def _leaf_faults(path: str, name: str, value: Any) -> Iterator[str]:
    if name in TIMES and not _is_time(value):
        yield f"{path}: {value!r} is not a time with offset"
    if value in ("", [], {}, None):  # R4: an element is never empty (ele-1)
        yield f"{path} is empty"
    if isinstance(value, str) and (found := CONTROL.search(value)):
        yield f"{path} holds the control character U+{ord(found[0]):04X}"
    if name == "coding":
        for coding in value:
            if not (
                path.endswith(".valueCodeableConcept.coding") and coding.keys() == {"display"}
            ):  # a word that no code may go for
                yield from (f"{path}: {fault}" for fault in _coding_faults(coding))


def _coding_faults(coding: Resource) -> Iterator[str]:
    """Give the faults of one code: it names its system, and the check digit of LOINC or SNOMED CT is right (SNOMED CT: Verhoeff, as in ``value_rules``)."""
    if not coding.get("system") or not coding.get("code"):
        yield f"{dict(coding)} is no code with its system"
    elif coding["system"] == SYSTEMS["LN"] and not has_check_digit(coding["code"]):
        yield f"{coding['code']} is not a LOINC code with its check digit"
    elif coding["system"] == SYSTEMS["SCT"] and not verhoeff_agrees(coding["code"]):
        yield f"{coding['code']} is not a SNOMED CT code with its check digit"


def _value_faults(resource: Resource) -> Iterator[str]:
    """One value, of the kind that the code measures; with what goes along with it."""
    kinds = [name for name in resource if name.startswith("value") or name == "dataAbsentReason"]
    if kinds not in (["valueQuantity"], ["valueCodeableConcept"], ["valueString"]):
        yield f"its value is {kinds}"
        return
    name = resource["code"]["coding"][0].get("display", "")
    wanted = wants_number(name)
    # a text has no code that says what it is, so its code must say [Presence]; the others only may not say the contrary
    if (wanted is not False) if kinds == ["valueString"] else (wanted is (kinds == ["valueCodeableConcept"])):
        yield f"{kinds[0]} is not what {name!r} measures"
    if kinds == ["valueCodeableConcept"]:
        yield from _concept_faults(resource["valueCodeableConcept"])
    elif not resource.get("note", [{}])[0].get("text", "").startswith(PREFACES):
        yield "no note holds the text as printed"
    if kinds == ["valueQuantity"]:
        yield from _quantity_faults(resource["valueQuantity"])
    for reference_range in resource.get("referenceRange", []):
        yield from _range_faults(reference_range)
    yield from _interpretation_faults(resource)


def _concept_faults(concept: Resource) -> Iterator[str]:
    if not concept.get("text"):
        yield "the text as printed is missing"
    systems = [coding.get("system") for coding in concept.get("coding", [])]
    if len(set(systems)) != len(systems):
        yield f"its value has two codes of one system: {systems}"


def _range_faults(reference_range: Resource) -> Iterator[str]:
    if not reference_range.keys() & {"low", "high", "text"}:  # R4 obs-3
        yield "a reference range says nothing"
    for bound in ("low", "high"):
        if bound in reference_range:
            yield from _quantity_faults(reference_range[bound])


def _interpretation_faults(resource: Resource) -> Iterator[str]:
    """Exactly one flag, and one of ours; of a grade also whether something was found. Each is a concept of its own."""
    concepts = [word["coding"] for word in resource.get("interpretation", [])]
    flags = [(flag.get("system"), flag.get("code")) for coding in concepts for flag in coding]
    graded = "valueQuantity" not in resource
    match [code for system, code in flags if system == INTERPRETATION]:
        case [code] if code in FLAGS and len(flags) == 1:
            return
        case [code, found] if code in FLAGS and found in FOUND and graded and len(concepts) == len(flags) == 2:
            return
        case _:
            yield f"its interpretation is {flags}"


def _quantity_faults(quantity: Resource) -> Iterator[str]:
    if quantity.get("system") != UCUM or not quantity.get("code") or "value" not in quantity:
        yield f"{dict(quantity)} is not a number with a UCUM unit"
    if quantity.get("comparator", "<") not in COMPARATORS:
        yield f"the comparator {quantity['comparator']!r} is not one of FHIR's"


def _is_time(value: Any) -> bool:
    """Say whether ``value`` is a dateTime with time and offset that the calendar knows."""
    try:
        return datetime.fromisoformat(value).tzinfo is not None and "T" in value
    except (TypeError, ValueError):
        return False
