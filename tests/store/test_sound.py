"""A sound store has nothing wrong with it; each kind of damage, done by hand, is named."""

from __future__ import annotations

import pytest

from bridge.lifecycle.states import StopEnd, StopGroup
from bridge.model import Answer
from bridge.store.database import SqliteDb
from bridge.store.sound import faults, file_faults
from bridge.store.sqlite import SqliteStore
from tests.store import strips as s


@pytest.fixture
def busy(store: SqliteStore) -> SqliteStore:
    """Give a store with every kind of row: waiting, delivered, turned away, held, dealt with, not judged."""
    for number in range(3):
        s.post(store, f"R{number}", destinations=("records", "chart"), lane="a")
    s.attempt(store, s.post(store, "R7", lane="b").delivery_ids[0], Answer.ACCEPTED)
    s.attempt(store, s.post(store, "R8", lane="c").delivery_ids[0], Answer.REFUSED)
    of = s.reading("9")
    s.record(store, of, s.held(of))
    of = s.reading("10")
    stop = s.record(store, of, s.held(of)).stop_id
    assert stop is not None
    s.close(store, stop, StopEnd.DISCARDED)
    s.keep(store, b"unjudged")
    return store


def _wrong(db: SqliteDb) -> list[tuple[str, str]]:
    return [(line, fault) for line, fault in (*file_faults(db), *faults(db)) if fault]


def test_a_sound_store_has_nothing_wrong_with_it(busy: SqliteStore, file: SqliteDb) -> None:
    """All lines, none with a fault."""
    assert busy.fault == ""
    lines = [line for line, _ in (*file_faults(file), *faults(file))]
    assert _wrong(file) == []
    assert (len(lines), lines[-1]) == (11, "captures: bytes of the newest 8")


def test_a_strip_that_a_person_has_decided_about_is_on_its_way_to_be_judged_again(busy: SqliteStore, file: SqliteDb) -> None:
    """Held still, and on no list: it stands among what is to be judged."""
    (stop,) = (stop for stop in busy.stops() if stop.group is StopGroup.HELD)
    s.close(busy, stop.stop_id, StopEnd.RELEASED)
    assert _wrong(file) == []


@pytest.mark.parametrize(
    ("harm", "line", "fault"),
    [
        ("UPDATE deliveries SET is_head = 0", "lanes: each with something open has a head", "6 waiting messages stand in lanes that nothing leads"),
        ("UPDATE deliveries SET is_head = 1 WHERE state = 'accepted'", "lanes: every head is open", "1 lanes are led by a message that is over"),
        (
            "UPDATE deliveries SET is_head = (id IN (SELECT max(id) FROM deliveries WHERE lane = 'a' GROUP BY destination))",
            "lanes: the oldest goes first",
            "2 lanes are led by a younger message than their oldest",
        ),
        (
            "UPDATE deliveries SET is_blocked = 1, after = (SELECT id FROM deliveries WHERE state = 'accepted') WHERE id = 1",
            "deliveries: none waits for one that is over",
            "1 messages wait for an earlier version that is over",
        ),
        (
            "UPDATE deliveries SET is_blocked = 1 WHERE id = 1",
            "deliveries: none waits for additions that nobody is asked for",
            "1 messages wait for additions, and stand on no list",
        ),
        (
            "UPDATE stops SET state = 'closed' WHERE delivery_id IS NOT NULL",
            "deliveries: each that stopped stands on Rejected messages",
            "1 messages stopped and stand on no list",
        ),
        ("UPDATE stops SET state = 'closed'", "strips: each that is held stands on Rejected messages", "1 strips are held and stand on no list"),
        ("UPDATE results SET content = x''", "results: each that waits has its values", "6 waiting messages have no result behind them"),
        (
            "DROP TRIGGER captures_no_update; UPDATE captures SET payload = x'00' WHERE id = 2",
            "captures: bytes of the newest 8",
            "the bytes of 1 are not what came in, the first of them capture 2",
        ),
        ("PRAGMA foreign_keys = OFF; UPDATE stops SET strip_id = 999", "file: references", "3 rows of stops name a row that is not there"),
    ],
)  # fmt: skip
def test_each_kind_of_damage_is_named(busy: SqliteStore, file: SqliteDb, harm: str, line: str, fault: str) -> None:
    """By what it means for who waits, with its count."""
    assert busy.fault == ""
    file.executescript(harm)
    found = dict(_wrong(file))
    assert found[line].startswith(fault)
