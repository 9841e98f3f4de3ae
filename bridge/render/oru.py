"""HL7 v2.5.1 ORU^R01, written by joining prepared text.

Structure ORU_R01 of 2.5.1: MSH PID ORC OBR [NTE] [TQ1] {OBX [NTE]} SPM. Field numbers stand beside the text.
Every variable text goes through ``er7.escape``: what an analyzer or a person wrote is never structure.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

from bridge.errors import RejectError
from bridge.model import Code, CodedGrade, CodedPad, CodedResult, CodedWord, Priority, Quantity, ValueForm
from bridge.render import wording
from bridge.render.forms import TextKey, choose, expectation, number_text, ranged, text_key
from bridge.render.grades import TEXT, GradeCodes
from bridge.tables.types import DestinationTerms
from bridge.wire.er7 import escape

# Table 0211 as 2.5.1 has it -> Python's codec.
CODECS = {"UNICODE UTF-8": "utf-8", "8859/1": "iso8859-1", "8859/15": "iso8859-15", "ASCII": "ascii"}
# PID-5 is required in 2.5.1; name type U of table 0200 is "unspecified" and claims nothing.
UNKNOWN_NAME = "^^^^^^U"
STAT = "TQ1|1||||||||S^Stat^HL70485\r"  # TQ1-9, table 0485: S "with highest priority"
URINE = "UR^Urine^HL70487"  # SPM-4, table 0487
PATIENT_SPECIMEN = "P^Patient^HL70369"  # SPM-11, table 0369


@dataclass(frozen=True, kw_only=True, slots=True)
class PadText:
    """One OBX around what varies. ``before`` follows the set id, up to the printed text or OBX-8's end.

    ``noted``: the printed text goes into an NTE after the OBX instead of CWE.9.
    """

    before: str
    after: str
    noted: bool
    method: str


@dataclass(frozen=True, kw_only=True, slots=True)
class OruWriter:
    """Everything of one destination and strip type that does not vary from result to result."""

    terms: DestinationTerms
    opening: str
    ending: str
    application: str
    identity: str
    pads: Mapping[TextKey, PadText]

    def write(self, result: CodedResult, *, control_id: str, made_at: datetime) -> bytes:
        """Give the message, segments ended by CR.

        Raises RejectError ``render.charset`` if a character cannot be sent in the destination's
        character set, ``render.unplanned`` if a pad's value is not one this plan was checked for.
        """
        made = self._time(made_at)
        text = "".join(
            (
                f"{self.opening}{made}||ORU^R01^ORU_R01|{escape(control_id)}{self.ending}",
                f"PID|1||{escape(result.patient_id)}{self.identity}||{escape(result.patient_name)}{UNKNOWN_NAME}\r",
                *self._order(result, made),
                *self._values(result),
                f"SPM|1|{escape(result.specimen_id)}||{URINE}|||||||{PATIENT_SPECIMEN}{self._collected(result)}\r",
            )
        )
        return self._encoded(text)

    def _order(self, result: CodedResult, made: str) -> list[str]:
        filler = f"{escape(result.result_id)}^{self.application}"  # ORC-3 and OBR-3: ours; ORC-2 and OBR-2 stay empty, nobody ordered it
        when, notes = wording.observed(result, self.terms.observed_at)
        return [
            f"ORC|RE||{filler}\r",
            # OBR-7 observed, OBR-22 made, OBR-25 status
            f"OBR|1||{filler}|{_triplet(result.panel)}|||{self._time(when)}{_at(15, made)}{_at(3, result.status.value)}\r",
            *(f"NTE|{number}|L|{escape(note)}\r" for number, note in enumerate((*notes, *result.comments), 1)),
            *([STAT] if result.priority is Priority.STAT else []),
        ]

    def _values(self, result: CodedResult) -> list[str]:
        # OBX-9 and 10 empty, OBX-11 status, OBX-14 collection time, OBX-16 operator, OBX-17 method, OBX-18 analyzer, OBX-19 analysis time
        middle = f"|||{result.status.value}{_at(3, self._time(result.collected_at))}||{escape(result.operator)}|"
        end = f"|{escape(result.analyzer)}|{self._time(result.analyzed_at)}\r"
        segments = []
        for number, pad in enumerate(result.pads, 1):
            prepared = self.pads.get(text_key(pad, self.terms.value_forms))
            if prepared is None:
                raise unplanned(self.terms.name, pad.name)
            printed = escape(pad.printed)
            if prepared.noted:
                segments.append(
                    f"OBX|{number}{prepared.before}{prepared.after}{middle}{prepared.method}{end}NTE|1|L|{wording.preface(pad)}{printed}\r"
                )
            else:
                segments.append(f"OBX|{number}{prepared.before}{printed}{prepared.after}{middle}{prepared.method}{end}")
        return segments

    def _collected(self, result: CodedResult) -> str:
        """Give SPM-12 to SPM-17, collection time, where it is known."""
        return _at(6, self._time(result.collected_at)) if result.collected_at else ""

    def _time(self, moment: datetime | None) -> str:
        """Give a time stamp to the second with its offset in the destination's zone; empty for unknown."""
        return moment.astimezone(self.terms.zone).strftime("%Y%m%d%H%M%S%z") if moment else ""

    def _encoded(self, text: str) -> bytes:
        try:
            return text.encode(CODECS[self.terms.charset])
        except UnicodeEncodeError as error:
            raise RejectError(
                "render.charset",
                f"The character {text[error.start]!r} (U+{ord(text[error.start]):04X}) cannot be sent to {self.terms.name}, "
                f"which takes {self.terms.charset}.",
                remedy="Have the text corrected where it comes from, or set this destination's charset to UNICODE UTF-8 if its receiver agrees.",
            ) from error


def unplanned(destination: str, pad: str) -> RejectError:
    """Give the error for a value that the destination's checked plan does not hold."""
    return RejectError(
        "render.unplanned",
        f"The value of {pad} is not one that the messages for {destination} were checked with: the tables changed in between.",
        remedy="Read the strip again with the current profile.",
    )


def oru_writer(terms: DestinationTerms, pads: Mapping[str, tuple[CodedPad, ...]], codes: GradeCodes) -> OruWriter:
    """Compile the writer for one destination from every coded pad that can come."""
    # fmt: off
    parties = "|".join(escape(part) for part in (
        terms.sending_application, terms.sending_facility, terms.receiving_application, terms.receiving_facility,
    ))
    # fmt: on
    return OruWriter(
        terms=terms,
        opening=f"MSH|^~\\&|{parties}|",
        ending=f"|{escape(terms.processing_id)}|2.5.1{_at(6, terms.charset)}\r",  # MSH-15 and 16 empty: original mode
        application=escape(terms.sending_application),
        identity=f"^^^{escape(terms.patient_authority)}^{escape(terms.patient_type)}",
        pads={text_key(pad, terms.value_forms): _pad_text(pad, terms, codes) for every in pads.values() for pad in every},
    )


def _pad_text(pad: CodedPad, terms: DestinationTerms, codes: GradeCodes) -> PadText:
    form = choose(pad, terms.value_forms)
    what = _triplet(form.code) + (f"^{_triplet(pad.local)}" if terms.local_codes else "")
    method = f"^{escape(said)}" if (said := wording.method(pad, form)) else ""
    tail = f"|{_range(pad, form)}|{pad.flag.value}"
    if isinstance(form.value, Quantity):
        return PadText(before=f"|{_number(form.value, what)}", after=tail, noted=True, method=method)
    if TEXT in terms.grades:
        return PadText(before=f"|ST|{what}||{escape(form.value.text)}|", after=tail, noted=True, method=method)
    coded = _coded(form.value, codes[pad.pad, form.value.key])
    return PadText(before=f"|CWE|{what}||{coded}^^^", after=f"|{tail}", noted=False, method=method)


def _coded(value: CodedGrade | CodedWord, codes: tuple[Code, ...]) -> str:
    """Give CWE.1 to CWE.6: the code and its alternate; CWE.9, the original text, follows (HL7 2.5.1 chapter 2A, CWE)."""
    first, second = ([_triplet(code) for code in codes] + ["^^", "^^"])[:2]
    return f"{first if codes else f'^{escape(value.text)}^'}^{second}"


def _number(value: Quantity, what: str) -> str:
    """Give OBX-2 to OBX-6: NM, or SN where there is a comparator."""
    unit = escape(value.unit)
    units = f"{unit}^{unit}^UCUM"
    if value.comparator:
        return f"SN|{what}||{escape(value.comparator)}^{number_text(value)}|{units}"
    return f"NM|{what}||{number_text(value)}|{units}"


def _range(pad: CodedPad, form: ValueForm) -> str:
    """Give OBX-7: ``low-high``, ``>low``, ``<high``, or the normal word (HL7 chapter 7, OBX-7)."""
    if not ranged(pad, form):
        return escape(expectation(pad, form))
    low, high = (number_text(bound) if bound else "" for bound in (pad.low, pad.high))
    if low and high:
        return f"{low}-{high}"
    return f">{low}" if low else f"<{high}"


def _triplet(code: Code) -> str:
    return f"{escape(code.code)}^{escape(code.text)}^{escape(code.system)}"


def _at(fields: int, text: str) -> str:
    """Give ``text`` as the field that lies ``fields`` further on."""
    return "|" * fields + text
