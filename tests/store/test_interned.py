"""Words that rows share: each stands once, and a number that was undone is never another word's."""

from __future__ import annotations

import sqlite3

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.model import SERVICE
from bridge.store.database import SqliteDb
from bridge.store.interned import NUMBERED, OwnKind, joined, kind_id, own_kind_id, parted, word_id
from bridge.store.sqlite import SqliteEngine, SqliteStore, connect
from tests.store import strips as s


def test_a_word_stands_once(file: SqliteDb) -> None:
    """The same number for the same word, on every connection; another for another."""
    numbers = [word_id(file, word) for word in ("t", "u", "t", "")]
    assert numbers == [1, 2, 1, 3]
    file.known.clear()
    assert [word_id(file, word) for word in ("t", "u", "")] == [1, 2, 3]
    assert file.execute("SELECT id, word FROM words ORDER BY id").fetchall() == [(1, "t"), (2, "u"), (3, "")]


def test_a_kind_of_event_is_all_of_its_parts(file: SqliteDb) -> None:
    """Two persons who do the same, or one who does another thing, are other kinds."""
    kinds = [
        (s.BO, "stop.closed", "stop", "open", "released"),
        (s.EDA, "stop.closed", "stop", "open", "released"),
        (s.BO, "stop.closed", "stop", "open", "discarded"),
        (SERVICE, "stop.closed", "stop", "open", "released"),
    ]
    numbers = [kind_id(file, *kind) for kind in kinds]
    assert numbers == [1, 2, 3, 4]
    file.known.clear()
    assert [kind_id(file, *kind) for kind in kinds] == numbers


def test_what_was_undone_is_looked_up_anew(store: SqliteStore) -> None:
    """A group that is undone takes its words back; the next one must not name them by numbers that are free again."""
    assert store.fault == ""
    engine = SqliteEngine(lambda: connect(store._file))
    db = engine.open()
    for word in ("gone", "kept"):
        engine.begin(together=True)
        number = word_id(db, word)
        if word == "gone":
            engine.undo()
            assert db.known == {}
        else:
            engine.commit()
    assert db.execute("SELECT id, word FROM words").fetchall() == [(number, "kept")]
    assert word_id(db, "kept") == number
    engine.close()


def test_an_event_of_no_kind_is_refused(file: SqliteDb) -> None:
    """The file itself is the backstop: a foreign key."""
    file.execute("PRAGMA foreign_keys = ON")
    with pytest.raises(sqlite3.IntegrityError, match="FOREIGN KEY"):
        file.execute("INSERT INTO events (at_us, kind, number, reason) VALUES (0, 99, 1, '')")


@given(
    st.one_of(
        st.builds("{}:{}".format, st.sampled_from(sorted(NUMBERED)), st.integers(1, 10**15)),
        st.just("store"),
        st.just("destination:5"),
    )
)
def test_a_subject_comes_together_as_it_was_parted(subject: str) -> None:
    """A destination may be called 5: it has no number."""
    assert joined(*parted(subject)) == subject


@pytest.mark.parametrize(
    ("subject", "parts"),
    [
        ("delivery:5", ("delivery", 5)),
        ("destination:5", ("destination:5", 0)),
        ("store", ("store", 0)),
        ("delivery:x", ("delivery:x", 0)),
        (f"delivery:{10**18 - 1}", ("delivery", 10**18 - 1)),
        (f"delivery:{2**63}", (f"delivery:{2**63}", 0)),
    ],
)
def test_what_is_numbered_is_parted(subject: str, parts: tuple[str, int]) -> None:
    """Sort and number, or the whole and 0."""
    assert parted(subject) == parts


def test_a_kind_of_our_own_is_the_same_kind(file: SqliteDb) -> None:
    """However it is asked for, one row says it: the events of one kind are counted together."""
    own = own_kind_id(file, OwnKind("strip.judged", "strip", after="held"))
    assert own == kind_id(file, SERVICE, "strip.judged", "strip", "", "held")
    assert own == own_kind_id(file, OwnKind("strip.judged", "strip", "", "held"))
    assert file.execute("SELECT count(*) FROM event_kinds").fetchone() == (1,)
