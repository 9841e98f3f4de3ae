"""Sample results that together show a plan everything it can meet: the food of the oracles (ARCHITECTURE rule 10).

Every step of every pad in every printed text, every ratio that two steps give, STAT and routine, known and unknown collection time,
a corrected and a withdrawn version, an ordered strip of a person whose age and sex are known, empty and hostile texts; and where the
destination takes them, strips of no patient. Names and numbers are invented.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

from bridge.model import Change, Code, CodedPad, CodedResult, Priority, Purpose, ResultStatus, Sex
from bridge.render.fhir_pointers import ID
from bridge.render.fhir_rules import CONTROL
from bridge.render.forms import every_pad, every_ratio, with_ratios
from bridge.render.segments import CODECS
from bridge.tables.types import DestinationTerms, Pointing, Tables

ANALYZED_AT = datetime(2026, 11, 25, 8, 15, 30, tzinfo=UTC)  # ours: any fixed moment
MADE_AT = ANALYZED_AT + timedelta(seconds=40)  # ours: as above
CHANGE = Change(by="Sample Changer", at=ANALYZED_AT + timedelta(hours=1))
HOSTILE = (
    "PID|1||9^8~7\\6&5",
    "\\F\\ \\.br\\ \\X0D\\ \\",
    '<b onload="x">&amp;</b>',
    "one\rtwo\ntab\tend",
    "\x01\x0b\x1c\x1e\x7f",
    "Zoë Ångström",
    "€ ž",
    "尿 🧪",
)


def samples(terms: DestinationTerms, profile: str, strip_type: str, tables: Tables) -> tuple[CodedResult, ...]:
    """Give the samples of one plan, in a fixed order. Raises TableError as ``compile_plan`` does."""
    pads = [every for every in every_pad(profile, strip_type, tables).values() if not every[0].computed_from]
    ratios = every_ratio(profile, strip_type, tables)
    shown = [tuple(every[number % len(every)] for every in pads) for number in range(max(map(len, pads)))]
    shown += [
        tuple({**_by_pad(shown[number % len(shown)]), **_by_pad((each.of, each.to))}.values())
        for number, each in enumerate(ratios)
    ]
    plain = [
        _result(f"SMPL1R{number}", with_ratios(each, ratios), profile=profile, strip_type=strip_type, tables=tables)
        for number, each in enumerate(shown)
    ]
    others = _of_no_patient(plain) if terms.non_patient else ()
    return tuple(_pointable(sample, terms) for sample in (*plain, *_variants(plain, _sayable(terms)), *others))


def _pointable(sample: CodedResult, terms: DestinationTerms) -> CodedResult:
    """Give the sample with plain numbers where the destination is pointed to by address; others are rejected, not sent."""
    if terms.patient_pointing is Pointing.LITERAL and not ID.fullmatch(sample.patient_id):
        sample = replace(sample, patient_id="1002003")
    if terms.order_pointing is Pointing.LITERAL and not ID.fullmatch(sample.order_number):
        sample = replace(sample, order_number="")
    return sample


def _by_pad(pads: Sequence[CodedPad]) -> dict[str, CodedPad]:
    return {pad.pad: pad for pad in pads}


def _variants(plain: Sequence[CodedResult], texts: Sequence[str]) -> tuple[CodedResult, ...]:
    """Give further samples with the fields that vary apart from the pads."""
    first, last = plain[0], plain[-1]
    stat = replace(last, result_id="SMPL1R900", priority=Priority.STAT)
    collected = replace(first, result_id="SMPL1R901", collected_at=ANALYZED_AT - timedelta(minutes=25), specimen_id="U-4711")
    corrected = replace(last, result_id="SMPL1R902", version=2, status=ResultStatus.CORRECTED)
    withdrawn = replace(corrected, result_id="SMPL1R905", status=ResultStatus.WITHDRAWN, change=CHANGE, specimen_id="U-4712")
    changed = replace(corrected, result_id="SMPL1R906", change=CHANGE)
    typed = replace(first, result_id="SMPL1R907", specimen_type=Code(code="URT", text="Urine catheter", system="HL70487"))
    bare = replace(first, result_id="SMPL1R903", patient_name="", operator="", strip_lot="", comments=())
    ordered = replace(last, result_id="SMPL1R904", order_number="ORD-77", born=date(1980, 1, 2), sex=Sex.FEMALE, strip_lot="")
    hostile = [
        replace(
            last,
            result_id=f"SMPL1R{910 + number}",
            patient_id=text,
            patient_name=text,
            specimen_id=text,
            operator=text,
            order_number=text,
            strip_lot=text,
            comments=(text, text),
            pads=tuple(replace(pad, printed=text) for pad in last.pads),
        )
        for number, text in enumerate(texts)
    ]
    hostile.append(replace(changed, result_id="SMPL1R920", change=replace(CHANGE, by=texts[-1])))
    return (stat, collected, corrected, withdrawn, changed, bare, ordered, typed, *hostile)


def _of_no_patient(plain: Sequence[CodedResult]) -> tuple[CodedResult, ...]:
    """Give a strip of every purpose but a patient's, and a control whose material bears no number."""
    material = replace(plain[-1], patient_id="", patient_name="", specimen_id="CM-2", comments=())
    purposes = [purpose for purpose in Purpose if purpose is not Purpose.PATIENT]
    each = [replace(material, result_id=f"SMPL1R{930 + number}", purpose=purpose) for number, purpose in enumerate(purposes)]
    unnamed = replace(material, result_id="SMPL1R940", specimen_id="", purpose=Purpose.CONTROL)
    return (*each, unnamed)


def _sayable(terms: DestinationTerms) -> list[str]:
    """Give the hostile texts that the destination's format and character set can carry; the others are rejected, not sent."""
    if terms.format.is_fhir:
        return [text for text in HOSTILE if not CONTROL.search(text)]
    return [text for text in HOSTILE if _fits(text, CODECS[terms.charset])]


def _fits(text: str, codec: str) -> bool:
    try:
        text.encode(codec)
    except UnicodeEncodeError:
        return False
    return True


def _result(result_id: str, pads: tuple[CodedPad, ...], *, profile: str, strip_type: str, tables: Tables) -> CodedResult:
    return CodedResult(
        result_id=result_id,
        version=1,
        status=ResultStatus.FINAL,
        profile=profile,
        analyzer="sample-analyzer",
        patient_id="1002003",
        patient_name="Sample Person",
        specimen_id="",
        operator="op7",
        strip_type=strip_type,
        strip_lot="L55",
        priority=Priority.ROUTINE,
        number="17",
        panel=tables.catalogue.panel_of(tables.profiles[profile].read_by),
        analyzed_at=ANALYZED_AT,
        collected_at=None,
        pads=pads,
        comments=("sample comment",),
        tables_digest=tables.digest,
    )
