"""What judging and the page Lots ask of containers and lots of strips. Each query is named for what it answers."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import date, datetime
from typing import Any

from bridge.bench.containers import ContainerEnd
from bridge.bench.lots import LotReading, LotUse, is_alike
from bridge.model import Container, DeliveryState, Purpose
from bridge.store.codec import content_of, moment, moment_or_none, unpacked_column, when
from bridge.store.database import Db
from bridge.store.rows import AcceptedLot, ContainerRow
from bridge.store.snapshots import one_snapshot

_READ = "coalesce(s.analyzed_at, s.arrived_at)"
_SHOWN = f"SELECT s.id, s.analyzer, s.strip_lot, s.purpose, {_READ}, s.specimen_id, s.patient_id, s.accepted FROM strips s"
_LOT = "s.strip_type = ? AND s.strip_lot = ? AND s.is_newest = 1"
_READABLE = f"{_LOT} AND s.accepted IS NOT NULL AND s.purged_at IS NULL"
# By the days that are looked at: an analyzer that prints no lot has all its strips in one
_PATIENTS = (
    f"{_SHOWN} INDEXED BY strips_arrived WHERE {_READABLE} AND s.purpose = 'patient' AND s.outcome NOT IN ('copy', 'discarded')"
    " AND s.arrived_at >= ? ORDER BY s.arrived_at, s.id"
)
# said twice, so that it goes by the index of the seldom ones: most strips of a lot are patients'
_COMPARED = (
    f"{_SHOWN} INDEXED BY strips_seldom WHERE {_READABLE} AND s.outcome = 'non_patient' AND s.outcome <> 'coded' ORDER BY s.id"
)
_OF_LOT = (
    f"SELECT s.id, s.analyzer, s.number, s.purpose, s.outcome, s.patient_id, s.specimen_id, {_READ}, s.result_id FROM strips s"
    f" WHERE {_LOT} ORDER BY s.id"
)
_COUNTED = f"SELECT count(*) FROM strips s WHERE {_LOT}"
# From code to code along the index: a million strips bear some dozens of them
_CODES = (
    "WITH RECURSIVE codes(code) AS (SELECT min(strip_lot) FROM strips UNION ALL SELECT (SELECT min(s.strip_lot) FROM strips s WHERE s.strip_lot > code)"
    " FROM codes WHERE code IS NOT NULL) SELECT code FROM codes WHERE code IS NOT NULL"
)
_WAYS = (
    f"SELECT s.id, d.destination, d.state FROM strips s JOIN deliveries d ON d.result_id = s.result_id WHERE {_LOT} AND s.result_id <> ''"
    " AND d.version = (SELECT max(r.version) FROM results r WHERE r.result_id = s.result_id) ORDER BY d.destination"
)


class LotReads:
    """The reads of containers and lots; mixed into the store, which gives the connection."""

    _db: Callable[[], Db]

    def containers(self) -> tuple[ContainerRow, ...]:
        """Give every container that was ever entered, in the order of opening."""
        found = self._db().execute(
            "SELECT id, analyzer, strip_type, strip_lot, expires, opened_at, entered_by, entered_at, closed_by, closed_at, closed_how,"
            " EXISTS (SELECT 1 FROM accepted_lots a WHERE a.strip_type = c.strip_type AND a.strip_lot = c.strip_lot AND a.withdrawn_at IS NULL AND a.signed_by <> '')"
            " FROM containers c ORDER BY opened_at, id"
        )
        return tuple(_container(row) for row in found)

    def accepted_lot(self, strip_type: str, strip_lot: str) -> AcceptedLot | None:
        """Give who accepted a lot of strips, and who signed that; None where nobody did, or it was taken back."""
        row = self._db().execute(
            "SELECT accepted_by, accepted_at, reason, signed_by, signed_at FROM accepted_lots WHERE strip_type = ? AND strip_lot = ? AND withdrawn_at IS NULL",
            (strip_type, strip_lot),
        ).fetchone()  # fmt: skip
        if row is None:
            return None
        by, at, reason, signed_by, signed_at = row
        return AcceptedLot(
            accepted_by=by, accepted_at=moment(at), reason=reason, signed_by=signed_by, signed_at=moment_or_none(signed_at)
        )

    @one_snapshot
    def lot_uses(self, strip_type: str, strip_lot: str) -> tuple[LotUse, ...]:
        """Give every strip of a lot as it stands, oldest first, and where the newest version of its result went."""
        of = (strip_type, strip_lot)
        ways: dict[int, list[tuple[str, DeliveryState]]] = {}
        for strip_id, destination, state in self._db().execute(_WAYS, of):
            ways.setdefault(strip_id, []).append((destination, DeliveryState(state)))
        found = self._db().execute(_OF_LOT, of)
        return tuple(_use(row, tuple(ways.get(row[0], ()))) for row in found)

    def lots_alike(self, strip_type: str, strip_lot: str) -> tuple[tuple[str, int], ...]:
        """Give the lots that are written as this one but for capitals, spaces and hyphens, each with its strips, by code."""
        alike = (code for (code,) in self._db().execute(_CODES).fetchall() if is_alike(code, strip_lot))
        counted = ((code, self._db().execute(_COUNTED, (strip_type, code)).fetchone()[0]) for code in sorted(alike))
        return tuple((code, count) for code, count in counted if count)

    def patient_readings(self, strip_type: str, strip_lot: str, *, since: datetime) -> Iterator[LotReading]:
        """Give what patients' strips of a lot showed that arrived since then, oldest first; copies and what was discarded or purged left out."""
        return map(_reading, self._db().execute(_PATIENTS, (strip_type, strip_lot, when(since))).fetchall())

    def compared_readings(self, strip_type: str, strip_lot: str) -> Iterator[LotReading]:
        """Give what strips of a lot showed that were read for no patient, oldest first; what was stopped, or purged, left out."""
        return map(_reading, self._db().execute(_COMPARED, (strip_type, strip_lot)).fetchall())


def _container(row: Any) -> ContainerRow:
    container = Container(
        container_id=row[0],
        strip_lot=row[3],
        expires=date.fromisoformat(row[4]),
        opened_at=moment(row[5]),
        closed_at=moment_or_none(row[9]),
        is_accepted=bool(row[11]),
    )
    return ContainerRow(
        analyzer=row[1],
        strip_type=row[2],
        container=container,
        entered_by=row[6],
        entered_at=moment(row[7]),
        closed_by=row[8],
        closed_how=ContainerEnd(row[10]) if row[10] else None,
    )


def _use(row: Any, ways: tuple[tuple[str, DeliveryState], ...]) -> LotUse:
    purpose = Purpose(row[3])
    return LotUse(
        strip_id=row[0], analyzer=row[1], number=row[2], purpose=purpose, outcome=row[4], patient_id=row[5] if purpose is Purpose.PATIENT else "",
        specimen_id=row[6], read_at=moment(row[7]), result_id=row[8], ways=ways,
    )  # fmt: skip


def _reading(row: Any) -> LotReading:
    return LotReading(
        strip_id=row[0],
        analyzer=row[1],
        strip_lot=row[2],
        purpose=Purpose(row[3]),
        read_at=moment(row[4]),
        said=row[5] or row[6],
        pads=content_of(unpacked_column(row[7])).pads,
    )
