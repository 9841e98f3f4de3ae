"""What a FHIR server says it can do, compared with what our messages ask of it.

Servers lie both ways, so a difference is a warning in words and stops nothing. FHIR R4 CapabilityStatement: fhirVersion, format,
rest.interaction, rest.resource.conditionalCreate and searchParam.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

R4 = "4.0."  # hl7.org/fhir/R4, code system FHIR-version: 4.0.0 and 4.0.1 are R4
JSON = frozenset({"json", "application/json", "application/fhir+json"})  # R4 http.html, mime types


@dataclass(frozen=True, kw_only=True, slots=True)
class Asked:
    """What messages ask of a server: resource types that are created on condition, and (type, search parameter) that are searched by."""

    creates: tuple[str, ...]
    searches: tuple[tuple[str, str], ...]


def differences(statement: Any, asked: Asked) -> tuple[str, ...]:
    """Say in words what ``statement`` (parsed JSON of any kind) does not promise; nothing where it promises all."""
    if not isinstance(statement, dict) or statement.get("resourceType") != "CapabilityStatement":
        return ("what it gives at /metadata is no capability statement of FHIR",)
    return tuple(_differences(statement, asked))


def _differences(statement: Mapping[str, Any], asked: Asked) -> Iterator[str]:
    version = statement.get("fhirVersion")
    if not isinstance(version, str) or not version.startswith(R4):
        yield f"it says FHIR {version if isinstance(version, str) else 'of no version'}, and Padpost sends R4 ({R4}1)"
    if not JSON & {_media_type(each) for each in _list(statement.get("format"))}:
        yield "it does not list JSON among its formats"
    servers = [rest for rest in _objects(statement.get("rest")) if rest.get("mode") == "server"]
    if not any(each.get("code") == "transaction" for rest in servers for each in _objects(rest.get("interaction"))):
        yield "it does not list transactions (rest.interaction)"
    resources = {str(each.get("type")): each for rest in servers for each in _objects(rest.get("resource"))}
    missing = [kind for kind in asked.creates if resources.get(kind, {}).get("conditionalCreate") is not True]
    if missing:
        yield f"it does not list conditional creation of {', '.join(missing)}: a message that goes twice may be filed twice"
    unknown = [f"{kind} by {name}" for kind, name in asked.searches if name not in _parameters(resources.get(kind, {}))]
    if unknown:
        yield f"it does not list the search of {', '.join(unknown)}"


def _media_type(given: Any) -> str:
    return str(given).partition(";")[0].strip().lower()


def _parameters(resource: Mapping[str, Any]) -> set[str]:
    return {str(each.get("name")) for each in _objects(resource.get("searchParam"))}


def _list(value: Any) -> list[Any]:
    return value if isinstance(value, list) else []


def _objects(value: Any) -> list[dict[str, Any]]:
    return [item for item in _list(value) if isinstance(item, dict)]
