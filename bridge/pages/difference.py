"""Where one message differs from another: HL7 by segment and field, FHIR by resource and path. Pure."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import TypeVar

from bridge.model import Message
from bridge.render.fhir_json import leaves
from bridge.wire import er7

# Made anew with every message, whatever it says (HL7 v2.5.1 section 2.14.9: MSH-7 its time, MSH-10 its control ID)
OF_EVERY_MESSAGE = frozenset({"MSH-7", "MSH-10"})
_Piece = TypeVar("_Piece")


@dataclass(frozen=True, kw_only=True, slots=True)
class Difference:
    """One place where two messages differ, and what stands there in each; "" where nothing does."""

    place: str
    before: str
    after: str


def differences(before: Message, after: Message) -> tuple[Difference, ...]:
    """Give every place where ``after`` differs from ``before``, in its order; what is made anew with every message is left out."""
    if before.format.is_fhir is not after.format.is_fhir:
        return ()  # a receiver that takes another format by now: there is nothing to hold side by side
    told = _told_fhir if after.format.is_fhir else _told_hl7
    old, new = told(before), told(after)
    places = dict.fromkeys((*new, *old))
    return tuple(
        Difference(place=place, before=old.get(place, ""), after=new.get(place, ""))
        for place in places
        if old.get(place, "") != new.get(place, "")
    )


def _told_hl7(message: Message) -> Mapping[str, str]:
    """Give what stands in each field: ``PID-3``, or ``OBX 2: OBX-5`` of the second of its kind."""
    found: dict[str, str] = {}
    for name, number, fields in _numbered((fields[0], fields) for fields in _segments(message)):
        for place, field in enumerate(fields[1:], 1):
            where = f"{name}-{place}"
            if where not in OF_EVERY_MESSAGE:
                found[f"{name} {number}: {where}" if number > 1 else where] = field
    return found


def _segments(message: Message) -> list[list[str]]:
    return [list(fields) for fields in er7.split(message.payload, er7.declared_codec(message.payload))]


def _told_fhir(message: Message) -> Mapping[str, str]:
    """Give what stands at each path: ``Patient: birthDate``, or ``Observation 2: valueString`` of the second of its kind."""
    document = json.loads(message.payload)
    resources = [entry["resource"] for entry in document.get("entry", ()) if "resource" in entry] or [document]
    found: dict[str, str] = {}
    for name, number, resource in _numbered((each.get("resourceType", ""), each) for each in resources):
        for path, text in leaves(resource):
            where = f"{name} {number}: {path}" if number > 1 else f"{name}: {path}"
            found[where] = f"{found[where]}, {text}" if where in found else text  # the members of a list share their path
    return found


def _numbered(named: Iterable[tuple[str, _Piece]]) -> Iterator[tuple[str, int, _Piece]]:
    """Count the pieces of each name, from 1."""
    counts: dict[str, int] = {}
    for name, piece in named:
        counts[name] = counts.get(name, 0) + 1
        yield name, counts[name], piece
