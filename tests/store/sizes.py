"""What a strip takes in the store's file: ``python -m tests.store.sizes [STRIPS]``. Prints a table in Markdown, for docs/explanation/size.md.

The real bridge with the demo's record system: strips of the profile tern by file, each to an HL7 (ORU^R01 over MLLP) and a FHIR destination,
acknowledged by both; then the service stops, the log is moved into the file, and SQLite's own dbstat says how many bytes each table and index has.
"""

from __future__ import annotations

import sqlite3
import sys
import tempfile
from contextlib import closing
from pathlib import Path

from bridge.lifecycle.states import DestinationState
from bridge.model import DeliveryState
from bridge.store.sqlite import FILE
from tests.journey.running import Running, play, running

STRIPS_A_FILE = 20


def fill(home: Path, strips: int) -> None:
    """Let ``strips`` strips of as many patients go to both receivers."""
    with running(home) as bridge:
        bridge.wait(lambda: _are_open(bridge))  # as on any day: plans are checked, and messages are born with their deliveries
        for start in range(1, strips + 1, STRIPS_A_FILE):
            plays = [play(number, luhn(number)) for number in range(start, min(start + STRIPS_A_FILE, strips + 1))]
            bridge.drop(f"{start}.txt", bridge.tern(*plays))
        bridge.wait(lambda: _gone(bridge) == 2 * strips, bound_s=600)


def _are_open(bridge: Running) -> bool:
    known = bridge.store.destinations()
    return len(known) == 2 and all(row.since is not None and row.state is DestinationState.OPEN for row in known)


def _gone(bridge: Running) -> int:
    return sum(row.accepted for row in bridge.store.destinations())


def luhn(number: int) -> str:
    """Give a patient ID of eight digits with its check digit (ISO/IEC 7812-1, annex B)."""
    body = f"4{number:06d}"
    doubled = [int(digit) * (2 if place % 2 == 0 else 1) for place, digit in enumerate(reversed(body))]
    return body + str(-sum(each - 9 if each > 9 else each for each in doubled) % 10)


def table(file: Path) -> tuple[list[tuple[str, int]], int, int]:
    """Give (table or index, bytes), largest first; the file's size in bytes; and how many strips went to both."""
    with closing(sqlite3.connect(file)) as store:
        store.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        rows = store.execute("SELECT name, sum(pgsize) FROM dbstat GROUP BY name ORDER BY 2 DESC").fetchall()
        strips = store.execute("SELECT count(*) FROM deliveries WHERE state = ?", (DeliveryState.ACCEPTED,)).fetchone()[0] // 2
    return rows, file.stat().st_size, strips


def main(strips: int) -> None:
    """Fill a store and print its table."""
    with tempfile.TemporaryDirectory() as folder:
        home = Path(folder)
        empty = home / "empty"
        empty.mkdir()
        with running(empty):
            pass
        _, base, _ = table(empty / "store" / FILE)
        full = home / "full"
        full.mkdir()
        fill(full, strips)
        rows, size, counted = table(full / "store" / FILE)
    print(f"{counted} strips, each to two destinations; an empty store has {base:,} bytes.\n")
    print("| table or index | bytes a strip |\n| --- | --- |")
    for name, taken in rows:
        if taken / counted >= 10:
            print(f"| `{name}` | {taken / counted:,.0f} |")
    print(f"| **the file, less an empty one** | **{(size - base) / counted:,.0f}** |")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 2_000)
