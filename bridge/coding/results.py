"""A whole reading coded: pads in strip order, identity, version and what travels beside the values."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime

from bridge.coding.assessment import Assessment, assess
from bridge.coding.bands import Person
from bridge.coding.ratios import Known, ratio_pads
from bridge.coding.steps import Unmapped, banded, code_step
from bridge.errors import RejectError
from bridge.making import maker
from bridge.model import CheckedPad, CheckedReading, CodedPad, CodedResult, Purpose, ReadBy, ResultStatus
from bridge.tables.types import StripType, Tables

# ours: sent with the result, so that a receiver sees why a flag is AA, HH or LL
CRITICAL_NOTE = "Flagged critical by the laboratory's rule {rule}."


_result = maker(CodedResult)
_known = maker(Known)


def code(
    checked: CheckedReading, tables: Tables, *, result_id: str, version: int, assessment: Assessment | None = None
) -> CodedResult:
    """Give the coded result of ``checked``, final, its pads in the order of the reading; the ratios computed from them come last.

    Collection time stays unknown: an analyzer prints when it read the strip, not when the urine was
    passed. ``assessment`` is what was found of the same steps and person before; without it they are assessed here. Raises RejectError ``code.unmapped`` where a pad or one of its values has no code, and
    ``code.undated`` where no analysis time is known; KeyError if the reading's profile is not in ``tables``.
    """
    strip_type = tables.strip_types.get(checked.strip_type)
    if strip_type is None:
        raise RejectError(
            "code.unmapped",
            f"The strip type {checked.strip_type!r} is not in the tables.",
            remedy="Add it to the mappings, then read this again.",
        )
    known = {pad.pad: _known(step=pad.step, printed=pad.printed) for pad in checked.pads}
    read_by = tables.profiles[checked.reading.profile].read_by
    analyzed_at = _analyzed_at(checked)
    if assessment is None:
        # few analyzers tell a collection time, so ages are counted on the day of analysis, by the analyzer's calendar
        person = Person(sex=checked.sex, born=checked.born, on=analyzed_at.date()) if checked.purpose is Purpose.PATIENT else None
        assessment = assess({pad.pad: pad.step for pad in checked.pads}, person, tables)
    return _result(
        result_id=result_id,
        version=version,
        status=ResultStatus.FINAL,
        profile=checked.reading.profile,
        analyzer=checked.reading.analyzer,
        patient_id=checked.patient_id,
        patient_name=checked.patient_name,
        specimen_id=checked.specimen_id,
        order_number=checked.order_number,
        born=checked.born,
        sex=checked.sex,
        operator=checked.operator,
        strip_type=checked.strip_type,
        strip_lot=checked.strip_lot,
        priority=checked.priority,
        number=checked.key.number,
        panel=tables.catalogue.panel_of(read_by),
        analyzed_at=analyzed_at,
        collected_at=checked.collected_at,
        pads=(
            *(_pad(pad, strip_type, tables, assessment, read_by=read_by) for pad in checked.pads),
            *ratio_pads(known, strip_type, tables.catalogue, read_by=read_by),
        ),
        comments=(
            *(comment.text for comment in checked.reading.comments),
            *(CRITICAL_NOTE.format(rule=rule.rule) for rule in assessment.critical),
        ),
        tables_digest=tables.digest,
        purpose=checked.purpose,
    )


def _analyzed_at(checked: CheckedReading) -> datetime:
    if checked.analyzed_at is None:
        raise RejectError(
            "code.undated",
            "The analyzer printed no date and time, so the record would not know when this strip was read.",
            remedy="Set the analyzer to print date and time, then send the strip again or run a new one.",
        )
    return checked.analyzed_at


def _pad(pad: CheckedPad, strip_type: StripType, tables: Tables, assessment: Assessment, *, read_by: ReadBy) -> CodedPad:
    def made() -> CodedPad:
        return _for_everyone(pad, strip_type, tables, read_by=read_by)

    question = ("coded", strip_type.name, pad.pad, id(pad.step), pad.printed, read_by)
    coded = tables.memo.once(question, pad.step, made)
    band = assessment.bands.get(pad.pad)
    if band is not None:
        coded = banded(coded, tables.catalogue.pads[pad.pad], pad.step, band)
    critical = assessment.critical_flags.get(pad.pad)
    return coded if critical is None else replace(coded, flag=critical)


def _for_everyone(pad: CheckedPad, strip_type: StripType, tables: Tables, *, read_by: ReadBy) -> CodedPad:
    catalogue_pad, place = tables.catalogue.pads.get(pad.pad), strip_type.places.get(pad.pad)
    if catalogue_pad is None or place is None:
        raise _unmapped(pad, "no row for it")
    strip_pad, answers = strip_type.pads[place], tables.catalogue.answers
    try:
        return code_step(catalogue_pad, strip_pad, pad.step, answers, printed=pad.printed, read_by=read_by)
    except Unmapped as error:
        raise _unmapped(pad, f"no code for {error.prop.value}" if error.prop else "no value for this step") from error


def _unmapped(pad: CheckedPad, cause: str) -> RejectError:
    return RejectError(
        "code.unmapped",
        f"The pad {pad.pad} cannot be coded: the catalogue has {cause}.",
        remedy="Add the missing code to the catalogue, then read this again with the current tables.",
        start=pad.place.start,
        end=pad.place.end,
    )
