"""The tables, declared once for SQLite and PostgreSQL. Times are text, ISO 8601 in UTC with microseconds, so that they sort.

Payloads are compressed (codec) and come back byte-identical. ``captures`` and ``events`` are append-only (triggers in
the migrations); ``events`` holds no patient identifiers. Here stand the tables of a strip's way; those of the bench day are in ``schema_bench``, those of who may sign in in ``schema_accounts``, those of additions in ``schema_additions``.
"""

from __future__ import annotations

from sqlalchemy import Column, ForeignKey, Index, LargeBinary, Table, UniqueConstraint, text

from bridge.store import schema_accounts, schema_additions, schema_bench
from bridge.store.lanes import MAY_GO, OPEN, WAITING
from bridge.store.schema_parts import Integer, Text, metadata, part_index, row_id

__all__ = ["Integer", "Text", "metadata", "schema_accounts", "schema_additions", "schema_bench"]

# What many rows say is said once (interned.py)
words = Table("words", metadata, row_id(), Column("word", Text, nullable=False, unique=True))

meta = Table("meta", metadata, Column("name", Text, primary_key=True), Column("value", Text, nullable=False))

captures = Table(
    "captures",
    metadata,
    row_id(),
    Column("analyzer", Text, nullable=False),
    Column("profile", Text, nullable=False),
    Column("source", Text, nullable=False),
    Column("way", Text, nullable=False),
    Column("name", Text, nullable=False),
    Column("arrived_at", Text, nullable=False),
    Column("torn", Integer, nullable=False),
    Column("live", Integer, nullable=False),
    Column("digest", Text, nullable=False),
    Column("origin", Text, unique=True),
    Column("payload", LargeBinary, nullable=False),
    Column("purged_at", Text),
    Index("captures_analyzer", "analyzer"),
)

intake = Table(
    "intake",
    metadata,
    row_id(),
    Column("capture_id", Integer, ForeignKey("captures.id"), nullable=False),
    Column("analyzer", Text, nullable=False),
    Column("only_index", Integer),
    Column("next_index", Integer, nullable=False),
    Column("because", Text, nullable=False),
    Column("ended_at", Text),
    Index("intake_open", "analyzer", "id", sqlite_where=text("ended_at IS NULL"), postgresql_where=text("ended_at IS NULL")),
)

strips = Table(
    "strips",
    metadata,
    row_id(),
    Column("capture_id", Integer, ForeignKey("captures.id"), nullable=False),
    Column("idx", Integer, nullable=False),
    Column("is_newest", Integer, nullable=False),
    Column("outcome", Text, nullable=False),
    Column("analyzer", Text, nullable=False),
    Column("mode", Text, nullable=False),
    Column("series", Text, nullable=False),
    Column("number", Text, nullable=False),
    Column("purpose", Text, nullable=False),
    Column("priority", Text, nullable=False),
    Column("patient_printed", Text, nullable=False),
    Column("patient_id", Text, nullable=False),
    Column("specimen_id", Text, nullable=False),
    Column("operator", Text, nullable=False),
    Column("strip_type", Text, nullable=False),
    Column("strip_lot", Text, nullable=False),
    Column("analyzed_at", Text),
    Column("arrived_at", Text, nullable=False),
    Column("judged_at", Text, nullable=False),
    Column("record_digest", Text, nullable=False),
    Column("copy_of", Integer),
    Column("result_id", Text, nullable=False),
    Column("findings", Text, nullable=False),
    Column("abnormal", Integer, nullable=False),
    Column("place_start", Integer, nullable=False),
    Column("place_end", Integer, nullable=False),
    Column("purged_at", Text),
    Column("tables", Integer, nullable=False, server_default="0"),
    Column("record_key", Integer, nullable=False, server_default="0"),
    # Packed columns (codec.packed_column): the pads as printed, NULL for none; and what makes two records the same strip, NULL where nothing was accepted
    Column("printed", LargeBinary),
    Column("accepted", LargeBinary),
    Index(
        "strips_reading",
        "capture_id",
        "idx",
        unique=True,
        sqlite_where=text("is_newest = 1"),
        postgresql_where=text("is_newest = 1"),
    ),
    Index("strips_number", "number", "analyzer", "mode"),
    part_index("strips_specimen", "specimen_id", where="specimen_id <> ''"),
    part_index("strips_corrected", "patient_id", where="patient_id <> patient_printed"),
    Index("strips_lot", "strip_lot"),
    part_index("strips_noted", "arrived_at", where="outcome = 'coded' AND findings <> '[]'"),
    part_index("strips_seldom", "outcome", where="outcome <> 'coded'"),
    Index("strips_record", "record_key"),
    Index("strips_patient", "patient_printed", "arrived_at"),
    Index("strips_patient_read", "patient_printed", "analyzed_at"),
    Index("strips_analyzer", "analyzer"),
    Index("strips_capture", "capture_id", "idx"),
    Index("strips_series", "analyzer", "series"),
    Index("strips_arrived", "arrived_at"),
    Index("strips_analyzed", "analyzed_at"),
    Index(
        "strips_waiting",
        "analyzer",
        "strip_type",
        "strip_lot",
        sqlite_where=text("outcome = 'waiting'"),
        postgresql_where=text("outcome = 'waiting'"),
    ),
)

stops = Table(
    "stops",
    metadata,
    row_id(),
    Column("grp", Text, nullable=False),
    Column("state", Text, nullable=False),
    Column("rule", Text, nullable=False),
    Column("rules", Text, nullable=False),
    Column("sentence", Text, nullable=False),
    Column("remedy", Text, nullable=False),
    Column("place_start", Integer),
    Column("place_end", Integer),
    Column("releasable", Integer, nullable=False),
    Column("opened_at", Text, nullable=False),
    Column("repeats", Integer, nullable=False),
    Column("last_repeat_at", Text),
    Column("source", Text, nullable=False),
    Column("analyzer", Text, nullable=False),
    Column("capture_id", Integer, ForeignKey("captures.id")),
    Column("strip_id", Integer, ForeignKey("strips.id")),
    Column("delivery_id", Integer, ForeignKey("deliveries.id")),
    Column("receiver_words", Text, nullable=False),
    Column("closed_at", Text),
    Column("closed_by", Text, nullable=False),
    Column("closed_how", Text, nullable=False),
    Column("closed_reason", Text, nullable=False),
    Column("closed_with", Text, nullable=False, server_default=""),
    Column("specimen", Text, nullable=False, server_default=""),
    Column("owner", Text, nullable=False, server_default=""),
    Index("stops_open", "grp", "id", sqlite_where=text("state = 'open'"), postgresql_where=text("state = 'open'")),
    Index("stops_strip", "strip_id"),
)

decisions = Table(
    "decisions",
    metadata,
    row_id(),
    Column("capture_id", Integer, ForeignKey("captures.id"), nullable=False),
    Column("idx", Integer, nullable=False),
    Column("patient_id", Text, nullable=False),
    Column("rules", Text, nullable=False),
    Column("actor", Text, nullable=False),
    Column("verified", Text, nullable=False),
    Column("at", Text, nullable=False),
    Column("record_digest", Text, nullable=False, server_default=""),
    Column("analyzed_at", Text),
    Index("decisions_reading", "capture_id", "idx"),
    part_index("decisions_analyzed", "analyzed_at", where="analyzed_at IS NOT NULL"),
)

results = Table(
    "results",
    metadata,
    Column("result_id", Text, nullable=False),
    Column("version", Integer, nullable=False),
    Column("strip_id", Integer, ForeignKey("strips.id"), nullable=False),
    Column("content", LargeBinary, nullable=False),
    UniqueConstraint("result_id", "version"),
    Index("results_strip", "strip_id"),
)

deliveries = Table(
    "deliveries",
    metadata,
    row_id(),
    Column("destination", Text, nullable=False),
    Column("lane", Text, nullable=False),
    Column("priority", Text, nullable=False),
    Column("result_id", Text, nullable=False),
    Column("version", Integer, nullable=False),
    Column("format", Text, nullable=False),
    Column("control_id", Text, unique=True),
    Column("state", Text, nullable=False),
    Column("attempts", Integer, nullable=False),
    Column("born_at", Text, nullable=False),
    Column("due_at", Text),
    Column("first_attempt_at", Text),
    Column("accepted_at", Text),
    Column("last_code", Text, nullable=False),
    Column("after", Integer),
    Column("is_head", Integer, nullable=False, server_default="0"),
    Column("rank", Integer, nullable=False, server_default="1"),
    Column("is_blocked", Integer, nullable=False, server_default="0"),
    Column("payload_digest", Text),
    Column("tables", Integer, nullable=False, server_default="0"),
    part_index("deliveries_waiting", "destination", "lane", "id", where=WAITING),
    part_index("deliveries_stat", "destination", "lane", where=f"priority = 'stat' AND {OPEN}"),
    part_index("deliveries_tables", "tables", "destination", where=OPEN),
    part_index("deliveries_head", "destination", "lane", where="is_head = 1", unique=True),
    part_index("deliveries_ready", "destination", "rank", "id", where=f"{MAY_GO} AND due_at IS NULL"),
    part_index("deliveries_due", "destination", "rank", "due_at", "id", where=f"{MAY_GO} AND due_at IS NOT NULL"),
    part_index("deliveries_unborn", "destination", "id", where="state = 'unborn' AND is_blocked = 0"),
    part_index("deliveries_committed", "destination", "due_at", where="state = 'committed'"),
    part_index("deliveries_after", "after", where="after IS NOT NULL"),
    Index("deliveries_result", "result_id", "version", "destination", unique=True),
    Index("deliveries_state", "destination", "state", "born_at"),
)

# Apart from the delivery, whose row is written again with each of its states
messages = Table(
    "messages",
    metadata,
    Column("delivery_id", Integer, ForeignKey("deliveries.id"), primary_key=True, autoincrement=False),
    Column("payload", LargeBinary, nullable=False),
)

attempts = Table(
    "attempts",
    metadata,
    row_id(),
    Column("delivery_id", Integer, ForeignKey("deliveries.id"), nullable=False),
    Column("started_at", Text, nullable=False),
    Column("ended_at", Text),
    Column("code", Text, nullable=False),
    Column("words", Text, nullable=False),
    Index("attempts_delivery", "delivery_id"),
)

# Who did what to which sort of thing, from which state to which: a few hundred, however many events there are
event_kinds = Table(
    "event_kinds",
    metadata,
    row_id(),
    Column("actor", Text, nullable=False),
    Column("verified", Text, nullable=False),
    Column("what", Text, nullable=False),
    Column("subject", Text, nullable=False),
    Column("before", Text, nullable=False),
    Column("after", Text, nullable=False),
    UniqueConstraint("actor", "verified", "what", "subject", "before", "after"),
)

# at_us: microseconds since 1970, UTC; number: the subject's own, 0 where its kind names it in full; entry: of audit_entries, NULL from before there were any;
# who: the actor's word, NULL for what comes with every strip. The view ``history`` shows events in words
events = Table(
    "events",
    metadata,
    row_id(),
    Column("at_us", Integer, nullable=False),
    Column("kind", Integer, ForeignKey("event_kinds.id"), nullable=False),
    Column("number", Integer, nullable=False),
    Column("reason", Text, nullable=False),
    Column("entry", Integer),
    Column("who", Integer),
    Index("events_subject", "number", "kind"),
    part_index("events_who", "who", "id", where="who IS NOT NULL"),
    part_index("events_kind", "kind", "id", where="who IS NOT NULL"),
)

# One row for each connection that wrote: whose, and since when
audit_chains = Table(
    "audit_chains",
    metadata,
    row_id(),
    Column("begun_us", Integer, nullable=False),
    Column("writer", Text, nullable=False),
)

# What binds the events (chain.py). id: the chain's number and the place in it; at_us: of its newest event; said: what an entry without events
# says, as JSON; content: the digest of its events once the purge has taken them
audit_entries = Table(
    "audit_entries",
    metadata,
    Column("id", Integer, primary_key=True, autoincrement=False),
    Column("at_us", Integer, nullable=False),
    Column("events", Integer, nullable=False),
    Column("said", Text, nullable=False),
    Column("digest", LargeBinary, nullable=False),
    Column("content", LargeBinary),
)

destinations = Table(
    "destinations",
    metadata,
    Column("name", Text, primary_key=True),
    Column("state", Text, nullable=False),
    Column("reason", Text, nullable=False),
    Column("since", Text, nullable=False),
)

# seen_until NULL: for as long as the process has the store alone
processes = Table(
    "processes",
    metadata,
    Column("owner", Text, primary_key=True),
    Column("roles", Text, nullable=False),
    Column("host", Text, nullable=False),
    Column("pid", Integer, nullable=False),
    Column("wishes", Text, nullable=False),
    Column("seen_until", Text),
)

# owner "": free
leases = Table(
    "leases",
    metadata,
    Column("name", Text, primary_key=True),
    Column("owner", Text, nullable=False),
    Column("token", Integer, nullable=False),
    Index("leases_owner", "owner"),
)

series = Table(
    "series",
    metadata,
    Column("analyzer", Text, primary_key=True),
    Column("mode", Text, primary_key=True),
    Column("series", Text, nullable=False),
    Column("last_number", Integer, nullable=False),
    Column("last_printed_at", Text),
)

table_sets = Table(
    "table_sets",
    metadata,
    Column("digest", Text, primary_key=True),
    Column("content", LargeBinary, nullable=False),
    Column("at", Text, nullable=False),
)

plan_checks = Table(
    "plan_checks",
    metadata,
    Column("digest", Text, primary_key=True),
    Column("fault", Text, nullable=False),
    Column("at", Text, nullable=False),
)

refused_files = Table(
    "refused_files",
    metadata,
    Column("stop_id", Integer, ForeignKey("stops.id"), primary_key=True),
    Column("name", Text, nullable=False),
    Column("digest", Text, nullable=False),
    Column("size", Integer, nullable=False),
    Column("beginning", LargeBinary, nullable=False),
)
