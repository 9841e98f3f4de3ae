"""How fast the real service is, beside what the same libraries give without care and beside what the disk and the wire allow. By hand, not a test.

    python -m tests.speed.bench                       everything; some minutes
    python -m tests.speed.bench pipeline start        only these
    python -m tests.speed.bench --json figures.json   the rows as JSON too
    python -m tests.speed.bench --write               writes the table of docs/performance.md

Every figure is of one run; only ratios mean something on another machine. Run it on a machine that does nothing else.
"""

from __future__ import annotations

import argparse
import compileall
import json
import os
import platform
import sqlite3
import sys
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path

import bridge
from bridge import clock
from tests.speed.measures import MEASURES, Options, Row

BRIDGE = Path(bridge.__file__).parent
PAGE = Path(__file__).parents[2] / "docs" / "performance.md"
BEGIN, END = "<!-- the table: written by python -m tests.speed.bench --write -->", "<!-- end of the table -->"


def line(row: Row) -> str:
    """Give a row of the table."""
    beside = (
        "" if row.ratio is None else f"{row.ratio:.2f} × {row.beside}" if row.ratio < 10 else f"{row.ratio:.0f} × {row.beside}"
    )
    return f"| {row.what} | {figure(row)} | {beside} | {row.target} |"


def figure(row: Row) -> str:
    """Give a figure with three digits, or all of them where there are more, and its unit."""
    digits = 0 if row.figure >= 100 else 1 if row.figure >= 10 else 2
    return f"{row.figure:,.{digits}f} {row.unit}"


def table(rows: Sequence[Row]) -> str:
    """Give the table with what it was measured on."""
    machine = f"{os.cpu_count()} cores, {platform.system()} {platform.machine()}, CPython {platform.python_version()}, SQLite {sqlite3.sqlite_version}"
    head = ["| measure | figure | ratio in the same run | target |", "| --- | --- | --- | --- |"]
    return "\n".join([f"Measured on {clock.now().date().isoformat()}: {machine}.", "", *head, *map(line, rows)])


def written(page: str, rows: Sequence[Row]) -> str:
    """Give ``page`` with the table between its marks. Raises ValueError where it has none."""
    before, begin, rest = page.partition(BEGIN)
    _, end, after = rest.partition(END)
    if not begin or not end:
        raise ValueError("the page has no place for the table")
    return f"{before}{BEGIN}\n{table(rows)}\n{END}{after}"


def main(arguments: Sequence[str]) -> None:
    """Measure what is asked for, print each row as it comes, and write what is to be written."""
    parser = argparse.ArgumentParser(prog="python -m tests.speed.bench")
    parser.add_argument("measures", nargs="*", metavar="MEASURE", help=f"any of {', '.join(MEASURES)}; all if none is named")
    parser.add_argument("--folder", type=Path, help="where stores are made: a real disk")
    parser.add_argument("--rounds", type=int, default=Options.rounds, help="the median of so many is told")
    parser.add_argument("--strips", type=int, default=Options.strips, help="strips of one batch")
    parser.add_argument("--waiting", type=int, default=Options.waiting, help="messages that wait in the outage")
    parser.add_argument("--stored", type=int, default=Options.stored, help="strips of the full store")
    parser.add_argument("--json", type=Path, help="write the rows there too")
    parser.add_argument("--write", action="store_true", help="write the table of docs/performance.md")
    given = parser.parse_args(arguments)
    if unknown := sorted(set(given.measures) - MEASURES.keys()):
        parser.error(f"there is no measure {unknown[0]!r}; there are {', '.join(MEASURES)}")
    options = Options(folder=given.folder, rounds=given.rounds, strips=given.strips, waiting=given.waiting, stored=given.stored)
    compileall.compile_dir(BRIDGE, quiet=1)  # as the container has it, also where this shell keeps Python from writing bytecode
    rows: list[Row] = []
    for name in given.measures or MEASURES:
        for row in MEASURES[name](options):
            print(line(row), flush=True)
            rows.append(row)
    if given.json:
        given.json.write_text(json.dumps([asdict(row) for row in rows], indent=1, ensure_ascii=False) + "\n", encoding="utf-8")
    if given.write:
        PAGE.write_text(written(PAGE.read_text(encoding="utf-8"), rows), encoding="utf-8")


if __name__ == "__main__":
    main(sys.argv[1:])
