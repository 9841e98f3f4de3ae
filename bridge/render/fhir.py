"""FHIR R4 (4.0.1) transaction Bundle, written by joining prepared text.

Only R4 elements are used. The bytes are ours because fhir.resources turns decimals into floats (1.010 -> 1.01). It has
no plain R4: its R4B models differ for our resources only in what Observation.subject and DiagnosticReport.subject may
point to, and ours point to a Patient, which both allow.
"""

from __future__ import annotations

import re
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
from bridge.render.grades import TEXT, GradeCodes
from bridge.render.queries import identifier_query
from bridge.render.segments import unplanned
from bridge.tables.types import DestinationTerms, GradeTable

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
# R4 datatypes, string: no characters below 32 but tab, CR and LF; strict receivers refuse a Bundle that has one.
# This is how orjson writes them, after an even number of backslashes.
_CONTROL = re.compile(r"(?<!\\)(?:\\\\)*\\(?:(u00[01][0-9a-f])|[bf])")


@dataclass(frozen=True, kw_only=True, slots=True)
class Named:
    """One resource of the Bundle: its type, the value of its identifier, and its fullUrl."""

    kind: str
    value: str
    address: str

    @property
    def link(self) -> dict[str, str]:
        """Give a reference to it."""
        return {"reference": self.address}


@dataclass(frozen=True, kw_only=True, slots=True)
class PadText:
    """One Observation around what varies: JSON members up to the printed text, and what closes it after.

    ``noted``: the printed text is the first note, whose array is still open.
    """

    before: str
    after: str
    noted: bool


@dataclass(frozen=True, kw_only=True, slots=True)
class FhirWriter:
    """Everything of one destination and strip type that does not vary from result to result."""

    terms: DestinationTerms
    pads: Mapping[TextKey, PadText]

    def write(self, result: CodedResult, *, control_id: str, made_at: datetime) -> bytes:
        """Give the Bundle as UTF-8 JSON.

        Raises RejectError ``render.charset`` if a text cannot be said in FHIR (a control character, a lone
        surrogate), ``render.unplanned`` if a pad's value is not one this plan was checked for.
        """
        shared, notes = self._shared(result, made_at)
        device = self._named("Device", f"analyzer.{result.analyzer}")
        specimen = self._named("Specimen", f"{result.result_id}.specimen")
        values = [(self._named("Observation", f"{result.result_id}-{pad.pad}"), pad) for pad in result.pads]
        report = self._named("DiagnosticReport", result.result_id)
        links = _members({"specimen": specimen.link, "device": device.link})
        update = result.version > 1
        entries = [
            self._entry(device, _members(_device(result)), update=False),
            self._entry(specimen, _members(self._specimen(result)), update=update, more=_known_specimen(result)),
            *(self._entry(named, f"{shared},{links},{self._value(pad, notes)}", update=update) for named, pad in values),
            self._entry(report, f"{shared},{_members(_report(result, specimen, [named for named, _ in values]))}", update=update),
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
        if prepared.noted:
            more = f",{notes}" if notes else ""
            return f"{prepared.before}{_json(wording.PRINTED + pad.printed)}{prepared.after}{more}]"
        more = f',"note":[{notes}]' if notes else ""
        return f"{prepared.before}{_json(pad.printed)}{prepared.after}{more}"

    def _specimen(self, result: CodedResult) -> dict[str, Any]:
        members: dict[str, Any] = {
            "type": URINE,
            "subject": {"type": "Patient", "identifier": {"system": self.terms.patient_system, "value": result.patient_id}},
        }
        if result.collected_at is not None:
            members["collection"] = {"collectedDateTime": self._time(result.collected_at)}
        return members

    def _entry(self, named: Named, members: str, *, update: bool, more: str = "") -> str:
        """Give one entry: conditional create by our identifier, or conditional update for a later version."""
        query = identifier_query(self.terms.result_system, named.value)
        request = (
            {"method": "PUT", "url": f"{named.kind}?{query}"}
            if update
            else {"method": "POST", "url": named.kind, "ifNoneExist": query}
        )
        identifiers = f'"identifier":[{_json(self._identifier(named.value))}{more}]'
        return (
            f'{{"fullUrl":"{named.address}","resource":{{"resourceType":"{named.kind}",{identifiers},{members}}},'
            f'"request":{_json(request)}}}'
        )

    def _identifier(self, value: str) -> dict[str, str]:
        return {"system": self.terms.result_system, "value": value}

    def _named(self, kind: str, value: str) -> Named:
        """Give a resource's identity; its fullUrl is the same on every try (RFC 9562, UUID version 5)."""
        address = uuid.uuid5(uuid.NAMESPACE_URL, f"{self.terms.result_system}|{kind}|{value}")
        return Named(kind=kind, value=value, address=f"urn:uuid:{address}")

    def _time(self, moment: datetime) -> str:
        return moment.astimezone(self.terms.zone).isoformat(timespec="seconds")


def fhir_writer(terms: DestinationTerms, pads: Mapping[str, tuple[CodedPad, ...]], codes: GradeCodes) -> FhirWriter:
    """Compile the writer for one destination from every coded pad that can come."""
    return FhirWriter(
        terms=terms,
        pads={text_key(pad, terms.value_forms): _pad_text(pad, terms, codes) for every in pads.values() for pad in every},
    )


def _pad_text(pad: CodedPad, terms: DestinationTerms, codes: GradeCodes) -> PadText:
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
    if isinstance(form.value, CodedGrade) and TEXT not in terms.grades:
        codings = [_coding(code, terms.grade_table) for code in codes[pad.pad, form.value.grade]]
        coding = f'"coding":{_json(codings)},' if codings else ""
        return PadText(before=f'{_members(members)},"valueCodeableConcept":{{{coding}"text":', after="}", noted=False)
    if isinstance(form.value, CodedGrade):
        members["valueString"] = form.value.text
    else:
        members["valueQuantity"] = _quantity(form.value)
    return PadText(before=f'{_members(members)},"note":[{{"text":', after="}", noted=True)


def _report(result: CodedResult, specimen: Named, values: list[Named]) -> dict[str, Any]:
    return {
        "category": [REPORT_CATEGORY],
        "code": {"coding": [_coding(result.panel)], "text": result.panel.text},
        "specimen": [specimen.link],
        "result": [named.link for named in values],
    }


def _known_specimen(result: CodedResult) -> str:
    """Give the specimen's printed number as a further identifier; whose number it is, is not known."""
    return f",{_json({'value': result.specimen_id})}" if result.specimen_id else ""


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


def _coding(code: Code, grade_table: GradeTable | None = None) -> dict[str, str]:
    """Give a code with its system: a standard one, the site's own for ``grade_table``, or ours."""
    own = grade_table.uri if grade_table else LOCAL_SYSTEM
    return {"system": SYSTEMS.get(code.system, own), "code": code.code, "display": code.text}


def _json(value: object) -> str:
    try:
        text = orjson.dumps(value).decode()
    except TypeError as error:  # orjson.JSONEncodeError; the one cause here is a lone surrogate, which UTF-8 does not know
        raise _unsayable("a character that cannot be written as UTF-8") from error
    if "\\" in text and (found := _CONTROL.search(text)):
        number = int(found[1][1:], 16) if found[1] else {"b": 8, "f": 12}[found[0][-1]]
        raise _unsayable(f"the control character U+{number:04X}, which FHIR does not carry")
    return text


def _unsayable(what: str) -> RejectError:
    return RejectError(
        "render.charset",
        f"A text of this strip holds {what}.",
        remedy="Check the character set of the analyzer's profile, then read this again.",
    )


def _members(value: dict[str, Any]) -> str:
    """Give the members of an object without its braces."""
    return _json(value)[1:-1]
