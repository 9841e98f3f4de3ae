"""FHIR R4 (4.0.1) transaction Bundle, written by joining prepared text.

Only R4 elements are used. The bytes are ours because fhir.resources turns decimals into floats (1.010 -> 1.01). It has
no plain R4: its R4B models differ for our resources only in what Observation.subject and DiagnosticReport.subject may
point to, and ours point to a Patient, which both allow.
"""

from __future__ import annotations

import uuid
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import orjson

from bridge.errors import RejectError
from bridge.model import Code, CodedGrade, CodedPad, CodedResult, Quantity, ResultStatus, ValueForm
from bridge.render import wording
from bridge.render.forms import TextKey, choose, expectation, number_text, ranged, text_key
from bridge.render.oru import unplanned
from bridge.render.queries import identifier_query
from bridge.tables.types import DestinationTerms

# Code systems: HL7 table 0396 short name -> URI (FHIR R4, terminologies-systems).
SYSTEMS = {"LN": "http://loinc.org", "SCT": "http://snomed.info/sct"}
LOCAL_SYSTEM = "urn:padpost:local"  # ours: for codes that a site or we made
UCUM = "http://unitsofmeasure.org"
INTERPRETATION = "http://terminology.hl7.org/CodeSystem/v3-ObservationInterpretation"
# DiagnosticReport.category slice of US Core: v2-0074#LAB; Observation.category: observation-category#laboratory.
REPORT_CATEGORY = {
    "coding": [{"system": "http://terminology.hl7.org/CodeSystem/v2-0074", "code": "LAB", "display": "Laboratory"}]
}
VALUE_CATEGORY = {
    "coding": [
        {"system": "http://terminology.hl7.org/CodeSystem/observation-category", "code": "laboratory", "display": "Laboratory"}
    ]
}
# UR of table 0487, as in SPM-4 of the HL7 v2 message.
URINE = {
    "coding": [{"system": "http://terminology.hl7.org/CodeSystem/v2-0487", "code": "UR", "display": "Urine"}],
    "text": "Urine",
}
# v2 0085 / 0123 -> FHIR status words (HL7 v2-to-FHIR concept maps).
STATUSES = {ResultStatus.FINAL: "final", ResultStatus.CORRECTED: "corrected"}


@dataclass(frozen=True, kw_only=True, slots=True)
class PadText:
    """One Observation around what varies: JSON members up to the printed text, and what closes it after.

    ``is_number``: the printed text is the first note, whose array is still open.
    """

    before: str
    after: str
    is_number: bool


@dataclass(frozen=True, kw_only=True, slots=True)
class FhirWriter:
    """Everything of one destination and strip type that does not vary from result to result."""

    terms: DestinationTerms
    pads: Mapping[TextKey, PadText]

    def write(self, result: CodedResult, *, control_id: str, made_at: datetime) -> bytes:
        """Give the Bundle as UTF-8 JSON.

        Raises RejectError ``render.charset`` if a text cannot be written as UTF-8 (a lone
        surrogate), ``render.unplanned`` if a pad's value is not one this plan was checked for.
        """
        shared, notes = self._shared(result, made_at)
        device, specimen = self._device_id(result), f"{result.result_id}.specimen"
        links = _members({"specimen": self._link("Specimen", specimen), "device": self._link("Device", device)})
        update = result.version > 1
        entries = [
            self._entry("Device", device, _members(_device(result)), update=False),
            self._entry("Specimen", specimen, _members(self._specimen(result)), update=update, more=self._known_specimen(result)),
            *(
                self._entry("Observation", pad_id(result, pad), f"{shared},{links},{self._value(pad, notes)}", update=update)
                for pad in result.pads
            ),
            self._entry(
                "DiagnosticReport", result.result_id, f"{shared},{_members(self._report(result, specimen))}", update=update
            ),
        ]
        opening = _members(
            {
                "resourceType": "Bundle",
                "identifier": self._identifier(control_id),
                "type": "transaction",
                "timestamp": self._time(made_at),
            }
        )
        return f'{{{opening},"entry":[{",".join(entries)}]}}'.encode()

    def _shared(self, result: CodedResult, made_at: datetime) -> tuple[str, str]:
        """Give the members that report and values have in common, and the notes of every value."""
        when, notes = wording.observed(result, self.terms.observed_at)
        if when is None:
            notes = (f"{notes[0]} Analysis time: {self._time(result.analyzed_at)}", *notes[1:])
        members: dict[str, Any] = {
            "status": STATUSES[result.status],
            "subject": {
                "type": "Patient",
                "identifier": {"system": self.terms.patient_system, "value": result.patient_id},
                **({"display": result.patient_name} if result.patient_name else {}),
            },
            **({"effectiveDateTime": self._time(when)} if when else {}),
            "issued": self._time(made_at),
            **({"performer": [performer]} if (performer := self._performer(result)) else {}),
        }
        return _members(members), ",".join(_json({"text": note}) for note in (*notes, *result.comments))

    def _performer(self, result: CodedResult) -> dict[str, str] | None:
        if result.operator:
            return {"type": "Practitioner", "display": result.operator}
        return {"type": "Organization", "display": self.terms.sending_facility} if self.terms.sending_facility else None

    def _value(self, pad: CodedPad, notes: str) -> str:
        prepared = self.pads.get(text_key(pad, self.terms.value_forms))
        if prepared is None:
            raise unplanned(self.terms.name, pad.name)
        if prepared.is_number:
            more = f",{notes}" if notes else ""
            return f"{prepared.before}{_json(wording.PRINTED + pad.printed)}{prepared.after}{more}]"
        more = f',"note":[{notes}]' if notes else ""
        return f"{prepared.before}{_json(pad.printed)}{prepared.after}{more}"

    def _report(self, result: CodedResult, specimen: str) -> dict[str, Any]:
        return {
            "category": [REPORT_CATEGORY],
            "code": {"coding": [_coding(result.panel)], "text": result.panel.text},
            "specimen": [self._link("Specimen", specimen)],
            "result": [self._link("Observation", pad_id(result, pad)) for pad in result.pads],
        }

    def _specimen(self, result: CodedResult) -> dict[str, Any]:
        members: dict[str, Any] = {
            "type": URINE,
            "subject": {"type": "Patient", "identifier": {"system": self.terms.patient_system, "value": result.patient_id}},
        }
        if result.collected_at is not None:
            members["collection"] = {"collectedDateTime": self._time(result.collected_at)}
        return members

    def _known_specimen(self, result: CodedResult) -> str:
        """Give the specimen's printed number as a further identifier; whose number it is, is not known."""
        return f",{_json({'value': result.specimen_id})}" if result.specimen_id else ""

    def _device_id(self, result: CodedResult) -> str:
        return f"analyzer.{result.analyzer}"

    def _entry(self, kind: str, value: str, members: str, *, update: bool, more: str = "") -> str:
        """Give one entry: conditional create by our identifier, or conditional update for a later version."""
        query = identifier_query(self.terms.result_system, value)
        request = {"method": "PUT", "url": f"{kind}?{query}"} if update else {"method": "POST", "url": kind, "ifNoneExist": query}
        identifiers = f'"identifier":[{_json(self._identifier(value))}{more}]'
        return (
            f'{{"fullUrl":"{self._address(kind, value)}","resource":{{"resourceType":"{kind}",{identifiers},{members}}},'
            f'"request":{_json(request)}}}'
        )

    def _identifier(self, value: str) -> dict[str, str]:
        return {"system": self.terms.result_system, "value": value}

    def _address(self, kind: str, value: str) -> str:
        """Give the entry's fullUrl: the same for the same resource on every try (RFC 9562, version 5)."""
        return f"urn:uuid:{uuid.uuid5(uuid.NAMESPACE_URL, f'{self.terms.result_system}|{kind}|{value}')}"

    def _link(self, kind: str, value: str) -> dict[str, str]:
        return {"reference": self._address(kind, value)}

    def _time(self, moment: datetime) -> str:
        return moment.astimezone(self.terms.zone).isoformat(timespec="seconds")


def pad_id(result: CodedResult, pad: CodedPad) -> str:
    """Give the identifier value of one pad's Observation."""
    return f"{result.result_id}-{pad.pad}"


def fhir_writer(terms: DestinationTerms, pads: Mapping[str, tuple[CodedPad, ...]]) -> FhirWriter:
    """Compile the writer for one destination from every coded pad that can come."""
    return FhirWriter(
        terms=terms, pads={text_key(pad, terms.value_forms): _pad_text(pad, terms) for every in pads.values() for pad in every}
    )


def _pad_text(pad: CodedPad, terms: DestinationTerms) -> PadText:
    form = choose(pad, terms.value_forms)
    members: dict[str, Any] = {
        "category": [VALUE_CATEGORY],
        "code": {"coding": [_coding(form.code), *([_coding(pad.local)] if terms.local_codes else [])], "text": pad.name},
        "interpretation": [{"coding": [{"system": INTERPRETATION, "code": pad.flag.value, "display": wording.FLAGS[pad.flag]}]}],
    }
    if form.method in wording.METHODS:
        members["method"] = {"text": wording.METHODS[form.method]}
    if reference := _range(pad, form):
        members["referenceRange"] = [reference]
    if isinstance(form.value, CodedGrade):
        coding = f'"coding":[{_json(_coding(form.value.answer))}],' if form.value.answer else ""
        return PadText(before=f'{_members(members)},"valueCodeableConcept":{{{coding}"text":', after="}", is_number=False)
    members["valueQuantity"] = _quantity(form.value)
    return PadText(before=f'{_members(members)},"note":[{{"text":', after="}", is_number=True)


def _device(result: CodedResult) -> dict[str, Any]:
    return {"deviceName": [{"name": result.analyzer, "type": "user-friendly-name"}], "type": {"text": "Urine strip analyzer"}}


def _quantity(value: Quantity) -> dict[str, Any]:
    """Give a Quantity whose digits stay as they are: orjson.Fragment passes them through unchanged."""
    comparator = {"comparator": value.comparator} if value.comparator else {}
    return {"value": orjson.Fragment(number_text(value)), **comparator, "unit": value.unit, "system": UCUM, "code": value.unit}


def _range(pad: CodedPad, form: ValueForm) -> dict[str, Any]:
    text = expectation(pad, form)
    named = {"text": text} if text else {}
    if not ranged(pad, form):
        return named
    return {**({"low": _quantity(pad.low)} if pad.low else {}), **({"high": _quantity(pad.high)} if pad.high else {}), **named}


def _coding(code: Code) -> dict[str, str]:
    return {"system": SYSTEMS.get(code.system, LOCAL_SYSTEM), "code": code.code, "display": code.text}


def _json(value: object) -> str:
    try:
        return orjson.dumps(value).decode()
    except TypeError as error:  # orjson.JSONEncodeError; the one cause here is a lone surrogate, which UTF-8 does not know
        raise RejectError(
            "render.charset",
            "A text of this strip holds a character that cannot be written as UTF-8.",
            remedy="Check the character set of the analyzer's profile, then read this again.",
        ) from error


def _members(value: dict[str, Any]) -> str:
    """Give the members of an object without its braces."""
    return _json(value)[1:-1]
