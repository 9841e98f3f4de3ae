"""The site's controls: from plain values to typed materials, lots and gate policy, or to an error that names file and key.

A lot is judged by the same rules whether a file or a person at a form brought it.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace
from datetime import date, time, timedelta
from types import MappingProxyType
from typing import TypeVar
from zoneinfo import ZoneInfo

from bridge.errors import TableError
from bridge.model import Grade
from bridge.tables.control_table import (
    ControlLot,
    ControlMaterial,
    ControlTable,
    DriftRule,
    ExpectedPad,
    GatePolicy,
    LevelKind,
)
from bridge.tables.controls_document import ControlsDocument, ExpectedRow, GateRow, LotRow, MaterialRow
from bridge.tables.expected import ranks_between, ranks_of_words
from bridge.tables.layouts import nearest
from bridge.tables.types import Doubt, StripPad, StripType, Tables

CONTROLS_FILE = "controls.yaml"

Path = tuple[str | int, ...]
Types = Mapping[str, StripType]
_T = TypeVar("_T")

NEGATIVE: frozenset[Grade] = frozenset({Grade.NEGATIVE, Grade.NORMAL})  # ours: the two grades that say "nothing found"


def with_controls(tables: Tables, document: ControlsDocument, *, zone: ZoneInfo) -> Tables:
    """Give the tables with the site's word on controls, which is part of what is signed. Raises TableError.

    Tables of a site that says nothing of controls are the ones they were before there was anything to say, digest and all.
    """
    if document == ControlsDocument():
        return tables
    plain = json.loads(tables.canonical) | {"controls": document.model_dump(mode="json")}
    canonical = json.dumps(plain, sort_keys=True, separators=(",", ":")).encode()
    table = control_table(document, tables.strip_types, zone=zone)
    return replace(
        tables,
        controls=table,
        canonical=canonical,
        digest=hashlib.sha256(canonical).hexdigest(),
    )


def control_doubts(table: ControlTable, used: Iterable[str]) -> Iterator[Doubt]:
    """Give what may keep a gate shut by oversight: lots that nobody signed, and levels without a lot for a strip type in use (``used``)."""
    if table.policy is None:
        return
    for index, lot in enumerate(table.lots):
        if not lot.is_signed:
            yield Doubt(
                path=(CONTROLS_FILE, "lots", index, "signed"),
                sentence=f"Nobody has signed lot {lot.lot}: its runs count for nothing.",
                remedy="A second person compares it with the insert and signs.",
            )
    for strip_type in sorted(set(used)):
        have = {lot.level for lot in table.lots if lot.strip_type == strip_type and lot.is_signed}
        missing = sorted(table.policy.levels - have)
        if missing:
            yield Doubt(
                path=(CONTROLS_FILE, "gate", "levels"),
                sentence=f"{strip_type} has no signed lot of level {', '.join(missing)} here: its gate opens by lots entered on the page Controls only.",
                remedy="Enter a lot of each level there, or here.",
            )


def control_table(document: ControlsDocument, types: Types, *, zone: ZoneInfo) -> ControlTable:
    """Give what the site says of controls. ``zone`` is the site's. Raises TableError whose path begins with the file's name."""
    materials = {name: _material(name, row) for name, row in document.materials.items()}
    lots = tuple(
        control_lot(row, materials, types, path=(CONTROLS_FILE, "lots", index)) for index, row in enumerate(document.lots)
    )
    _check_lots(lots)
    if document.drift.runs > document.drift.of:
        raise TableError(
            f"{document.drift.runs} of {document.drift.of} runs can never be off.",
            remedy="Let runs be smaller than of.",
            path=(CONTROLS_FILE, "drift", "runs"),
        )
    return ControlTable(
        materials=MappingProxyType(materials),
        lots=lots,
        policy=_policy(document.gate, materials, zone) if document.gate else None,
        drift=DriftRule(off=document.drift.runs, of=document.drift.of),
    )


def _material(name: str, row: MaterialRow) -> ControlMaterial:
    levels: dict[str, LevelKind] = {}
    for index, level in enumerate(row.levels):
        if level.level in levels:
            raise TableError(
                f"The level {level.level!r} is given twice.",
                remedy="Keep one.",
                path=(CONTROLS_FILE, "materials", name, "levels", index, "level"),
            )
        levels[level.level] = level.kind
    return ControlMaterial(material=name, title=row.title, levels=MappingProxyType(levels))


# --- lots -------------------------------------------------------------------------------------


def control_lot(row: LotRow, materials: Mapping[str, ControlMaterial], types: Types, *, path: Path = ()) -> ControlLot:
    """Give one lot as typed from its insert. Raises TableError for what the ladders, the material or the level contradict."""
    material = _known(row.material, materials, "There is no control material", (*path, "material"))
    kind = _known(row.level, material.levels, f"{row.material} has no level", (*path, "level"))
    strip = _known(row.strip_type, types, "There is no strip type", (*path, "strip_type"))
    if row.signed == row.entered:
        raise TableError(
            f"{row.entered} both entered and signed the lot.",
            remedy="A second person compares it with the insert and signs.",
            path=(*path, "signed"),
        )
    lot = ControlLot(
        material=row.material,
        level=row.level,
        lot=row.lot,
        labels=frozenset(row.labels),
        expires=_day(row.expires, (*path, "expires")),
        strip_type=row.strip_type,
        expected=tuple(_expected_pads(row, strip, path)),
        entered_by=row.entered,
        signed_by=row.signed,
    )
    _check_kind(lot, kind, strip, (*path, "expected"))
    return lot


def _known(key: str, known: Mapping[str, _T], sentence: str, path: Path) -> _T:
    if key not in known:
        raise TableError(f"{sentence} {key!r}.", remedy=nearest(key, known), path=path)
    return known[key]


def _day(text: str, path: Path) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError as error:
        raise TableError(
            f"{text!r} is no day of the calendar.", remedy="Write the last day of use as 2027-05-31.", path=path
        ) from error


def _expected_pads(row: LotRow, strip: StripType, path: Path) -> Iterator[ExpectedPad]:
    """Give what is expected of every pad of the strip, in its order."""
    rows: dict[str, tuple[int, ExpectedRow]] = {}
    for index, each in enumerate(row.expected):
        here = (*path, "expected", index, "pad")
        if each.pad not in strip.places:
            raise TableError(f"{strip.name} has no pad {each.pad!r}.", remedy=nearest(each.pad, strip.places), path=here)
        if each.pad in rows:
            raise TableError(f"The pad {each.pad!r} is given twice.", remedy="Keep one.", path=here)
        rows[each.pad] = index, each
    for pad in strip.pads:
        if pad.pad not in rows:
            raise TableError(
                f"Nothing is expected of {pad.pad}.",
                remedy="Give what the insert says of it, or write claimed: false if the insert says nothing of it.",
                path=(*path, "expected"),
            )
        index, each = rows[pad.pad]
        yield ExpectedPad(pad=pad.pad, ranks=_ranks(each, pad, row, (*path, "expected", index)))


def _ranks(row: ExpectedRow, pad: StripPad, lot: LotRow, path: Path) -> tuple[int, ...]:
    given = [row.low is not None or row.high is not None, bool(row.words), not row.claimed]
    if given.count(True) != 1 or (row.low is None and row.high is not None):
        raise TableError(
            f"What is expected of {row.pad} is not clear.",
            remedy="Give low, or low and high, or words, or claimed: false, and one of these only.",
            path=path,
        )
    if not row.claimed:
        return ()
    if row.low is None:
        return ranks_of_words(pad, row.words, path=path)
    if any(step.word for step in pad.ladder):
        raise TableError(f"{row.pad} has words and no order.", remedy="Give words in place of low and high.", path=(*path, "low"))
    return ranks_between(pad, row.low, row.high or row.low, system=lot.unit_system, path=path)


def _check_kind(lot: ControlLot, kind: LevelKind, strip: StripType, path: Path) -> None:
    """Refuse a negative level that must be found, and a positive one that nothing must be found of: two columns were mixed up."""
    pads = {pad.pad: pad for pad in strip.pads}
    found = [each.pad for each in lot.expected if each.is_claimed and must_be_found(each, pads[each.pad])]
    if kind is LevelKind.NEGATIVE and found:
        raise TableError(
            f"Level {lot.level} of {lot.material} is a negative one, and {', '.join(found)} would have to be found in it.",
            remedy="Compare with the insert: the columns of two levels may be mixed up.",
            path=path,
        )
    if kind is LevelKind.POSITIVE and not found:
        raise TableError(
            f"Level {lot.level} of {lot.material} is a positive one, and no pad would have to find anything in it.",
            remedy="Compare with the insert: the columns of two levels may be mixed up.",
            path=path,
        )


def is_negative(pad: StripPad, rank: int) -> bool:
    """Say whether a step of the ladder says that nothing was found; pads without grades (pH, specific gravity) have no such step."""
    return pad.ladder[rank].grade in NEGATIVE


def must_be_found(expected: ExpectedPad, pad: StripPad) -> bool:
    """Say whether the pad has a negative step and the insert does not allow it."""
    return any(step.grade in NEGATIVE for step in pad.ladder) and not any(is_negative(pad, rank) for rank in expected.ranks)


def _check_lots(lots: tuple[ControlLot, ...]) -> None:
    """Refuse a lot given twice, and a text that would name two lots or levels on one strip type: nobody could say which was read."""
    owners: dict[tuple[str, str], int] = {}
    for index, lot in enumerate(lots):
        for text in sorted({lot.lot, *lot.labels}):
            first = owners.setdefault((lot.strip_type, text), index)
            if first != index and (lots[first].level == lot.level or text in lot.labels):
                raise TableError(
                    f"{text!r} names two lots on {lot.strip_type}: lots[{first}] and lots[{index}].",
                    remedy="Give each lot what only its own vial says.",
                    path=(CONTROLS_FILE, "lots", index),
                )


# --- the gate's policy ------------------------------------------------------------------------


def _policy(row: GateRow, materials: Mapping[str, ControlMaterial], zone: ZoneInfo) -> GatePolicy:
    levels = {level for material in materials.values() for level in material.levels}
    for index, level in enumerate(row.levels):
        if level not in levels:
            raise TableError(
                f"No control material has the level {level!r}.",
                remedy=nearest(level, levels),
                path=(CONTROLS_FILE, "gate", "levels", index),
            )
    return GatePolicy(
        levels=frozenset(row.levels),
        zone=zone,
        shut=row.shut,
        day_starts=time.fromisoformat(row.day_starts),
        each_day="day" in row.due,
        shifts=tuple(sorted(time.fromisoformat(each) for each in row.shifts)),
        every_strips=row.every_strips,
        new_container="container" in row.due,
        after_service="service" in row.due,
        grace=timedelta(minutes=row.grace_minutes),
        one_step=row.one_step_either_side is not None,
    )
