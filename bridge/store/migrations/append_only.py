"""Triggers that keep a table's rows as they were written, on either database."""

from __future__ import annotations

from alembic import op


def append_only(table: str) -> None:
    """Let nobody change or delete a row of ``table``."""
    told = f"{table} are append-only"
    if op.get_bind().dialect.name == "sqlite":
        for change in ("UPDATE", "DELETE"):
            op.execute(
                f"CREATE TRIGGER {table}_no_{change.lower()} BEFORE {change} ON {table} BEGIN SELECT RAISE(ABORT, '{told}'); END"
            )
        return
    op.execute(
        f"CREATE FUNCTION {table}_stay() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN RAISE EXCEPTION '{told}'"
        " USING ERRCODE = 'integrity_constraint_violation'; END $$"
    )
    for change, each in (("UPDATE OR DELETE", "ROW"), ("TRUNCATE", "STATEMENT")):
        op.execute(
            f"CREATE TRIGGER {table}_no_{change.split()[-1].lower()} BEFORE {change} ON {table} FOR EACH {each}"
            f" EXECUTE FUNCTION {table}_stay()"
        )


def append_only_but_words(table: str, kept: tuple[str, ...], words: str) -> None:
    """Let nobody change or delete a row of ``table``, but for the purge, which empties the column ``words`` and leaves the ``kept`` ones as they are."""
    append_only(table)
    same = " AND ".join(f"coalesce(CAST(NEW.{column} AS TEXT), '') = coalesce(CAST(OLD.{column} AS TEXT), '')" for column in kept)
    emptied = f"NEW.{words} = '' AND {same}"
    if op.get_bind().dialect.name == "sqlite":
        op.execute(f"DROP TRIGGER {table}_no_update")
        op.execute(
            f"CREATE TRIGGER {table}_no_update BEFORE UPDATE ON {table} WHEN NOT ({emptied})"
            f" BEGIN SELECT RAISE(ABORT, '{table} are append-only'); END"
        )
        return
    op.execute(
        f"CREATE OR REPLACE FUNCTION {table}_stay() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN"
        f" IF TG_OP = 'UPDATE' THEN IF {emptied} THEN RETURN NEW; END IF; END IF;"
        f" RAISE EXCEPTION '{table} are append-only' USING ERRCODE = 'integrity_constraint_violation'; END $$"
    )


_KEPT = ("id", "analyzer", "profile", "source", "way", "arrived_at", "torn", "live", "digest")
# The one change that a capture may meet, once: its bytes and its file's name become nothing, and the time of that is written
_IS_PURGE = (
    "OLD.purged_at IS NULL AND NEW.purged_at IS NOT NULL AND length(NEW.payload) = 0 AND NEW.name = '' AND "
    + " AND ".join(f"NEW.{column} = OLD.{column}" for column in _KEPT)
    + " AND coalesce(NEW.origin, '') = coalesce(OLD.origin, '')"
)
# The only events that may go: those older than the mark that the purge itself writes down
_IS_BEHIND_MARK = "coalesce(OLD.at < (SELECT value FROM meta WHERE name = 'events_purged_before'), OLD.id <> OLD.id)"


def purge_by_rule() -> None:
    """Open the append-only tables by the site's purge and by nothing else: no flag that could be left standing."""
    if op.get_bind().dialect.name == "sqlite":
        op.execute("DROP TRIGGER captures_no_update")
        op.execute(
            f"CREATE TRIGGER captures_no_update BEFORE UPDATE ON captures WHEN NOT ({_IS_PURGE})"
            " BEGIN SELECT RAISE(ABORT, 'captures are append-only'); END"
        )
        op.execute("DROP TRIGGER events_no_delete")
        op.execute(
            f"CREATE TRIGGER events_no_delete BEFORE DELETE ON events WHEN NOT {_IS_BEHIND_MARK}"
            " BEGIN SELECT RAISE(ABORT, 'events are append-only'); END"
        )
        return
    for table, change, rule, row in (("captures", "UPDATE", _IS_PURGE, "NEW"), ("events", "DELETE", _IS_BEHIND_MARK, "OLD")):
        op.execute(
            f"CREATE OR REPLACE FUNCTION {table}_stay() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN"
            f" IF TG_OP = '{change}' THEN IF {rule} THEN RETURN {row}; END IF; END IF;"
            f" RAISE EXCEPTION '{table} are append-only' USING ERRCODE = 'integrity_constraint_violation'; END $$"
        )


_IS_BEHIND_MARK_US = (
    "coalesce(OLD.at_us < (SELECT CAST(value AS BIGINT) FROM meta WHERE name = 'events_purged_before'), OLD.id <> OLD.id)"
)


def events_stay() -> None:
    """Keep the rows of ``events``, made anew with times in microseconds, as ``append_only`` and ``purge_by_rule`` kept those before."""
    if op.get_bind().dialect.name == "sqlite":
        append_only("events")
        op.execute("DROP TRIGGER events_no_delete")
        op.execute(
            f"CREATE TRIGGER events_no_delete BEFORE DELETE ON events WHEN NOT {_IS_BEHIND_MARK_US}"
            " BEGIN SELECT RAISE(ABORT, 'events are append-only'); END"
        )
        return
    op.execute("DROP FUNCTION events_stay()")
    append_only("events")
    op.execute(
        "CREATE OR REPLACE FUNCTION events_stay() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN"
        f" IF TG_OP = 'DELETE' THEN IF {_IS_BEHIND_MARK_US} THEN RETURN OLD; END IF; END IF;"
        " RAISE EXCEPTION 'events are append-only' USING ERRCODE = 'integrity_constraint_violation'; END $$"
    )


# As bridge/store/chain.py has it
_ENTRY_OF_OLD = "coalesce(OLD.entry, 4294967297 + OLD.id / 256)"
_IS_EVENT_TAKEN = (
    f"{_IS_BEHIND_MARK_US} AND EXISTS (SELECT 1 FROM audit_entries a WHERE a.id = {_ENTRY_OF_OLD} AND a.content IS NOT NULL)"
)
_IS_TAKEN = (
    "OLD.content IS NULL AND length(NEW.content) = 32 AND OLD.events > 0 AND NEW.id = OLD.id AND NEW.at_us = OLD.at_us AND NEW.events = OLD.events"
    " AND NEW.said = OLD.said AND NEW.digest = OLD.digest AND"
    " coalesce(OLD.at_us < (SELECT CAST(value AS BIGINT) FROM meta WHERE name = 'events_purged_before'), OLD.id <> OLD.id)"
)


def bind_history() -> None:
    """Let an entry of the chain meet one change, once: the purge writes down the digest of the events that it takes; only then may they go."""
    for table, change, rule, row in (("events", "DELETE", _IS_EVENT_TAKEN, "OLD"), ("audit_entries", "UPDATE", _IS_TAKEN, "NEW")):
        if op.get_bind().dialect.name == "sqlite":
            op.execute(f"DROP TRIGGER IF EXISTS {table}_no_{change.lower()}")
            op.execute(
                f"CREATE TRIGGER {table}_no_{change.lower()} BEFORE {change} ON {table} WHEN NOT ({rule})"
                f" BEGIN SELECT RAISE(ABORT, '{table} are append-only'); END"
            )
        else:
            op.execute(
                f"CREATE OR REPLACE FUNCTION {table}_stay() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN"
                f" IF TG_OP = '{change}' THEN IF {rule} THEN RETURN {row}; END IF; END IF;"
                f" RAISE EXCEPTION '{table} are append-only' USING ERRCODE = 'integrity_constraint_violation'; END $$"
            )
    if op.get_bind().dialect.name == "sqlite":  # dropped by the step that wrote who did it
        op.execute(
            "CREATE TRIGGER IF NOT EXISTS events_no_update BEFORE UPDATE ON events BEGIN SELECT RAISE(ABORT, 'events are append-only'); END"
        )
