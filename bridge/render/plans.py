"""A message plan: what is fixed for one profile, strip type and destination, compiled once."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, fields
from datetime import datetime

from bridge.coding import without_additions
from bridge.errors import RejectError
from bridge.making import maker
from bridge.model import Code, CodedPad, CodedResult, Format, Message, Purpose
from bridge.render.fhir import FhirWriter, fhir_writer
from bridge.render.forms import every_pad
from bridge.render.grades import GradeCodes, grade_codes
from bridge.render.oru import OruWriter, oru_writer
from bridge.render.oul import OulWriter
from bridge.render.segments import prepare
from bridge.tables.types import DestinationTerms, Tables

RENDERER = "12"  # ours: raised with every change of a sent byte, a sample or a rule, so that plans are checked again

_message = maker(Message)

Writer = OruWriter | OulWriter | FhirWriter


@dataclass(frozen=True, kw_only=True, slots=True)
class Plan:
    """Renders results of one profile and strip type for one destination.

    ``digest`` is SHA-256 (hex) over the renderer's version, the destination's terms and every
    coded pad that can come: a plan with the same digest writes the same bytes.
    """

    digest: str
    terms: DestinationTerms
    profile: str
    strip_type: str
    writer: Writer

    def render(self, result: CodedResult, *, control_id: str, made_at: datetime) -> Message:
        """Give the message; its bytes are fixed from now on. ``made_at`` is aware.

        Raises RejectError ``render.purpose`` for a control and the like where the destination is not to get it; and
        ``render.charset`` or ``render.unplanned`` (see the writers).
        """
        if not takes(self.terms, result):
            raise _of_no_patient(result, self.terms.name)
        if not self.terms.added:
            result = without_additions(result)
        return _message(
            destination=self.terms.name,
            format=self.terms.format,
            control_id=control_id,
            payload=self.writer.write(result, control_id=control_id, made_at=made_at),
            result_id=result.result_id,
            version=result.version,
            lane=lane_of(result),
            priority=result.priority,
        )


def _of_no_patient(result: CodedResult, destination: str) -> RejectError:
    return RejectError(
        "render.purpose",
        f"This strip is no patient's ({result.purpose.value}), and {destination} takes only what goes into a patient's record.",
        remedy="Nothing is to be sent: leave it here, or discard it with a reason.",
    )


def lane_of(result: CodedResult) -> str:
    """Give the key of the strict order at a destination: patient, else specimen, else analyzer; of no patient, always the analyzer."""
    if result.purpose is not Purpose.PATIENT:
        return f"analyzer:{result.analyzer}"
    if result.patient_id:
        return f"patient:{result.patient_id}"
    return f"specimen:{result.specimen_id}" if result.specimen_id else f"analyzer:{result.analyzer}"


def takes(terms: DestinationTerms, result: CodedResult) -> bool:
    """Say whether a destination is sent this result at all: patients' always, controls where its settings ask for them.

    OUL^R22 alone has a message that belongs to no patient.
    """
    return result.purpose is Purpose.PATIENT or (terms.non_patient and terms.format is Format.OUL_R22)


def compile_plan(terms: DestinationTerms, profile: str, strip_type: str, tables: Tables) -> Plan:
    """Compile the plan.

    Raises TableError if profile or strip type is unknown, if a value has no code, or if a grade cannot be told as the destination wants it.
    """
    pads = every_pad(profile, strip_type, tables)
    codes = grade_codes(terms, pads, tables.catalogue)
    return Plan(
        digest=_digest(
            terms, f"{profile}\n{strip_type}", pads, codes, panel=tables.catalogue.panel_of(tables.profiles[profile].read_by)
        ),
        terms=terms,
        profile=profile,
        strip_type=strip_type,
        writer=_writer(terms, pads, codes),
    )


def _writer(terms: DestinationTerms, pads: Mapping[str, tuple[CodedPad, ...]], codes: GradeCodes) -> Writer:
    if terms.format.is_fhir:
        return fhir_writer(terms, pads, codes)
    segments = prepare(terms, pads, codes)
    return OulWriter(segments=segments) if terms.format is Format.OUL_R22 else oru_writer(segments)


def _digest(
    terms: DestinationTerms, names: str, pads: Mapping[str, tuple[CodedPad, ...]], codes: GradeCodes, *, panel: Code
) -> str:
    """Hash the plain text of everything that shapes a byte. All parts are frozen dataclasses, whose text is fixed."""
    said = [f"{field.name}={getattr(terms, field.name)!r}" for field in fields(terms)]
    told = (repr(pad) for every in pads.values() for pad in every)
    parts = (RENDERER, *said, names, repr(panel), *told, *(repr(item) for item in codes.items()))
    return hashlib.sha256("\n".join(parts).encode("utf-8", "surrogatepass")).hexdigest()
