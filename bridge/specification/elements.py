"""The elements of our FHIR Bundle, found in the samples themselves, each with what a receiver must know of it.

Every leaf that a sample carries has a row; its meaning is that of the longest path in MEANINGS. Cardinalities of R4 are
those of the base resources (FHIR R4 4.0.1); Padpost claims no further profile by itself.
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterator, Sequence
from typing import Any

from bridge.render.fhir_json import leaves
from bridge.specification.messages import Shown
from bridge.specification.types import FieldRow

OPEN = "no limit of ours"

# The R4 data type of a leaf, by the end of its path; a longer end goes before a shorter one.
TYPES = {
    "resourceType": "code",
    "Bundle.type": "code",
    "deviceName.type": "code",
    "subject.type": "uri",
    "performer.type": "uri",
    "who.type": "uri",
    "occurredDateTime": "dateTime",
    "recorded": "instant",
    "basedOn.type": "uri",
    "profile": "canonical",
    "lotNumber": "string",
    "timestamp": "instant",
    "issued": "instant",
    "effectiveDateTime": "dateTime",
    "fullUrl": "uri",
    "method": "code",
    "url": "uri",
    "ifNoneExist": "string",
    "status": "code",
    "system": "uri",
    "code": "code",
    "comparator": "code",
    "identifier.value": "string",
    "valueQuantity.value": "decimal",
    "valueString": "string",
    "low.value": "decimal",
    "high.value": "decimal",
    "display": "string",
    "note.text": "markdown",
    "text": "string",
    "unit": "string",
    "reference": "string",
    "name": "string",
}

# path below a resource (or "Type.path") -> table or code system, meaning
MEANINGS: dict[str, tuple[str, str]] = {
    "resourceType": ("FHIR R4 resource types", "The kind of resource."),
    "Bundle.type": ("bundle-type", "Always transaction: all or nothing."),
    "Bundle.identifier": ("none", "The message's own number, at most 20 capital letters and digits; the same on every try."),
    "Bundle.timestamp": ("none", "When the message was made."),
    "Bundle.entry.fullUrl": ("none", "A UUID made from the resource's identifier: the same on every try."),
    "Bundle.entry.request.method": ("http-verb", "POST; PUT where a later version of a result is sent under the same number."),
    "Bundle.entry.request.url": ("none", "The resource's type; with PUT also the condition."),
    "Bundle.entry.request.ifNoneExist": ("none", "Conditional create by the resource's first identifier: a second try files nothing twice."),
    "identifier": ("none", "Our own number, never used twice; what the conditional create asks for."),
    "identifier.value": ("none", "The first is our own number. A specimen's second one is its number as printed."),
    "meta.profile": ("none", "The profiles that the laboratory claims for this destination; Padpost claims none by itself."),
    "meta.tag": ("none", "Names the version of the result: what the conditional create of a Provenance asks for, since it has no identifier."),
    "target": ("none", "Every value and report that the version changes."),
    "occurredDateTime": ("none", "When a person changed the result."),
    "recorded": ("none", "When the message was made."),
    "activity": ("v3-DataOperation", "UPDATE of a correction, NULLIFY of a withdrawal."),
    "agent": ("provenance-participant-type", "Who changed the result, and Padpost, which sends it."),
    "deviceName": ("none", "The analyzer's name; of the strips, their type."),
    "lotNumber": ("none", "The strips' lot as printed."),
    "Device.type": ("none", "What kind of device, in words."),
    "extension": ("none", "The Device of the strips whose lot was printed: HL7 Europe's link to a test kit."),
    "basedOn": ("v2-0203", "The order whose number was printed, by identifier; absent where none was."),
    "basedOn.reference": ("none", "The order's address, or the search that must find exactly one, as set for this destination."),
    "Specimen.type": ("v2-0487", "UR: urine; URC or URT where a technician said how it was collected, and this destination takes that."),
    "Specimen.collection": ("none", "When it was collected, where that is known."),
    "status": ("observation-status, diagnostic-report-status", "final; corrected; entered-in-error of what was posted in error."),
    "subject": ("none", "The patient by identifier: system and value as agreed. No Patient resource is written or changed."),
    "subject.reference": ("none", "The patient's address, or the search that must find exactly one, as set for this destination."),
    "subject.display": ("none", "The name as the analyzer printed it. Not for matching."),
    "effectiveDateTime": ("none", "Collection time if it is known; else the analysis time or nothing, as set for this destination, and a note says which."),
    "issued": ("none", "When the message was made."),
    "performer": ("none", "The operator's number as printed and the laboratory, as set for this destination; where neither is known, the sending facility if one is set."),
    "specimen": ("none", "The specimen in the same Bundle."),
    "device": ("none", "The analyzer in the same Bundle."),
    "result": ("none", "The values reported: one for each pad, in the strip's own order, computed ratios last; one alone where each pad is an order of its own."),
    "derivedFrom": ("none", "Of a ratio that Padpost computed: the two values that it comes from."),
    "category": ("observation-category, v2-0074", "Laboratory."),
    "code": ("LOINC", "LOINC first; the local code after it where set for this destination."),
    "interpretation": ("v3-ObservationInterpretation", "N, A, H or L; after it POS or NEG, where a [Presence] grade says that something was found or not."),
    "method": ("none", "Where the code does not say how the value was come by: which kind of code it is, or that Padpost computed a ratio."),
    "referenceRange": ("none", "The reference expectation, in the value's own unit."),
    "valueQuantity": ("UCUM", "A number with its unit, whose code is UCUM; the digits as the scale has them."),
    "valueQuantity.comparator": ("quantity-comparator", "Where the scale's step is open: < <= >= >."),
    "valueCodeableConcept": ("the code systems under value formats", "A grade, a colour or a clarity."),
    "valueString": ("none", "A grade, a colour or a clarity as text."),
    "valueCodeableConcept.text": ("none", "The text exactly as printed."),
    "note": ("none", "The text of a number, or of a grade sent as text, as printed, or what a ratio was computed from; what the times mean; comments from the analyzer. Markdown: a sign that Markdown would take for itself has a backslash before it."),
}  # fmt: skip


def element_rows(shown: Sequence[Shown]) -> tuple[FieldRow, ...]:
    """Give a row for every leaf that a sample carries, sorted by resource in the order of the Bundle."""
    first: dict[str, str] = {}
    carried: Counter[str] = Counter()
    whole: Counter[str] = Counter()
    for each in shown:
        for kind, resource in _resources(json.loads(each.payload, parse_float=str, parse_int=str)):
            found = list(leaves(resource, kind))
            whole[kind] += 1
            carried.update({path for path, _ in found})
            for path, value in found:
                first.setdefault(path, value)
    return tuple(_row(path, first[path], always=carried[path] == whole[path.partition(".")[0]]) for path in _sorted(first))


def _sorted(paths: dict[str, str]) -> list[str]:
    kinds = list(dict.fromkeys(path.partition(".")[0] for path in paths))
    return sorted(paths, key=lambda path: kinds.index(path.partition(".")[0]))


def _row(path: str, example: str, *, always: bool) -> FieldRow:
    table, meaning = MEANINGS[_known(path)]
    return FieldRow(
        place=path,
        name=path.rpartition(".")[2],
        type=_type(path),
        use="R" if always else "RE",
        length=OPEN,
        table=table,
        meaning=meaning,
        example=example,
        in_sample=True,
    )


def _known(path: str) -> str:
    """Give the key of MEANINGS for a leaf: the longest one that the path begins with, a resource's own before the shared."""
    for candidate in (path, path.partition(".")[2]):
        parts = candidate.split(".")
        for length in range(len(parts), 0, -1):
            if (key := ".".join(parts[:length])) in MEANINGS:
                return key
    raise ValueError(f"the element {path} has no meaning in the table; that is a defect")


def _type(path: str) -> str:
    parts = path.split(".")
    ends = (".".join(parts[start:]) for start in range(len(parts)))
    found = next((TYPES[end] for end in ends if end in TYPES), None)
    if found is None:
        raise ValueError(f"the element {path} has no data type in the table; that is a defect")
    return found


def _resources(bundle: dict[str, Any]) -> Iterator[tuple[str, Any]]:
    """Give (type, content) of the Bundle itself, without its resources, and of each of them."""
    entries = [{key: value for key, value in entry.items() if key != "resource"} for entry in bundle["entry"]]
    yield "Bundle", {**bundle, "entry": entries}
    for entry in bundle["entry"]:
        yield entry["resource"]["resourceType"], entry["resource"]
