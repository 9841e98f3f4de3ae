"""How a destination is told a grade or a word: as text, or by the codes of one or two systems.

Every grade of every ladder is looked up when a plan is compiled, so that a destination whose receiver could not be
told one of them stays shut, with the reason, instead of stopping a strip on the day that the grade is printed.
"""

from __future__ import annotations

from collections.abc import Mapping

from bridge.errors import TableError
from bridge.model import Code, CodedGrade, CodedPad, CodedWord, Grade, Quantity, ValueForm
from bridge.render.loinc import wants_number
from bridge.tables.types import Catalogue, DestinationTerms

# (pad, grade or word) -> its codes in the order in which they are sent; none where it goes as text
GradeCodes = Mapping[tuple[str, str], tuple[Code, ...]]

TEXT = "text"  # the word of DestinationTerms.grades that asks for plain text
_COUNTED = (Grade.PLUS_1, Grade.PLUS_2, Grade.PLUS_3, Grade.PLUS_4)  # grades that count plus signs, in rising order


def grade_codes(terms: DestinationTerms, pads: Mapping[str, tuple[CodedPad, ...]], catalogue: Catalogue) -> GradeCodes:
    """Give the codes of every grade and word that ``pads`` (each with all steps of its ladder) can have.

    A grade without a LOINC answer has no LOINC code and goes by its words, as its message says. A word has the local code alone, and
    that only where the destination takes local codes: no free set of concepts has been found for colours and clarities. Raises TableError, whose
    path starts at the destination's own keys, where the site's table or SNOMED CT lacks a grade, or where a text
    would stand under a LOINC code that is not one of a presence.
    """
    codes: dict[tuple[str, str], tuple[Code, ...]] = {}
    for name, every in pads.items():
        coded = [(form, form.value) for pad in every for form in pad.forms if not isinstance(form.value, Quantity)]
        grades = [value.grade for _, value in coded if isinstance(value, CodedGrade)]
        top = max((grade for grade in grades if grade in _COUNTED), key=_COUNTED.index, default=None)
        for form, value in coded:
            if TEXT in terms.grades:
                _check_text(terms, name, form)
            codes[name, value.key] = _codes(value, terms, catalogue, name, top=top)
    return codes


def _codes(
    value: CodedGrade | CodedWord, terms: DestinationTerms, catalogue: Catalogue, pad: str, *, top: Grade | None
) -> tuple[Code, ...]:
    if isinstance(value, CodedWord):
        return (value.code,) if terms.local_codes or "local" in terms.grades else ()
    found = (_code(system, terms, catalogue, pad, value=value, top=top) for system in terms.grades if system != TEXT)
    return tuple(code for code in found if code is not None)


def _check_text(terms: DestinationTerms, pad: str, form: ValueForm) -> None:
    """Refuse a text under a code that is not plainly of a presence, a colour or a clarity: only those have no numbers (LOINC, Ord and Nom)."""
    if wants_number(form.code.text) is not False:
        raise TableError(
            f"{terms.name} takes grades as text, but {form.code.code}, the code for a grade of {pad}, is called "
            f"{form.code.text!r}, and only a [Presence] code may carry a text.",
            remedy="Correct the code's row in catalogue.yaml, or choose loinc or local for this destination's grades.",
            path=("grades",),
        )


def _code(
    system: str, terms: DestinationTerms, catalogue: Catalogue, pad: str, *, value: CodedGrade, top: Grade | None
) -> Code | None:
    if system == "local":
        return _local(terms, pad, value.grade)
    return _concept(terms, catalogue, pad, grade=value.grade, top=top) if system == "snomed" else value.answer


def _local(terms: DestinationTerms, pad: str, grade: Grade) -> Code:
    code = terms.grade_table.codes.get(grade) if terms.grade_table else None
    if code is None:
        raise TableError(
            f"{terms.name} takes the site's own codes of grades, but its grade_table has none for {grade.value!r}, which {pad} may have.",
            remedy=f'Add "{grade.value}": {{code: ..., text: ...}}.',
            path=("grade_table", "codes"),
        )
    return code


def _concept(terms: DestinationTerms, catalogue: Catalogue, pad: str, *, grade: Grade, top: Grade | None) -> Code:
    """Give the concept that counts against no top, or against this ladder's own: "2+ out of 4+" is not "2+ out of 3+"."""
    code = catalogue.snomed.get((grade, None)) or catalogue.snomed.get((grade, top))
    if code is None:
        counted = f" on a ladder that ends at {top.value!r}" if grade in _COUNTED and top else ""
        raise TableError(
            f"{terms.name} takes grades as SNOMED CT concepts, but catalogue.yaml has none for {grade.value!r}{counted}, as {pad} has it.",
            remedy="Choose loinc or local for this destination's grades.",
            path=("grades",),
        )
    return code
