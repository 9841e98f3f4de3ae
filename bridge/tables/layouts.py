"""The layout sections of a profile: checked and typed, one function for each kind."""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable
from types import MappingProxyType

from bridge.errors import TableError
from bridge.tables.documents import (
    FIELD_NAMES,
    PAD_NAMES,
    DelimitedDocument,
    Hl7Document,
    JsonDocument,
    Lis2Document,
    SlipDocument,
)
from bridge.tables.patterns import pattern
from bridge.tables.types import DelimitedLayout, Hl7Layout, Hl7Place, JsonLayout, Lis2Layout, SlipLayout, SlipLine

Path = tuple[str | int, ...]

_ADDRESS = re.compile(
    r"(?:[HPOM]\.(?:[2-9]|[1-3][0-9])|R\.(?:[2-9]|1[0-4]))(?:\.[1-9])?"
)  # LIS02-A2 record types and field counts, from memory
_PLACE = re.compile(
    r"(?P<segment>MSH|PID|PV1|ORC|OBR|TQ1|OBX|SPM|SAC|INV|Z[A-Z0-9]{2})-(?P<field>[1-9][0-9]?)(?:\.(?P<component>[1-9][0-9]?))?"
    r"(?: if (?P<when_segment>[A-Z0-9]{3})-(?P<when_field>[1-9][0-9]?)(?:\.(?P<when_component>[1-9][0-9]?))? is (?P<not>not )?(?P<when_text>.+))?"
)  # HL7 v2.5.1 chapter 7: the segments of ORU^R01, ORU^R30 and OUL^R22 that tell of a strip, and a maker's own
_UNREAD = "-"


def nearest(word: str, known: Iterable[str]) -> str:
    """Give a remedy that names the nearest right word, or all of them."""
    words = sorted(known)
    near = difflib.get_close_matches(word, words, n=1)
    return f"Did you mean {near[0]!r}?" if near else f"Use one of: {', '.join(words)}."


def _known(name: str, known: Iterable[str], path: Path) -> None:
    if name not in known:
        raise TableError(f"{name!r} is not something a layout can find.", remedy=nearest(name, known), path=path)


def lis2(document: Lis2Document, path: Path) -> tuple[Lis2Layout, frozenset[str]]:
    """Give the layout and the names of what it finds. Raises TableError."""
    names = {*FIELD_NAMES, *PAD_NAMES} - {"comment"}
    for name, address in document.fields.items():
        here = (*path, "fields", name)
        _known(name, names, here)
        if not _ADDRESS.fullmatch(address):
            raise TableError(
                f"{address!r} is no place in a record.",
                remedy='Write record.field or record.field.component: "O.3", "R.3.4".',
                path=here,
            )
        if name in PAD_NAMES and not address.startswith("R."):
            raise TableError(f"A pad's {name} cannot stand in {address}.", remedy="A pad is one R record: use R.n.", path=here)
    for name in ("label", "value"):
        if name not in document.fields:
            raise TableError(
                f"The layout does not say where a pad's {name} is.", remedy=f'Add {name}: "R.n".', path=(*path, "fields")
            )
    found = frozenset(document.fields) | ({"comment"} if document.comments else set())
    return Lis2Layout(
        fields=MappingProxyType(dict(document.fields)), comments=document.comments, numbered=document.numbered
    ), found


def delimited(document: DelimitedDocument, path: Path) -> tuple[DelimitedLayout, frozenset[str]]:
    """Give the layout and the names of what it finds. Raises TableError."""
    columns: dict[str, int] = {}
    found: set[str] = set()
    for index, column in enumerate(document.columns):
        if column == _UNREAD:
            continue
        here = (*path, "columns", index)
        kind, colon, label = column.partition(":")
        if colon:
            _known(kind, {"pad", "unit", "mark"}, here)
        else:
            _known(kind, FIELD_NAMES, here)
        if column in columns:
            raise TableError(f"The column {column!r} stands twice.", remedy='Name one of them, and "-" for the other.', path=here)
        if kind in {"unit", "mark"} and f"pad:{label}" not in document.columns:
            raise TableError(f"{column!r} has no pad beside it.", remedy=f'Add a column "pad:{label}".', path=here)
        columns[column] = index
        found.add(kind)
    if "pad" not in found:
        raise TableError("No column holds a pad.", remedy='Name at least one "pad:LABEL".', path=(*path, "columns"))
    if document.header and len(document.header) != len(document.columns):
        raise TableError(
            f"The header has {len(document.header)} cells, and {len(document.columns)} columns are named.",
            remedy="Name as many columns as the header has cells.",
            path=(*path, "header"),
        )
    _check_separators(document, path)
    return (
        DelimitedLayout(
            delimiter=document.delimiter,
            quote=document.quote,
            header=document.header,
            columns=MappingProxyType(columns),
            width=len(document.columns),
        ),
        frozenset(found),
    )


def _check_separators(document: DelimitedDocument, path: Path) -> None:
    for key, char in (("delimiter", document.delimiter), ("quote", document.quote)):
        if not char.isascii() or char.isalnum() or char in "\r\n\f":
            raise TableError(f"{char!r} cannot be the {key}.", remedy="Use one ASCII sign or a tab.", path=(*path, key))
    if document.delimiter == document.quote:
        raise TableError(
            "Delimiter and quote are the same sign.", remedy='Choose another quote, or "" for none.', path=(*path, "quote")
        )


def slip(document: SlipDocument, path: Path) -> tuple[SlipLayout, frozenset[str]]:
    """Give the layout and the names of what its lines find. Raises TableError."""
    for key, text in (("begin", document.begin), ("end", document.end), ("ignore", document.ignore)):
        if text:
            pattern(text, (*path, key))
    found: set[str] = set()
    for index, line in enumerate(document.lines):
        here = (*path, "lines", index, "pattern")
        groups = pattern(line.pattern, here).groupindex.keys()
        for group in groups:
            _known(group, (*FIELD_NAMES, *PAD_NAMES), here)
        if ("label" in groups) != ("value" in groups) or (groups & {"unit", "mark"} and "label" not in groups):
            raise TableError(
                "A pad's line needs both its label and its value.", remedy="Name the groups label and value.", path=here
            )
        found |= groups
    if "label" not in found:
        raise TableError("No line holds a pad.", remedy="Add a line kind with the groups label and value.", path=(*path, "lines"))
    lines = tuple(SlipLine(name=line.name, pattern=line.pattern, required=line.required) for line in document.lines)
    return SlipLayout(begin=document.begin, end=document.end, ignore=document.ignore, lines=lines), frozenset(found)


def hl7(document: Hl7Document, path: Path) -> tuple[Hl7Layout, frozenset[str]]:
    """Give the layout and the names of what it finds. Raises TableError."""
    names = {*FIELD_NAMES, *PAD_NAMES} - {"comment"}
    fields: dict[str, tuple[Hl7Place, ...]] = {}
    for name, text in document.fields.items():
        here = (*path, "fields", name)
        _known(name, names, here)
        fields[name] = tuple(_hl7_place(part, here) for part in text.split(" or "))
        if name in PAD_NAMES and (len(fields[name]) > 1 or fields[name][0].segment != "OBX" or fields[name][0].when_text):
            raise TableError(
                f"A pad's {name} cannot stand in {text!r}.", remedy="A pad is one OBX segment: use OBX-n.", path=here
            )
    for name in ("label", "value"):
        if name not in fields:
            raise TableError(
                f"The layout does not say where a pad's {name} is.", remedy=f'Add {name}: "OBX-n".', path=(*path, "fields")
            )
    layout = Hl7Layout(
        fields=MappingProxyType(fields),
        messages=frozenset((kind, event) for kind, _, event in (each.partition("^") for each in document.messages)),
        answer=document.answer,
        numbered=document.numbered,
        statuses=frozenset(document.statuses),
        unread=frozenset(document.unread),
        comments=document.comments,
    )
    return layout, frozenset(document.fields) | ({"comment"} if document.comments else set())


def _hl7_place(text: str, path: Path) -> Hl7Place:
    """Take a place apart. Raises TableError."""
    found = _PLACE.fullmatch(text)
    if found is None:
        raise TableError(
            f"{text!r} is no place in an HL7 message.",
            remedy='Write SEGMENT-field or SEGMENT-field.component: "OBR-3.1", or "PID-3.1 if PID-3.5 is MR".',
            path=path,
        )
    is_conditional = found["when_segment"] is not None
    if is_conditional and found["when_segment"] != found["segment"]:
        raise TableError(
            f"{text!r} asks another segment.", remedy=f"A condition is on a field of {found['segment']} itself.", path=path
        )
    return Hl7Place(
        segment=found["segment"],
        field=int(found["field"]),
        component=int(found["component"] or 0),
        when_field=int(found["when_field"] or 0),
        when_component=int(found["when_component"] or 0),
        when_text=found["when_text"] or "",
        when_not=bool(found["not"]),
    )


def json(document: JsonDocument, path: Path) -> tuple[JsonLayout, frozenset[str]]:
    """Give the layout and the names of what it finds. Raises TableError."""
    for index, name in enumerate(document.fields):
        _known(name, (*FIELD_NAMES, "unit", "mark"), (*path, "fields", index))
    return JsonLayout(fields=frozenset(document.fields)), frozenset({*document.fields, "label", "value"})
