"""What a Bundle shaped after a regional guide has besides R4: the guide's named invariants and cardinalities as rules of ours.

No library of ours checks them, since none holds the guides' profiles; and no Bundle claims one of those unless the site says so.
Sources: HL7/US-Core 9.0.0 (us-core-observation-lab, us-core-diagnosticreport-lab, us-core-specimen) and hl7-eu/laboratory 2.0.0
(Observation-resultslab-eu-lab). Left out: us-core-4, a warning that coded values should be SNOMED CT, which is the site's to choose
(``grades``); the guides' bindings, which are extensible or preferred.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Any

from bridge.model import Format
from bridge.render.fhir import REPORT_CATEGORY, UCUM, VALUE_CATEGORY

Resource = Mapping[str, Any]
Rule = Callable[[Resource], bool]

# us-core-8 and us-core-9: the statuses in which a report must have its times
TIMED = frozenset({"partial", "preliminary", "final", "amended", "corrected", "appended"})
DAY = re.compile(r"\d{4}-\d{2}-\d{2}(T.*)?")  # R4 dateTime at least to the day
# The closed slices of value[x] in Observation-resultslab-eu-lab: neither boolean nor integer nor SampledData
EU_VALUES = frozenset({"String", "Range", "Ratio", "Time", "DateTime", "Period", "Quantity", "CodeableConcept"})


def shape_faults(fmt: Format, resources: Sequence[Resource]) -> Iterator[str]:
    """Give what a Bundle lacks of the guide that ``fmt`` is shaped after; nothing for plain R4."""
    for resource in resources:
        kind = resource["resourceType"]
        for name, holds in RULES.get((fmt, kind), {}).items():
            if not holds(resource):
                yield f"{kind} {resource['identifier'][0]['value']}: {name}"


def _value(resource: Resource) -> list[str]:
    return [name.removeprefix("value") for name in resource if name.startswith("value")]


def _has_value(resource: Resource) -> bool:
    return bool(_value(resource)) or "dataAbsentReason" in resource


def _has_members(resource: Resource) -> bool:
    return bool(resource.get("component") or resource.get("hasMember"))


def _in_ucum(quantity: Resource) -> bool:
    return bool(quantity.get("system", UCUM) == UCUM)


def _bounds_in_ucum(resource: Resource) -> bool:
    return all(_in_ucum(each.get(bound, {})) for each in resource.get("referenceRange", []) for bound in ("low", "high"))


def _timed(member: str) -> Rule:
    return lambda resource: member in resource or resource.get("status") not in TIMED


def _sliced(category: Resource) -> Rule:
    wanted = category["coding"][0]
    return lambda resource: any(
        (coding.get("system"), coding.get("code")) == (wanted["system"], wanted["code"])
        for concept in resource.get("category", [])
        for coding in concept.get("coding", [])
    )


def _present(member: str) -> Rule:
    return lambda resource: bool(resource.get(member))


# (format, kind of resource) -> rule in words -> whether a resource keeps it
RULES: Mapping[tuple[Format, str], Mapping[str, Rule]] = {
    (Format.FHIR_US, "Observation"): {
        "US Core: no category laboratory": _sliced(VALUE_CATEGORY),
        "US Core: no subject": _present("subject"),
        "US Core: no effective time, which a reading always has": _present("effectiveDateTime"),
        "US Core: no specimen": _present("specimen"),
        "us-core-1: effectiveDateTime is less than a day": lambda each: bool(
            DAY.fullmatch(each.get("effectiveDateTime", "0000-00-00"))
        ),
        "us-core-2: neither value nor dataAbsentReason": lambda each: _has_members(each) or _has_value(each),
        "us-core-3: the value's unit is not UCUM": lambda each: _in_ucum(each.get("valueQuantity", {})),
        "us-core-22: a bound's unit is not UCUM": _bounds_in_ucum,
    },
    (Format.FHIR_US, "DiagnosticReport"): {
        "US Core: no category LAB": _sliced(REPORT_CATEGORY),
        "US Core: no subject": _present("subject"),
        "us-core-8: no effective time": _timed("effectiveDateTime"),
        "us-core-9: no time of issue": _timed("issued"),
    },
    (Format.FHIR_US, "Specimen"): {"US Core: no type": _present("type")},
    (Format.FHIR_EU, "Observation"): {
        "HL7 Europe: no category laboratory": _sliced(VALUE_CATEGORY),
        "HL7 Europe: no performer": _present("performer"),
        "HL7 Europe: a value of a kind that it does not have": lambda each: EU_VALUES.issuperset(_value(each)),
        "eu-lab-1: no value, dataAbsentReason, hasMember or component": lambda each: (
            each.get("status") in {"registered", "cancelled"} or _has_members(each) or _has_value(each)
        ),
    },
}
