"""The HL7 v2.5.1 segments that our message structures share, written by joining prepared text.

Field numbers stand beside the text. Every variable text goes through ``er7.escape``: what an analyzer or a person
wrote is never structure. Which segments stand in which order is the writers' matter (``oru.py``, ``oul.py``).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime, tzinfo
from functools import partial
from typing import NamedTuple

from bridge.errors import RejectError
from bridge.model import (
    Code,
    CodedGrade,
    CodedPad,
    CodedResult,
    CodedWord,
    Format,
    Priority,
    Purpose,
    Quantity,
    ResultStatus,
    ValueForm,
)
from bridge.render import wording
from bridge.render.forms import TextKey, choose, expectation, leaves_bound_out, number_text, ranged, text_key
from bridge.render.grades import TEXT, GradeCodes
from bridge.tables.memo import Memo
from bridge.tables.types import DestinationTerms, Laboratory, Orders, Provider
from bridge.wire.er7 import escape

_FIGURES_ALONE = str.maketrans("", "", "-T:")
MOST_KNOWN = 2_000  # ours: pads whose text is kept; those that are shared are some hundreds, and one made for a person's band is soon forgotten
# Table 0211 as 2.5.1 has it -> Python's codec.
CODECS = {"UNICODE UTF-8": "utf-8", "8859/1": "iso8859-1", "8859/15": "iso8859-15", "ASCII": "ascii"}
# MSH-9 of each format (structures of 2.5.1)
KINDS = {
    Format.ORU_R01: "ORU^R01^ORU_R01",
    Format.ORU_R01_US: "ORU^R01^ORU_R01",
    Format.ORU_R30: "ORU^R30^ORU_R30",
    Format.OUL_R22: "OUL^R22^OUL_R22",
}
# MSH-15 and MSH-16, table 0155. Empty is original mode: one answer, the application's. The US guide requires both: NE and AL ask for
# that same one answer in enhanced mode. A destination that asks for the commit answer as well has AL and its own choice.
MODES = {Format.ORU_R01_US: ("NE", "AL")}
# PID-5 is required in 2.5.1; name type U of table 0200 is "unspecified" and claims nothing.
UNKNOWN_NAME = "^^^^^^U"
UNKNOWN_SEX = "U"  # PID-8, table 0001; sent by itself only where the US guide requires the field
STAT = "TQ1|1||||||||S^Stat^HL70485\r"  # TQ1-9, table 0485: S "with highest priority"
URINE = Code(code="UR", text="Urine", system="HL70487")  # SPM-4, table 0487
# OBX-29, pre-adopted from 2.8, where table 0936 has RSLT: a result (US laboratory results guide, OBX-29)
RESULT = "RSLT"
# OBR-25, table 0123, which has no W: a report whose values are all withdrawn is a corrected one (decision 0036)
REPORTS = {ResultStatus.FINAL: "F", ResultStatus.CORRECTED: "C", ResultStatus.WITHDRAWN: "C"}
# SPM-11, table 0369 of 2.5.1. F is the organization's proficiency, O the operator's, R a patient's specimen read again as a control (decision 0014).
ROLES = {
    Purpose.PATIENT: "P^Patient^HL70369",
    Purpose.CONTROL: "Q^Control specimen^HL70369",
    Purpose.PROFICIENCY: "F^Filler organization proficiency^HL70369",
    Purpose.COMPARISON: "R^Replicate^HL70369",
    Purpose.TRAINING: "O^Operator proficiency^HL70369",
}


def stamp(moment: datetime, zone: tzinfo) -> str:
    """Give an aware moment as a DTM to the second with the offset of ``zone`` there: ``20261125091502+0100`` (HL7 2.5.1, data type DTM)."""
    written = moment.astimezone(zone).isoformat(
        timespec="seconds"
    )  # a tenth of the time of strftime, and four figures for any year
    return written[:19].translate(_FIGURES_ALONE) + written[19:].replace(":", "")


@dataclass(frozen=True, kw_only=True, slots=True)
class PadText:
    """One OBX around what varies. ``before`` follows the set id, up to the printed text or OBX-8's end; ``code`` is OBX-3.

    ``noted``: the printed text goes into an NTE after the OBX instead of CWE.9.
    """

    code: str
    before: str
    after: str
    noted: bool
    method: str


class Order(NamedTuple):
    """One order of a message: OBR-3 as written, OBR-4, and the pads under it. Made for every message: a tuple is made fastest."""

    filler: str
    code: str
    pads: tuple[CodedPad, ...]


class Strip(NamedTuple):
    """What every order of one result says: ORC-2, ORC-12, OBR-7, OBX-19, OBR-22, OBX-11 and OBR-25 as written, notes as text, and TQ1. A tuple as ``Order`` is."""

    placed: str
    provider: str
    when: str
    analyzed: str
    made: str
    status: str
    report: str
    notes: tuple[str, ...]
    stat: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Segments:
    """Everything of one destination and strip type that does not vary from result to result, whatever the structure.

    ``provider`` is ORC-12 and OBR-16, ``laboratory`` what follows OBX-19, ``sex`` is PID-8 where it is not known.
    """

    terms: DestinationTerms
    opening: str
    kind: str
    ending: str
    application: str
    identity: str
    sex: str
    placer: str
    provider: str
    laboratory: str
    pads: Mapping[TextKey, PadText]
    known: Memo = field(default_factory=lambda: Memo(most=MOST_KNOWN), compare=False, repr=False)

    def header(self, control_id: str, made: str) -> str:
        """Give MSH."""
        return f"{self.opening}{made}{self.kind}{escape(control_id)}{self.ending}"

    def patient(self, result: CodedResult) -> str:
        """Give PID. PID-7 and PID-8 are sent where the analyzer told them."""
        born = result.born.isoformat().replace("-", "") if result.born else ""
        sex = result.sex.value if result.sex else self.sex
        told = f"||{born}|{sex}" if sex else f"||{born}" if born else ""
        return f"PID|1||{escape(result.patient_id)}{self.identity}||{escape(result.patient_name)}{UNKNOWN_NAME}{told}\r"

    def orders(self, result: CodedResult) -> tuple[Order, ...]:
        """Give the panel, or one order for each pad; its number is then the result's with the pad's key behind a hyphen.

        Raises RejectError ``render.unplanned`` if a pad's value is not one this plan was checked for.
        """
        number = escape(result.result_id)
        if self.terms.orders is Orders.PANEL:
            return (Order(filler=f"{number}^{self.application}", code=triplet(result.panel), pads=result.pads),)
        return tuple(
            Order(filler=f"{number}-{escape(pad.pad)}^{self.application}", code=self._code(pad), pads=(pad,))
            for pad in result.pads
        )

    def strip(self, result: CodedResult, made: str) -> Strip:
        """Give what is the same in every order of one result. A strip of no patient was not ordered, and nothing was collected for it."""
        is_patient = result.purpose is Purpose.PATIENT
        moment, notes = wording.observed(result, self.terms.observed_at) if is_patient else (result.analyzed_at, ())
        analyzed = self.time(result.analyzed_at)
        return Strip(
            placed=f"{escape(result.order_number)}{self.placer}" if result.order_number else "",
            provider=self.provider if is_patient else "",
            when=analyzed if moment is result.analyzed_at else self.time(moment),
            analyzed=analyzed,
            made=made,
            status=self.terms.withdrawal if result.status is ResultStatus.WITHDRAWN else result.status.value,
            report=REPORTS[result.status],
            notes=(*notes, *result.comments, *wording.added(result)),
            stat=STAT if result.priority is Priority.STAT else "",
        )

    def common(self, control: str, strip: Strip, order: Order) -> str:
        """Give ORC: ``control`` of table 0119, the numbers of both sides, ORC-12 who ordered."""
        return f"ORC|{control}|{strip.placed}|{order.filler}{at(9, strip.provider) if strip.provider else ''}\r"

    def request(self, number: int, strip: Strip, order: Order) -> str:
        """Give OBR: OBR-7 observed, OBR-16 who ordered, OBR-22 made, OBR-25 status."""
        ends = f"{strip.when}{at(9, strip.provider)}{at(6, strip.made)}{at(3, strip.report)}"
        return f"OBR|{number}|{strip.placed}|{order.filler}|{order.code}|||{ends}\r"

    def remarks(self, strip: Strip, *more: str) -> str:
        """Give the NTE below an OBR, ``more`` last, then TQ1 of an urgent strip."""
        notes = (f"NTE|{number}|L|{escape(note)}\r" for number, note in enumerate((*strip.notes, *more), 1))
        return f"{''.join(notes)}{strip.stat}"

    def values(self, result: CodedResult, strip: Strip, pads: tuple[CodedPad, ...], *, between: str = "") -> list[str]:
        """Give an OBX for each pad, with its NTE; ``between`` are segments that stand between the two.

        Raises RejectError ``render.unplanned`` as ``orders`` does.
        """
        # OBX-9 and 10 empty, OBX-11 status, OBX-14 collection time, OBX-16 operator, OBX-17 method, OBX-18 analyzer, OBX-19 analysis time
        operator = escape(result.operator) if self.terms.operator else ""
        analyzer = escape(result.analyzer) if self.terms.equipment else ""
        middle = f"|||{strip.status}{at(3, self.time(result.collected_at))}||{operator}|"
        end = f"|{analyzer}|{strip.analyzed}{self.laboratory}\r{between}"
        segments = []
        for number, pad in enumerate(pads, 1):
            value, method, note = self.known.once(
                id(pad), pad, partial(self._value, pad)
            )  # pads are shared by the strips that have them
            segments.append(f"OBX|{number}{value}{middle}{method}{end}{note}")
        return segments

    def _value(self, pad: CodedPad) -> tuple[str, str, str]:
        """Give what is a pad's own in its segments: from OBX-2 to OBX-8, OBX-17, and the NTE behind it."""
        prepared = self.pads.get(text_key(pad, self.terms.value_forms))
        if prepared is None:
            raise unplanned(self.terms.name, pad.name)
        printed = escape(pad.printed)
        if prepared.noted:
            return f"{prepared.before}{prepared.after}", prepared.method, f"NTE|1|L|{wording.preface(pad)}{printed}\r"
        return f"{prepared.before}{printed}{prepared.after}", prepared.method, ""

    def specimen(self, number: str, result: CodedResult) -> str:
        """Give SPM: ``number`` as written, urine or what a person said of it, its role, SPM-17 collection time where it is known."""
        collected = at(6, self.time(result.collected_at)) if result.collected_at else ""
        kind = triplet(result.specimen_type or URINE)
        return f"SPM|1|{number}||{kind}|||||||{ROLES[result.purpose]}{collected}\r"

    def time(self, moment: datetime | None) -> str:
        """Give a time stamp to the second with its offset in the destination's zone; empty for unknown."""
        return stamp(moment, self.terms.zone) if moment else ""

    def encoded(self, text: str) -> bytes:
        """Give the message's bytes. Raises RejectError ``render.charset`` for a character that the destination's set lacks."""
        try:
            return text.encode(CODECS[self.terms.charset])
        except UnicodeEncodeError as error:
            raise RejectError(
                "render.charset",
                f"The character {text[error.start]!r} (U+{ord(text[error.start]):04X}) cannot be sent to {self.terms.name}, "
                f"which takes {self.terms.charset}.",
                remedy="Have the text corrected where it comes from, or set this destination's charset to UNICODE UTF-8 if its receiver agrees.",
            ) from error

    def _code(self, pad: CodedPad) -> str:
        prepared = self.pads.get(text_key(pad, self.terms.value_forms))
        if prepared is None:
            raise unplanned(self.terms.name, pad.name)
        return prepared.code


def unplanned(destination: str, pad: str) -> RejectError:
    """Give the error for a value that the destination's checked plan does not hold."""
    return RejectError(
        "render.unplanned",
        f"The value of {pad} is not one that the messages for {destination} were checked with: the tables changed in between.",
        remedy="Read the strip again with the current profile.",
    )


def prepare(terms: DestinationTerms, pads: Mapping[str, tuple[CodedPad, ...]], codes: GradeCodes) -> Segments:
    """Compile the segments for one destination from every coded pad that can come."""
    # fmt: off
    parties = "|".join(escape(part) for part in (
        terms.sending_application, terms.sending_facility, terms.receiving_application, terms.receiving_facility,
    ))
    # fmt: on
    accept, application = ("AL", terms.asks_application) if terms.asks_commit else MODES.get(terms.format, ("", ""))
    profile = at(3, composite(*terms.message_profile.split("^"))) if terms.message_profile else ""
    return Segments(
        terms=terms,
        opening=f"MSH|^~\\&|{parties}|",
        kind=f"||{KINDS[terms.format]}|",  # MSH-9
        # MSH-11, 12, 15, 16, 18 and 21
        ending=f"|{escape(terms.processing_id)}|2.5.1{at(3, accept)}|{application}{at(2, terms.charset)}{profile}\r",
        application=escape(terms.sending_application),
        identity=f"^^^{escape(terms.patient_authority)}^{escape(terms.patient_type)}",
        sex=UNKNOWN_SEX if terms.format is Format.ORU_R01_US else "",
        placer=f"^{escape(terms.order_authority)}" if terms.order_authority else "",
        provider=_provider(terms.provider),
        laboratory=_laboratory(terms.laboratory, RESULT if terms.format is Format.ORU_R01_US else ""),
        pads={text_key(pad, terms.value_forms): _pad_text(pad, terms, codes) for every in pads.values() for pad in every},
    )


def _provider(provider: Provider | None) -> str:
    """Give XCN: .1 number, .2 family name, .3 given name, .9 who assigned the number."""
    return composite(provider.number, provider.family, provider.given, "", "", "", "", "", provider.authority) if provider else ""


def _laboratory(laboratory: Laboratory | None, kind: str) -> str:
    """Give OBX-20 to OBX-29: OBX-23 name (XON: .6 authority, .7 type XX of table 0203, .10 number), OBX-24 address, OBX-25 director."""
    fields = [""] * 10
    if laboratory:
        numbered = ("", "", "", "", laboratory.authority, "XX", "", "", laboratory.number) if laboratory.number else ()
        fields[3] = composite(laboratory.name, *numbered)
        fields[4] = composite(
            laboratory.street, "", laboratory.city, laboratory.state, laboratory.postal_code, laboratory.country
        )
        fields[5] = composite("", laboratory.director)
    fields[9] = kind
    return ("|" + "|".join(fields)).rstrip("|")


def _pad_text(pad: CodedPad, terms: DestinationTerms, codes: GradeCodes) -> PadText:
    form = choose(pad, terms.value_forms)
    what = triplet(form.code) + (f"^{triplet(pad.local)}" if terms.local_codes else "")
    method = f"^{escape(said)}" if (said := wording.method(pad, form)) else ""
    tail = f"|{_range(pad, form)}|{pad.flag.value}"
    if isinstance(form.value, Quantity):
        before = f"|{_number(form.value, what, terms)}"
        return PadText(code=what, before=before, after=tail, noted=True, method=method)
    if TEXT in terms.grades:
        return PadText(code=what, before=f"|ST|{what}||{escape(form.value.text)}|", after=tail, noted=True, method=method)
    coded = _coded(form.value, codes[pad.pad, form.value.key])
    return PadText(code=what, before=f"|CWE|{what}||{coded}^^^", after=f"|{tail}", noted=False, method=method)


def _coded(value: CodedGrade | CodedWord, codes: tuple[Code, ...]) -> str:
    """Give CWE.1 to CWE.6: the code and its alternate; CWE.9, the original text, follows (HL7 2.5.1 chapter 2A, CWE)."""
    first, second = ([triplet(code) for code in codes] + ["^^", "^^"])[:2]
    return f"{first if codes else f'^{escape(value.text)}^'}^{second}"


def _number(value: Quantity, what: str, terms: DestinationTerms) -> str:
    """Give OBX-2 to OBX-6: NM, or SN where there is a comparator. The site's own text of a unit stands before the UCUM code."""
    unit, text = escape(value.unit), terms.unit_texts.get(value.unit)
    units = f"{escape(text)}^{escape(text)}^L^{unit}^{unit}^UCUM" if text else f"{unit}^{unit}^UCUM"
    if value.comparator:
        return f"SN|{what}||{escape(value.comparator)}^{number_text(value)}|{units}"
    return f"NM|{what}||{number_text(value)}|{units}"


def _range(pad: CodedPad, form: ValueForm) -> str:
    """Give OBX-7: ``low-high``, or the normal word (HL7 chapter 7, OBX-7); of one bound, whether it is in the range or not.

    HL7 has ``>low`` and ``<high`` for one bound. Where the expectation counts it in, ``<=5`` goes: a normal value of 5 beside ``<5`` would
    look abnormal (decision 0005).
    """
    if not ranged(pad, form):
        return escape(expectation(pad, form))
    low, high = (number_text(bound) if bound else "" for bound in (pad.low, pad.high))
    if low and high:
        return f"{low}-{high}"
    sign = ">" if low else "<"
    return f"{sign}{'' if leaves_bound_out(pad) else '='}{low or high}"


def triplet(code: Code) -> str:
    """Give CE.1 to CE.3."""
    return f"{escape(code.code)}^{escape(code.text)}^{escape(code.system)}"


def composite(*parts: str) -> str:
    """Give the components of one field, without empty ones at its end."""
    return "^".join(escape(part) for part in parts).rstrip("^")


def at(fields: int, text: str) -> str:
    """Give ``text`` as the field that lies ``fields`` further on."""
    return "|" * fields + text
