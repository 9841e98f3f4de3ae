"""Strip types: from a mapping file's plain ladder to typed steps."""

from __future__ import annotations

import itertools
import re
from collections.abc import Mapping
from decimal import Decimal

from bridge.errors import TableError
from bridge.model import Grade, Property, Quantity, Step
from bridge.tables.documents import LadderRow, Scale, StepRow, StripTypeDocument
from bridge.tables.types import CataloguePad, StripPad, StripType

Path = tuple[str | int, ...]
Units = Mapping[str, Mapping[Property, tuple[str, ...]]]

_NUMBER = re.compile(r"(?P<comparator><=|>=|<|>)?(?P<digits>[0-9.]+)")
_GRADES = tuple(Grade)


def strip_type(name: str, document: StripTypeDocument, pads: Mapping[str, CataloguePad], units: Units) -> StripType:
    """Give a strip type whose every value has a code in the catalogue. Raises TableError."""
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
    return StripType(
        name=name,
        title=document.title,
        pads=tuple(_strip_pad(row, pads[row.pad], units[row.pad], (*path, index)) for index, row in enumerate(document.pads)),
    )


def _strip_pad(row: LadderRow, pad: CataloguePad, units: Mapping[Property, tuple[str, ...]], path: Path) -> StripPad:
    for key, scale in (("conventional", row.conventional), ("si", row.si)):
        if scale is not None:
            _check_scale(scale, pad, units, (*path, key))
    if row.si is not None and row.conventional is None:
        raise TableError(
            "SI values stand without conventional ones.", remedy="Declare the conventional scale too.", path=(*path, "si")
        )
    steps = tuple(_step(rank, step, row, (*path, "ladder", rank)) for rank, step in enumerate(row.ladder))
    if any(step.grade for step in steps) and not _has_code(pad, Property.ORDINAL):
        raise TableError(
            f"The catalogue has no code for a grade of {pad.pad}.",
            remedy="Give the steps numbers and no grade.",
            path=(*path, "ladder"),
        )
    _check_rising(steps, path)
    return StripPad(
        pad=row.pad,
        ladder=steps,
        conventional_property=row.conventional.property if row.conventional else None,
        si_property=row.si.property if row.si else None,
    )


def _has_code(pad: CataloguePad, prop: Property) -> bool:
    return any(code.prop is prop for code in pad.codes)


def _check_scale(scale: Scale, pad: CataloguePad, units: Mapping[Property, tuple[str, ...]], path: Path) -> None:
    if not _has_code(pad, scale.property):
        known = sorted({code.prop.value for code in pad.codes})
        raise TableError(
            f"The catalogue has no {scale.property.value} code for {pad.pad}.",
            remedy=f"Use one of: {', '.join(known)}.",
            path=(*path, "property"),
        )
    allowed = units.get(scale.property, ())
    if scale.unit not in allowed:
        raise TableError(
            f"The unit {scale.unit!r} is not one of {pad.pad} as {scale.property.value}.",
            remedy=f"Use one of: {', '.join(allowed)}.",
            path=(*path, "unit"),
        )


def _step(rank: int, row: StepRow, ladder: LadderRow, path: Path) -> Step:
    if row.grade is None and row.conventional is None:
        raise TableError("The step has neither a grade nor a conventional number.", remedy="Give it one of them.", path=path)
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
    """Refuse a ladder whose grades or numbers do not rise: its ranks would say nothing."""
    for before, step in itertools.pairwise(steps):
        here = (*path, "ladder", step.rank)
        if before.grade and step.grade and _GRADES.index(before.grade) >= _GRADES.index(step.grade):
            raise TableError(
                f"The grade {step.grade.value!r} stands above {before.grade.value!r}.",
                remedy="List the steps from low to high, each grade once.",
                path=here,
            )
        for low, high in ((before.conventional, step.conventional), (before.si, step.si)):
            if low is not None and high is not None and low.value >= high.value:
                raise TableError(
                    f"The number {high.value} stands above {low.value}.",
                    remedy="List the steps from low to high, each number once.",
                    path=here,
                )
