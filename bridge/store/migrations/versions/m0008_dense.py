"""Rows that are written again with each state are small, and what many rows say is said once: fewer pages a commit, fewer bytes a strip.

Messages leave the delivery's row; table sets and kinds of events are named by number; an event's time is a whole number. Of the indexes of
deliveries go those that another serves as well.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from bridge.store.codec import record_key
from bridge.store.migrations.append_only import events_stay
from bridge.store.schema import Integer, Text

revision = "0008"
down_revision = "0007"
branch_labels = None
depends_on = None

_OPEN = "state IN ('unborn', 'queued', 'sending', 'retrying', 'committed')"
_MAY_GO = "is_head = 1 AND is_blocked = 0 AND state IN ('queued', 'retrying')"
# How each database reads the times and subjects of events as they were
_SQLITE = {
    "at_us": "CAST(strftime('%s', substr(e.at, 1, 19)) AS INTEGER) * 1000000 + CAST(substr(e.at, 21, 6) AS INTEGER)",
    "mark_us": "CAST(CAST(strftime('%s', substr(value, 1, 19)) AS INTEGER) * 1000000 + CAST(substr(value, 21, 6) AS INTEGER) AS TEXT)",
    "sort": "substr(e.subject, 1, instr(e.subject, ':') - 1)",
    "number": "CAST(substr(e.subject, instr(e.subject, ':') + 1) AS INTEGER)",
    "record_key": "padpost_record_key(record_digest)",
    "bytes": "CAST({} AS BLOB)",
}
_SERVER = {
    "at_us": "CAST(extract(epoch FROM CAST(e.at AS timestamptz)) * 1000000 AS BIGINT)",
    "mark_us": "CAST(CAST(extract(epoch FROM CAST(value AS timestamptz)) * 1000000 AS BIGINT) AS TEXT)",
    "sort": "split_part(e.subject, ':', 1)",
    "number": "CAST(split_part(e.subject, ':', 2) AS BIGINT)",
    "record_key": "CAST(CAST('x' || substr(encode(sha256(convert_to(record_digest, 'UTF8')), 'hex'), 1, 12) AS bit(48)) AS BIGINT)",
    "bytes": "convert_to({}, 'UTF8')",
}


def _id() -> sa.Column[int]:
    return sa.Column("id", Integer, primary_key=True, autoincrement=True)


def _part(name: str, columns: list[str], where: str) -> None:
    op.create_index(name, "deliveries", columns, sqlite_where=sa.text(where), postgresql_where=sa.text(where))


def upgrade() -> None:
    """Make the new tables out of the old columns, then the indexes."""
    bind = op.get_bind()
    of = _SQLITE if bind.dialect.name == "sqlite" else _SERVER
    if of is _SQLITE:
        bind.connection.create_function("padpost_record_key", 1, record_key, deterministic=True)
    _shorten_strips(of)
    _part_messages()
    _say_kinds_once(of)
    _index()


def _shorten_strips(of: dict[str, str]) -> None:
    """Name table sets by number, and write what was JSON as bytes; it stays as it is, and only what comes from now on is packed."""
    op.create_table("words", _id(), sa.Column("word", Text, nullable=False), sa.UniqueConstraint("word"))
    op.execute("INSERT INTO words (word) SELECT tables_digest FROM strips UNION SELECT tables_digest FROM deliveries")
    op.drop_index("deliveries_tables", "deliveries")
    for table in ("strips", "deliveries"):
        op.add_column(table, sa.Column("tables", Integer, nullable=False, server_default="0"))
    op.add_column("strips", sa.Column("record_key", Integer, nullable=False, server_default="0"))
    op.add_column("strips", sa.Column("printed", sa.LargeBinary))
    op.add_column("strips", sa.Column("accepted", sa.LargeBinary))
    number = "(SELECT w.id FROM words w WHERE w.word = tables_digest)"
    op.execute(f"UPDATE deliveries SET tables = {number}")
    op.drop_column("deliveries", "tables_digest")
    written = ", ".join(f"{new} = {of['bytes'].format(old)}" for new, old in (("printed", "pads"), ("accepted", "content")))
    op.drop_index("strips_record", "strips")
    op.execute(f"UPDATE strips SET tables = {number}, record_key = {of['record_key']}, {written}")
    for column in ("tables_digest", "pads", "content"):
        op.drop_column("strips", column)


def _part_messages() -> None:
    op.create_table(
        "messages",
        sa.Column("delivery_id", Integer, sa.ForeignKey("deliveries.id"), primary_key=True, autoincrement=False),
        sa.Column("payload", sa.LargeBinary, nullable=False),
    )
    op.execute(
        "INSERT INTO messages (delivery_id, payload) SELECT id, payload FROM deliveries WHERE payload IS NOT NULL ORDER BY id"
    )
    op.drop_column("deliveries", "payload")


def _say_kinds_once(of: dict[str, str]) -> None:
    parts = ("actor", "verified", "what", "subject", "before", "after")
    op.create_table("event_kinds", _id(), *(sa.Column(part, Text, nullable=False) for part in parts), sa.UniqueConstraint(*parts))
    is_numbered = f"{of['sort']} IN ('capture', 'strip', 'stop', 'delivery')"
    kind = f"e.actor, e.verified, e.what, CASE WHEN {is_numbered} THEN {of['sort']} ELSE e.subject END, e.before, e.after"
    op.execute(f"INSERT INTO event_kinds ({', '.join(parts)}) SELECT DISTINCT {kind} FROM events e")
    op.rename_table("events", "events_before")
    op.drop_index("events_subject", "events_before")
    op.create_table(
        "events",
        _id(),
        sa.Column("at_us", Integer, nullable=False),
        sa.Column("kind", Integer, sa.ForeignKey("event_kinds.id"), nullable=False),
        sa.Column("number", Integer, nullable=False),
        sa.Column("reason", Text, nullable=False),
    )
    op.execute(
        f"INSERT INTO events (id, at_us, kind, number, reason) SELECT e.id, {of['at_us']},"
        f" (SELECT k.id FROM event_kinds k WHERE ({', '.join(f'k.{part}' for part in parts)}) = ({kind})),"
        f" CASE WHEN {is_numbered} THEN {of['number']} ELSE 0 END, e.reason FROM events_before e ORDER BY e.id"
    )
    op.drop_table("events_before")
    op.create_index("events_subject", "events", ["number", "kind"])
    op.execute(f"UPDATE meta SET value = {of['mark_us']} WHERE name = 'events_purged_before'")
    events_stay()
    op.execute(
        "CREATE VIEW history AS SELECT e.id, e.at_us, k.actor, k.verified, k.what,"
        " CASE WHEN e.number = 0 THEN k.subject ELSE k.subject || ':' || e.number END AS subject, k.before, k.after, e.reason"
        " FROM events e JOIN event_kinds k ON k.id = e.kind"
    )
    if op.get_bind().dialect.name != "sqlite":  # the names that the old table had, and the next id behind its last
        op.execute("ALTER SEQUENCE events_id_seq1 RENAME TO events_id_seq")
        op.execute("ALTER INDEX events_pkey1 RENAME TO events_pkey")
        op.execute("SELECT setval(pg_get_serial_sequence('events', 'id'), coalesce((SELECT max(id) FROM events), 0) + 1, false)")


def _index() -> None:
    for name in ("deliveries_once", "deliveries_open", "deliveries_due", "deliveries_sending", "deliveries_result"):
        op.drop_index(name, "deliveries")
    op.create_index("deliveries_result", "deliveries", ["result_id", "version", "destination"], unique=True)
    _part("deliveries_waiting", ["destination", "lane", "id"], f"is_head = 0 AND {_OPEN}")
    _part("deliveries_tables", ["tables", "destination"], _OPEN)
    _part("deliveries_due", ["destination", "rank", "due_at", "id"], f"{_MAY_GO} AND due_at IS NOT NULL")
    op.create_index("strips_record", "strips", ["record_key"])
    op.drop_index("strips_result", "strips")  # results know their strips
