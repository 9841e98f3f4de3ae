"""Strips by what stands on a label, by number, control ID or time: each question is one look into an index, however much is stored."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import datetime

from bridge.store import rows
from bridge.store.codec import moment, when
from bridge.store.database import Db
from bridge.store.reads_shown import STRIP, strip_row
from bridge.store.snapshots import one_snapshot

_STANDS = "outcome <> 'superseded'"
# By kind: which strips a text may mean, and how many times the query takes the text
_KINDS = (
    (
        rows.FoundBy.PATIENT,
        (
            "SELECT id FROM strips WHERE patient_printed = ? AND patient_id = ? AND purpose = 'patient'"
            " UNION SELECT id FROM strips WHERE patient_id = ? AND patient_id <> patient_printed AND purpose = 'patient'"
        ),
        3,
    ),
    # what was printed before somebody corrected it: whoever scans the old label finds the strip too
    (
        rows.FoundBy.PATIENT_PRINTED,
        "SELECT id FROM strips WHERE patient_printed = ? AND patient_id <> patient_printed AND purpose = 'patient'",
        1,
    ),
    (rows.FoundBy.SPECIMEN, "SELECT id FROM strips WHERE specimen_id = ? AND specimen_id <> ''", 1),
    (rows.FoundBy.NUMBER, "SELECT id FROM strips WHERE number = ?", 1),
    (
        rows.FoundBy.CONTROL_ID,
        "SELECT r.strip_id FROM deliveries d JOIN results r ON r.result_id = d.result_id AND r.version = d.version WHERE d.control_id = ?",
        1,
    ),
)
# By kind: which strips were run or came in a span, and how many times the query takes span and limit; each part stops at the limit
_MOMENTS = (
    (
        rows.FoundBy.RUN_AT,
        (
            "SELECT id FROM (SELECT id FROM strips WHERE analyzed_at >= ? AND analyzed_at < ?"
            f" AND {_STANDS} ORDER BY analyzed_at LIMIT ?) AS printed UNION SELECT id FROM (SELECT s.id AS id FROM decisions d JOIN strips s"
            " ON s.capture_id = d.capture_id AND s.idx = d.idx AND s.record_digest = d.record_digest"
            f" WHERE d.analyzed_at >= ? AND d.analyzed_at < ? AND s.{_STANDS} ORDER BY d.analyzed_at LIMIT ?) AS corrected"
        ),
        2,
    ),
    (
        rows.FoundBy.TIME,
        f"SELECT id FROM (SELECT id FROM strips WHERE arrived_at >= ? AND arrived_at < ? AND {_STANDS} ORDER BY arrived_at, id LIMIT ?) AS came",
        1,
    ),
)
_STOP_OF = "SELECT id FROM stops WHERE strip_id = ? AND state = 'open' ORDER BY id DESC LIMIT 1"


class FoundReads:
    """The reads of the search; mixed into the store, which gives the connection."""

    _db: Callable[[], Db]

    @one_snapshot
    def find_strips(self, text: str, *, limit: int) -> tuple[rows.FoundStrip, ...]:
        """Give the strips that a text names, newest first within each kind, at most ``limit`` and one more of a kind; each strip once."""
        known: set[int] = set()
        found: list[rows.FoundStrip] = []
        for kind, query, times in _KINDS:
            by_kind = f"{STRIP} WHERE id IN ({query}) AND {_STANDS} ORDER BY id DESC LIMIT ?"
            for row in self._db().execute(by_kind, (*([text] * times), limit + 1)).fetchall():
                if row[0] not in known:
                    known.add(row[0])
                    found.append(self._found(kind, strip_row(row)))
        return tuple(found)

    @one_snapshot
    def strips_between(self, since: datetime, until: datetime, *, limit: int) -> tuple[rows.FoundStrip, ...]:
        """Give the strips that were run, then those that arrived, from ``since`` to before ``until``, oldest first, at most ``limit`` of each; each once.

        A strip was run when it says so, and when a person who corrected that said so.
        """
        span = (when(since), when(until))
        known: set[int] = set()
        found: list[rows.FoundStrip] = []
        for kind, query, times in _MOMENTS:
            in_order = f"{STRIP} WHERE id IN ({query}) ORDER BY coalesce(analyzed_at, arrived_at), id LIMIT ?"
            for row in self._db().execute(in_order, (*((*span, limit) * times), limit)).fetchall():
                if row[0] not in known:
                    known.add(row[0])
                    found.append(self._found(kind, strip_row(row)))
        return tuple(found)

    @one_snapshot
    def numbers_near(self, number: int, *, reach: int, since: datetime) -> tuple[rows.NearNumber, ...]:
        """Give by analyzer the nearest number below and above that arrived since then, at most ``reach`` away."""
        asked = [str(each) for each in range(max(number - reach, 0), number + reach + 1) if each != number]
        marks = ", ".join("?" * len(asked))
        query = (
            f"SELECT analyzer, number, max(arrived_at) FROM strips INDEXED BY strips_number WHERE number IN ({marks})"
            f" AND arrived_at >= ? AND {_STANDS} GROUP BY analyzer, number ORDER BY analyzer"
        )
        by_analyzer: dict[str, list[tuple[int, datetime]]] = {}
        for analyzer, near, arrived in self._db().execute(query, (*asked, when(since))):
            by_analyzer.setdefault(analyzer, []).append((int(near), moment(arrived)))
        return tuple(each for analyzer, near in by_analyzer.items() for each in _nearest(analyzer, number, near))

    def _found(self, kind: rows.FoundBy, strip: rows.StripRow) -> rows.FoundStrip:
        stop = self._db().execute(_STOP_OF, (strip.strip_id,)).fetchone()
        return rows.FoundStrip(kind=kind, strip=strip, stop_id=stop[0] if stop else None)


def _nearest(analyzer: str, number: int, near: list[tuple[int, datetime]]) -> Iterator[rows.NearNumber]:
    below = max((each for each in near if each[0] < number), default=None)
    above = min((each for each in near if each[0] > number), default=None)
    for found in filter(None, (below, above)):
        yield rows.NearNumber(analyzer=analyzer, number=found[0], arrived_at=found[1])
