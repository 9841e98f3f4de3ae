"""One step of a ladder as a coded pad: its value forms, each with the code whose property matches.

Only what the step declares is stated: no number is worked out from a grade, no grade from a number.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from bridge.coding.flags import critical_flags, flag_of, limits
from bridge.model import Code, CodedGrade, CodedPad, Grade, Property, Quantity, Step, UnitSystem, ValueForm
from bridge.tables.flag_table import Band
from bridge.tables.types import CatalogueCode, CataloguePad, StripPad, Tables

METHODS = ("automated", "strip", "none")  # PRODUCT section 6: automated, else test strip, else method-free


class Unmapped(Exception):  # noqa: N818 - says what the value is; ``code`` turns it into a RejectError with the place
    """A value that the ladder declares has no code in the catalogue."""

    def __init__(self, pad: str, prop: Property | None) -> None:
        super().__init__(f"{pad} has no code for {prop.value if prop else 'any value'}")
        self.pad = pad
        self.prop = prop


def code_step(
    pad: CataloguePad, strip_pad: StripPad, step: Step, answers: Mapping[Grade, Code], *, printed: str, band: Band | None = None
) -> CodedPad:
    """Give the coded pad of ``step``, with every value form that the step declares, for a person of ``band`` (None: for everyone).

    Raises Unmapped if one of them has no code of its property, or if there is none.
    """
    forms = _forms(pad, strip_pad, step, answers)
    if not forms:
        raise Unmapped(pad.pad, None)
    low, high = limits(pad, band)
    return CodedPad(
        pad=pad.pad,
        name=pad.name,
        local=pad.local,
        forms=forms,
        flag=flag_of(pad, step, band),
        printed=printed,
        expected=band.expected if band else pad.expected,
        low=low,
        high=high,
    )


def every_coding(pad: CataloguePad, strip_pad: StripPad, step: Step, tables: Tables, *, printed: str) -> tuple[CodedPad, ...]:
    """Give every coded pad that ``step`` can become: for everyone, in each band, and each of these with each critical flag that it may get.

    Raises Unmapped as ``code_step`` does.
    """
    flags = tables.flags
    coded = tuple(
        code_step(pad, strip_pad, step, tables.catalogue.answers, printed=printed, band=band)
        for band in (None, *flags.bands.get(pad.pad, ()))
    )
    critical = critical_flags(flags.critical, pad.pad, step)
    return (*coded, *(replace(each, flag=flag) for each in coded for flag in critical))


def _forms(pad: CataloguePad, strip_pad: StripPad, step: Step, answers: Mapping[Grade, Code]) -> tuple[ValueForm, ...]:
    declared: list[tuple[UnitSystem, Property | None, CodedGrade | Quantity]] = []
    if step.grade is not None:
        answer = answers.get(step.grade)
        declared.append(
            (
                UnitSystem.ARBITRARY,
                Property.ORDINAL,
                CodedGrade(grade=step.grade, text=answer.text if answer else step.grade.value, answer=answer),
            )
        )
    if step.conventional is not None:
        declared.append((UnitSystem.CONVENTIONAL, strip_pad.conventional_property, step.conventional))
    if step.si is not None:
        declared.append((UnitSystem.SI, strip_pad.si_property, step.si))
    return tuple(_form(pad, system, prop, value) for system, prop, value in declared)


def _form(pad: CataloguePad, system: UnitSystem, prop: Property | None, value: CodedGrade | Quantity) -> ValueForm:
    code = _preferred(pad, prop)
    if code is None or prop is None:
        raise Unmapped(pad.pad, prop)
    return ValueForm(system=system, prop=prop, code=code.code, value=value, method=code.method)


def _preferred(pad: CataloguePad, prop: Property | None) -> CatalogueCode | None:
    """Give the code of this property with the nearest method, or None."""
    ranked = [code for code in pad.codes if code.prop is prop and code.method in METHODS]
    return min(ranked, key=lambda code: METHODS.index(code.method), default=None)
