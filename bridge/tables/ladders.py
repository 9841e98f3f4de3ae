"""Strip types: from a mapping file's plain ladder to typed steps."""

from __future__ import annotations

import re
from collections.abc import Mapping
from decimal import Decimal

from bridge.errors import TableError
from bridge.model import Grade, Property, Quantity, Step
from bridge.tables.care import UNNUMBERED, check_ladder, check_unit
from bridge.tables.documents import CatalogueDocument, LadderRow, RatioRow, Scale, StepRow, StripTypeDocument
from bridge.tables.ratios import check_ratio, strip_ratio
from bridge.tables.types import CataloguePad, StripPad, StripRatio, StripType
from bridge.tables.words import check_words

Path = tuple[str | int, ...]

_NUMBER = re.compile(r"(?P<comparator><=|>=|<|>)?(?P<digits>[0-9.]+)")
_GRADES = tuple(Grade)


def strip_type(
    name: str, document: StripTypeDocument, pads: Mapping[str, CataloguePad], catalogue: CatalogueDocument
) -> StripType:
    """Give a strip type whose every value has a code in the catalogue. ``pads`` are the catalogue's, compiled. Raises TableError."""
    path: Path = (f"strip_types/{name}.yaml", "pads")
    keys = [row.pad for row in document.pads]
    for index, key in enumerate(keys):
        if key not in pads:
            raise TableError(
                f"The pad {key!r} is not in the catalogue.",
                remedy=f"Use one of: {', '.join(sorted(pads))}.",
                path=(*path, index, "pad"),
            )
        if key in keys[:index]:
            raise TableError(f"The pad {key!r} is on the strip twice.", remedy="Keep one.", path=(*path, index, "pad"))
    made = {row.pad: _strip_pad(row, pads[row.pad], catalogue, (*path, index)) for index, row in enumerate(document.pads)}
    return StripType(
        name=name,
        title=document.title,
        pads=tuple(made.values()),
        ratios=tuple(_ratio(row, made, pads, catalogue, (path[0], "ratios", index)) for index, row in enumerate(document.ratios)),
    )


def _ratio(
    row: RatioRow, strip_pads: Mapping[str, StripPad], pads: Mapping[str, CataloguePad], catalogue: CatalogueDocument, path: Path
) -> StripRatio:
    """Give a ratio of two pads of the strip, whose every value has a code."""
    check_ratio(row, strip_pads, catalogue, path)
    for key, scale in (("conventional", row.conventional), ("si", row.si)):
        if scale is not None:
            _check_scale(scale, pads[row.pad], catalogue, (*path, key))
    return strip_ratio(row, strip_pads, catalogue, path)


def _strip_pad(row: LadderRow, pad: CataloguePad, catalogue: CatalogueDocument, path: Path) -> StripPad:
    for key, scale in (("conventional", row.conventional), ("si", row.si)):
        if scale is not None:
            _check_scale(scale, pad, catalogue, (*path, key))
    if row.si is not None and row.conventional is None:
        raise TableError(
            "SI values stand without conventional ones.", remedy="Declare the conventional scale too.", path=(*path, "si")
        )
    steps = tuple(_step(rank, step, row, (*path, "ladder", rank)) for rank, step in enumerate(row.ladder))
    _check_grades(steps, pad, path)
    check_words(steps, row, pad.words, path)
    _check_rising(steps, path)
    check_ladder(steps, row, catalogue, path)
    return StripPad(
        pad=row.pad,
        ladder=steps,
        conventional_property=row.conventional.property if row.conventional else None,
        si_property=row.si.property if row.si else None,
        read_after_s=row.read_after_s,
    )


def _check_grades(steps: tuple[Step, ...], pad: CataloguePad, path: Path) -> None:
    if any(step.grade for step in steps) and not _has_code(pad, Property.ORDINAL):
        raise TableError(
            f"The catalogue has no code for a grade of {pad.pad}.",
            remedy="Give the steps numbers and no grade.",
            path=(*path, "ladder"),
        )


def _has_code(pad: CataloguePad, prop: Property) -> bool:
    return any(code.prop is prop for code in pad.codes)


def _check_scale(scale: Scale, pad: CataloguePad, catalogue: CatalogueDocument, path: Path) -> None:
    if scale.property in UNNUMBERED:
        raise TableError(
            f"{UNNUMBERED[scale.property]} and has no numbers.",
            remedy=f"Name what the numbers of {pad.pad} are: {', '.join(prop.value for prop in catalogue.pads[pad.pad].units) or 'none'}.",
            path=(*path, "property"),
        )
    if not _has_code(pad, scale.property):
        known = sorted({code.prop.value for code in pad.codes})
        raise TableError(
            f"The catalogue has no {scale.property.value} code for {pad.pad}.",
            remedy=f"Use one of: {', '.join(known)}.",
            path=(*path, "property"),
        )
    check_unit(scale.unit, catalogue, (*path, "unit"))
    allowed = catalogue.pads[pad.pad].units.get(scale.property, ())
    if scale.unit not in allowed:
        raise TableError(
            f"The unit {scale.unit!r} is not one of {pad.pad} as {scale.property.value}.",
            remedy=f"Use one of: {', '.join(allowed)}.",
            path=(*path, "unit"),
        )


def _step(rank: int, row: StepRow, ladder: LadderRow, path: Path) -> Step:
    if row.grade is None and row.conventional is None and row.word is None:
        raise TableError(
            "The step has neither a grade nor a word nor a conventional number.", remedy="Give it one of them.", path=path
        )
    if (row.si is None) != (row.conventional is None or ladder.si is None):
        raise TableError(
            "The step has a number in one unit system only.",
            remedy="Give it the other system's number too, or neither.",
            path=path,
        )
    return Step(
        rank=rank,
        grade=row.grade,
        conventional=_quantity(row.conventional, ladder.conventional, (*path, "conventional")),
        si=_quantity(row.si, ladder.si, (*path, "si")),
        abnormal=row.abnormal,
        word=row.word or "",
    )


def _quantity(text: str | None, scale: Scale | None, path: Path) -> Quantity | None:
    if text is None:
        return None
    if scale is None:
        raise TableError(
            "The step has a number, but the pad has no scale for it.", remedy=f"Declare {path[-1]}: property and unit.", path=path
        )
    found = _NUMBER.fullmatch(text)
    if found is None:
        raise TableError(f"{text!r} is not a number.", remedy='Write it as "1.010" or ">=1000".', path=path)
    return Quantity(value=Decimal(found["digits"]), unit=scale.unit, comparator=found["comparator"] or "")


def _check_rising(steps: tuple[Step, ...], path: Path) -> None:
    """Refuse a ladder whose grades or numbers do not rise: its ranks would say nothing.

    Each is compared with the last one below it, over steps that have none.
    """
    grade: Grade | None = None
    numbers: dict[str, Quantity] = {}
    for step in steps:
        here = (*path, "ladder", step.rank)
        if grade and step.grade and _GRADES.index(grade) >= _GRADES.index(step.grade):
            raise TableError(
                f"The grade {step.grade.value!r} stands above {grade.value!r}.",
                remedy="List the steps from low to high, each grade once.",
                path=here,
            )
        grade = step.grade or grade
        for system, number in (("conventional", step.conventional), ("si", step.si)):
            if number is None:
                continue
            if system in numbers and numbers[system].value >= number.value:
                raise TableError(
                    f"The number {number.value} stands above {numbers[system].value}.",
                    remedy="List the steps from low to high, each number once.",
                    path=here,
                )
            numbers[system] = number
