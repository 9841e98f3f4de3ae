"""What must be true of catalogue and ladders beyond their shape, so that no receiver is sent a wrong code, unit or number.

Everything here stops loading. What is only doubtful is in ``doubts``.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from decimal import Decimal

from bridge.errors import TableError
from bridge.model import Property, Quantity, Step
from bridge.tables.conversion import factor, is_within_print, shown
from bridge.tables.documents import CatalogueDocument, CodeRow, LadderRow, PadRow, ProfileDocument
from bridge.tables.words import check_word_rows

Path = tuple[str | int, ...]

CATALOGUE_FILE = "catalogue.yaml"
_WORDS = {  # LOINC Users' Guide, long common names: the property in square brackets
    "[Presence]": Property.ORDINAL,
    "[Mass/volume]": Property.MASS,
    "[Moles/volume]": Property.SUBSTANCE,
    "[#/volume]": Property.COUNT,
    "[Units/volume]": Property.ARBITRARY,
    "[Mass Ratio]": Property.MASS_RATIO,
    "[Ratio]": Property.RATIO,
}
UNNUMBERED = {Property.ORDINAL: "A presence (PrThr) is a grade", Property.TYPE: "A type (Type) is a word"}
_SCALES = {Property.ORDINAL: "Ord", Property.TYPE: "Nom"}  # LOINC Users' Guide, scale: of the properties with one scale only
_MOLAR = ({Property.MASS, Property.SUBSTANCE}, {Property.MASS_RATIO, Property.RATIO})  # joined by a molar mass
_LOW = ("<", "<=")
_HIGH = (">", ">=")


def check_catalogue(catalogue: CatalogueDocument) -> None:
    """Refuse a catalogue whose codes, units and properties do not fit each other. Raises TableError."""
    _check_local_codes(catalogue)
    _check_answers(catalogue)
    for name, pad in catalogue.pads.items():
        path: Path = (CATALOGUE_FILE, "pads", name)
        _check_units(name, pad, catalogue, path)
        for index, code in enumerate(pad.codes):
            _check_code(code, catalogue, (*path, "codes", index))
        _check_range(name, pad, (*path, "expected", "low"))
        check_word_rows(name, pad, path)
        _check_ratio_of(name, pad, catalogue, (*path, "ratio"))


def check_unit(unit: str, catalogue: CatalogueDocument, path: Path) -> None:
    """Refuse a unit that is not on the closed list. Raises TableError."""
    refused = catalogue.refused_units.get(unit)
    if refused is not None:
        raise TableError(f"The unit {unit!r} is refused: {refused.why}.", remedy=f"Write {refused.use}.", path=path)
    if unit not in catalogue.units:
        raise TableError(
            f"The unit {unit!r} is not one that Padpost sends.",
            remedy=f"Use one of: {', '.join(catalogue.units)}; or add it to units in {CATALOGUE_FILE}, with a source.",
            path=path,
        )


def check_profile_units(name: str, profile: ProfileDocument, catalogue: CatalogueDocument) -> None:
    """Refuse a printed text for a unit that does not exist: it would never be looked at. Raises TableError."""
    for unit in profile.units:
        check_unit(unit, catalogue, (f"profiles/{name}.yaml", "units", unit))


def check_ladder(steps: tuple[Step, ...], row: LadderRow, catalogue: CatalogueDocument, path: Path) -> None:
    """Refuse a ladder with a comparator in its middle, a grade without an answer, or two numbers of one step that differ.

    ``path`` leads to the pad's row. Raises TableError.
    """
    for step in steps:
        here = (*path, "ladder", step.rank)
        if step.grade is not None and step.grade not in catalogue.answers:
            raise TableError(
                f"The catalogue has no coded answer for the grade {step.grade.value!r}.",
                remedy=f"Use one of: {', '.join(grade.value for grade in catalogue.answers)}.",
                path=(*here, "grade"),
            )
        _check_comparators(step, len(steps) - 1, here)
    _check_numbers(steps, row, catalogue, path)


# --- the catalogue ----------------------------------------------------------------------------


def _check_local_codes(catalogue: CatalogueDocument) -> None:
    seen: dict[str, str] = {}
    for name, pad in catalogue.pads.items():
        if pad.local.code in seen:
            raise TableError(
                f"The local code {pad.local.code} stands twice: for {seen[pad.local.code]} and for {name}.",
                remedy=f"Give {name} a code of its own.",
                path=(CATALOGUE_FILE, "pads", name, "local", "code"),
            )
        seen[pad.local.code] = name
        for word, row in pad.words.items():
            if row.code in seen:
                raise TableError(
                    f"The local code {row.code} stands twice: for {seen[row.code]} and for {word!r} of {name}.",
                    remedy=f"Give {word!r} a code of its own.",
                    path=(CATALOGUE_FILE, "pads", name, "words", word, "code"),
                )
            seen[row.code] = f"{word!r} of {name}"
        for index, code in enumerate(pad.codes):
            if code.code == catalogue.panel.code:
                raise TableError(
                    f"The code {code.code} is the panel's, and stands for {name} too.",
                    remedy="Look up the code of the pad itself.",
                    path=(CATALOGUE_FILE, "pads", name, "codes", index, "code"),
                )


def _check_answers(catalogue: CatalogueDocument) -> None:
    seen: dict[str, str] = {}
    for grade, answer in catalogue.answers.items():
        if answer.code in seen:
            raise TableError(
                f"The answer {answer.code} stands twice: for {seen[answer.code]} and for {grade.value}.",
                remedy="A receiver could not tell the two grades apart; look the wrong one up again.",
                path=(CATALOGUE_FILE, "answers", grade.value, "code"),
            )
        seen[answer.code] = grade.value


def _check_units(name: str, pad: PadRow, catalogue: CatalogueDocument, path: Path) -> None:
    has = {code.property for code in pad.codes}
    for prop, units in pad.units.items():
        here = (*path, "units", prop.value)
        if prop in UNNUMBERED:
            raise TableError(f"{UNNUMBERED[prop]} and has no unit.", remedy="Remove it: it is sent as a coded value.", path=here)
        if prop not in has:
            raise TableError(
                f"{name} has units for {prop.value}, but no code for it.", remedy="Add the code, or remove the units.", path=here
            )
        for index, unit in enumerate(units):
            check_unit(unit, catalogue, (*here, index))
            if catalogue.units[unit].property is not prop:
                raise TableError(
                    f"The unit {unit!r} measures {catalogue.units[unit].property.value}, not {prop.value}.",
                    remedy=f"Use one of: {', '.join(key for key, row in catalogue.units.items() if row.property is prop)}.",
                    path=(*here, index),
                )
    if pad.molar_mass is None and any(both <= pad.units.keys() for both in _MOLAR):
        raise TableError(
            f"{name} is measured as mass and as substance, but its molar mass is not given.",
            remedy='Add molar_mass: {formula: ..., grams_per_mole: "...", source: ...}, so that the two can be compared.',
            path=(*path, "units"),
        )


def _check_code(code: CodeRow, catalogue: CatalogueDocument, path: Path) -> None:
    is_named = code.text.startswith("Deprecated ")
    if is_named or code.status == "DEPRECATED":
        raise TableError(
            f"LOINC has deprecated {code.code}: its {'name' if is_named else 'status'} says so.",
            remedy=f"Look up what replaces it in LOINC {catalogue.release}.",
            path=(*path, "code" if is_named else "status"),
        )
    for word, prop in _WORDS.items():
        if word in code.text and code.property is not prop:
            raise TableError(
                f"The name of {code.code} says {word}, which is the property {prop.value}, not {code.property.value}.",
                remedy=f"Write property: {prop.value}, or look the code up again.",
                path=(*path, "property"),
            )
    right = _SCALES.get(code.property, "SemiQn for a strip, Qn where no method is named")
    if code.scale and code.scale not in right.replace(",", "").split():
        raise TableError(
            f"A code of the property {code.property.value} cannot have the scale {code.scale}.",
            remedy=f"LOINC {catalogue.release} has {right}.",
            path=(*path, "scale"),
        )


def _check_ratio_of(name: str, pad: PadRow, catalogue: CatalogueDocument, path: Path) -> None:
    if pad.ratio is None:
        return
    for key, part in (("of", pad.ratio.of), ("to", pad.ratio.to)):
        if part not in catalogue.pads or part == name:
            raise TableError(f"The pad {part!r} is not in the catalogue.", remedy="Name two other pads.", path=(*path, key))
    divisor = catalogue.pads[pad.ratio.to].molar_mass
    if pad.molar_mass is not None and (divisor is None or divisor.grams_per_mole != pad.molar_mass.grams_per_mole):
        raise TableError(
            f"The molar mass of {name} is not that of {pad.ratio.to}, which it is a ratio to.",
            remedy=f"Write that of {pad.ratio.to}.",
            path=(*path[:-1], "molar_mass", "grams_per_mole"),
        )


def _check_range(name: str, pad: PadRow, path: Path) -> None:
    low, high = pad.expected.low, pad.expected.high
    if low is not None and high is not None and Decimal(low) >= Decimal(high):
        raise TableError(
            f"The expected range of {name} ends at {high}, below its beginning {low}.", remedy="Swap the two.", path=path
        )


# --- ladders ----------------------------------------------------------------------------------


def _check_comparators(step: Step, last: int, path: Path) -> None:
    if step.conventional is not None and step.si is not None and step.conventional.comparator != step.si.comparator:
        raise TableError(
            f"The step is {step.conventional.comparator or '='} in one unit system and {step.si.comparator or '='} in the other.",
            remedy=f'Write "{step.conventional.comparator}{step.si.value}", or mend the conventional number.',
            path=(*path, "si"),
        )
    open_ways = (*(_LOW if step.rank == 0 else ()), *(_HIGH if step.rank == last else ()))
    for key, number in (("conventional", step.conventional), ("si", step.si)):
        if number is not None and number.comparator:
            _check_open_end(number, open_ways, (*path, key))


def _check_open_end(number: Quantity, open_ways: Sequence[str], path: Path) -> None:
    if number.comparator not in open_ways:
        where = "lowest" if number.comparator in _LOW else "highest"
        raise TableError(
            f"{number.comparator}{number.value} is open, but is not the {where} step.",
            remedy=f'Write "{number.value}": only the {where} step of a ladder has no end.',
            path=path,
        )


def _check_numbers(steps: tuple[Step, ...], row: LadderRow, catalogue: CatalogueDocument, path: Path) -> None:
    if row.conventional is None or row.si is None:
        return
    mass = catalogue.pads[row.pad].molar_mass
    by = factor(row.conventional, row.si, catalogue.units, mass)
    if by is None:
        raise TableError(
            f"Nothing joins {row.conventional.property.value} in {row.conventional.unit} and {row.si.property.value} in {row.si.unit}.",
            remedy="Declare one of them: the two are different tests, or joined by convention only.",
            path=(*path, "si"),
        )
    means = f" (molar mass {mass.grams_per_mole} g/mol)" if mass and row.conventional.property is not row.si.property else ""
    for step, conventional, si in _pairs(steps):
        if not is_within_print(conventional, si, by):
            right = shown(conventional.value * by)
            raise TableError(
                f"{conventional.value} {conventional.unit} and {si.value} {si.unit} are not one concentration.",
                remedy=f"{conventional.value} {conventional.unit} is {right} {si.unit}{means}: "
                "compare both numbers with the strip's own sheet.",
                path=(*path, "ladder", step.rank, "si"),
            )


def _pairs(steps: tuple[Step, ...]) -> Iterator[tuple[Step, Quantity, Quantity]]:
    for step in steps:
        if step.conventional is not None and step.si is not None:
            yield step, step.conventional, step.si
