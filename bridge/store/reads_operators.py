"""What judging and the page Analyzers ask of the register of operators."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date

from bridge.bench.operators import Operator
from bridge.store.codec import moment
from bridge.store.database import Db
from bridge.store.rows import OperatorShown


def operators_of(db: Db) -> tuple[OperatorShown, ...]:
    """Give the entries in force, in the order in which they were entered."""
    found = db.execute(
        "SELECT id, analyzer, number, name, since, until, competency_due, shift, entered_by, entered_at FROM operators"
        " WHERE ended_at IS NULL ORDER BY id"
    )
    return tuple(
        OperatorShown(
            operator_id=row[0],
            operator=Operator(
                analyzer=row[1],
                number=row[2],
                name=row[3],
                since=date.fromisoformat(row[4]),
                until=date.fromisoformat(row[5]) if row[5] else None,
                competency_due=date.fromisoformat(row[6]) if row[6] else None,
                shift=row[7],
            ),
            entered_by=row[8],
            entered_at=moment(row[9]),
        )
        for row in found.fetchall()
    )


class OperatorReads:
    """The reads of operators; mixed into the store, which gives the connection."""

    _db: Callable[[], Db]

    def operators(self) -> tuple[OperatorShown, ...]:
        """Give the entries of the register that are in force, in the order in which they were entered."""
        return operators_of(self._db())
