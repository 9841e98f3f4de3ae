"""One step of a ladder as a coded pad: its value forms, each with the code whose property matches.

Only what the step declares is stated: no number is worked out from a grade, no grade from a number.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from bridge.coding.flags import flag
from bridge.model import Code, CodedGrade, CodedPad, CodedWord, Grade, Property, Quantity, ReadBy, Step, UnitSystem, ValueForm
from bridge.tables.readings import METHODS
from bridge.tables.types import CatalogueCode, CataloguePad, StripPad


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
    """Give the coded pad of ``step``, with every value form that the step declares; the codes' methods are those of ``read_by``.

    Raises Unmapped if one of them has no code of its property, or if there is none.
    """
    forms = tuple(_form(pad, read_by, *each) for each in _values(pad, strip_pad, step, answers))
    if not forms:
        raise Unmapped(pad.pad, None)
    return CodedPad(
        pad=pad.pad,
        name=pad.name,
        local=pad.local,
        forms=forms,
        flag=flag(
            abnormal=step.abnormal,
            numbers=[form.value for form in forms if isinstance(form.value, Quantity)],
            low=pad.low,
            high=pad.high,
        ),
        printed=printed,
        expected=pad.expected,
        low=pad.low,
        high=pad.high,
        read_by=read_by,
    )


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
