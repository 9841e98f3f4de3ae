"""One step of a ladder as a coded pad: its value forms, each with the code whose property matches.

Only what the step declares is stated: no number is worked out from a grade, no grade from a number.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace

from bridge.coding.flags import critical_flags, flag_of, limits
from bridge.model import Code, CodedGrade, CodedPad, CodedWord, Grade, Property, Quantity, ReadBy, Step, UnitSystem, ValueForm
from bridge.tables.flag_table import Band
from bridge.tables.readings import METHODS
from bridge.tables.types import CatalogueCode, CataloguePad, StripPad, Tables


class Unmapped(Exception):  # noqa: N818 - says what the value is; ``code`` turns it into a RejectError with the place
    """A value that the ladder declares has no code in the catalogue."""

    def __init__(self, pad: str, prop: Property | None) -> None:
        super().__init__(f"{pad} has no code for {prop.value if prop else 'any value'}")
        self.pad = pad
        self.prop = prop


def code_step(
    pad: CataloguePad,
    strip_pad: StripPad,
    step: Step,
    answers: Mapping[Grade, Code],
    *,
    printed: str,
    read_by: ReadBy = ReadBy.ANALYZER,
) -> CodedPad:
    """Give the coded pad of ``step`` for everyone, with every value form that it declares; the codes' methods are those of ``read_by``.

    Raises Unmapped if one of them has no code of its property, or if there is none.
    """
    forms = tuple(_form(pad, read_by, *each) for each in _values(pad, strip_pad, step, answers))
    if not forms:
        raise Unmapped(pad.pad, None)
    low, high = limits(pad, None)
    return CodedPad(
        pad=pad.pad,
        name=pad.name,
        local=pad.local,
        forms=forms,
        flag=flag_of(pad, step, None),
        printed=printed,
        expected=pad.expected,
        low=low,
        high=high,
        read_by=read_by,
    )


def banded(coded: CodedPad, pad: CataloguePad, step: Step, band: Band | None) -> CodedPad:
    """Give ``coded``, of ``step``, for a person of ``band``: its flag and limits; as it is where there is none."""
    if band is None:
        return coded
    low, high = limits(pad, band)
    return replace(coded, flag=flag_of(pad, step, band), expected=band.expected, low=low, high=high)


def every_coding(
    pad: CataloguePad, strip_pad: StripPad, step: Step, tables: Tables, *, printed: str, read_by: ReadBy
) -> tuple[CodedPad, ...]:
    """Give every coded pad that ``step`` can become: for everyone, in each band, and each of these with each critical flag that it may get.

    Raises Unmapped as ``code_step`` does.
    """
    flags = tables.flags
    made = code_step(pad, strip_pad, step, tables.catalogue.answers, printed=printed, read_by=read_by)
    coded = tuple(banded(made, pad, step, band) for band in (None, *flags.bands.get(pad.pad, ())))
    critical = critical_flags(flags.critical, pad.pad, step)
    return (*coded, *(replace(each, flag=flag) for each in coded for flag in critical))


def _values(
    pad: CataloguePad, strip_pad: StripPad, step: Step, answers: Mapping[Grade, Code]
) -> Iterator[tuple[UnitSystem, Property | None, CodedGrade | CodedWord | Quantity]]:
    if step.word in pad.words:
        code = pad.words[step.word]
        yield UnitSystem.ARBITRARY, Property.TYPE, CodedWord(word=step.word, text=code.text, code=code)
    if step.grade is not None:
        answer = answers.get(step.grade)
        grade = CodedGrade(grade=step.grade, text=answer.text if answer else step.grade.value, answer=answer)
        yield UnitSystem.ARBITRARY, Property.ORDINAL, grade
    if step.conventional is not None:
        yield UnitSystem.CONVENTIONAL, strip_pad.conventional_property, step.conventional
    if step.si is not None:
        yield UnitSystem.SI, strip_pad.si_property, step.si


def _form(
    pad: CataloguePad, read_by: ReadBy, system: UnitSystem, prop: Property | None, value: CodedGrade | CodedWord | Quantity
) -> ValueForm:
    code = _preferred(pad, prop, METHODS[read_by])
    if code is None or prop is None:
        raise Unmapped(pad.pad, prop)
    return ValueForm(system=system, prop=prop, code=code.code, value=value, method=code.method)


def _preferred(pad: CataloguePad, prop: Property | None, methods: Sequence[str]) -> CatalogueCode | None:
    """Give the code of this property with the nearest of ``methods``, or None."""
    ranked = [code for code in pad.codes if code.prop is prop and code.method in methods]
    return min(ranked, key=lambda code: methods.index(code.method), default=None)
