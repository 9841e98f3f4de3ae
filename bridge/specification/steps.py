"""The code tables and the validation record of the pads: every step of every pad, in each unit system that it has."""

from __future__ import annotations

from collections.abc import Iterator

from bridge.model import CodedGrade, CodedPad, Format, Quantity, ValueForm
from bridge.render.forms import choose, every_pad, expectation, number_text
from bridge.specification.messages import strip_types
from bridge.specification.types import RecordRow, StepRow, StepTable, Subject
from bridge.tables.types import DestinationTerms

NO_UNIT = "none"
NO_REFERENCE = "none stated"


def step_tables(subject: Subject) -> tuple[StepTable, ...]:
    """Give one table for each strip type in use."""
    return tuple(
        StepTable(
            title=f"Codes of {subject.tables.strip_types[strip_type].title} ({strip_type})",
            strip_type=strip_type,
            rows=tuple(row for number, pad in _steps(subject, strip_type, profile) for row in _rows(number, pad, subject.terms)),
        )
        for strip_type, profile in strip_types(subject).items()
    )


def step_records(subject: Subject) -> tuple[RecordRow, ...]:
    """Give one row for each step of each pad: what must arrive in the form that this destination gets."""
    return tuple(
        RecordRow(
            case=f"{strip_type}: {pad.name}",
            send=f"step {number}: {_all_values(pad)}",
            expected=_expected(pad, subject.terms),
        )
        for strip_type, profile in strip_types(subject).items()
        for number, pad in _steps(subject, strip_type, profile)
    )


def value_text(form: ValueForm) -> str:
    """Give a form's value: the answer code with its text, or the number with its comparator."""
    if isinstance(form.value, CodedGrade):
        return f"{form.value.answer.code} {form.value.answer.text}" if form.value.answer else form.value.text
    return f"{form.value.comparator}{number_text(form.value)}"


def type_of(form: ValueForm, fmt: Format) -> str:
    """Give the value's type: CWE, NM or SN as OBX-2 has it, or FHIR's CodeableConcept or Quantity."""
    if fmt is Format.FHIR:
        return "CodeableConcept" if isinstance(form.value, CodedGrade) else "Quantity"
    if isinstance(form.value, CodedGrade):
        return "CWE"
    return "SN" if form.value.comparator else "NM"


def _steps(subject: Subject, strip_type: str, profile: str) -> Iterator[tuple[int, CodedPad]]:
    """Give each step once, numbered from 1 within its pad, whatever texts print it."""
    for every in every_pad(profile, strip_type, subject.tables).values():
        once = {(pad.forms, pad.flag): pad for pad in every}
        yield from enumerate(once.values(), 1)


def _rows(number: int, pad: CodedPad, terms: DestinationTerms) -> Iterator[StepRow]:
    sent = choose(pad, terms.value_forms)
    for form in pad.forms:
        yield StepRow(
            pad=pad.name,
            local=pad.local.code,
            step=str(number),
            system=form.system.value,
            loinc=form.code.code,
            loinc_name=form.code.text,
            type=type_of(form, terms.format),
            value=value_text(form),
            unit=form.value.unit if isinstance(form.value, Quantity) else NO_UNIT,
            flag=pad.flag.value,
            reference=expectation(pad, form) or NO_REFERENCE,
            sent="yes" if form == sent else "no",
        )


def _all_values(pad: CodedPad) -> str:
    return " = ".join(f"{value_text(form)}{_unit(form)}" for form in pad.forms)


def _expected(pad: CodedPad, terms: DestinationTerms) -> str:
    form = choose(pad, terms.value_forms)
    return f"{form.code.code}, {type_of(form, terms.format)}, {value_text(form)}{_unit(form)}, flag {pad.flag.value}"


def _unit(form: ValueForm) -> str:
    return f" {form.value.unit}" if isinstance(form.value, Quantity) else ""
