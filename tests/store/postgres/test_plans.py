"""How a server goes about the questions about lanes: each by its own index, whatever its statistics say."""

from __future__ import annotations

import re

import psycopg
import pytest

from bridge.store import lanes, reads_work
from bridge.store.postgres.connection import Server
from tests.peers.postgres import PostgresServer

LANE = ("records", "L5")
QUESTIONS: dict[str, tuple[str, tuple[object, ...], set[str]]] = {
    "a lane": (lanes._LANE, (*LANE * 4, 7), {"deliveries_head", "deliveries_waiting", "deliveries_stat", "deliveries_after"}),
    "a new message": (
        "SELECT id, rank FROM deliveries WHERE destination = ? AND lane = ? AND is_head = 1",
        LANE,
        {"deliveries_head"},
    ),
    "untried": (reads_work._UNTRIED, ("records", 1, 9), {"deliveries_ready"}),
    "retries": (reads_work._RETRIES, ("records", "2027", 1, 9), {"deliveries_due"}),
}
MANY = (
    "INSERT INTO deliveries (destination, lane, priority, result_id, version, format, state, attempts, born_at, last_code, is_head, tables)"
    " SELECT 'records', 'L' || n, 'routine', 'R' || n, 1, '', CASE WHEN n % 100 = 0 THEN 'queued' ELSE 'accepted' END, 0, 'x', '',"
    " CASE WHEN n % 100 = 0 THEN 1 ELSE 0 END, 1 FROM generate_series(1, 50000) n"
)


@pytest.mark.parametrize("statistics", ["older than what stands there", "new"])
@pytest.mark.parametrize("question", QUESTIONS)
def test_a_question_about_a_lane_is_answered_by_its_own_index(
    postgres: PostgresServer, at: Server, database: str, question: str, statistics: str
) -> None:
    """A server plans by statistics that it takes now and then. With old ones it took the index of table sets, or a constraint, for a lane's head, and read all that waits."""
    postgres.sql(MANY, database)
    if statistics == "new":
        postgres.sql("ANALYZE deliveries", database)
    sql, values, indexes = QUESTIONS[question]
    with psycopg.connect(at.conninfo()) as session:
        for kind in ("force_custom_plan", "force_generic_plan"):
            session.execute(f"SET plan_cache_mode = {kind}".encode())
            plan = "\n".join(row[0] for row in session.execute(f"EXPLAIN {sql.replace('?', '%s')}".encode(), values))
            assert set(re.findall(r"using (\w+) on deliveries", plan)) == indexes, plan
            assert "Seq Scan" not in plan
            assert "Sort" not in plan
