"""What stands in the messages of a result, pad by pad: read from their bytes, so that it is what went and not what would go now."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping
from decimal import Decimal
from typing import Any

from bridge.model import CodedPad, Message
from bridge.wire import er7

_NUMERIC = frozenset({"NM", "SN"})  # HL7 2.5.1 table 0125: what OBX-2 says of OBX-5
_NO_UNIT = "1"  # UCUM section 4.3: the unity; a ratio such as the specific gravity has no unit to read aloud


def sent_as(message: Message) -> Mapping[str, str]:
    """Give by code what a message says of each pad: ``Trace``, ``0.5 mg/dL``. Empty while the message is not made, or no longer kept."""
    if not message.payload:
        return {}
    return dict(_of_fhir(message.payload) if message.format.is_fhir else _of_hl7(message.payload))


def _of_hl7(payload: bytes) -> Iterator[tuple[str, str]]:
    """Read OBX-3.1, OBX-5 and the unit in OBX-6.1 (HL7 2.5.1 chapter 7; CWE, NM, SN and ST of chapter 2A)."""
    for segment in er7.split(payload, er7.declared_codec(payload)):
        if segment[0] != "OBX" or len(segment) < 7:
            continue
        kind, parts = segment[2], [er7.unescape(part) for part in segment[5].split("^")]
        # CWE.2 is the text, CWE.1 the code; SN.1 and SN.2 are the comparator and the number; NM and ST have one part
        value = (parts[1:2] and parts[1]) or parts[0] if kind == "CWE" else "".join(parts[:2])
        unit = er7.unescape(segment[6].split("^")[0]) if kind in _NUMERIC else ""
        yield er7.unescape(segment[3].split("^")[0]), _measured(value, unit)


def _of_fhir(payload: bytes) -> Iterator[tuple[str, str]]:
    """Read the Observations of a Bundle (FHIR R4 Observation.code and value[x]); a number keeps its digits."""
    bundle = json.loads(payload, parse_float=Decimal, parse_int=Decimal)
    for entry in bundle.get("entry", ()):
        resource = entry.get("resource", {})
        if resource.get("resourceType") == "Observation" and (value := _value(resource)):
            yield resource["code"]["coding"][0]["code"], value


def _value(resource: Mapping[str, Any]) -> str:
    if quantity := resource.get("valueQuantity"):
        return _measured(f"{quantity.get('comparator', '')}{quantity['value']}", str(quantity.get("unit", "")))
    if concept := resource.get("valueCodeableConcept"):
        coded = concept.get("coding", ({},))[0]
        return str(coded.get("display") or coded.get("code") or concept.get("text", ""))
    return str(resource.get("valueString", ""))


def _measured(value: str, unit: str) -> str:
    return f"{value} {unit}" if unit and unit != _NO_UNIT else value


def of_pad(pad: CodedPad, messages: Iterable[tuple[str, Mapping[str, str]]]) -> tuple[tuple[tuple[str, ...], str], ...]:
    """Give what was said of a pad, each with the receivers that it was said to. ``messages``: by receiver, what ``sent_as`` gave."""
    codes = dict.fromkeys(form.code.code for form in pad.forms)
    said: dict[str, list[str]] = {}
    for receiver, values in messages:
        for value in (values[code] for code in codes if code in values):
            said.setdefault(value, []).append(receiver)
    return tuple((tuple(receivers), value) for value, receivers in said.items())


def codes_of(pad: CodedPad) -> tuple[str, ...]:
    """Give the codes that a pad may go under, each once with its properties: ``50561-0 (MCnc)``."""
    kinds: dict[str, list[str]] = {}
    for form in pad.forms:
        named = kinds.setdefault(form.code.code, [])
        if form.prop.value not in named:
            named.append(form.prop.value)
    return tuple(f"{code} ({', '.join(properties)})" for code, properties in kinds.items())
