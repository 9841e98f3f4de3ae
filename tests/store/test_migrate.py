"""Schemas: the newest is what the tables say, and older stores are brought there."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import pytest
from alembic import command
from alembic.autogenerate import compare_metadata
from alembic.config import Config
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import Engine, create_engine, event

from bridge.errors import StoreFailed
from bridge.store import migrate as module
from bridge.store.codec import result_bytes
from bridge.store.migrate import NEWEST, is_known, migrate, revision
from bridge.store.schema import metadata
from bridge.store.sqlite import FILE, SqliteStore
from tests.store import schema_0007
from tests.store import strips as s
from tests.store.chained import walked

MIGRATIONS = Path(module.__file__).parent / "migrations"


def _config(file: Path) -> Config:
    config = Config()
    config.set_main_option("script_location", str(MIGRATIONS))
    config.attributes["target"] = f"sqlite:///{file}"
    return config


def _objects(file: Path) -> list[tuple[str, str]]:
    connection = sqlite3.connect(file)
    try:
        return sorted(connection.execute("SELECT type, name FROM sqlite_master WHERE name NOT LIKE 'sqlite_%'"))
    finally:
        connection.close()


class _FullDisk:
    """While it is entered, SQLAlchemy's connections to SQLite may make no file larger than so many pages."""

    def __init__(self, pages: int) -> None:
        self._pages = pages

    def _bound(self, made: sqlite3.Connection, _record: object) -> None:
        made.execute(f"PRAGMA max_page_count = {self._pages}")

    def __enter__(self) -> None:
        event.listen(Engine, "connect", self._bound)

    def __exit__(self, *_: object) -> None:
        event.remove(Engine, "connect", self._bound)


def test_the_newest_revision_is_the_only_head(tmp_path: Path) -> None:
    """One line of steps, and the number that opens without Alembic is its end."""
    script = ScriptDirectory.from_config(_config(tmp_path / "x"))
    assert script.get_heads() == [NEWEST]
    assert script.get_bases() == ["0001"]
    assert [step.revision for step in script.walk_revisions()] == [
        "0161",
        "0052",
        "0057",
        "0064",
        "0062",
        "0061",
        "0045",
        "0053",
        "0046",
        "0047",
        "0043",
        "0020",
        "0039",
        "0029",
        "0021",
        "0023",
        "0019",
        "0017",
        "0022",
        "0018",
        "0016",
        "0015",
        *(f"{number:04}" for number in range(12, 0, -1)),
    ]


def test_the_newest_schema_is_what_the_tables_declare(tmp_path: Path) -> None:
    """Alembic's own comparison of a migrated file with the declared tables finds nothing to do."""
    migrate(tmp_path / FILE)
    engine = create_engine(f"sqlite:///{tmp_path / FILE}")
    with engine.connect() as connection:
        assert compare_metadata(MigrationContext.configure(connection), metadata) == []
    engine.dispose()
    assert revision(tmp_path / FILE) == NEWEST


def test_an_empty_store_of_the_first_schema_is_brought_forward(tmp_path: Path) -> None:
    """It ends with the same tables, indexes and triggers as a new one, and works."""
    old, new = tmp_path / "old", tmp_path / "new"
    old.mkdir()
    new.mkdir()
    command.upgrade(_config(old / FILE), "0001")
    assert revision(old / FILE) == "0001"
    store = SqliteStore(old, now=lambda: s.NOW)
    assert s.keep(store) == 1
    store.close()
    migrate(new / FILE)
    assert revision(old / FILE) == NEWEST
    assert _objects(old / FILE) == _objects(new / FILE)


def test_a_step_forward_keeps_what_is_there_and_gives_decisions_their_bytes(tmp_path: Path) -> None:
    """A decision of the first schema names capture and index; the strip that stood there says which bytes it was about."""
    file = tmp_path / FILE
    command.upgrade(_config(file), "0001")
    connection = sqlite3.connect(file)
    connection.execute(
        "INSERT INTO captures (id, analyzer, profile, source, way, name, arrived_at, torn, live, digest, payload)"
        " VALUES (7, 'a', 'p', 's', 'folder', '', '2026-11-25T10:00:00.000000Z', 0, 0, 'd', x'00')"
    )
    for number, digest, newest in ((1, "first", 0), (2, "second", 1)):
        connection.execute(
            "INSERT INTO strips (id, capture_id, idx, is_newest, outcome, analyzer, mode, series, number, purpose, priority, patient_printed,"
            " patient_id, specimen_id, operator, strip_type, strip_lot, arrived_at, judged_at, record_digest, result_id, findings, pads, abnormal,"
            " place_start, place_end, tables_digest) VALUES (?, 7, 3, ?, 'held', 'a', '', '', '', 'patient', 'routine', '', '', '', '', '', '',"
            " 'x', 'x', ?, '', '[]', '[]', 0, 0, 1, '')",
            (number, newest, digest),
        )
    for index in (3, 4):
        connection.execute(
            "INSERT INTO decisions (capture_id, idx, patient_id, rules, actor, verified, at) VALUES (7, ?, '40718823', '[]', 'Bo', 'u', 'x')",
            (index,),
        )
    connection.commit()
    connection.close()
    store = SqliteStore(tmp_path, now=lambda: s.NOW)
    assert store.reading_facts(7, 3, record_digest="second").decisions.patient_id == "40718823"
    assert store.reading_facts(7, 3, record_digest="first").decisions.patient_id is None
    assert store.reading_facts(7, 4, record_digest="second").decisions.patient_id is None
    store.close()


@pytest.mark.parametrize(
    ("kind", "at", "found"),
    [("withdrawn", "2026-11-26", 5), ("withdrawn", "2026-11-24", None), ("corrected", "2026-11-26", None)],
)
def test_what_was_withdrawn_by_hand_after_a_look_back_is_tied_to_it(
    tmp_path: Path, kind: str, at: str, found: int | None
) -> None:
    """Schema 0043: the same thing done since on the result's own page; another, or one of before, leaves the row to be done."""
    file = tmp_path / FILE
    command.upgrade(_config(file), "0020")
    connection = sqlite3.connect(file)
    connection.execute("PRAGMA foreign_keys = OFF")
    columns = [(row[1], row[2]) for row in connection.execute("PRAGMA table_info(strips)")]
    given = {"id": 3, "capture_id": 7, "idx": 1, "is_newest": 1, "result_id": "R3"}
    values = [given.get(name, 0 if kind_of == "INTEGER" else "") for name, kind_of in columns]
    connection.execute(f"INSERT INTO strips VALUES ({', '.join('?' * len(values))})", values)
    connection.execute(
        "INSERT INTO corrections (id, kind, result_id, version, new_result_id, fields, actor, verified, second, reason, at, is_critical)"
        " VALUES (5, ?, 'R3', 1, '', '[]', 'Eda', 'u', '', '', ?, 0)",
        (kind, at),
    )
    connection.execute(
        "INSERT INTO look_backs (capture_id, idx, failed_capture_id, failed_idx, verdict, actor, verified, decided_at, reason)"
        " VALUES (7, 1, 9, 0, 'to be withdrawn', 'Eda', 'u', '2026-11-25', 'seen')"
    )
    connection.commit()
    connection.close()
    migrate(file)
    connection = sqlite3.connect(file)
    assert connection.execute("SELECT correction_id FROM look_backs").fetchall() == [(found,)]
    connection.close()


def _delivery(number: int, lane: str, state: str, *, priority: str = "routine", after: int | None = None) -> tuple[object, ...]:
    due = "2026-11-25T10:00:00.000000Z" if state == "retrying" else None
    return (number, lane, priority, f"R{number}", state, due, after, f"M{number}")


def test_the_lanes_of_a_store_of_schema_0002_go_on_as_they_stood(tmp_path: Path) -> None:
    """Deliveries in every state: heads, ranks, blocks and tables are reckoned once from the states; what was being sent is due again."""
    file = tmp_path / FILE
    command.upgrade(_config(file), "0002")
    connection = sqlite3.connect(file)
    connection.execute(
        "INSERT INTO captures (id, analyzer, profile, source, way, name, arrived_at, torn, live, digest, payload)"
        " VALUES (7, 'a', 'p', 's', 'folder', '', '2026-11-25T10:00:00.000000Z', 0, 0, 'd', x'00')"
    )
    for number, tables in ((number, "u" if number == 3 else "t") for number in range(1, 16)):
        connection.execute(
            "INSERT INTO strips (id, capture_id, idx, is_newest, outcome, analyzer, mode, series, number, purpose, priority, patient_printed,"
            " patient_id, specimen_id, operator, strip_type, strip_lot, arrived_at, judged_at, record_digest, result_id, findings, pads, abnormal,"
            " place_start, place_end, tables_digest) VALUES (?, 7, ?, 1, 'coded', 'a', '', '', '', 'patient', 'routine', '', '', '', '', '', '',"
            " 'x', 'x', 'd', ?, '[]', '[]', 0, 0, 1, ?)",
            (number, number, f"R{number}", tables),
        )
        connection.execute(
            "INSERT INTO results (result_id, version, strip_id, content) VALUES (?, 1, ?, ?)",
            (f"R{number}", number, result_bytes(s.result(f"R{number}"))),
        )
    connection.executemany(
        "INSERT INTO deliveries (id, destination, lane, priority, result_id, version, format, state, attempts, born_at, due_at, after, control_id,"
        " payload, last_code) VALUES (?1, 'records', ?2, ?3, ?4, 1, 'oru_r01', ?5, 0, '2026-11-25T10:00:00.000000Z', ?6, ?7, ?8, x'789c030000000001', '')",
        [
            _delivery(1, "over", "accepted"),
            _delivery(2, "over", "refused"),
            _delivery(3, "over", "queued"),
            _delivery(4, "urgent", "queued"),
            _delivery(5, "urgent", "queued", priority="stat"),
            _delivery(6, "calm", "expired", priority="stat"),
            _delivery(7, "calm", "retrying"),
            _delivery(8, "waits", "queued", after=4),
            _delivery(9, "free", "queued", after=1),
            _delivery(10, "unborn", "unborn", after=7),
            _delivery(11, "born next", "unborn", after=2),
            _delivery(12, "crossed", "queued"),  # sent again by a person while 13 was on its way
            _delivery(13, "crossed", "sending"),
            _delivery(14, "gone", "superseded"),
            _delivery(15, "gone", "discarded"),
        ],
    )  # fmt: skip
    connection.execute("INSERT INTO attempts (delivery_id, started_at, code, words) VALUES (13, 'x', '', '')")
    connection.commit()
    connection.close()

    store = SqliteStore(tmp_path, now=lambda: s.NOW)
    connection = sqlite3.connect(file)
    kept = {row[0]: row[1:] for row in connection.execute("SELECT id, is_head, rank, is_blocked FROM deliveries")}
    assert [number for number, row in kept.items() if row[0]] == [3, 4, 7, 8, 9, 10, 11, 12]
    assert [number for number, row in kept.items() if row[1] == 0] == [4]
    assert [number for number, row in kept.items() if row[2]] == [8, 10]
    connection.close()
    assert [head.delivery_id for head in store.lane_heads("records", now=s.NOW, limit=99)] == [4, 3, 7, 9, 12]
    assert [number for number, _ in store.unborn("records", limit=99)] == [11]
    assert store.next_due("records") == s.NOW
    assert store.waiting_tables("records") == {"t", "u"}
    store.close()


def test_a_store_of_schema_0007_says_the_same_in_fewer_words(tmp_path: Path) -> None:
    """Messages, table sets, events and the mark of the purge: each moved, none changed, and the triggers stand again."""
    file = tmp_path / FILE
    command.upgrade(_config(file), "0007")
    connection = sqlite3.connect(file)
    for statement in schema_0007.statements(lambda content: f"x'{content.hex()}'"):
        connection.execute(statement)
    connection.commit()
    store = SqliteStore(tmp_path, now=lambda: s.NOW)
    schema_0007.must_be_as_before(store, lambda query: connection.execute(query).fetchall())
    for harm in ("DELETE FROM events", "UPDATE events SET reason = ''"):
        with pytest.raises(sqlite3.IntegrityError, match="events are append-only"):
            connection.execute(harm)
    connection.close()
    store.close()


def test_what_was_there_before_the_chain_is_its_first(tmp_path: Path) -> None:
    """HZ-J02: three entries by ids, whatever is missing among them; people's events are found by name, and a change of any is told."""
    file = tmp_path / FILE
    command.upgrade(_config(file), "0016")
    connection = sqlite3.connect(file)
    connection.execute("INSERT INTO meta (name, value) VALUES ('epoch', 'ABCDE')")
    kinds = [
        (1, "padpost", "capture.kept"),
        (2, "Bo", "stop.closed"),
        (3, "padpost", "store.restored"),
        (4, "padpost", "delivery.made"),
    ]
    connection.executemany("INSERT INTO event_kinds VALUES (?, ?, 'v', ?, 'stop', '', '')", kinds)
    numbers = [*range(1, 300), *range(520, 530)]
    connection.executemany(
        "INSERT INTO events (id, at_us, kind, number, reason) VALUES (?, ?, ?, ?, 'why')",
        [(number, number * 1000, number % 4 + 1, number) for number in numbers],
    )
    connection.commit()
    store = SqliteStore(tmp_path, now=lambda: s.NOW)
    s.keep(store)
    store.close()
    bound = connection.execute("SELECT id, at_us, events FROM audit_entries WHERE id < ? ORDER BY id", (2 << 32,)).fetchall()
    assert [(entry_id - (1 << 32), at_us, count) for entry_id, at_us, count in bound] == [
        (0, 529_000, 0), (1, 255_000, 255), (2, 299_000, 44), (3, 529_000, 10),
    ]  # fmt: skip
    named = "SELECT k.id, w.word, count(*) FROM events e JOIN event_kinds k ON k.id = e.kind JOIN words w ON w.id = e.who GROUP BY k.id"
    assert connection.execute(named).fetchall()[:2] == [(2, "Bo", 78), (3, "padpost", 77)]
    found = walked(file)
    assert (found.broken, found.events, found.epochs[0].epoch) == (None, 310, "ABCDE")
    connection.execute("DROP TRIGGER events_no_update")
    connection.execute("UPDATE events SET number = 9 WHERE id = 270")
    connection.commit()
    connection.close()
    broken = walked(file).broken
    assert broken is not None
    assert broken.sentence.startswith("Entry 1-2: it is not as it was written")


def test_a_step_that_fails_leaves_nothing_behind(tmp_path: Path) -> None:
    """Steps run in one transaction: what cannot be finished can be begun again once the cause is gone."""
    file = tmp_path / FILE
    connection = sqlite3.connect(file)
    connection.execute(
        "CREATE TABLE strips (x)"
    )  # in the way of the first step, which has made other tables before it comes here
    connection.close()
    with pytest.raises(Exception, match="table strips already exists"):
        migrate(file)
    assert _objects(file) == [("table", "strips")]
    connection = sqlite3.connect(file)
    connection.execute("DROP TABLE strips")
    connection.close()
    migrate(file)
    assert revision(file) == NEWEST


def test_a_store_of_the_first_accounts_takes_sessions_again(tmp_path: Path) -> None:
    """Schema 0045 wanted a time of every session that nobody writes any more: whoever was signed in signs in again, and can."""
    old, new = tmp_path / "old", tmp_path / "new"
    old.mkdir()
    new.mkdir()
    command.upgrade(_config(old / FILE), "0045")
    connection = sqlite3.connect(old / FILE)
    connection.execute(
        "INSERT INTO sessions (digest, account_id, opened_at, seen_at, confirmed_at) VALUES ('d', 1, 'x', 'x', 'x')"
    )
    connection.commit()
    connection.close()
    migrate(old / FILE)
    migrate(new / FILE)
    columns = "SELECT name, type, \"notnull\" FROM pragma_table_info('sessions')"
    shapes = []
    for folder in (old, new):
        connection = sqlite3.connect(folder / FILE)
        shapes.append(connection.execute(columns).fetchall())
        assert connection.execute("SELECT count(*) FROM sessions").fetchone() == (0,)
        connection.close()
    assert shapes[0] == shapes[1]
    assert "confirmed_at" not in [name for name, *_ in shapes[0]]


def test_a_disk_without_room_for_the_step_to_0008_is_named_and_the_step_is_done_once_there_is_room(tmp_path: Path) -> None:
    """SQLite's own bound on pages stands for the disk: full in the middle, nothing is changed, and the sentence says where to look."""
    file = tmp_path / FILE
    command.upgrade(_config(file), "0007")
    connection = sqlite3.connect(file)
    for statement in schema_0007.statements(lambda content: f"x'{content.hex()}'"):
        connection.execute(statement)
    connection.commit()
    connection.close()
    before = file.read_bytes()
    full = _FullDisk(len(before) // 4096)
    with full, pytest.raises(StoreFailed, match=r"cannot be opened: database or disk is full\. Check the disk"):
        SqliteStore(tmp_path, now=lambda: s.NOW)
    assert (file.read_bytes(), revision(file)) == (before, "0007")
    store = SqliteStore(tmp_path, now=lambda: s.NOW)
    assert store.result("R2") is not None
    store.close()


def test_a_store_of_a_newer_padpost_is_left_alone(tmp_path: Path) -> None:
    """An older program must not write into what it does not know."""
    file = tmp_path / FILE
    migrate(file)
    connection = sqlite3.connect(file)
    connection.execute("UPDATE alembic_version SET version_num = '9999'")
    connection.commit()
    connection.close()
    before = file.read_bytes()
    with pytest.raises(
        StoreFailed, match=r"was written by a newer Padpost \(schema 9999\)\. Install that version again, or restore"
    ):
        SqliteStore(tmp_path, now=lambda: s.NOW)
    assert file.read_bytes() == before


def test_no_file_has_no_revision(tmp_path: Path) -> None:
    """Asking makes none."""
    assert revision(tmp_path / FILE) == ""
    assert not (tmp_path / FILE).exists()
    (tmp_path / FILE).touch()
    assert revision(tmp_path / FILE) == ""


def test_what_is_known_is_what_there_is_a_step_to() -> None:
    """By name and not by number: a step that was begun later may have been released earlier."""
    script = ScriptDirectory(str(MIGRATIONS))
    assert all(is_known(step.revision) for step in script.walk_revisions())
    assert [is_known(found) for found in ("", "0000", "9999", "00", "*", "first")] == [True, False, False, False, False, False]
