"""The tables of what people add to strips. As ``schema`` says."""

from __future__ import annotations

from sqlalchemy import Column, Index, Table

from bridge.store.schema_parts import Integer, Text, metadata, part_index, row_id

# what: an added.Addable; word: "" where nothing is said of it
additions = Table(
    "additions",
    metadata,
    row_id(),
    Column("capture_id", Integer, nullable=False),
    Column("idx", Integer, nullable=False),
    Column("record_digest", Text, nullable=False),
    Column("what", Text, nullable=False),
    Column("word", Text, nullable=False),
    Column("actor", Text, nullable=False),
    Column("verified", Text, nullable=False),
    Column("at", Text, nullable=False),
    Index("additions_reading", "capture_id", "idx"),
)

# asks: a JSON list; state: open, added, went, held, over
additions_awaited = Table(
    "additions_awaited",
    metadata,
    row_id(),
    Column("capture_id", Integer, nullable=False),
    Column("idx", Integer, nullable=False),
    Column("analyzer", Text, nullable=False),
    Column("result_id", Text, nullable=False),
    Column("version", Integer, nullable=False),
    Column("asks", Text, nullable=False),
    Column("due_at", Text, nullable=False),
    Column("holds", Integer, nullable=False),
    Column("state", Text, nullable=False),
    part_index("additions_awaited_open", "due_at", where="state = 'open'"),
    Index("additions_awaited_reading", "capture_id", "idx"),
    Index("additions_awaited_result", "result_id", "version"),
)
