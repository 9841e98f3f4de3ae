"""The history is bound: each event belongs to an entry of a chain (bridge/store/chain.py), and nothing that is bound can be changed.

What is there already becomes the first chain: entries of 256 events each by their ids, so that no row is written again.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from itertools import groupby

import sqlalchemy as sa
from alembic import op

from bridge.store.chain import BEFORE_ALL, BITS, NEW_CHAIN, NEW_ENTRY, entry_digest, event_bytes, kind_digest
from bridge.store.codec import json_text
from bridge.store.migrations.append_only import append_only, bind_history
from bridge.store.schema import Integer, Text

revision = "0023"
down_revision = "0019"
branch_labels = None
depends_on = None

_AT_ONCE = 20_000  # events read at once: some megabytes
_OLD = 256  # events of an entry; reads know it too (chain.ENTRY)
_NAMED = "(actor <> 'padpost' OR what LIKE 'store.%' OR what LIKE 'destination.%')"
_WRITER = "the step to schema 0023"


def upgrade() -> None:
    """Add the tables, bind what is there, and shut them."""
    op.create_table(
        "audit_chains",
        sa.Column("id", Integer, primary_key=True, autoincrement=True),
        sa.Column("begun_us", Integer, nullable=False),
        sa.Column("writer", Text, nullable=False),
    )
    op.create_table(
        "audit_entries",
        sa.Column("id", Integer, primary_key=True, autoincrement=False),
        *(sa.Column(name, Integer, nullable=False) for name in ("at_us", "events")),
        sa.Column("said", Text, nullable=False),
        sa.Column("digest", sa.LargeBinary, nullable=False),
        sa.Column("content", sa.LargeBinary, nullable=True),
    )
    op.add_column("events", sa.Column("entry", Integer))
    op.add_column("events", sa.Column("who", Integer))
    _bind()
    _name_who()
    for name, column in (("events_who", "who"), ("events_kind", "kind")):
        where = sa.text("who IS NOT NULL")
        op.create_index(name, "events", [column, "id"], sqlite_where=where, postgresql_where=where)
    for table in ("audit_chains", "audit_entries", "event_kinds", "words"):
        append_only(table)
    bind_history()


def _bind() -> None:
    bind = op.get_bind()
    epoch = bind.exec_driver_sql("SELECT value FROM meta WHERE name = 'epoch'").fetchone()
    newest = bind.exec_driver_sql("SELECT at_us FROM events ORDER BY id DESC LIMIT 1").fetchone()
    at_us = int(newest[0]) if newest else 0
    _insert(NEW_CHAIN, [(at_us, _WRITER)])
    words: dict[str, object] = {
        "what": "begun",
        "heads": {},
        "writer": _WRITER,
        "padpost": "",
        "epoch": epoch[0] if epoch else "",
    }
    said, nothing = json_text(words), hashlib.sha256().digest()
    digest = entry_digest(BEFORE_ALL, (1 << BITS, at_us, 0, said), nothing)
    _insert(NEW_ENTRY, [(1 << BITS, at_us, 0, said, digest)])
    made: list[tuple[object, ...]] = []
    for part, group in groupby(_events(), key=lambda event: event[0] // _OLD):
        entry_id, content, count, newest_us = (1 << BITS) + 1 + part, hashlib.sha256(), 0, 0
        for _, event_us, number, reason, *kind in group:
            content.update(event_bytes(kind_digest(*kind), event_us, number, reason, is_named=_is_named(*kind)))
            count, newest_us = count + 1, max(newest_us, event_us)
        digest = entry_digest(digest, (entry_id, newest_us, count, ""), content.digest())
        made.append((entry_id, newest_us, count, "", digest))
        if len(made) == _OLD:
            _insert(NEW_ENTRY, made)
            made = []
    _insert(NEW_ENTRY, made)


def _events() -> Iterator[tuple[int, int, int, str, str, str, str, str, str, str]]:
    """Give every event in the order of its id, with the words of its kind."""
    bind, last = op.get_bind(), -1
    kinds = {row[0]: tuple(row[1:]) for row in bind.exec_driver_sql(
        "SELECT id, actor, verified, what, subject, before, after FROM event_kinds"
    )}  # fmt: skip
    while True:
        found = bind.exec_driver_sql(
            f"SELECT id, at_us, number, reason, kind FROM events WHERE id > {last} ORDER BY id LIMIT {_AT_ONCE}"
        ).fetchall()
        if not found:
            return
        for event_id, at_us, number, reason, kind in found:
            yield (event_id, at_us, number, reason, *kinds[kind])
        last = found[-1][0]


def _is_named(actor: str, _verified: str, what: str, *_: str) -> bool:
    """Say of a kind whether its events are found by who did it (``_NAMED``)."""
    return actor != "padpost" or what.startswith(("store.", "destination."))


def _insert(statement: str, rows: list[tuple[object, ...]]) -> None:
    if not rows:
        return
    bind = op.get_bind()
    bind.exec_driver_sql(statement if bind.dialect.name == "sqlite" else statement.replace("?", "%s"), rows)


def _name_who() -> None:
    """Let what people did be found by their names; of Padpost's own events those that do not come with strips."""
    is_sqlite = op.get_bind().dialect.name == "sqlite"
    op.execute("DROP TRIGGER events_no_update" if is_sqlite else "ALTER TABLE events DISABLE TRIGGER USER")
    op.execute(sa.text(f"INSERT INTO words (word) SELECT DISTINCT actor FROM event_kinds WHERE {_NAMED} ON CONFLICT DO NOTHING"))
    op.execute(
        sa.text(
            "UPDATE events SET who = (SELECT w.id FROM event_kinds k JOIN words w ON w.word = k.actor WHERE k.id = events.kind)"
            f" WHERE kind IN (SELECT id FROM event_kinds WHERE {_NAMED})"
        )
    )
    if not is_sqlite:
        op.execute("ALTER TABLE events ENABLE TRIGGER USER")
