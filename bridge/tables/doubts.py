"""What is doubtful in the mapping files and may still be right: told by ``padpost check``, and no hindrance to loading."""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Mapping
from decimal import Decimal

from bridge.model import Grade, Quantity, Step, UnitSystem
from bridge.tables.care import CATALOGUE_FILE
from bridge.tables.conversion import factor, is_one_rounding, shown
from bridge.tables.documents import CatalogueDocument, LadderRow, PadRow
from bridge.tables.types import AbnormalSense, Doubt, PadVocabulary, Profile, StripPad, StripType
from bridge.tables.vocabulary import number_of, possible_elsewhere

Path = tuple[str | int, ...]

_EXPECTED_GRADES = (Grade.NEGATIVE, Grade.NORMAL)
_FOUND_GRADES = (Grade.PLUS_1, Grade.PLUS_2, Grade.PLUS_3, Grade.PLUS_4, Grade.POSITIVE)  # a trace is the site's to judge


def doubts(
    catalogue: CatalogueDocument,
    types: Mapping[str, StripType],
    rows: Mapping[str, tuple[LadderRow, ...]],
    profiles: Mapping[str, Profile],
) -> tuple[Doubt, ...]:
    """Give every doubt, the catalogue's first. ``types`` are the compiled strip types, ``rows`` their pads as the files have them."""
    found = list(_of_catalogue(catalogue))
    for name, strip in types.items():
        for index, (pad, row) in enumerate(zip(strip.pads, rows[name], strict=True)):
            path: Path = (f"strip_types/{name}.yaml", "pads", index)
            found += _of_grades(pad, path)
            found += _of_range(pad, catalogue.pads[pad.pad], path)
            found += _of_numbers(pad, row, catalogue, path)
    for profile in profiles.values():
        found += _of_units(profile, types)
    return tuple(found)


def _of_catalogue(catalogue: CatalogueDocument) -> Iterator[Doubt]:
    for name, pad in catalogue.pads.items():
        path: Path = (CATALOGUE_FILE, "pads", name)
        for index, code in enumerate(pad.codes):
            here = (*path, "codes", index)
            if code.method != "none" and code.scale == "Qn":
                yield Doubt(
                    path=(*here, "scale"),
                    sentence=f"{code.code} is a test strip's code with the scale Qn.",
                    remedy="Since LOINC 2.75 strip concentrations are SemiQn; look the code up again.",
                )
            if code.property not in pad.units and code.scale != "Ord":
                yield Doubt(
                    path=(*here, "property"),
                    sentence=f"No unit of {name} is given for {code.property.value}, so {code.code} is never sent.",
                    remedy=f"Add {code.property.value} to its units, or remove the code.",
                )
        if pad.sense is AbnormalSense.OUTSIDE and (pad.expected.low is None) != (pad.expected.high is None):
            yield Doubt(
                path=(*path, "expected"),
                sentence=f"{name} is abnormal outside a range, but the range has one end.",
                remedy="Give low and high, or write sense: more.",
            )


def _of_grades(pad: StripPad, path: Path) -> Iterator[Doubt]:
    """Give the steps whose grade and ``abnormal`` pull apart, and normal steps above abnormal ones of graded pads."""
    for step in pad.ladder:
        if step.abnormal and step.grade in _EXPECTED_GRADES:
            yield _abnormal(step, path, f"The grade {step.grade} is marked abnormal.", is_right=False)
        if not step.abnormal and step.grade in _FOUND_GRADES:
            yield _abnormal(step, path, f"The grade {step.grade} is not marked abnormal.", is_right=True)
    for before, step in itertools.pairwise(pad.ladder):
        if before.grade and step.grade and before.abnormal and not step.abnormal and step.grade not in _FOUND_GRADES:
            yield _abnormal(step, path, f"The grade {step.grade} is normal above an abnormal {before.grade}.", is_right=True)


def _of_range(pad: StripPad, row: PadRow, path: Path) -> Iterator[Doubt]:
    """Give the steps that the catalogue's expected range and the ladder judge differently."""
    for step in pad.ladder:
        number = step.conventional
        if number is None or number.unit != row.expected.unit:
            continue
        outside = _outside(number, row)
        if outside is not None and outside is not step.abnormal:
            said = f"{number.comparator}{number.value} is {'outside' if outside else 'inside'} the expected range {row.expected.text}"
            yield _abnormal(step, path, f"{said}, but is{' not' if outside else ''} marked abnormal.", is_right=outside)


def _outside(number: Quantity, row: PadRow) -> bool | None:
    """Say whether a number is outside the range; None where the range says nothing, or not all that it should."""
    low, high = row.expected.low, row.expected.high
    if high is None or (low is None and row.sense is AbnormalSense.OUTSIDE):
        return None
    return (low is not None and number.value < Decimal(low)) or number.value > Decimal(high)


def _of_numbers(pad: StripPad, row: LadderRow, catalogue: CatalogueDocument, path: Path) -> Iterator[Doubt]:
    if row.conventional is None or row.si is None:
        return
    by = factor(row.conventional, row.si, catalogue.units, catalogue.pads[pad.pad].molar_mass)
    assert by is not None  # care.check_ladder refused a pair that nothing joins
    for step in pad.ladder:
        if step.conventional is None or step.si is None or is_one_rounding(step.conventional, step.si, by):
            continue
        right = shown(step.conventional.value * by)
        yield Doubt(
            path=(*path, "ladder", step.rank, "si"),
            sentence=f"{step.conventional.value} {step.conventional.unit} and {step.si.value} {step.si.unit} agree only if both are rounded.",
            remedy=f"{step.conventional.value} {step.conventional.unit} is {right} {step.si.unit}; compare both numbers with the strip's own sheet.",
        )


def _of_units(profile: Profile, types: Mapping[str, StripType]) -> Iterator[Doubt]:
    """Give the strip types whose values may leave open, all together, in which unit system this profile's analyzer printed them."""
    for printed, name in profile.strip_types.items():
        values = undecidable(profile, types[name])
        if values:
            listed = "; ".join(f"{pad} {', '.join(texts)}" for pad, texts in values.items())
            yield Doubt(
                path=(f"profiles/{profile.name}.yaml", "strip_types", printed),
                sentence=f"If the analyzer's unit setting is changed, a strip of {name} may not show it: {listed} would be another step.",
                remedy="Print units beside the values if the analyzer can. Padpost holds such a strip for a person (unit.undecided).",
            )


def undecidable(profile: Profile, strip: StripType) -> dict[str, tuple[str, ...]]:
    """Give, by pad, the texts that are another step in a unit system in which every pad of the strip can be printed alike.

    Empty where some pad always shows which system it is, or where no text has two meanings.
    """
    found: dict[str, set[str]] = {}
    for system in UnitSystem:
        shared = {
            pad.pad: _shared(pad, profile.vocabularies[strip.name, pad.pad], profile.unit_system, system) for pad in strip.pads
        }
        if all(shared.values()):
            for pad, texts in shared.items():
                found.setdefault(pad, set()).update(text for text, is_other_step in texts.items() if is_other_step)
    return {pad: tuple(sorted(texts)) for pad, texts in found.items() if texts}


def _shared(pad: StripPad, words: PadVocabulary, declared: UnitSystem, system: UnitSystem) -> dict[str, bool]:
    """Give each text that the declared system and ``system`` both print for a pad, unit and all, and whether its step is another one."""
    found: dict[str, bool] = {}
    for text, token in words.tokens.items():
        if token.step is None:
            continue
        has_number = number_of(token.step, pad, declared) is not None
        for unit in (words.units - {""} if has_number else ()) or ("",):
            ranks = possible_elsewhere(words, text, unit).get(system)
            if ranks:
                found[text] = ranks != {token.step.rank}
    return found


def _abnormal(step: Step, path: Path, sentence: str, *, is_right: bool) -> Doubt:
    return Doubt(
        path=(*path, "ladder", step.rank, "abnormal"),
        sentence=sentence,
        remedy=f"Write abnormal: {str(is_right).lower()}, unless the laboratory has decided so.",
    )
