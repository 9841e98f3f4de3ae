"""The tables, declared once for SQLite and PostgreSQL. Times are text, ISO 8601 in UTC with microseconds, so that they sort.

Payloads are compressed (codec) and come back byte-identical. ``captures`` and ``events`` are append-only (triggers in
the migrations); ``events`` holds no patient identifiers.
"""

from __future__ import annotations

import sqlalchemy
from sqlalchemy import BigInteger, Column, ForeignKey, Index, LargeBinary, MetaData, Table, UniqueConstraint, text

from bridge.store.lanes import MAY_GO, OPEN, WAITING

# Whole numbers have 64 bits and text sorts by its bytes on both; a locale's order would change with the server's system library
Integer = BigInteger().with_variant(sqlalchemy.Integer(), "sqlite")
Text = sqlalchemy.Text().with_variant(sqlalchemy.Text(collation="C"), "postgresql")

metadata = MetaData()


def _id() -> Column[int]:
    return Column("id", Integer, primary_key=True, autoincrement=True)


def _part(name: str, *columns: str, where: str, unique: bool = False) -> Index:
    """Give an index of the rows that ``where`` names; it serves the queries that say the same words."""
    return Index(name, *columns, unique=unique, sqlite_where=text(where), postgresql_where=text(where))


# What many rows say is said once (interned.py)
words = Table("words", metadata, _id(), Column("word", Text, nullable=False, unique=True))

meta = Table("meta", metadata, Column("name", Text, primary_key=True), Column("value", Text, nullable=False))

captures = Table(
    "captures",
    metadata,
    _id(),
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
    _id(),
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
    _id(),
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
    _part("strips_specimen", "specimen_id", where="specimen_id <> ''"),
    _part("strips_corrected", "patient_id", where="patient_id <> patient_printed"),
    Index("strips_lot", "strip_lot"),
    _part("strips_noted", "arrived_at", where="outcome = 'coded' AND findings <> '[]'"),
    _part("strips_seldom", "outcome", where="outcome <> 'coded'"),
    Index("strips_record", "record_key"),
    Index("strips_patient", "patient_printed", "arrived_at"),
    Index("strips_patient_read", "patient_printed", "analyzed_at"),
    Index("strips_analyzer", "analyzer"),
    Index("strips_capture", "capture_id", "idx"),
    Index("strips_series", "analyzer", "series"),
    Index("strips_arrived", "arrived_at"),
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
    _id(),
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
    Index("stops_open", "grp", "id", sqlite_where=text("state = 'open'"), postgresql_where=text("state = 'open'")),
    Index("stops_strip", "strip_id"),
)

decisions = Table(
    "decisions",
    metadata,
    _id(),
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
    _id(),
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
    _part("deliveries_waiting", "destination", "lane", "id", where=WAITING),
    _part("deliveries_stat", "destination", "lane", where=f"priority = 'stat' AND {OPEN}"),
    _part("deliveries_tables", "tables", "destination", where=OPEN),
    _part("deliveries_head", "destination", "lane", where="is_head = 1", unique=True),
    _part("deliveries_ready", "destination", "rank", "id", where=f"{MAY_GO} AND due_at IS NULL"),
    _part("deliveries_due", "destination", "rank", "due_at", "id", where=f"{MAY_GO} AND due_at IS NOT NULL"),
    _part("deliveries_unborn", "destination", "id", where="state = 'unborn' AND is_blocked = 0"),
    _part("deliveries_committed", "destination", "due_at", where="state = 'committed'"),
    _part("deliveries_after", "after", where="after IS NOT NULL"),
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
    _id(),
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
    _id(),
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
    _id(),
    Column("at_us", Integer, nullable=False),
    Column("kind", Integer, ForeignKey("event_kinds.id"), nullable=False),
    Column("number", Integer, nullable=False),
    Column("reason", Text, nullable=False),
    Column("entry", Integer),
    Column("who", Integer),
    Index("events_subject", "number", "kind"),
    _part("events_who", "who", "id", where="who IS NOT NULL"),
    _part("events_kind", "kind", "id", where="who IS NOT NULL"),
)

# One row for each connection that wrote: whose, and since when
audit_chains = Table(
    "audit_chains",
    metadata,
    _id(),
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

gates = Table(
    "gates",
    metadata,
    Column("analyzer", Text, primary_key=True),
    Column("strip_type", Text, primary_key=True),
    Column("strip_lot", Text, primary_key=True),
    Column("content", Text, nullable=False),
)

# capture_id 0: a person's word. decides: 1 a whole set that counts, 0 a failure, NULL neither
gate_events = Table(
    "gate_events",
    metadata,
    _id(),
    Column("analyzer", Text, nullable=False),
    Column("strip_type", Text, nullable=False),
    Column("strip_lot", Text, nullable=False),
    Column("at", Text, nullable=False),
    Column("capture_id", Integer, nullable=False),
    Column("idx", Integer, nullable=False),
    Column("what", Text, nullable=False),
    Column("before", Text, nullable=False),
    Column("after", Text, nullable=False),
    Column("level", Text, nullable=False),
    Column("decides", Integer),
    Column("run", Text, nullable=False),
    Column("actor", Text, nullable=False),
    Column("verified", Text, nullable=False),
    Column("reason", Text, nullable=False),
    Index("gate_events_order", "analyzer", "strip_type", "strip_lot", "at", "capture_id", "idx"),
    Index("gate_events_reading", "capture_id", "idx"),
)

look_backs = Table(
    "look_backs",
    metadata,
    _id(),
    Column("capture_id", Integer, nullable=False),
    Column("idx", Integer, nullable=False),
    Column("failed_capture_id", Integer, nullable=False),
    Column("failed_idx", Integer, nullable=False),
    Column("verdict", Text, nullable=False),
    Column("actor", Text, nullable=False),
    Column("verified", Text, nullable=False),
    Column("decided_at", Text),
    Column("reason", Text, nullable=False),
    UniqueConstraint("capture_id", "idx"),
)

# content: controls_document.LotRow as JSON, unsigned; closed_at NULL: in use
control_lots = Table(
    "control_lots",
    metadata,
    _id(),
    Column("content", Text, nullable=False),
    Column("entered_by", Text, nullable=False),
    Column("entered_at", Text, nullable=False),
    Column("signed_by", Text, nullable=False),
    Column("signed_at", Text),
    Column("closed_by", Text, nullable=False),
    Column("closed_at", Text),
)

# days as ISO dates, both included; until NULL: no end is set; ended_at NULL: in force
operators = Table(
    "operators",
    metadata,
    _id(),
    Column("analyzer", Text, nullable=False),
    Column("number", Text, nullable=False),
    Column("name", Text, nullable=False),
    Column("since", Text, nullable=False),
    Column("until", Text),
    Column("competency_due", Text),
    Column("shift", Text, nullable=False),
    Column("entered_by", Text, nullable=False),
    Column("entered_at", Text, nullable=False),
    Column("ended_by", Text, nullable=False),
    Column("ended_at", Text),
)

# What people said of missing numbers, and the days that they signed; content: pages/day_sheet.py
gap_answers = Table(
    "gap_answers",
    metadata,
    _id(),
    Column("analyzer", Text, nullable=False),
    Column("mode", Text, nullable=False),
    Column("series", Text, nullable=False),
    Column("first_number", Integer, nullable=False),
    Column("last_number", Integer, nullable=False),
    Column("what", Text, nullable=False),
    Column("actor", Text, nullable=False),
    Column("verified", Text, nullable=False),
    Column("at", Text, nullable=False),
    Column("reason", Text, nullable=False),
    Index("gap_answers_series", "analyzer", "mode", "series"),
)

day_signatures = Table(
    "day_signatures",
    metadata,
    _id(),
    Column("day", Text, nullable=False),
    Column("content", Text, nullable=False),
    Column("actor", Text, nullable=False),
    Column("verified", Text, nullable=False),
    Column("at", Text, nullable=False),
    Column("remark", Text, nullable=False),
    Index("day_signatures_day", "day"),
)

# text: an identifier or a pattern (bench.registered); days as ISO dates, both included; signed_by, ended_by "": not yet
registered_ids = Table(
    "registered_ids",
    metadata,
    _id(),
    Column("text", Text, nullable=False),
    Column("purpose", Text, nullable=False),
    Column("scheme", Text, nullable=False),
    Column("since", Text, nullable=False),
    Column("until", Text, nullable=False),
    Column("entered_by", Text, nullable=False),
    Column("entered_at", Text, nullable=False),
    Column("signed_by", Text, nullable=False),
    Column("signed_at", Text),
    Column("ended_by", Text, nullable=False),
    Column("ended_at", Text),
    Column("reason", Text, nullable=False),
)

# What happened to analyzers, as people said it; only appended
analyzer_events = Table(
    "analyzer_events",
    metadata,
    _id(),
    Column("analyzer", Text, nullable=False),
    Column("what", Text, nullable=False),
    Column("happened_at", Text, nullable=False),
    Column("text", Text, nullable=False),
    Column("reason", Text, nullable=False),
    Column("entered_by", Text, nullable=False),
    Column("verified", Text, nullable=False),
    Column("entered_at", Text, nullable=False),
    Index("analyzer_events_analyzer", "analyzer", "what", "happened_at"),
)

# Lines of the day log, only appended; corrects: the line that it takes the place of
day_log = Table(
    "day_log",
    metadata,
    _id(),
    Column("analyzer", Text, nullable=False),
    Column("item", Text, nullable=False),
    Column("done_at", Text, nullable=False),
    Column("found", Text, nullable=False),
    Column("typed", Text, nullable=False),
    Column("scale", Text, nullable=False),
    Column("remark", Text, nullable=False),
    Column("corrects", Integer),
    Column("reason", Text, nullable=False),
    Column("entered_by", Text, nullable=False),
    Column("verified", Text, nullable=False),
    Column("entered_at", Text, nullable=False),
    UniqueConstraint("corrects"),
    Index("day_log_done", "done_at"),
)

# A person's corrective action beside a line of gate_events; a month's review as it was signed (bench/month.py)
corrective_actions = Table(
    "corrective_actions",
    metadata,
    _id(),
    Column("event_id", Integer, ForeignKey("gate_events.id"), nullable=False),
    Column("content", Text, nullable=False),
    Column("actor", Text, nullable=False),
    Column("verified", Text, nullable=False),
    Column("at", Text, nullable=False),
    Index("corrective_actions_event", "event_id"),
)

month_signatures = Table(
    "month_signatures",
    metadata,
    _id(),
    Column("analyzer", Text, nullable=False),
    Column("strip_type", Text, nullable=False),
    Column("month", Text, nullable=False),
    Column("content", Text, nullable=False),
    Column("digest", Text, nullable=False),
    Column("statement", Text, nullable=False),
    Column("remark", Text, nullable=False),
    Column("actor", Text, nullable=False),
    Column("verified", Text, nullable=False),
    Column("at", Text, nullable=False),
    Index("month_signatures_month", "month", "analyzer", "strip_type"),
)

# Runs inside which something went missing, by the seats of the first and the last strip that was held for it
shifts = Table(
    "shifts",
    metadata,
    _id(),
    Column("analyzer", Text, nullable=False),
    Column("cause", Text, nullable=False),
    Column("capture_id", Integer, nullable=False),
    Column("idx", Integer, nullable=False),
    Column("last_capture_id", Integer, nullable=False),
    Column("last_idx", Integer, nullable=False),
    Column("confirmed_by", Text, nullable=False),
    Column("verified", Text, nullable=False),
    Column("confirmed_at", Text),
    Column("reason", Text, nullable=False),
    Index("shifts_analyzer", "analyzer", "id"),
    _part("shifts_open", "id", where="confirmed_at IS NULL"),
)

# Critical results that somebody is to be told of, one a strip (by its seat) and rule, as each was last moved: bench/telling.py.
# pads: JSON of (pad, value as printed); told_at NULL: to be told (again)
tellings = Table(
    "tellings",
    metadata,
    _id(),
    Column("capture_id", Integer, nullable=False),
    Column("idx", Integer, nullable=False),
    Column("rule", Text, nullable=False),
    Column("words", Text, nullable=False),
    Column("pads", Text, nullable=False),
    Column("tables", Integer, nullable=False),
    Column("state", Text, nullable=False),
    Column("steps", Integer, nullable=False),
    Column("since", Text, nullable=False),
    Column("turn", Integer, nullable=False),
    Column("turn_at", Text, nullable=False),
    Column("told_at", Text),
    UniqueConstraint("capture_id", "idx", "rule"),
    _part("tellings_unsettled", "id", where="state <> 'closed'"),
)

# What happened to each; done_at NULL: when it was written down
telling_steps = Table(
    "telling_steps",
    metadata,
    _id(),
    Column("telling_id", Integer, nullable=False),
    Column("at", Text, nullable=False),
    Column("what", Text, nullable=False),
    Column("name", Text, nullable=False),
    Column("role", Text, nullable=False),
    Column("means", Text, nullable=False),
    Column("done_at", Text),
    Column("reason", Text, nullable=False),
    Column("actor", Text, nullable=False),
    Column("verified", Text, nullable=False),
    Index("telling_steps_task", "telling_id", "id"),
)

# closed_at NULL: in use; closed_how: a bench.containers.ContainerEnd, "" while it is in use
containers = Table(
    "containers",
    metadata,
    _id(),
    Column("analyzer", Text, nullable=False),
    Column("strip_type", Text, nullable=False),
    Column("strip_lot", Text, nullable=False),
    Column("expires", Text, nullable=False),
    Column("opened_at", Text, nullable=False),
    Column("entered_by", Text, nullable=False),
    Column("entered_at", Text, nullable=False),
    Column("closed_by", Text, nullable=False),
    Column("closed_at", Text),
    Column("closed_how", Text, nullable=False),
)

# withdrawn_at NULL: it stands; signed_by "": a second person has still to sign, and the lot is not accepted
accepted_lots = Table(
    "accepted_lots",
    metadata,
    _id(),
    Column("strip_type", Text, nullable=False),
    Column("strip_lot", Text, nullable=False),
    Column("accepted_by", Text, nullable=False),
    Column("accepted_at", Text, nullable=False),
    Column("reason", Text, nullable=False),
    Column("signed_by", Text, nullable=False, server_default=""),
    Column("signed_at", Text),
    Column("withdrawn_by", Text, nullable=False),
    Column("withdrawn_at", Text),
    _part("accepted_lots_standing", "strip_type", "strip_lot", where="withdrawn_at IS NULL", unique=True),
)

# new_version NULL: nothing stands in its place; withdrawn_version: the version that takes it back, NULL for none; fields: names as JSON
corrections = Table(
    "corrections",
    metadata,
    _id(),
    Column("kind", Text, nullable=False),
    Column("result_id", Text, nullable=False),
    Column("version", Integer, nullable=False),
    Column("new_result_id", Text, nullable=False),
    Column("new_version", Integer),
    Column("withdrawn_version", Integer),
    Column("fields", Text, nullable=False),
    Column("actor", Text, nullable=False),
    Column("verified", Text, nullable=False),
    Column("second", Text, nullable=False),
    Column("reason", Text, nullable=False),
    Column("at", Text, nullable=False),
    Column("is_critical", Integer, nullable=False),
    Column("calls_by", Text),
    Index("corrections_result", "result_id", "version", unique=True),
    Index("corrections_new", "new_result_id", "new_version"),
)

calls = Table(
    "calls",
    metadata,
    _id(),
    Column("correction_id", Integer, ForeignKey("corrections.id"), nullable=False),
    Column("unit", Text, nullable=False),
    Column("told", Text, nullable=False),
    Column("read_back", Integer, nullable=False),
    Column("actor", Text, nullable=False),
    Column("verified", Text, nullable=False),
    Column("at", Text, nullable=False),
    Index("calls_correction", "correction_id"),
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

# content: what it is of, and which subjects people know of, as JSON (signal_codec.py)
signals = Table(
    "signals",
    metadata,
    _id(),
    Column("kind", Text, nullable=False),
    Column("state", Text, nullable=False),
    Column("content", Text, nullable=False),
    Column("since", Text, nullable=False),
    Column("opened_at", Text, nullable=False),
    Column("said_at", Text),
    Column("acknowledged_by", Text, nullable=False),
    Column("acknowledged_at", Text),
    Column("version", Integer, nullable=False),
    _part("signals_standing", "kind", where="state <> 'ended'", unique=True),
)

# signal_id NULL: a test, by ``actor``; state: a rows.SayState
signal_says = Table(
    "signal_says",
    metadata,
    _id(),
    Column("signal_id", Integer, ForeignKey("signals.id")),
    Column("way", Text, nullable=False),
    Column("what", Text, nullable=False),
    Column("headline", Text, nullable=False),
    Column("text", Text, nullable=False),
    Column("at", Text, nullable=False),
    Column("state", Text, nullable=False),
    Column("due_at", Text),
    Column("tries", Integer, nullable=False),
    Column("ended_at", Text),
    Column("fault", Text, nullable=False),
    Column("actor", Text, nullable=False),
    _part("signal_says_due", "id", where="state = 'due'"),
    Index("signal_says_signal", "signal_id"),
)

signal_mutes = Table(
    "signal_mutes",
    metadata,
    Column("kind", Text, primary_key=True),
    Column("until", Text, nullable=False),
    Column("actor", Text, nullable=False),
    Column("verified", Text, nullable=False),
    Column("at", Text, nullable=False),
    Column("reason", Text, nullable=False),
)
