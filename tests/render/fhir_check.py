"""Three sources outside the project that say whether a Bundle is FHIR R4.

fhirkit-rs (an independent R4 library), the official JSON Schema of R4 4.0.1 (data/README.md), and invariants of the
R4 definitions run by fhirpathpy; with the closure of references inside the Bundle.

Origin: the project's design collection, tools/fhir/check_insuite.py, where it caught 50 of 60 faults with no false alarm;
adapted here to types and to the schema's place. The invariants' expressions are those of the R4 definitions.
"""

from __future__ import annotations

import hashlib
import json
import lzma
import re
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Any

import fhirkit
import fhirpathpy
import jsonschema
from fhirpathpy.models import models

SCHEMA = Path(__file__).parent / "data" / "fhir.schema.json.xz"
SCHEMA_SHA256 = "c902bd8b19007c30ec3a12bd39cd41ea375ea92d5e89a7c752080625e52bb448"
INVARIANTS = {
    "Observation": {
        "obs-6": "dataAbsentReason.empty() or value.empty()",
        "obs-7": "value.empty() or component.code.where(coding.intersect(%resource.code.coding).exists()).empty()",
        "obs-3": "referenceRange.all(low.exists() or high.exists() or text.exists())",
    },
    "Bundle": {
        "bdl-3": "entry.all(request.exists() = (%resource.type = 'batch' or %resource.type = 'transaction' or %resource.type = 'history'))",
        "bdl-5": "entry.all(resource.exists() or request.exists() or response.exists())",
        "bdl-7": "(type = 'history') or entry.where(fullUrl.exists()).fullUrl.isDistinct()",
        "bdl-8": "entry.all(fullUrl.contains('/_history/').not())",
    },
}
TARGETS = {"specimen": "Specimen", "device": "Device", "result": "Observation", "hasMember": "Observation"}
REFERENCE = re.compile(r"#\S+|urn:\S+|https?://\S+|[A-Z][A-Za-z]+([/?])\S+")


@cache
def _schema() -> dict[str, Any]:
    raw = lzma.decompress(SCHEMA.read_bytes())
    assert hashlib.sha256(raw).hexdigest() == SCHEMA_SHA256, "the schema is not the official one any more"
    return dict(json.loads(raw))


@cache
def r4_definitions() -> dict[str, Any]:
    """Give the definition of every R4 type, as the official schema has it."""
    return dict(_schema()["definitions"])


@cache
def _validator(kind: str) -> jsonschema.Draft6Validator:
    schema = _schema()
    return jsonschema.Draft6Validator(
        {"$schema": schema["$schema"], "definitions": schema["definitions"], "allOf": [{"$ref": f"#/definitions/{kind}"}]}
    )


@cache
def _invariant(expression: str) -> Any:
    return fhirpathpy.compile(expression, models["r4"])


def bundle_faults(payload: bytes) -> list[str]:
    """Give what the three sources find wrong with a Bundle; empty if nothing."""
    text = payload.decode()
    try:
        found = [f"fhirkit: {issue}" for issue in fhirkit.validate(text) if issue.severity == "error"]
    except fhirkit.ParseError as error:
        return [f"fhirkit: {error}"]
    bundle = json.loads(text)
    entries = bundle.get("entry", [])
    resources = [entry["resource"] for entry in entries if "resource" in entry]
    shell = {**bundle, "entry": [{name: value for name, value in entry.items() if name != "resource"} for entry in entries]}
    texts = [json.dumps(resource) for resource in resources]
    found += [*_shape_faults(shell), *(fault for each in texts for fault in _shape_faults_of(each))]
    if found:  # shape first; the rest needs a sane tree
        return found
    found += [*_broken(bundle), *(fault for each in texts for fault in _broken_of(each))]
    kinds = {entry.get("fullUrl"): entry.get("resource", {}).get("resourceType") for entry in entries}
    return [*found, *_walk(bundle, bundle["resourceType"], kinds)]


@cache  # every second resource of the samples has stood in another Bundle
def _shape_faults_of(text: str) -> tuple[str, ...]:
    return tuple(_shape_faults(json.loads(text)))


@cache  # as above
def _broken_of(text: str) -> tuple[str, ...]:
    return tuple(_broken(json.loads(text)))


def _broken(resource: dict[str, Any]) -> Iterator[str]:
    for key, expression in INVARIANTS.get(resource["resourceType"], {}).items():
        if _invariant(expression)(resource, {"resource": resource}) == [False]:
            yield f"{resource['resourceType']}: invariant {key}"


def _shape_faults(resource: dict[str, Any]) -> Iterator[str]:
    kind = resource.get("resourceType")
    if not isinstance(kind, str) or kind not in _schema()["definitions"]:
        yield f"unknown resourceType {kind!r}"
        return
    for error in _validator(kind).iter_errors(resource):
        yield f"{kind}/{'/'.join(map(str, error.absolute_path))}: schema: {error.message[:140]}"


def _walk(value: Any, path: str, kinds: dict[str | None, str | None]) -> Iterator[str]:
    if isinstance(value, dict):
        yield from _object_faults(value, path, kinds)
        for name, inner in value.items():
            yield from _walk(inner, f"{path}.{name}", kinds)
    elif isinstance(value, list):
        if not value:
            yield f"{path}: empty array"
        for number, inner in enumerate(value):
            yield from _walk(inner, f"{path}[{number}]", kinds)


def _object_faults(value: dict[str, Any], path: str, kinds: dict[str | None, str | None]) -> Iterator[str]:
    if not value:
        yield f"{path}: empty object (ele-1)"
    if "code" in value and isinstance(value.get("value"), int | float) and "system" not in value:
        yield f"{path}: qty-3"
    reference = value.get("reference")
    if not isinstance(reference, str):
        return
    if reference.startswith("urn:") and reference not in kinds:
        yield f"{path}: {reference} not in Bundle"
    wanted = TARGETS.get(re.sub(r"\[\d+\]$", "", path.rsplit(".", 1)[-1]))
    if wanted and kinds.get(reference) not in (None, wanted):
        yield f"{path}: points to {kinds[reference]}, wants {wanted}"
    if not REFERENCE.fullmatch(reference):
        yield f"{path}: malformed reference {reference!r}"
