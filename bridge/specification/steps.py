"""The code tables and the validation record of the pads: every step of every pad, in each unit system that it has."""

from __future__ import annotations

from collections.abc import Iterator

from bridge.model import CodedGrade, CodedPad, Quantity, ValueForm
from bridge.render.forms import choose, every_pad, expectation, number_text, text_key
from bridge.render.grades import TEXT, GradeCodes, grade_codes
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
            rows=tuple(
                row
                for number, pad, codes in _steps(subject, strip_type, profile)
                for row in _rows(number, pad, subject.terms, codes)
            ),
        )
        for strip_type, profile in strip_types(subject).items()
    )


def step_records(subject: Subject) -> tuple[RecordRow, ...]:
    """Give one row for each step of each pad: what must arrive in the form that this destination gets."""
    return tuple(
        RecordRow(
            case=f"{strip_type}: {pad.name}",
            send=f"step {number}: {_all_values(pad, codes)}{_where(pad, subject)}",
            expected=_expected(pad, subject.terms, codes),
        )
        for strip_type, profile in strip_types(subject).items()
        for number, pad, codes in _steps(subject, strip_type, profile)
    )


def value_text(pad: CodedPad, form: ValueForm, codes: GradeCodes) -> str:
    """Give a form's value: the grade's codes with their texts, or its text alone, or the number with its comparator."""
    if isinstance(form.value, CodedGrade):
        told = codes[pad.pad, form.value.grade]
        return ", alternate ".join(f"{code.code} {code.text}" for code in told) or form.value.text
    return f"{form.value.comparator}{number_text(form.value)}"


def type_of(form: ValueForm, terms: DestinationTerms) -> str:
    """Give the value's type: CWE, ST, NM or SN as OBX-2 has it, or FHIR's CodeableConcept, string or Quantity."""
    is_fhir = terms.format.is_fhir
    if isinstance(form.value, Quantity):
        return "Quantity" if is_fhir else "SN" if form.value.comparator else "NM"
    if TEXT in terms.grades:
        return "string" if is_fhir else "ST"
    return "CodeableConcept" if is_fhir else "CWE"


def _steps(subject: Subject, strip_type: str, profile: str) -> Iterator[tuple[int, CodedPad, GradeCodes]]:
    """Give each step, numbered from 1 within its pad, once for each flag and expectation that it can have, whatever texts print it.

    With it the codes of the strip's grades.
    """
    pads = every_pad(profile, strip_type, subject.tables)
    codes = grade_codes(subject.terms, pads, subject.tables.catalogue)
    for every in pads.values():
        numbers = {forms: number for number, forms in enumerate(dict.fromkeys(pad.forms for pad in every), 1)}
        once = {(*text_key(pad, subject.terms.value_forms)[2:], numbers[pad.forms]): pad for pad in every}
        yield from ((numbers[pad.forms], pad, codes) for pad in once.values())


def _rows(number: int, pad: CodedPad, terms: DestinationTerms, codes: GradeCodes) -> Iterator[StepRow]:
    sent = choose(pad, terms.value_forms)
    for form in pad.forms:
        yield StepRow(
            pad=pad.name,
            local=pad.local.code,
            step=str(number),
            system=form.system.value,
            loinc=form.code.code,
            loinc_name=form.code.text,
            type=type_of(form, terms),
            value=value_text(pad, form, codes),
            unit=form.value.unit if isinstance(form.value, Quantity) else NO_UNIT,
            flag=pad.flag.value,
            reference=expectation(pad, form) or NO_REFERENCE,
            sent="yes" if form == sent else "no",
        )


def _all_values(pad: CodedPad, codes: GradeCodes) -> str:
    return " = ".join(f"{value_text(pad, form, codes)}{_unit(form)}" for form in pad.forms)


def _expected(pad: CodedPad, terms: DestinationTerms, codes: GradeCodes) -> str:
    form = choose(pad, terms.value_forms)
    return f"{form.code.code}, {type_of(form, terms)}, {value_text(pad, form, codes)}{_unit(form)}, flag {pad.flag.value}"


def _where(pad: CodedPad, subject: Subject) -> str:
    """Say for whom a row is, where a pad has more than one expectation, or what makes it critical."""
    expected = f", where {pad.expected} is expected" if pad.pad in subject.tables.flags.bands else ""
    return f"{expected}, with a critical rule met" if pad.flag.is_critical else expected


def _unit(form: ValueForm) -> str:
    return f" {form.value.unit}" if isinstance(form.value, Quantity) else ""
