"""Lots in the file: what the purge leaves of them, and what is found without looking through everything. The contract: lot_contract.py."""

from __future__ import annotations

from pathlib import Path

import pytest

from bridge.model import Coded
from bridge.store.commands import PurgeCaptures
from bridge.store.migrate import migrate
from bridge.store.reads_lots import _CODES, _COMPARED, _COUNTED, _OF_LOT, _PATIENTS, _WAYS
from bridge.store.sqlite import FILE, SqliteStore, connect
from tests.store import strips as s
from tests.store.strips import NOW, WAIT, later


def test_what_was_purged_shows_nothing_and_is_still_counted(tmp_path: Path) -> None:
    """A recall after the site's time for results: the strip and where it went stand there, without its patient; its pads are gone."""
    store = SqliteStore(tmp_path, now=lambda: NOW)
    of = s.reading("1")
    s.record(store, of, Coded(checked=s.checked(of), result=s.result("A1")))
    assert len(list(store.patient_readings("plover-12", "L1", since=NOW))) == 1
    store.submit(PurgeCaptures(capture_ids=(1,), results=True, at=later(60))).result(WAIT)
    assert list(store.patient_readings("plover-12", "L1", since=NOW)) == []
    (use,) = store.lot_uses("plover-12", "L1")
    assert (use.number, use.outcome, use.patient_id) == ("1", "coded", "")
    store.close()


def test_a_result_of_two_versions_is_told_by_its_newest(tmp_path: Path) -> None:
    """Where the first went does not stand beside where the second goes: the list says how the record stands now."""
    store = SqliteStore(tmp_path, now=lambda: NOW)
    first = s.post(store, "A1")
    again = s.reading("A1")
    capture = s.keep(store, b"again")
    made = s.result("A1", version=2)
    going = [s.delivery(s.message(made, "A1chart", destination="chart"))]
    second = s.record(store, again, Coded(checked=s.checked(again), result=made), deliveries=going, capture_id=capture)
    ways = {use.strip_id: [way for way, _ in use.ways] for use in store.lot_uses("plover-12", "L1")}
    assert ways == {first.strip_id: ["chart"], second.strip_id: ["chart"]}
    store.close()


@pytest.mark.parametrize(
    ("query", "values", "index"),
    [
        (_PATIENTS, ("2026-11-01",), "strips_arrived"),
        (_COMPARED, (), "strips_seldom"),
        (_OF_LOT, (), "strips_lot"),
        (_WAYS, (), "strips_lot"),
        (_COUNTED, (), "strips_lot"),
    ],
)
def test_a_lot_is_found_by_an_index(tmp_path: Path, query: str, values: tuple[str, ...], index: str) -> None:
    """SQLite's own word on how it would answer (EXPLAIN QUERY PLAN): a recall goes through the lot, and what is shown day by day through the days."""
    migrate(tmp_path / FILE)
    connection = connect(tmp_path / FILE)
    plan = " ".join(row[3] for row in connection.execute(f"EXPLAIN QUERY PLAN {query}", ("quill-10", "24A01", *values)))
    connection.close()
    assert index in plan


def test_the_codes_are_walked_along_the_index(tmp_path: Path) -> None:
    """Not strip by strip: every step is a search of the index of lots."""
    migrate(tmp_path / FILE)
    connection = connect(tmp_path / FILE)
    plan = [row[3] for row in connection.execute(f"EXPLAIN QUERY PLAN {_CODES}")]
    connection.close()
    assert [each for each in plan if each.startswith("SCAN") and "codes" not in each] == []
    assert sum("strips_lot" in each for each in plan) == 2
