"""Trying out a captured transmission: what each strip becomes and which messages it gives. Pure; nothing is kept or sent.

The ``convert`` command and the page Try out show what is made here.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from bridge import pipeline
from bridge.check import Moment
from bridge.errors import RejectError
from bridge.model import (
    LIVE,
    Capture,
    CheckedReading,
    Coded,
    CodedResult,
    Copy,
    Facts,
    Finding,
    Held,
    Message,
    NonPatient,
    Outcome,
    Place,
    Printed,
    Reading,
    Rejected,
    Unreadable,
    Waiting,
)
from bridge.render import Plan, compile_plan, takes
from bridge.render.fhir_json import leaves
from bridge.tables.types import DestinationTerms, Profile, Tables
from bridge.wire import er7

OBX_CODE = 3  # HL7 v2.5.1 section 7.4.2: OBX-3, observation identifier
# A printed field as ``model.Reading`` has it, in words, and a part of the place where its text goes in HL7 v2 and in FHIR.
_PRINTED = (
    ("patient_id", "Patient ID", "PID-3", "Observation.subject.identifier"),
    ("patient_name", "Patient name", "PID-5", "Observation.subject.display"),
    ("order_number", "Order number", "OBR-2", "basedOn.identifier"),
    ("specimen_id", "Specimen number", "SPM-2", "Specimen.identifier"),
    ("operator", "Operator", "OBX-16", "Observation.performer"),
    ("strip_lot", "Strip lot", "SID-2", "Device."),
)
_WORDS: dict[type, str] = {
    Coded: "coded",
    Held: "held",
    Rejected: "rejected",
    Copy: "copy",
    NonPatient: "non_patient",
    Waiting: "waiting",
    type(None): "unreadable",
}


def outcome_word(outcome: Outcome | None) -> str:
    """Give an outcome's word, as the store and the API have it."""
    return _WORDS[type(outcome)]


@dataclass(frozen=True, kw_only=True, slots=True)
class Origin:
    """Where one value of a message comes from, and where it goes. ``what`` is the pad, or the printed field in words.

    ``place`` is the printed value's byte range in the capture. ``row`` names the table row that it is understood by: the code's in the
    catalogue, or the field's in the profile. ``field`` is where the value stands: ``OBX-5 of OBX 3``, or ``valueQuantity of Observation 3``.
    """

    what: str
    printed: str
    place: Place
    row: str
    field: str


@dataclass(frozen=True, kw_only=True, slots=True)
class TriedMessage:
    """One message as a destination would get it, and where each value in it comes from; or the finding that stops it.

    ``origins`` is of the pads, in their order; ``beside`` of what was printed beside them (patient ID, operator ...).
    """

    destination: str
    message: Message | None
    origins: tuple[Origin, ...] = ()
    beside: tuple[Origin, ...] = ()
    finding: Finding | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class Trial:
    """One strip of a transmission: as read, as judged (None if it could not be read), and its messages.

    A control has one for each destination that asks for controls.
    """

    reading: Reading | Unreadable
    outcome: Outcome | None
    messages: tuple[TriedMessage, ...] = ()

    @property
    def word(self) -> str:
        """Give the outcome's word, as the store and the API have it."""
        return outcome_word(self.outcome)

    @property
    def findings(self) -> tuple[Finding, ...]:
        """Give what there is to say of the strip, the first first."""
        if isinstance(self.reading, Unreadable):
            return (self.reading.finding,)
        return tuple(self.outcome.findings) if self.outcome else ()


def try_out(
    capture: Capture, profile: Profile, terms: Sequence[DestinationTerms], tables: Tables, *, called: str, expects: str = LIVE
) -> tuple[Trial, ...]:
    """Take every strip of ``capture`` as far as it goes, as if none had come before.

    ``called`` stands in place of the analyzer and begins every identifier, so that no message could be taken for a real one; ``expects``
    is the processing ID that such an analyzer's transmissions must bear.
    Copies, conflicts and missing numbers need the store's memory and are not looked for. Never raises on data.
    """
    tables = replace(tables, policy=replace(tables.policy, processing_ids={called.lower(): expects}))
    plans: dict[tuple[str, str], Plan] = {}
    found = []
    for number, reading in enumerate(pipeline.understand(capture, profile, analyzer=called.lower())):
        outcome: Outcome | None = None
        messages: tuple[TriedMessage, ...] = ()
        if isinstance(reading, Reading):
            moment = Moment(arrived_at=capture.arrived_at, live=capture.live, now=capture.arrived_at)
            outcome = pipeline.judge(reading, Facts(), tables, moment=moment, result_id=f"{called}R{number}")
            if isinstance(outcome, Coded | NonPatient) and (result := outcome.result):
                messages = tuple(
                    _tried(
                        outcome.checked,
                        result,
                        each,
                        plans,
                        tables,
                        control_id=f"{called}M{number + 1}",
                        made_at=capture.arrived_at,
                    )
                    for each in terms
                    if takes(each, result)
                )
        found.append(Trial(reading=reading, outcome=outcome, messages=messages))
    return tuple(found)


def _tried(  # noqa: PLR0913 - what a message is made of, and when
    checked: CheckedReading,
    result: CodedResult,
    terms: DestinationTerms,
    plans: dict[tuple[str, str], Plan],
    tables: Tables,
    *,
    control_id: str,
    made_at: datetime,
) -> TriedMessage:
    key = (terms.name, result.strip_type)
    if key not in plans:
        plans[key] = compile_plan(terms, result.profile, result.strip_type, tables)
    try:
        message = plans[key].render(result, control_id=control_id, made_at=made_at)
    except RejectError as reject:
        return TriedMessage(destination=terms.name, message=None, finding=pipeline.finding_of(reject))
    return TriedMessage(
        destination=terms.name,
        message=message,
        origins=_origins(checked, result, message),
        beside=tuple(_field_origins(checked, message, tables.profiles[result.profile])),
    )


def _origins(checked: CheckedReading, result: CodedResult, message: Message) -> tuple[Origin, ...]:
    """Follow each pad from its printed bytes to its field; the checked pads keep the printed value's place.

    A computed ratio points to the first of its two pads.
    """
    fields = _fields(message)
    places = {pad.pad: pad.place for pad in checked.pads}
    found = []
    for pad in result.pads:
        code = next((form.code.code for form in pad.forms if form.code.code in fields), "")
        found.append(
            Origin(
                what=pad.name,
                printed=pad.printed,
                place=places[pad.computed_from[0] if pad.computed_from else pad.pad],
                row=f"catalogue.yaml: pads, {pad.pad}, codes, {code}",
                field=fields.get(code, ""),
            )
        )
    return tuple(found)


def _field_origins(checked: CheckedReading, message: Message, profile: Profile) -> Iterator[Origin]:
    """Follow what was printed beside the pads to where the same text stands in the message; what is not sent is left out."""
    stands = _leaves(message)
    for name, what, hl7_place, fhir_place in _PRINTED:
        printed: Printed | None = getattr(checked.reading, name)
        if printed is None or not printed.text:
            continue
        wanted = fhir_place if message.format.is_fhir else hl7_place
        found = next((place for place, text in stands if text == printed.text and wanted in place), None)
        if found is not None:
            row = f"profiles/{profile.name}.yaml: {profile.layout.value}, {name}"
            yield Origin(what=what, printed=printed.text, place=printed.place, row=row, field=found)


def _leaves(message: Message) -> list[tuple[str, str]]:
    """Give (place, text) of every component of an HL7 message, or of every leaf of a Bundle's resources."""
    if message.format.is_fhir:
        resources = [entry["resource"] for entry in json.loads(message.payload)["entry"]]
        return [leaf for resource in resources for leaf in leaves(resource, resource["resourceType"])]
    return [
        (f"{fields[0]}-{number}", er7.unescape(component))
        for fields in er7.split(message.payload, er7.declared_codec(message.payload))
        for number, field in enumerate(fields[1:], 1)
        for component in field.split("^")
    ]


def _fields(message: Message) -> dict[str, str]:
    """Give where each LOINC code of a pad stands in the message."""
    if message.format.is_fhir:
        return _fhir_fields(message.payload)
    segments = er7.split(message.payload, er7.declared_codec(message.payload))
    several = sum(fields[0] == "OBR" for fields in segments) > 1  # single orders: OBX counts from 1 below each
    found, order = {}, ""
    for fields in segments:
        if fields[0] == "OBR":
            order = f" below OBR {fields[1]}" if several else ""
        elif fields[0] == "OBX":
            found[fields[OBX_CODE].split("^")[0]] = f"OBX-5 of OBX {fields[1]}{order}"
    return found


def _fhir_fields(payload: bytes) -> dict[str, str]:
    resources = [entry["resource"] for entry in json.loads(payload)["entry"]]
    observations = [resource for resource in resources if resource["resourceType"] == "Observation"]
    found = {}
    for place, observation in enumerate(observations, 1):
        value = next(key for key in observation if key.startswith("value"))
        found[observation["code"]["coding"][0]["code"]] = f"{value} of Observation {place}"
    return found
