"""Compiles the site's word on containers of strips, and explains what of it cannot stand."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace
from fractions import Fraction
from types import MappingProxyType
from zoneinfo import ZoneInfo

from bridge.errors import TableError
from bridge.model import Severity
from bridge.tables.container_table import ContainerPolicy, ContainerTable, LeftOpenRule
from bridge.tables.containers_document import ContainersDocument, LeftOpenRow, OpenDaysRow
from bridge.tables.controls import NEGATIVE
from bridge.tables.layouts import nearest
from bridge.tables.types import Doubt, StripType, Tables

CONTAINERS_FILE = "containers.yaml"

Types = Mapping[str, StripType]


def with_containers(tables: Tables, document: ContainersDocument, *, zone: ZoneInfo) -> Tables:
    """Give the tables with the site's word on containers, which is part of what is signed. Raises TableError.

    Tables of a site that says nothing of containers are the ones they were before there was anything to say, digest and all.
    """
    if document == ContainersDocument():
        return tables
    plain = json.loads(tables.canonical) | {"containers": document.model_dump(mode="json")}
    canonical = json.dumps(plain, sort_keys=True, separators=(",", ":")).encode()
    table = container_table(document, tables.strip_types, zone=zone)
    return replace(tables, containers=table, canonical=canonical, digest=hashlib.sha256(canonical).hexdigest())


def container_table(document: ContainersDocument, types: Types, *, zone: ZoneInfo) -> ContainerTable:
    """Give what the site says of containers. ``zone`` is the site's. Raises TableError whose path begins with the file's name."""
    findings = document.findings
    policy = None
    if findings is not None:
        policy = ContainerPolicy(
            zone=zone,
            unknown=Severity(findings.unknown),
            expired=Severity(findings.expired),
            open_too_long=Severity(findings.open_too_long),
            new_lot=Severity(findings.new_lot) if findings.new_lot else None,
        )
    return ContainerTable(
        policy=policy,
        open_days=MappingProxyType(_open_days(document.open_days, types)),
        left_open=_left_open(document.left_open, types) if document.left_open else None,
    )


def container_doubts(table: ContainerTable, used: Iterable[str]) -> Iterator[Doubt]:
    """Give what may be an oversight: strip types in use (``used``) without a word on how long an opened container may be used."""
    if table.policy is None:
        return
    for strip_type in sorted(set(used) - table.open_days.keys()):
        yield Doubt(
            path=(CONTAINERS_FILE, "open_days"),
            sentence=f"Nothing says for how long an opened container of {strip_type} may be used.",
            remedy="Add a row with what its insert says, unless it sets no such limit.",
        )


def _open_days(rows: tuple[OpenDaysRow, ...], types: Types) -> dict[str, int]:
    days: dict[str, int] = {}
    for index, row in enumerate(rows):
        path = (CONTAINERS_FILE, "open_days", index, "strip_type")
        if row.strip_type not in types:
            raise TableError(f"There is no strip type {row.strip_type!r}.", remedy=nearest(row.strip_type, types), path=path)
        if row.strip_type in days:
            raise TableError(f"The strip type {row.strip_type!r} is given twice.", remedy="Keep one.", path=path)
        days[row.strip_type] = row.days
    return days


def _left_open(row: LeftOpenRow, types: Types) -> LeftOpenRule:
    for key, pad in (("found", row.found), ("not_found", row.not_found)):
        _check_pad(key, pad, types)
    rule = LeftOpenRule(
        found=row.found, not_found=row.not_found, share=Fraction(row.share), below=Fraction(row.below), least=row.least
    )
    for key, share in (("share", rule.share), ("below", rule.below)):
        if not share:
            raise TableError(
                f"A share of 0 as {key} would mean an alarm with the first strip, or never.",
                remedy='Give a share above 0, such as "0.05".',
                path=(CONTAINERS_FILE, "left_open", key),
            )
    return rule


def _check_pad(key: str, pad: str, types: Types) -> None:
    """Refuse a pad that no strip type has, or that has no step for "nothing found"."""
    path = (CONTAINERS_FILE, "left_open", key)
    found = [each for strip in types.values() for each in strip.pads if each.pad == pad]
    if not found:
        known = {each.pad for strip in types.values() for each in strip.pads}
        raise TableError(f"No strip type has the pad {pad!r}.", remedy=nearest(pad, known), path=path)
    if not any(step.grade in NEGATIVE for each in found for step in each.ladder):
        raise TableError(f"The pad {pad!r} has no negative step.", remedy="Name a pad that is negative or positive.", path=path)
