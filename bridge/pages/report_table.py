"""A table of a report: the same rows on the page, on paper, and as comma-separated values (RFC 4180)."""

from __future__ import annotations

import csv
from collections.abc import Sequence
from dataclasses import dataclass
from io import StringIO
from typing import NamedTuple

from bridge.pages.bar_chart import Chart
from bridge.pages.language import _, decimal
from bridge.pages.lot_export import disarmed
from bridge.pages.words import number

MINUTE, HOUR, DAY = 60, 3_600, 86_400
NO_BREAK = "\u00a0"
FEW_S = 10  # ours: of less than ten seconds a tenth is shown


class Head(NamedTuple):
    """A column's heading on the page, and in the file, where a unit stands in it."""

    shown: str
    plain: str


class Cell(NamedTuple):
    """What stands in a cell on the page, and in the file."""

    shown: str
    plain: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Table:
    """A table with its chart. ``name`` is its part of an address; ``says`` explains what it counts; ``nothing`` stands where it has no row."""

    name: str
    title: str
    says: tuple[str, ...]
    heads: tuple[Head, ...]
    rows: tuple[tuple[Cell, ...], ...]
    nothing: str
    chart: Chart | None = None


def heads(*columns: str | tuple[str, str]) -> tuple[Head, ...]:
    """Give headings; one that reads otherwise in the file is given as both."""
    pairs = (each if isinstance(each, tuple) else (each, each) for each in columns)
    return tuple(Head(_(shown), plain) for shown, plain in pairs)


def words(text: str) -> Cell:
    """Give a cell of words."""
    return Cell(text, text)


def count(value: int) -> Cell:
    """Give a cell of a count."""
    return Cell(number(value), str(value))


def length(seconds: float | None) -> Cell:
    """Give a cell of a length of time, in the file in seconds; None: there is none."""
    return Cell("–", "") if seconds is None else Cell(length_words(seconds).replace(" ", NO_BREAK), f"{seconds:.10g}")


def share(part: int, whole: int) -> Cell:
    """Give a cell of a share in per cent, in the file as a part of one; empty of nothing."""
    return Cell(decimal(f"{part / whole:.1%}"), f"{part / whole:.4f}") if whole else Cell("–", "")


def length_words(seconds: float) -> str:
    """Say a length of time: ``0.4 s``, ``12 s``, ``3 min 05 s``, ``7 h 05 min``, ``2 d 3 h``."""
    if seconds < FEW_S and seconds != int(seconds):
        return decimal(f"{seconds:.1f} s")
    whole = round(seconds)
    if whole < MINUTE:
        return f"{whole} s"
    if whole < HOUR:
        return f"{whole // MINUTE} min {whole % MINUTE:02d} s"
    minutes = round(seconds / MINUTE)
    if minutes * MINUTE < DAY:
        return f"{minutes // 60} h {minutes % 60:02d} min"
    hours = round(seconds / HOUR)
    return f"{number(hours // 24)} d {hours % 24} h"


def table_csv(table: Table, about: Sequence[tuple[str, str]]) -> str:
    """Give a table with a heading. ``about`` are columns that each row begins with, such as the period, by heading and value.

    What a spreadsheet would take for a formula has an apostrophe before it, which spreadsheets do not show.
    """
    text = StringIO()
    writer = csv.writer(text)
    writer.writerow([*(name for name, _ in about), *(head.plain for head in table.heads)])
    writer.writerows([*(disarmed(value) for _, value in about), *(disarmed(cell.plain) for cell in row)] for row in table.rows)
    return text.getvalue()
