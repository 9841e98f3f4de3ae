"""How SQLite goes about the queries that a store really asks."""

from __future__ import annotations

from collections.abc import Callable

from bridge.store.sqlite import SqliteStore


def plans(store: SqliteStore, ask: Callable[[], object]) -> list[str]:
    """Give the lines of EXPLAIN QUERY PLAN for every query that ``ask`` makes, covering indexes not told apart."""
    reader = store._reader()
    said: list[str] = []
    reader.set_trace_callback(said.append)
    try:
        ask()
    finally:
        reader.set_trace_callback(None)
    queries = [query for query in dict.fromkeys(said) if query.startswith(("SELECT", "WITH"))]
    assert queries
    lines = [row[3] for query in queries for row in reader.execute(f"EXPLAIN QUERY PLAN {query}")]
    return [line.replace("COVERING INDEX", "INDEX") for line in lines]
