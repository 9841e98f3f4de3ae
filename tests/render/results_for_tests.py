"""Checked readings of the hand-made strip, coded by the real room."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime

from bridge.coding import code
from bridge.model import (
    CheckedPad,
    CheckedReading,
    CodedResult,
    Place,
    Printed,
    Priority,
    Purpose,
    Reading,
    Sex,
    StripContent,
    StripKey,
)
from bridge.tables.types import StripType, Tables
from tests.render.tables_for_tests import STRIP, ZONE, hand_made

ANALYZED_AT = datetime(2026, 11, 25, 8, 15, 30, tzinfo=ZONE)
MADE_AT = datetime(2026, 11, 25, 8, 16, 10, 123456, tzinfo=ZONE)
NORMAL = (0, 0, 1, 1, 0, 0)
ABNORMAL = (3, 1, 3, 2, 1, 1)


def printed_of(strip: StripType, ranks: tuple[int, ...]) -> list[str]:
    """Print each pad in words of its own: a grade in capitals, a number as a number."""
    texts = []
    for pad, rank in zip(strip.pads, ranks, strict=True):
        step = pad.ladder[rank]
        number = step.conventional or step.si
        texts.append(step.grade.value.upper() if step.grade else f"{number.comparator}{number.value}" if number else "?")
    return texts


def checked(
    ranks: tuple[int, ...],
    *,
    strip: StripType = STRIP,
    analyzed_at: datetime | None = ANALYZED_AT,
    comments: tuple[str, ...] = (),
    priority: Priority = Priority.ROUTINE,
    patient_name: str = "",
    profile: str = "testing",
    texts: dict[str, str] | None = None,
) -> CheckedReading:
    """Give a checked reading whose pads stand at ``ranks``; each pad's place is ten bytes of its own."""
    fields = {"patient_id": "1002003", "operator": "op7", "specimen_id": "", **(texts or {})}
    pads = tuple(
        CheckedPad(pad=pad.pad, step=pad.ladder[rank], printed=text, place=Place(start=10 * number, end=10 * number + 5))
        for number, (pad, rank, text) in enumerate(zip(strip.pads, ranks, printed_of(strip, ranks), strict=True))
    )
    reading = Reading(
        index=0,
        place=Place(start=0, end=100),
        analyzer="bench-2",
        profile=profile,
        record_digest="f" * 64,
        comments=tuple(Printed(text=text, place=Place(start=90, end=95)) for text in comments),
    )
    return CheckedReading(
        reading=reading,
        key=StripKey(analyzer="bench-2", mode="patient", series="2026-11-25", number="17"),
        content=StripContent(
            patient_id=fields["patient_id"],
            operator=fields["operator"],
            strip_type=strip.name,
            strip_lot="L55",
            pads=tuple((pad.pad, rank) for pad, rank in zip(strip.pads, ranks, strict=True)),
        ),
        purpose=Purpose.PATIENT,
        priority=priority,
        patient_id=fields["patient_id"],
        corrected_by=None,
        patient_name=patient_name,
        specimen_id=fields["specimen_id"],
        operator=fields["operator"],
        strip_type=strip.name,
        strip_lot="L55",
        analyzed_at=analyzed_at,
        pads=pads,
    )


def normal_result(tables: Tables | None = None) -> CodedResult:
    """Give a routine result with nothing abnormal, no name and no comment."""
    return code(checked(NORMAL), tables or hand_made(), result_id="TESTAR41", version=1)


def stat_result() -> CodedResult:
    """Give an abnormal STAT result with a name, a specimen number and a comment."""
    reading = checked(
        ABNORMAL,
        priority=Priority.STAT,
        comments=("Specimen turbid & dark",),
        patient_name="Silva Ana",
        texts={"specimen_id": "U-4711"},
    )
    return code(reading, hand_made(), result_id="TESTAR42", version=1)


def ordered_result() -> CodedResult:
    """Give the abnormal result of a person whose birth date and sex the analyzer told, under the placer's order number."""
    return replace(stat_result(), order_number="ORD-9", born=date(1961, 7, 4), sex=Sex.FEMALE)


def control_result() -> CodedResult:
    """Give the abnormal pads as a reading of control material CM-2; nothing of a patient's is left."""
    return replace(
        stat_result(),
        patient_id="",
        patient_name="",
        specimen_id="CM-2",
        comments=(),
        priority=Priority.ROUTINE,
        purpose=Purpose.CONTROL,
    )
