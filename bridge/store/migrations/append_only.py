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
