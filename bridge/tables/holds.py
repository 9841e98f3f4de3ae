"""The site's rules and terms of release: from plain values to typed rows, or to an error that names file and key."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator, Mapping
from dataclasses import replace
from decimal import Decimal
from types import MappingProxyType

from bridge.errors import TableError
from bridge.model import Grade, Quantity, Severity, Step
from bridge.tables.controls import NEGATIVE
from bridge.tables.flags import check_grade, check_pad, known_unit
from bridge.tables.hold_table import Alternatives, DeclaredRule, HoldTable, LookAlike, PadRule, ReleasePolicy, RulesToTry
from bridge.tables.holds_document import HoldRow, HoldsDocument, LikeControlRow, LikePreviousRow, PadConditionRow, Shows
from bridge.tables.types import Doubt, StripPad, StripType, Tables

HOLDS_FILE = "holds.yaml"

Path = tuple[str | int, ...]
Types = Mapping[str, StripType]

_GRADES = tuple(Grade)  # in rising order
_PLAIN = frozenset("0123456789.")


def with_holds(tables: Tables, document: HoldsDocument) -> Tables:
    """Give the tables with the site's word on holds, which is part of what is signed. Raises TableError.

    Tables of a site that says nothing of holds are the ones they were before there was anything to say, digest and all.
    """
    if document == HoldsDocument():
        return tables
    plain = json.loads(tables.canonical) | {"holds": document.model_dump(mode="json")}
    canonical = json.dumps(plain, sort_keys=True, separators=(",", ":")).encode()
    return replace(
        tables,
        holds=hold_table(document, tables.strip_types),
        canonical=canonical,
        digest=hashlib.sha256(canonical).hexdigest(),
        doubts=(*tables.doubts, *_doubts(document, tables.strip_types)),
    )


def hold_table(document: HoldsDocument, types: Types) -> HoldTable:
    """Give what the site says of holds, for every strip type. Raises TableError whose path begins with the file's name."""
    _check_rules(document)
    for index, row in enumerate(
        document.rules
    ):  # those that are off too: a fault must not show on the day that one is switched on
        _check_conditions(row, types, (HOLDS_FILE, "rules", index, "when"))
    on = [row for row in document.rules if row.switched_on]
    return HoldTable(
        pads=MappingProxyType({name: tuple(_pad_rules(on, strip)) for name, strip in types.items()}),
        control=next((_like_control(row, alike) for row in on if (alike := row.when.like_control)), None),
        previous=next((_like_previous(row, equal) for row in on if (equal := row.when.like_previous)), None),
        policies=MappingProxyType(dict(_policies(document))),
        reports=MappingProxyType({row.id: row.report for row in on if row.report}),
        off=len(document.rules) - len(on),
    )


def rules_to_try(document: HoldsDocument, types: Types) -> RulesToTry:
    """Give the rules that can be tried on one strip alone, those that are switched off too; what a strip looks like beside others is none of them."""
    rows = [row for row in document.rules if row.when.pads]
    return RulesToTry(
        declared=tuple(map(_declared, rows)),
        pads=MappingProxyType({name: tuple(_pad_rules(rows, strip)) for name, strip in types.items()}),
        on=frozenset(row.id for row in rows if row.switched_on),
    )


def _like_control(row: HoldRow, like: LikeControlRow) -> LookAlike:
    return LookAlike(declared=_declared(row), abnormal_pads=like.abnormal_pads, steps=like.steps)


def _like_previous(row: HoldRow, like: LikePreviousRow) -> LookAlike:
    return LookAlike(declared=_declared(row), abnormal_pads=like.abnormal_pads)


def _declared(row: HoldRow) -> DeclaredRule:
    return DeclaredRule(rule=row.id, severity=row.severity, sentence=row.message, remedy=row.remedy, report=row.report)


def _policies(document: HoldsDocument) -> Iterator[tuple[str, ReleasePolicy]]:
    for row in document.rules:
        if row.release is not None:
            yield row.id, ReleasePolicy(persons=row.release.persons, bulk=row.release.bulk)
    for policy in document.policies:
        yield policy.rule, ReleasePolicy(persons=policy.persons, bulk=policy.bulk)


# --- what cannot stand ------------------------------------------------------------------------


def _check_rules(document: HoldsDocument) -> None:
    seen: set[str] = set()
    for index, row in enumerate(document.rules):
        path: Path = (HOLDS_FILE, "rules", index)
        if row.id in seen:
            raise TableError(f"Two rules are called {row.id!r}.", remedy="Rename one.", path=(*path, "id"))
        seen.add(row.id)
        _check_terms(row, path)
        _check_kind(row, path)
    for key in ("like_control", "like_previous"):
        asked = [index for index, row in enumerate(document.rules) if getattr(row.when, key) is not None and row.switched_on]
        if len(asked) > 1:
            raise TableError(
                f"Two rules ask for {key}.",
                remedy="Keep one, or switch one off.",
                path=(HOLDS_FILE, "rules", asked[1], "when", key),
            )
    for index, policy in enumerate(document.policies):
        if policy.rule in seen:
            raise TableError(
                f"The terms of {policy.rule!r} are given twice.",
                remedy="Keep one; a rule that is declared here has its terms in its own row.",
                path=(HOLDS_FILE, "policies", index, "rule"),
            )
        seen.add(policy.rule)


def _check_terms(row: HoldRow, path: Path) -> None:
    """Refuse a hold without terms of release, terms of what holds nothing, and a comment that nobody signed."""
    if (row.severity is Severity.HOLD) is (row.release is None):
        raise TableError(
            f"The rule {row.id!r} holds, and says not who may release."
            if row.release is None
            else f"The rule {row.id!r} holds nothing.",
            remedy="Add release: {persons: 1, bulk: false}."
            if row.release is None
            else "Remove release, or write severity: hold.",
            path=(*path, "release"),
        )
    if row.report and row.switched_on and not row.signed:
        raise TableError(
            f"The rule {row.id!r} puts a comment on the report, but nobody has signed it.",
            remedy="Add signed: who decided so, and when; or write switched_on: false.",
            path=path,
        )


def _check_kind(row: HoldRow, path: Path) -> None:
    """Refuse a rule of no kind or of two, and an id that is another kind's."""
    given = [bool(row.when.pads), row.when.like_control is not None, row.when.like_previous is not None]
    if given.count(True) != 1 or (row.when.others and not row.when.pads):
        raise TableError(
            f"When {row.id!r} is met is not clear.",
            remedy="Give pads (and others, if you like), or like_control, or like_previous, and one of these only.",
            path=(*path, "when"),
        )
    family = "plausible" if row.when.pads else "look_alike"
    if row.id.partition(".")[0] != family:
        raise TableError(
            f"The rule {row.id!r} is of the family {family}.", remedy=f"Call it {family}.something.", path=(*path, "id")
        )


def _check_conditions(row: HoldRow, types: Types, path: Path) -> None:
    for number, condition in enumerate(row.when.pads):
        here: Path = (*path, "pads", number)
        if (condition.pad is None) is (not condition.any_of):
            raise TableError("The condition needs exactly one of pad and any_of.", remedy="Give one of them.", path=here)
        given = [condition.shows, condition.at_least, condition.at_most, condition.words or None]
        if sum(each is not None for each in given) != 1:
            raise TableError(
                "The condition needs exactly one of shows, at_least, at_most and words.", remedy="Give one of them.", path=here
            )
        for pad in _pads_of(condition):
            check_pad(pad, types, here)
            _check_limit(pad, condition, types, here)


def _check_limit(pad: str, row: PadConditionRow, types: Types, path: Path) -> None:
    text = row.at_least or row.at_most
    if text in set(Grade):
        check_grade(pad, Grade(str(text)), types, path)
    if text is None or text in set(Grade):
        if row.unit:
            raise TableError("Only a number has a unit.", remedy="Remove the unit.", path=(*path, "unit"))
    elif not set(text) <= _PLAIN or text.count(".") > 1 or not text.strip("."):
        listed = ", ".join(grade.value for grade in Grade)
        raise TableError(
            f"{text!r} is neither a grade nor a plain number.",
            remedy=f'Write one of {listed}; or a number such as "8.0", with its unit.',
            path=path,
        )
    else:
        known_unit(pad, row.unit, types, (*path, "unit"))
    if not any(_ranks(row, each) for strip in types.values() for each in strip.pads if each.pad == pad):
        raise TableError(
            f"No ladder of {pad} has such a step.", remedy="Compare with the ladders in mappings/strip_types/.", path=path
        )


# --- rules on the pads of one strip type --------------------------------------------------------


def _pads_of(row: PadConditionRow) -> tuple[str, ...]:
    return row.any_of or ((row.pad,) if row.pad is not None else ())


def _pad_rules(rows: list[HoldRow], strip: StripType) -> Iterator[PadRule]:
    """Give the rules that can be asked of a strip type: it has a pad for each of their conditions."""
    for row in rows:
        when = [_alternatives(condition, strip) for condition in row.when.pads]
        if when and all(when):
            named = {pad for condition in row.when.pads for pad in _pads_of(condition)}
            others = _others(strip, named) if row.when.others else ()
            yield PadRule(declared=_declared(row), when=(*when, *others))


def _alternatives(row: PadConditionRow, strip: StripType) -> Alternatives:
    wanted = _pads_of(row)
    found = [(pad.pad, _ranks(row, pad)) for pad in strip.pads if pad.pad in wanted]
    return tuple(sorted(((pad, ranks) for pad, ranks in found if ranks), key=lambda each: wanted.index(each[0])))


def _others(strip: StripType, named: set[str]) -> tuple[Alternatives, ...]:
    """Give the condition that every pad which is not named, and which has a negative step, stands there."""
    found = [(pad.pad, frozenset(step.rank for step in pad.ladder if step.grade in NEGATIVE)) for pad in strip.pads]
    return tuple(((pad, ranks),) for pad, ranks in found if ranks and pad not in named)


def _ranks(row: PadConditionRow, pad: StripPad) -> frozenset[int]:
    """Give the steps of a ladder at which the condition is met."""
    return frozenset(step.rank for step in pad.ladder if _meets(row, step, pad))


def _meets(row: PadConditionRow, step: Step, pad: StripPad) -> bool:
    if row.words:
        return step.word in row.words
    if step.word:
        return False
    if row.shows is not None:
        return _shows(row.shows, step, pad)
    text = row.at_least or row.at_most or ""
    if text in set(Grade):
        return step.grade is not None and _reaches(step.grade, Grade(text), is_least=row.at_least is not None)
    number = next((each for each in (step.conventional, step.si) if each is not None and each.unit == row.unit), None)
    return number is not None and _lies(number, Decimal(text), is_least=row.at_least is not None)


def _shows(what: Shows, step: Step, pad: StripPad) -> bool:
    """Say whether a step shows it. Of a ladder in numbers what is normal counts as nothing found."""
    match what:
        case Shows.LOWEST:
            return step.rank == 0
        case Shows.HIGHEST:
            return step.rank == len(pad.ladder) - 1
    is_graded = any(each.grade in NEGATIVE for each in pad.ladder)
    is_negative = step.grade in NEGATIVE if is_graded else not step.abnormal
    return is_negative if what is Shows.NEGATIVE else not is_negative


def _reaches(grade: Grade, limit: Grade, *, is_least: bool) -> bool:
    """Say whether a grade lies on the limit's side; "positive" cannot be compared with a count of plus signs."""
    if Grade.POSITIVE in (grade, limit):
        return grade is limit
    place, end = _GRADES.index(grade), _GRADES.index(limit)
    return place >= end if is_least else place <= end


def _lies(number: Quantity, limit: Decimal, *, is_least: bool) -> bool:
    """Say whether a number surely lies on the limit's side; one that is open to the other side is not sure."""
    if is_least:
        return number.comparator in {"", ">", ">="} and number.value >= limit
    return number.comparator in {"", "<", "<="} and number.value <= limit


def _doubts(document: HoldsDocument, types: Types) -> Iterator[Doubt]:
    for index, row in enumerate(document.rules):
        if row.when.pads and not any(tuple(_pad_rules([row], strip)) for strip in types.values()):
            yield Doubt(
                path=(HOLDS_FILE, "rules", index, "when"),
                sentence=f"No strip type has the pads of {row.id}.",
                remedy="The rule can never be met; remove it, or add the strip type.",
            )
