"""The site's word on flags: from mappings/flags.yaml to typed rows that contradict each other and the ladders nowhere."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace
from decimal import Decimal
from itertools import combinations
from types import MappingProxyType

from bridge.errors import TableError
from bridge.model import Grade, Quantity, Step
from bridge.tables.documents import BandRow, CatalogueDocument, ConditionRow, CriticalRow, FlagsDocument, NormalRow
from bridge.tables.flag_table import Band, Condition, CriticalRule, FlagTable
from bridge.tables.layouts import nearest
from bridge.tables.types import AbnormalSense, Doubt, StripType

FLAGS_FILE = "flags.yaml"

Path = tuple[str | int, ...]
Types = Mapping[str, StripType]

_FOUND = (Grade.PLUS_1, Grade.PLUS_2, Grade.PLUS_3, Grade.PLUS_4, Grade.POSITIVE)  # a trace is the site's to judge


def flag_table(document: FlagsDocument, catalogue: CatalogueDocument, types: Types) -> FlagTable:
    """Give the bands by pad, and the critical rules, those that are switched on apart from the others. Raises TableError."""
    bands = [_band(row, catalogue, types, (FLAGS_FILE, "bands", index)) for index, row in enumerate(document.bands)]
    _check_bands(bands)
    _check_normals(document.normal, types)
    rules = _rules(document.critical, catalogue, types)
    on = tuple(rule for rule, row in zip(rules, document.critical, strict=True) if row.switched_on)
    off = tuple(rule for rule, row in zip(rules, document.critical, strict=True) if not row.switched_on)
    by_pad = {pad: tuple(band for band in bands if band.pad == pad) for pad in dict.fromkeys(band.pad for band in bands)}
    return FlagTable(bands=MappingProxyType(by_pad), critical=on, off=off)


def with_site_normals(types: Types, document: FlagsDocument) -> dict[str, StripType]:
    """Give the strip types with the steps normal that the laboratory signed as normal; nothing else makes an abnormal step normal."""
    normal = {(row.pad, row.grade) for row in document.normal}

    def judged(pad: str, step: Step) -> Step:
        return replace(step, abnormal=False) if (pad, step.grade) in normal else step

    return {
        name: replace(
            strip,
            pads=tuple(replace(each, ladder=tuple(judged(each.pad, step) for step in each.ladder)) for each in strip.pads),
        )
        for name, strip in types.items()
    }


def flag_doubts(document: FlagsDocument, types: Types) -> tuple[Doubt, ...]:
    """Give what may be meant and may be a slip. ``types`` are those with the site's normals."""
    return (*_of_normals(document), *_of_bands(document, types), *_of_rules(document, types))


# --- bands ------------------------------------------------------------------------------------


def _band(row: BandRow, catalogue: CatalogueDocument, types: Types, path: Path) -> Band:
    check_pad(row.pad, types, path)
    if row.to_age is not None and row.from_age >= row.to_age:
        raise TableError(
            f"Nobody is {row.from_age} years old and under {row.to_age}.",
            remedy="from_age is the first age that belongs to the band, to_age the first that does not.",
            path=(*path, "to_age"),
        )
    has_range = row.low is not None or row.high is not None
    _check_what_it_gives(row, types, path, has_range=has_range)
    _check_ends(row, catalogue, path)
    unit = known_unit(row.pad, row.unit, types, (*path, "unit")) if has_range else ""
    if row.unit and not has_range:
        raise TableError("A grade has no unit.", remedy="Remove the unit.", path=(*path, "unit"))
    return Band(
        pad=row.pad,
        sex=row.sex,
        from_age=row.from_age,
        to_age=row.to_age,
        expected=row.expected,
        low=Quantity(value=Decimal(row.low), unit=unit) if row.low is not None else None,
        high=Quantity(value=Decimal(row.high), unit=unit) if row.high is not None else None,
        abnormal_from=row.abnormal_from,
    )


def _check_what_it_gives(row: BandRow, types: Types, path: Path, *, has_range: bool) -> None:
    """Refuse a band that gives a range and a grade, or neither, or a range that ends before it begins."""
    if has_range is (row.abnormal_from is not None):
        raise TableError(
            "The band gives both a range and a grade." if has_range else "The band gives neither a range nor a grade.",
            remedy="Give low, high or both with their unit; or abnormal_from.",
            path=(*path, "abnormal_from") if has_range else path,
        )
    if row.abnormal_from is not None:
        check_grade(row.pad, row.abnormal_from, types, (*path, "abnormal_from"))
    elif row.low is not None and row.high is not None and Decimal(row.low) >= Decimal(row.high):
        raise TableError(
            f"The range ends at {row.high}, below its beginning {row.low}.", remedy="Swap the two.", path=(*path, "high")
        )


def _check_ends(row: BandRow, catalogue: CatalogueDocument, path: Path) -> None:
    """Refuse a range of one end for a pad that is abnormal on both sides: the other side would be open by oversight."""
    if catalogue.pads[row.pad].sense is not AbnormalSense.OUTSIDE or row.abnormal_from is not None:
        return
    if row.low is None or row.high is None:
        missing = "low" if row.low is None else "high"
        raise TableError(
            f"{row.pad} is abnormal on both sides of its range, but the band has no {missing}.",
            remedy=f"Give {missing} too.",
            path=path,
        )


def _check_bands(bands: list[Band]) -> None:
    """Refuse two bands of one pad that somebody could be in, unless one lies inside the other: nobody could say which holds."""
    for (first, band), (second, other) in combinations(enumerate(bands), 2):
        if band.pad != other.pad or not band.shares_people(other) or band.is_inside(other) or other.is_inside(band):
            continue
        raise TableError(
            f"bands[{first}] ({band.people}) and bands[{second}] ({other.people}) of {band.pad} overlap, and neither lies inside the other.",
            remedy="Split the ages or sexes so that one person has one band; a narrower band may lie inside a wider one.",
            path=(FLAGS_FILE, "bands", second),
        )


# --- pads, grades, units ----------------------------------------------------------------------


def check_pad(pad: str, types: Types, path: Path) -> None:
    """Refuse a pad that no strip type has. Raises TableError."""
    known = {each.pad for strip in types.values() for each in strip.pads}
    if pad not in known:
        raise TableError(f"No strip type has the pad {pad!r}.", remedy=nearest(pad, known), path=(*path, "pad"))


def _steps(pad: str, types: Types) -> Iterator[Step]:
    return (step for strip in types.values() for each in strip.pads if each.pad == pad for step in each.ladder)


def check_grade(pad: str, grade: Grade, types: Types, path: Path) -> None:
    """Refuse a grade that no ladder of the pad has. Raises TableError."""
    known = {step.grade for step in _steps(pad, types) if step.grade}
    if grade not in known:
        listed = ", ".join(each.value for each in Grade if each in known)
        raise TableError(
            f"No ladder of {pad} has the grade {grade.value!r}.",
            remedy=f"Use one of: {listed}." if known else "Give numbers with their unit: its ladders have no grades.",
            path=path,
        )


def known_unit(pad: str, unit: str, types: Types, path: Path) -> str:
    """Give the unit, if a ladder of the pad has numbers in it. Raises TableError."""
    known = {number.unit for step in _steps(pad, types) for number in (step.conventional, step.si) if number}
    if unit not in known:
        raise TableError(
            f"No ladder of {pad} has numbers in {unit!r}." if unit else "The number has no unit.",
            remedy=f"Use one of: {', '.join(sorted(known))}." if known else "Give a grade: its ladders have no numbers.",
            path=path,
        )
    return unit


# --- normals ----------------------------------------------------------------------------------


def _check_normals(rows: tuple[NormalRow, ...], types: Types) -> None:
    seen: list[tuple[str, Grade]] = []
    for index, row in enumerate(rows):
        path: Path = (FLAGS_FILE, "normal", index)
        check_pad(row.pad, types, path)
        check_grade(row.pad, row.grade, types, (*path, "grade"))
        if (row.pad, row.grade) in seen:
            raise TableError(f"The grade {row.grade.value!r} of {row.pad} stands twice.", remedy="Keep one.", path=path)
        seen.append((row.pad, row.grade))
        if not any(step.abnormal for step in _steps(row.pad, types) if step.grade is row.grade):
            raise TableError(
                f"The grade {row.grade.value!r} of {row.pad} is abnormal on no ladder.",
                remedy="Remove the row.",
                path=(*path, "grade"),
            )


# --- critical rules ---------------------------------------------------------------------------


def _rules(rows: tuple[CriticalRow, ...], catalogue: CatalogueDocument, types: Types) -> list[CriticalRule]:
    """Compile every rule, those that are off too: a fault must not show on the day that one is switched on."""
    ids = [row.id for row in rows]
    rules = []
    for index, row in enumerate(rows):
        path: Path = (FLAGS_FILE, "critical", index)
        if row.id in ids[:index]:
            raise TableError(f"Two critical rules are called {row.id!r}.", remedy="Rename one.", path=(*path, "id"))
        if row.switched_on and not row.signed:
            raise TableError(
                f"The critical rule {row.id!r} is switched on, but nobody has signed it.",
                remedy="Add signed: who decided so, and when; or write switched_on: false.",
                path=path,
            )
        pads = [each.pad for each in row.when]
        for number, pad in enumerate(pads):
            if pad in pads[:number]:
                raise TableError(
                    f"{catalogue.pads[pad].name} stands in two conditions of one rule.",
                    remedy="Keep one.",
                    path=(*path, "when", number, "pad"),
                )
        conditions = tuple(_condition(each, types, (*path, "when", number)) for number, each in enumerate(row.when))
        rules.append(CriticalRule(rule=row.id, when=conditions, text=row.text))
    return rules


def _condition(row: ConditionRow, types: Types, path: Path) -> Condition:
    check_pad(row.pad, types, path)
    if (row.at_least is None) is (row.at_most is None):
        raise TableError(
            "The condition needs exactly one of at_least and at_most.",
            remedy='Write at_least: a grade such as "3+"; or at_least or at_most: a number, and its unit.',
            path=path,
        )
    if row.at_most is not None:
        return Condition(pad=row.pad, at_most=_limit(row, row.at_most, types, path))
    text = row.at_least or ""
    if text in set(Grade):
        grade = Grade(text)
        check_grade(row.pad, grade, types, (*path, "at_least"))
        if row.unit:
            raise TableError("A grade has no unit.", remedy="Remove the unit.", path=(*path, "unit"))
        return Condition(pad=row.pad, grade=grade)
    return Condition(pad=row.pad, at_least=_limit(row, text, types, path))


def _limit(row: ConditionRow, text: str, types: Types, path: Path) -> Quantity:
    if not text.replace(".", "", 1).isdecimal() or not text.isascii():
        listed = ", ".join(grade.value for grade in Grade)
        raise TableError(
            f"{text!r} is neither a grade nor a plain number.",
            remedy=f'Write one of {listed}; or a number such as "1000", with its unit.',
            path=(*path, "at_least"),
        )
    return Quantity(value=Decimal(text), unit=known_unit(row.pad, row.unit, types, (*path, "unit")))


# --- doubts -----------------------------------------------------------------------------------


def _of_normals(document: FlagsDocument) -> Iterator[Doubt]:
    for index, row in enumerate(document.normal):
        if row.grade in _FOUND:
            yield Doubt(
                path=(FLAGS_FILE, "normal", index, "grade"),
                sentence=f"The grade {row.grade.value!r} of {row.pad} is signed as normal by {row.signed}.",
                remedy="Remove the row, unless the laboratory has decided so.",
            )


def _of_bands(document: FlagsDocument, types: Types) -> Iterator[Doubt]:
    """Give the bands whose words leave out a bound that counts as normal; and those whose range holds a step that the ladder calls abnormal: its flag stays A beside a range that says normal."""
    for index, row in enumerate(document.bands):
        said, bound = row.expected.partition(" ")[0], row.high or row.low
        if said in {f"<{row.high}", f">{row.low}"}:
            yield Doubt(
                path=(FLAGS_FILE, "bands", index, "expected"),
                sentence=f"The expectation says {said}, but {bound} itself is in the range and is flagged as normal.",
                remedy=f'Write "{said[0]}={said[1:]}", or another bound.',
            )
        inside = (step for step in _steps(row.pad, types) if step.abnormal and _holds(row, step))
        if (step := next(inside, None)) is not None:
            number = next(each for each in (step.conventional, step.si) if each is not None and each.unit == row.unit)
            yield Doubt(
                path=(FLAGS_FILE, "bands", index),
                sentence=f"The range of the band holds {number.comparator}{number.value} {number.unit}, which a ladder of {row.pad} calls abnormal: "
                "its flag stays A.",
                remedy="Write abnormal: false in the site's own copy of the ladder, or narrow the range.",
            )


def _holds(row: BandRow, step: Step) -> bool:
    numbers = [each for each in (step.conventional, step.si) if each is not None and row.unit and each.unit == row.unit]
    low, high = (Decimal(text) if text is not None else None for text in (row.low, row.high))
    return any(
        not number.comparator and (low is None or low <= number.value) and (high is None or number.value <= high)
        for number in numbers
    )


def _of_rules(document: FlagsDocument, types: Types) -> Iterator[Doubt]:
    for index, row in enumerate(document.critical):
        pads = {each.pad for each in row.when}
        if not any(pads <= {each.pad for each in strip.pads} for strip in types.values()):
            yield Doubt(
                path=(FLAGS_FILE, "critical", index, "when"),
                sentence=f"No strip type has all pads of {row.id}: {', '.join(sorted(pads))}.",
                remedy="The rule can never be met; remove it, or add the strip type.",
            )
