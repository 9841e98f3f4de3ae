"""HL7 v2.5.1 OUL^R22: specimen-oriented, the only format that carries controls and other strips of no patient.

OUL_R22: MSH [PID] SPM [SAC [INV]] {OBR ORC [{NTE}] [TQ1] {OBX [SID] [{NTE}]}}. A patient's message has PID and no SAC: SPM-2 holds the
specimen's number, and whether it is a container's too, nobody told us. A message of no patient has SAC and no PID.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from bridge.model import CodedResult, Purpose
from bridge.render import wording
from bridge.render.segments import Segments
from bridge.wire.er7 import escape

CONTROL_CODE = "RE"  # ORC-1, table 0119, as in ORU^R01
# INV-2, table 0383: OK, the analyzer told none of the errors and warnings of that table. INV-3, table 0384: control material.
STATUS = "OK^OK Status^HL70383"
CONTROL_MATERIAL = "CO^Control^HL70384"


@dataclass(frozen=True, kw_only=True, slots=True)
class OulWriter:
    """Writes OUL^R22."""

    segments: Segments

    def write(self, result: CodedResult, *, control_id: str, made_at: datetime) -> bytes:
        """Give the message, segments ended by CR. Raises RejectError as ``OruWriter.write`` does."""
        each, made = self.segments, self.segments.time(made_at)
        is_patient = result.purpose is Purpose.PATIENT
        text = "".join(
            (
                each.header(control_id, made),
                each.patient(result) if is_patient else "",
                each.specimen(escape(result.specimen_id), result),
                "" if is_patient else self._container(result),
                *self._orders(result, made),
            )
        )
        return each.encoded(text)

    def _container(self, result: CodedResult) -> str:
        """Give SAC, and INV of control material.

        SAC-3 is the number as printed, else the result's own, which is ours. What stands in a patient's place on such a strip is
        never used: it may be a patient's number after all. Padpost knows no lot of the material, so INV-16 is not sent.
        """
        printed = escape(result.specimen_id)
        container = f"SAC|||{printed or f'{escape(result.result_id)}^{self.segments.application}'}\r"
        if result.purpose is not Purpose.CONTROL:
            return container
        material = f"{printed}^{printed}^L" if printed else f"^{wording.UNNAMED_MATERIAL}"
        return f"{container}INV|{material}|{STATUS}|{CONTROL_MATERIAL}\r"

    def _orders(self, result: CodedResult, made: str) -> list[str]:
        each, strip = self.segments, self.segments.strip(result, made)
        lot = f"SID||{escape(result.strip_lot)}\r" if result.strip_lot else ""  # SID-2: the strip's lot as printed
        parts: list[str] = []
        for number, order in enumerate(each.orders(result), 1):
            parts.append(each.request(number, strip, order))
            parts.append(each.common(CONTROL_CODE, strip, order))
            parts.append(each.remarks(strip))
            parts.extend(each.values(result, strip, order.pads, between=lot))
        return parts
