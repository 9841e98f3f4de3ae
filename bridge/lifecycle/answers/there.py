"""Whether a server holds a result already: what to ask it for, and whether what it gives back means the same.

A server that says *duplicate* is not believed: a yes is what was read back and compared. What cannot be compared is not the same.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from bridge.model import Acknowledgement, Answer

THERE = "there already"  # the code of a result that was read back and is the same
# The resources that are the result; devices and specimens are shared, and say nothing of it
RESULTS = frozenset({"Observation", "DiagnosticReport"})


@dataclass(frozen=True, kw_only=True, slots=True)
class Question:
    """One search by our own identifier: ``query`` as it stood in the transaction, and the resource that was sent."""

    kind: str
    query: str
    sent: Mapping[str, Any]


def questions(payload: bytes) -> tuple[Question, ...]:
    """Give a search for each result of a transaction Bundle, in its order. Our identifiers alone are asked for, never a patient's."""
    entries = json.loads(payload, parse_float=Decimal)["entry"]
    return tuple(
        Question(kind=entry["resource"]["resourceType"], query=query, sent=entry["resource"])
        for entry in entries
        if entry["resource"]["resourceType"] in RESULTS and (query := _condition(entry["request"]))
    )


def _condition(request: Mapping[str, str]) -> str:
    """Give what the entry was conditional on: ifNoneExist of a POST, the query of a PUT (FHIR R4 http, conditional create and update)."""
    return str(request.get("ifNoneExist", "") or request["url"].partition("?")[2])


def is_there(question: Question, body: bytes) -> bool:
    """Say whether the server's answer to the search holds exactly one such resource, and that one means what was sent."""
    try:
        found = json.loads(body, parse_float=Decimal)
    except (ValueError, RecursionError):
        return False
    matches = [resource for resource in _matches(found) if resource.get("resourceType") == question.kind]
    return len(matches) == 1 and same_meaning(question.sent, matches[0])


def _matches(found: Any) -> Iterator[Mapping[str, Any]]:
    """Give the resources of a searchset, but for what was only included and for outcomes (FHIR R4 Bundle.entry.search.mode)."""
    if not isinstance(found, dict) or found.get("type") != "searchset" or not isinstance(found.get("entry"), list):
        return
    for entry in found["entry"]:
        resource = entry.get("resource") if isinstance(entry, dict) else None
        mode = (
            entry["search"].get("mode", "match") if isinstance(entry, dict) and isinstance(entry.get("search"), dict) else "match"
        )
        if isinstance(resource, dict) and mode == "match":
            yield resource


def same_meaning(sent: Mapping[str, Any], found: Mapping[str, Any]) -> bool:
    """Say whether two resources are the same result: our identifiers, patient, status, code, and value.

    What a server adds (an id, meta, narrative, further identifiers and codings) changes nothing. A number is the same by its value: 1.010 is 1.01.
    """
    return (
        _has_all(sent.get("identifier"), found.get("identifier"), ("system", "value"))
        and bool(found.get("status") == sent.get("status"))
        and _same_subject(sent.get("subject"), found.get("subject"))
        and _same_concept(sent.get("code"), found.get("code"))
        and _values(sent).keys() == _values(found).keys()
        and all(_same_value(value, _values(found)[name]) for name, value in _values(sent).items())
    )


def _values(resource: Mapping[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in resource.items() if name.startswith("value") or name == "dataAbsentReason"}


def _has_all(sent: Any, found: Any, keys: tuple[str, ...]) -> bool:
    """Say whether every item that was sent is among those found, by ``keys``."""
    there = [tuple(item.get(key) for key in keys) for item in found if isinstance(item, dict)] if isinstance(found, list) else []
    return all(tuple(item.get(key) for key in keys) in there for item in sent or ())


def _same_concept(sent: Any, found: Any) -> bool:
    if not isinstance(sent, dict):
        return bool(sent == found)
    return (
        isinstance(found, dict)
        and found.get("text") == sent.get("text")
        and _has_all(sent.get("coding"), found.get("coding"), ("system", "code"))
    )


def _same_value(sent: Any, found: Any) -> bool:
    if not isinstance(sent, dict):
        return bool(sent == found)
    if "coding" in sent or "text" in sent:
        return _same_concept(sent, found)
    parts = ("value", "comparator", "unit", "system", "code")
    return isinstance(found, dict) and all(sent.get(part) == found.get(part) for part in parts)


def _same_subject(sent: Any, found: Any) -> bool:
    """Say whether it is the same patient: by identifier, or by address. A search that the server has resolved cannot be compared here."""
    if not sent:
        return not found
    if not isinstance(sent, dict) or not isinstance(found, dict):
        return False
    if named := sent.get("identifier"):
        other = found.get("identifier")
        return isinstance(other, dict) and (named.get("system"), named.get("value")) == (other.get("system"), other.get("value"))
    address, there = str(sent.get("reference", "")), str(found.get("reference", ""))
    return bool(address) and "?" not in address and (there == address or there.endswith(f"/{address}"))


def there_already() -> Acknowledgement:
    """Give the acknowledgement of a result that was read back and is the same."""
    return Acknowledgement(answer=Answer.ACCEPTED, code=THERE)


def not_proved(refusal: Acknowledgement) -> Acknowledgement:
    """Give the refusal of a server that says *duplicate* while what it holds could not be shown to be the same."""
    said = "The server says that it has this already; what it gave back could not be shown to be the same result."
    return Acknowledgement(answer=Answer.REFUSED, code=refusal.code, text=f"{said} {refusal.text}".strip())
