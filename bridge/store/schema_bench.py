"""The tables of the bench day: gates, lots, containers, operators, numbers, day logs, tellings, corrections, signals. As ``schema`` says."""

from __future__ import annotations

from sqlalchemy import Column, ForeignKey, Index, Table, UniqueConstraint

from bridge.store.schema_parts import Integer, Text, metadata, part_index, row_id

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
    row_id(),
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
    row_id(),
    Column("capture_id", Integer, nullable=False),
    Column("idx", Integer, nullable=False),
    Column("failed_capture_id", Integer, nullable=False),
    Column("failed_idx", Integer, nullable=False),
    Column("verdict", Text, nullable=False),
    Column("actor", Text, nullable=False),
    Column("verified", Text, nullable=False),
    Column("decided_at", Text),
    Column("reason", Text, nullable=False),
    Column("correction_id", Integer),
    UniqueConstraint("capture_id", "idx"),
    Index("look_backs_verdict", "verdict", "capture_id", "idx"),
)

# content: controls_document.LotRow as JSON, unsigned; closed_at NULL: in use
control_lots = Table(
    "control_lots",
    metadata,
    row_id(),
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
    row_id(),
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
    row_id(),
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
    row_id(),
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
    row_id(),
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
    row_id(),
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
    row_id(),
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
    row_id(),
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
    row_id(),
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
    row_id(),
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
    part_index("shifts_open", "id", where="confirmed_at IS NULL"),
)

# Critical results that somebody is to be told of, one a strip (by its seat) and rule, as each was last moved: bench/telling.py.
# pads: JSON of (pad, value as printed); told_at NULL: to be told (again)
tellings = Table(
    "tellings",
    metadata,
    row_id(),
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
    part_index("tellings_unsettled", "id", where="state <> 'closed'"),
)

# What happened to each; done_at NULL: when it was written down
telling_steps = Table(
    "telling_steps",
    metadata,
    row_id(),
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
    row_id(),
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
    row_id(),
    Column("strip_type", Text, nullable=False),
    Column("strip_lot", Text, nullable=False),
    Column("accepted_by", Text, nullable=False),
    Column("accepted_at", Text, nullable=False),
    Column("reason", Text, nullable=False),
    Column("signed_by", Text, nullable=False, server_default=""),
    Column("signed_at", Text),
    Column("withdrawn_by", Text, nullable=False),
    Column("withdrawn_at", Text),
    part_index("accepted_lots_standing", "strip_type", "strip_lot", where="withdrawn_at IS NULL", unique=True),
)

# new_version NULL: nothing stands in its place; withdrawn_version: the version that takes it back, NULL for none; fields: names as JSON
corrections = Table(
    "corrections",
    metadata,
    row_id(),
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

# the strip, by its place, whose result takes the place of the one that the correction withdrew
replacements = Table(
    "replacements",
    metadata,
    row_id(),
    Column("capture_id", Integer, nullable=False),
    Column("idx", Integer, nullable=False),
    Column("correction_id", Integer, ForeignKey("corrections.id"), nullable=False),
    Index("replacements_strip", "capture_id", "idx"),
    UniqueConstraint("correction_id"),
)

calls = Table(
    "calls",
    metadata,
    row_id(),
    Column("correction_id", Integer, ForeignKey("corrections.id"), nullable=False),
    Column("unit", Text, nullable=False),
    Column("told", Text, nullable=False),
    Column("read_back", Integer, nullable=False),
    Column("actor", Text, nullable=False),
    Column("verified", Text, nullable=False),
    Column("at", Text, nullable=False),
    Index("calls_correction", "correction_id"),
)

# content: what it is of, and which subjects people know of, as JSON (signal_codec.py)
signals = Table(
    "signals",
    metadata,
    row_id(),
    Column("kind", Text, nullable=False),
    Column("state", Text, nullable=False),
    Column("content", Text, nullable=False),
    Column("since", Text, nullable=False),
    Column("opened_at", Text, nullable=False),
    Column("said_at", Text),
    Column("acknowledged_by", Text, nullable=False),
    Column("acknowledged_at", Text),
    Column("version", Integer, nullable=False),
    part_index("signals_standing", "kind", where="state <> 'ended'", unique=True),
)

# signal_id NULL: a test, by ``actor``; state: a rows.SayState
signal_says = Table(
    "signal_says",
    metadata,
    row_id(),
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
    part_index("signal_says_due", "id", where="state = 'due'"),
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

# ended_at NULL: nothing is sent to the destination
pauses = Table(
    "pauses",
    metadata,
    row_id(),
    Column("destination", Text, nullable=False),
    Column("actor", Text, nullable=False),
    Column("verified", Text, nullable=False),
    Column("at", Text, nullable=False),
    Column("reason", Text, nullable=False),
    Column("ended_by", Text, nullable=False),
    Column("ended_at", Text),
    Column("ended_reason", Text, nullable=False),
    part_index("pauses_standing", "destination", where="ended_at IS NULL", unique=True),
)

# closed_at NULL: the next shift has still to do it
hand_over = Table(
    "hand_over",
    metadata,
    row_id(),
    Column("text", Text, nullable=False),
    Column("actor", Text, nullable=False),
    Column("verified", Text, nullable=False),
    Column("at", Text, nullable=False),
    Column("closed_by", Text, nullable=False),
    Column("closed_at", Text),
    part_index("hand_over_open", "id", where="closed_at IS NULL"),
    Index("hand_over_closed", "closed_at"),
)
