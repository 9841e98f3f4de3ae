"""HL7 v2.5.1 ORU^R01 and ORU^R30: a patient's result, the segments written by ``segments.py``.

ORU_R01: MSH PID {ORC OBR [{NTE}] [TQ1] {OBX [{NTE}]} SPM}. ORU_R30: the same with one order and without SPM, which the
structure does not have; what is known of the specimen is said in words below OBR.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from bridge.model import CodedResult, Format
from bridge.render import wording
from bridge.render.segments import Segments
from bridge.wire.er7 import escape

# ORC-1, table 0119. RE: observations to be performed come with it, the order's origin is elsewhere. NW: a new order, which the receiver of an
# R30 makes (chapter 7, event R30; that ORC-1 says NW there is from memory).
CONTROLS = {Format.ORU_R01: "RE", Format.ORU_R01_US: "RE", Format.ORU_R30: "NW"}


@dataclass(frozen=True, kw_only=True, slots=True)
class OruWriter:
    """Writes ORU^R01, plain or after the US guide, and ORU^R30, as the destination's format asks."""

    segments: Segments
    control: str  # ORC-1

    def write(self, result: CodedResult, *, control_id: str, made_at: datetime) -> bytes:
        """Give the message, segments ended by CR.

        Raises RejectError ``render.charset`` if a character cannot be sent in the destination's
        character set, ``render.unplanned`` if a pad's value is not one this plan was checked for.
        """
        made = self.segments.time(made_at)
        text = "".join(
            (
                self.segments.header(control_id, made),
                self.segments.patient(result),
                *self._orders(result, made),
            )
        )
        return self.segments.encoded(text)

    def _orders(self, result: CodedResult, made: str) -> list[str]:
        each, has_specimen = self.segments, self.segments.terms.format is not Format.ORU_R30
        strip, notes = each.strip(result, made), self._specimen_notes(result)
        specimen = each.specimen(self._specimen_number(result), result) if has_specimen else ""
        parts: list[str] = []
        for number, order in enumerate(each.orders(result), 1):
            parts.append(each.common(self.control, strip, order))
            parts.append(each.request(number, strip, order))
            parts.append(each.remarks(strip, *notes))
            parts.extend(each.values(result, strip, order.pads))
            parts.append(specimen)
        return parts

    def _specimen_number(self, result: CodedResult) -> str:
        """Give SPM-2: .1 as printed; where the US guide requires a number and none was printed, .2 is ours, the filler's."""
        if not result.specimen_id and self.segments.terms.format is Format.ORU_R01_US:
            return f"^{escape(result.result_id)}"
        return escape(result.specimen_id)

    def _specimen_notes(self, result: CodedResult) -> tuple[str, ...]:
        match self.segments.terms.format:
            case Format.ORU_R30 if result.specimen_id:
                return (f"{wording.SPECIMEN}{result.specimen_id}",)
            case Format.ORU_R01_US if not result.specimen_id:
                return (wording.OWN_SPECIMEN_NOTE,)
            case _:
                return ()


def oru_writer(segments: Segments) -> OruWriter:
    """Give the writer for the destination's format."""
    return OruWriter(segments=segments, control=CONTROLS[segments.terms.format])
