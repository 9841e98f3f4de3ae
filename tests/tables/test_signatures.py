"""Whose word counts for which table set, and what a live destination is told without one."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from bridge.tables.signatures import Signature, newest_signature, unsigned_reason

NOON = datetime(2026, 11, 25, 12, tzinfo=UTC)
OLD, NEW = "a" * 64, "b" * 64


def signed(tables: str, by: str = "Ana Prado", minutes: int = 0) -> Signature:
    return Signature(tables=tables, by=by, at=NOON + timedelta(minutes=minutes))


def test_the_last_row_of_a_table_set_counts() -> None:
    """Two persons may sign one set; of another set none has."""
    both = (signed(NEW), signed(NEW, "Rui Sá", 1), signed(OLD, "Eva Luz", 2))
    assert newest_signature(both, NEW) == both[1]
    assert newest_signature(both, "c" * 64) is None
    assert newest_signature((), NEW) is None


def test_the_tables_in_use_must_be_signed() -> None:
    """A signature of another set, however new, is none."""
    assert unsigned_reason((), NEW, ()).startswith("The tables in use are not signed.")
    assert unsigned_reason((signed(OLD),), NEW, ()) == unsigned_reason((), NEW, ())
    assert unsigned_reason((signed(NEW), signed(OLD)), NEW, ()) == ""


def test_what_unsigned_tables_coded_earlier_must_not_go_either() -> None:
    """A result keeps the codes that it was given: mended and signed tables do not mend it."""
    assert unsigned_reason((signed(NEW),), NEW, (NEW, OLD)).startswith(
        "Results wait that were coded with earlier tables, which are not signed: aaaaaaaaaaaa."
    )
    assert unsigned_reason((signed(NEW), signed(OLD)), NEW, (NEW, OLD)) == ""
    assert unsigned_reason((signed(NEW),), NEW, (NEW,)) == ""
