"""FHIR R4 (4.0.1) transaction Bundle, written by joining prepared text.

Only R4 elements are used; the two formats shaped after a regional guide differ from the plain one in what fhir_shapes.py asks of
them, and in the strips' lot (Europe). The bytes are ours because fhir.resources turns decimals into floats (1.010 -> 1.01). It has
no plain R4: its R4B models differ for our resources only in what Observation.subject and DiagnosticReport.subject may
point to, and ours point to a Patient, which both allow.
"""

from __future__ import annotations

import hashlib
import uuid
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import orjson

from bridge.model import Code, CodedGrade, CodedPad, CodedResult, Format, Quantity, ReadBy, ResultStatus, ValueForm
from bridge.render import fhir_pointers, wording
from bridge.render.fhir_json import members_text, value_text
from bridge.render.fhir_provenance import provenance_entry, provenance_name
from bridge.render.forms import TextKey, choose, expectation, leaves_bound_out, number_text, ranged, text_key
from bridge.render.grades import TEXT, GradeCodes
from bridge.render.loinc import wants_number
from bridge.render.notes import as_markdown
from bridge.render.queries import identifier_query
from bridge.render.segments import URINE, unplanned
from bridge.tables.types import DestinationTerms, GradeTable, Laboratory, Orders

# Code systems: HL7 table 0396 short name -> URI (FHIR R4, terminologies-systems).
SYSTEMS = {"LN": "http://loinc.org", "SCT": "http://snomed.info/sct"}
LOCAL_SYSTEM = "urn:padpost:local"  # ours: for codes that a site or we made
UCUM = "http://unitsofmeasure.org"
INTERPRETATION = "http://terminology.hl7.org/CodeSystem/v3-ObservationInterpretation"
_NAME_SPACE = uuid.NAMESPACE_URL.bytes  # RFC 9562, 6.6
# HL7 Europe laboratory 2.0.0, alias $observation-deviceLabTestKit: the kit that a value was got with, a Device.
TEST_KIT = "http://hl7.eu/fhir/laboratory/StructureDefinition/observation-deviceLabTestKit"
# DiagnosticReport.category slice of US Core: v2-0074#LAB; Observation.category: observation-category#laboratory.
REPORT_CATEGORY = {
    "coding": [{"system": "http://terminology.hl7.org/CodeSystem/v2-0074", "code": "LAB", "display": "Laboratory"}]
}
VALUE_CATEGORY = {
    "coding": [
        {"system": "http://terminology.hl7.org/CodeSystem/observation-category", "code": "laboratory", "display": "Laboratory"}
    ]
}
SPECIMEN_TYPES = "http://terminology.hl7.org/CodeSystem/v2-0487"  # table 0487, as in SPM-4 of the HL7 v2 message
# v2 0085 / 0123 -> FHIR status words (HL7 v2-to-FHIR concept maps).
STATUSES = {ResultStatus.FINAL: "final", ResultStatus.CORRECTED: "corrected", ResultStatus.WITHDRAWN: "entered-in-error"}


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

    ``noted``: the printed text is the first note, whose array is still open. ``code`` is the pad's code alone, for a report of its own.
    """

    before: str
    after: str
    noted: bool
    code: str


@dataclass(frozen=True, kw_only=True, slots=True)
class FhirWriter:
    """Everything of one destination and strip type that does not vary from result to result.

    ``claims`` holds the member ``meta`` of the kinds of resources whose profiles the site names.
    """

    terms: DestinationTerms
    pads: Mapping[TextKey, PadText]
    claims: Mapping[str, str]

    def write(self, result: CodedResult, *, control_id: str, made_at: datetime) -> bytes:
        """Give the Bundle as UTF-8 JSON.

        Raises RejectError ``render.charset`` if a text cannot be said in FHIR (a control character, a lone
        surrogate), ``render.unplanned`` if a pad's value is not one this plan was checked for, ``render.pointer`` if nothing can point to its patient or order.
        """
        patient = fhir_pointers.patient(result, self.terms)
        shared, notes = self._shared(result, patient, made_at)
        devices = self._devices(result)
        specimen = self._named("Specimen", f"{result.result_id}.specimen")
        values = [(self._named("Observation", f"{result.result_id}-{pad.pad}"), self._prepared(pad)) for pad in result.pads]
        sources = {pad.pad: named for pad, (named, _) in zip(result.pads, values, strict=True)}
        links = members_text({"specimen": specimen.link, **_device_links([named for named, _ in devices])})
        reports = tuple(self._reports(result, specimen, values))
        update = result.version > 1
        entries = [
            *(self._entry(named, members, update=False) for named, members in devices),
            self._entry(specimen, members_text(self._specimen(result, patient)), update=update, more=_known_specimen(result)),
            *(
                self._entry(named, f"{shared},{links},{_derived(pad, sources)}{_value(pad, prepared, notes)}", update=update)
                for pad, (named, prepared) in zip(result.pads, values, strict=True)
            ),
            *(
                self._entry(report, f'{shared},"category":[{value_text(REPORT_CATEGORY)}],{members}', update=update)
                for report, members in reports
            ),
            *self._provenance(result, [named for named, _ in (*values, *reports)], made_at),
        ]
        opening = members_text(
            {
                "resourceType": "Bundle",
                "identifier": self._identifier(control_id),
                "type": "transaction",
                "timestamp": self._time(made_at),
            }
        )
        return f'{{{opening},"entry":[{",".join(entries)}]}}'.encode()

    def _shared(self, result: CodedResult, patient: dict[str, Any], made_at: datetime) -> tuple[str, str]:
        """Give the members that reports and values have in common, and the notes of every value."""
        when, notes = wording.observed(result, self.terms.observed_at)
        if when is None:
            notes = (f"{notes[0]} Analysis time: {self._time(result.analyzed_at)}", *notes[1:])
        order = fhir_pointers.order(result, self.terms)
        members: dict[str, Any] = {
            **({"basedOn": [order]} if order else {}),
            "status": STATUSES[result.status],
            "subject": {**patient, **({"display": result.patient_name} if result.patient_name else {})},
            **({"effectiveDateTime": self._time(when)} if when else {}),
            "issued": self._time(made_at),
            **({"performer": performers} if (performers := self._performers(result)) else {}),
        }
        said = (*notes, *(as_markdown(comment) for comment in (*result.comments, *wording.added(result))))
        return members_text(members), ",".join(value_text({"text": note}) for note in said)

    def _performers(self, result: CodedResult) -> list[dict[str, Any]]:
        """Give the operator and the laboratory; the sending facility where neither is known."""
        known: list[dict[str, Any]] = []
        if result.operator and self.terms.operator:
            known.append({"type": "Practitioner", "display": result.operator})
        if self.terms.laboratory:
            known.append(_laboratory(self.terms.laboratory))
        if not known and self.terms.sending_facility:
            known.append({"type": "Organization", "display": self.terms.sending_facility})
        return known

    def _devices(self, result: CodedResult) -> list[tuple[Named, str]]:
        """Give the analyzer and, where the guide has a place for them, the strips of a printed lot."""
        if not self.terms.equipment:
            return []
        found = [(self._named("Device", f"analyzer.{result.analyzer}"), members_text(_device(result)))]
        if self.terms.format is Format.FHIR_EU and result.strip_lot:
            found.append((self._named("Device", f"strips.{result.strip_type}.{result.strip_lot}"), members_text(_strips(result))))
        return found

    def _prepared(self, pad: CodedPad) -> PadText:
        prepared = self.pads.get(text_key(pad, self.terms.value_forms))
        if prepared is None:
            raise unplanned(self.terms.name, pad.name)
        return prepared

    def _reports(
        self, result: CodedResult, specimen: Named, values: Sequence[tuple[Named, PadText]]
    ) -> Iterator[tuple[Named, str]]:
        """Give the panel's report or, where each pad is an order of its own, one for each pad, with its code and the members after."""
        if self.terms.orders is Orders.SINGLE:
            for named, prepared in values:
                yield self._named("DiagnosticReport", f"{named.value}.report"), f"{prepared.code},{_result(specimen, [named])}"
            return
        code = members_text({"code": {"coding": [_coding(result.panel)], "text": result.panel.text}})
        named_values = [named for named, _ in values]
        yield self._named("DiagnosticReport", result.result_id), f"{code},{_result(specimen, named_values)}"

    def _provenance(self, result: CodedResult, targets: Sequence[Named], made_at: datetime) -> tuple[str, ...]:
        """Give who changed a version, and when; none where no person made it."""
        if result.change is None:
            return ()
        named = self._named("Provenance", provenance_name(result))
        return (
            provenance_entry(
                result,
                result.change,
                self.terms,
                address=named.address,
                targets=[target.link for target in targets],
                made=self._time(made_at),
            ),
        )

    def _specimen(self, result: CodedResult, patient: dict[str, Any]) -> dict[str, Any]:
        kind = result.specimen_type or URINE
        coding = {"system": SPECIMEN_TYPES, "code": kind.code, "display": kind.text}
        members: dict[str, Any] = {"type": {"coding": [coding], "text": kind.text}, "subject": patient}
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
        identifiers = f'"identifier":[{value_text(self._identifier(named.value))}{more}]'
        return (
            f'{{"fullUrl":"{named.address}","resource":{{"resourceType":"{named.kind}",{self.claims.get(named.kind, "")}{identifiers},{members}}},'
            f'"request":{value_text(request)}}}'
        )

    def _identifier(self, value: str) -> dict[str, str]:
        return {"system": self.terms.result_system, "value": value}

    def _named(self, kind: str, value: str) -> Named:
        """Give a resource's identity; its fullUrl is the same on every try."""
        return Named(kind=kind, value=value, address=named_urn(f"{self.terms.result_system}|{kind}|{value}"))

    def _time(self, moment: datetime) -> str:
        return moment.astimezone(self.terms.zone).isoformat(timespec="seconds")


def named_urn(name: str) -> str:
    """Give the UUID of a name in the name space of URLs as a URN (RFC 9562, version 5); what ``uuid.uuid5`` gives, in a fifth of its time."""
    digest = hashlib.sha1(_NAME_SPACE + name.encode(), usedforsecurity=False).hexdigest()
    variant = "89ab"[int(digest[16], 16) & 3]  # RFC 9562, 4.1: the two highest bits are 1 and 0
    return f"urn:uuid:{digest[:8]}-{digest[8:12]}-5{digest[13:16]}-{variant}{digest[17:20]}-{digest[20:32]}"


def fhir_writer(terms: DestinationTerms, pads: Mapping[str, tuple[CodedPad, ...]], codes: GradeCodes) -> FhirWriter:
    """Compile the writer for one destination from every coded pad that can come."""
    return FhirWriter(
        terms=terms,
        pads={text_key(pad, terms.value_forms): _pad_text(pad, terms, codes) for every in pads.values() for pad in every},
        claims={kind: f"{members_text({'meta': {'profile': urls}})}," for kind, urls in claimed(terms.message_profile).items()},
    )


def claimed(message_profile: str) -> dict[str, list[str]]:
    """Give the profiles that a site names for each kind of resource; ``message_profile`` holds ``Kind=URL``, parted by blanks."""
    found: dict[str, list[str]] = {}
    for word in message_profile.split():
        kind, _, url = word.partition("=")
        found.setdefault(kind, []).append(url)
    return found


def _derived(pad: CodedPad, sources: Mapping[str, Named]) -> str:
    """Give the member that points a computed value to those that it comes from (R4 Observation.derivedFrom); empty for others."""
    links = [sources[name].link for name in pad.computed_from]
    return f"{members_text({'derivedFrom': links})}," if links else ""


def _pad_text(pad: CodedPad, terms: DestinationTerms, codes: GradeCodes) -> PadText:
    form = choose(pad, terms.value_forms)
    code = {"coding": [_coding(form.code), *([_coding(pad.local)] if terms.local_codes else [])], "text": pad.name}
    members: dict[str, Any] = {"category": [VALUE_CATEGORY], "code": code, "interpretation": _interpretation(pad, form)}
    if method := wording.method(pad, form):
        members["method"] = {"text": method}
    if reference := _range(pad, form, terms.unit_texts):
        members["referenceRange"] = [reference]
    alone = members_text({"code": code})
    if not isinstance(form.value, Quantity) and TEXT not in terms.grades:
        # the site's table is of grades; words have our codes
        table = terms.grade_table if isinstance(form.value, CodedGrade) else None
        # ``text`` is as printed, in the analyzer's language: where no code may go, the catalogue's own word goes as a display alone
        codings = [_coding(code, table) for code in codes[pad.pad, form.value.key]] or [{"display": form.value.text}]
        return PadText(
            before=f'{members_text(members)},"valueCodeableConcept":{{"coding":{value_text(codings)},"text":',
            after="}",
            noted=False,
            code=alone,
        )
    if not isinstance(form.value, Quantity):
        members["valueString"] = form.value.text
    else:
        members["valueQuantity"] = _quantity(form.value, terms.unit_texts)
    return PadText(before=f'{members_text(members)},"note":[{{"text":', after="}", noted=True, code=alone)


def _interpretation(pad: CodedPad, form: ValueForm) -> list[dict[str, Any]]:
    """Give the flag and, of a [Presence] grade, whether something was found: two statements, each a concept of its own (decision 0009)."""
    words = [(pad.flag.value, wording.FLAGS[pad.flag])]
    if isinstance(form.value, CodedGrade) and wants_number(form.code.text) is False:
        words += [wording.FOUND[form.value.grade]] if form.value.grade in wording.FOUND else []
    return [{"coding": [{"system": INTERPRETATION, "code": code, "display": display}]} for code, display in words]


def _value(pad: CodedPad, prepared: PadText, notes: str) -> str:
    """Give the members of an Observation from its category to its notes."""
    if prepared.noted:
        more = f",{notes}" if notes else ""
        return f"{prepared.before}{value_text(as_markdown(pad.printed, after=wording.preface(pad)))}{prepared.after}{more}]"
    more = f',"note":[{notes}]' if notes else ""
    return f"{prepared.before}{value_text(pad.printed)}{prepared.after}{more}"


def _result(specimen: Named, values: Sequence[Named]) -> str:
    return members_text({"specimen": [specimen.link], "result": [named.link for named in values]})


def _device_links(devices: Sequence[Named]) -> dict[str, Any]:
    """Give the link to the analyzer, and to the strips, of what there is."""
    links: dict[str, Any] = {"device": devices[0].link} if devices else {}
    if len(devices) > 1:
        links["extension"] = [{"url": TEST_KIT, "valueReference": devices[1].link}]
    return links


def _laboratory(laboratory: Laboratory) -> dict[str, Any]:
    """Give the laboratory by its number, where it has one, and its name."""
    identifier = {"system": laboratory.authority, "value": laboratory.number}
    named = {"identifier": identifier} if laboratory.number else {}
    return {"type": "Organization", **named, "display": laboratory.name}


def _known_specimen(result: CodedResult) -> str:
    """Give the specimen's printed number as a further identifier; whose number it is, is not known."""
    return f",{value_text({'value': result.specimen_id})}" if result.specimen_id else ""


def _read_by(result: CodedResult) -> ReadBy:
    return result.pads[0].read_by if result.pads else ReadBy.ANALYZER


def _device(result: CodedResult) -> dict[str, Any]:
    return {
        "deviceName": [{"name": result.analyzer, "type": "user-friendly-name"}],
        "type": {"text": wording.DEVICES[_read_by(result)]},
    }


def _strips(result: CodedResult) -> dict[str, Any]:
    name = {"name": result.strip_type, "type": "user-friendly-name"}
    return {"lotNumber": result.strip_lot, "deviceName": [name], "type": {"text": "Urine test strips"}}


def _quantity(value: Quantity, unit_texts: Mapping[str, str]) -> dict[str, Any]:
    """Give a Quantity whose digits stay as they are: orjson.Fragment passes them through unchanged. Its code is UCUM, its unit the site's text."""
    comparator = {"comparator": value.comparator} if value.comparator else {}
    unit = unit_texts.get(value.unit, value.unit)
    return {"value": orjson.Fragment(number_text(value)), **comparator, "unit": unit, "system": UCUM, "code": value.unit}


def _range(pad: CodedPad, form: ValueForm, unit_texts: Mapping[str, str]) -> dict[str, Any]:
    """Give a range: its bounds, which R4 counts in (Range.low and Range.high are inclusive), and the text; of a bound that is out, the text alone."""
    text = expectation(pad, form)
    named = {"text": text} if text else {}
    if not ranged(pad, form) or leaves_bound_out(pad):
        return named
    bounds = {"low": pad.low, "high": pad.high}
    return {**{name: _quantity(bound, unit_texts) for name, bound in bounds.items() if bound}, **named}


def _coding(code: Code, grade_table: GradeTable | None = None) -> dict[str, str]:
    """Give a code with its system: a standard one, the site's own for ``grade_table``, or ours."""
    own = grade_table.uri if grade_table else LOCAL_SYSTEM
    return {"system": SYSTEMS.get(code.system, own), "code": code.code, "display": code.text}
