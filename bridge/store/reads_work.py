"""What judging and delivering ask of the store. Each query is named for what it answers."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import datetime, timedelta
from itertools import takewhile
from typing import Any

from bridge.lifecycle.fairness import Waiting, choose
from bridge.model import (
    NOTHING_SEEN,
    Actor,
    Capture,
    CodedResult,
    Decisions,
    Format,
    Message,
    Needs,
    Neighbour,
    Priority,
    PriorResult,
    SeenStrip,
    SeenStrips,
    SeriesState,
    StripKey,
    Way,
)
from bridge.store.chains import as_sent
from bridge.store.codec import (
    SAME_RECORD,
    content_of,
    json_of,
    moment,
    moment_or_none,
    of_record,
    result_of,
    unpacked,
    unpacked_column,
    when,
)
from bridge.store.database import Db
from bridge.store.lanes import MAY_GO, OPEN, ROUTINE_RANK, STAT_RANK
from bridge.store.reads_additions import added_facts
from bridge.store.rows import CaptureRow, IntakeRow, LaneHead, ReadingFacts
from bridge.store.snapshots import one_snapshot

MOST_SEEN = 5_000  # ours: a number that comes once a day comes as often in thirteen years; all that are kept must be compared
NEAR_CAPTURES = 5_000  # ours: captures of all analyzers between two strips that lie within one re-run window; a lone analyzer's are a few hundred
SLACK = timedelta(days=1)  # ours: how far the service's clock may be set back without a strip of the window being overlooked

# One step of the index for each name: DISTINCT would walk through all open work
_FIRST_OPEN = "SELECT min(i.analyzer) FROM intake i WHERE i.ended_at IS NULL"
_WITH_WORK = (
    f"WITH RECURSIVE found (who) AS ({_FIRST_OPEN} UNION ALL"
    f" SELECT ({_FIRST_OPEN} AND i.analyzer > found.who) FROM found WHERE found.who IS NOT NULL)"
    " SELECT who FROM found WHERE who IS NOT NULL ORDER BY who"
)
# Each takes a few rows from the beginning of an index
_UNTRIED = f"SELECT id FROM deliveries WHERE destination = ? AND {MAY_GO} AND due_at IS NULL AND rank = ? ORDER BY id LIMIT ?"
_RETRIES = (
    f"SELECT id FROM deliveries WHERE destination = ? AND {MAY_GO} AND due_at <= ? AND rank = ? ORDER BY due_at, id LIMIT ?"
)
_FIRST_DUE = (
    f"SELECT min(due_at) AS due_at FROM deliveries WHERE destination = ? AND {MAY_GO} AND rank = ? AND due_at IS NOT NULL"
)

_Way = tuple[str, Sequence[object]]  # what strips are looked for by: a condition and its values
_COUNTS = "s.is_newest = 1 AND s.accepted IS NOT NULL AND s.outcome <> 'copy' AND NOT (s.capture_id = ? AND s.idx = ?)"
# In the order in which they came, along the index of captures (the || keeps the analyzer's own index out of it, by which all its strips would
# be sorted), and no further back than other analyzers' strips can have come between
_BEFORE = (
    "SELECT s.number, s.patient_id, s.accepted, s.analyzed_at, s.arrived_at FROM strips s"
    " WHERE (s.capture_id, s.idx) < (?, ?) AND s.capture_id >= ? AND s.analyzer || '' = ? AND s.is_newest = 1 AND s.accepted IS NOT NULL"
    " AND s.outcome <> 'copy' AND s.purpose = 'patient' ORDER BY s.capture_id DESC, s.idx DESC LIMIT 1"
)
_INTAKE = (
    "SELECT i.id, i.capture_id, i.analyzer, c.profile, i.only_index, i.next_index, i.because FROM intake i JOIN captures c ON c.id = i.capture_id"
    " WHERE i.analyzer = ? AND i.ended_at IS NULL AND i.id > ?"
)


def _intake_row(row: Sequence[Any]) -> IntakeRow:
    return IntakeRow(
        intake_id=row[0], capture_id=row[1], analyzer=row[2], profile=row[3], only_index=row[4], next_index=row[5], because=row[6]
    )


def _of_patient(needs: Needs, now: datetime, window: timedelta) -> _Way:
    where, values = "arrived_at BETWEEN ? AND ?", [when(now - window - SLACK), when(now + window + SLACK)]
    if needs.printed_at is not None:
        where = f"({where} OR analyzed_at BETWEEN ? AND ?)"
        values += [when(needs.printed_at - window), when(needs.printed_at + window)]
    return f"patient_printed = ? AND {where}", [needs.patient_id, *values]


class WorkReads:
    """The reads of the loops; mixed into the store, which gives the connection."""

    _db: Callable[[], Db]

    def analyzers_with_work(self) -> tuple[str, ...]:
        """Give the analyzers that have readings to judge."""
        return tuple(name for (name,) in self._db().execute(_WITH_WORK))

    def intake_ahead(self, analyzer: str, *, after: int, limit: int) -> tuple[IntakeRow, ...]:
        """Give the next piece of judging work, and what follows it as far as all are captures that are judged for the first time."""
        rows = self._db().execute(f"{_INTAKE} ORDER BY i.id LIMIT ?", (analyzer, after, limit))
        fresh = tuple(takewhile(lambda row: not row.because, map(_intake_row, rows)))
        if fresh:
            return fresh
        found = self.next_intake(analyzer, after=after)
        return () if found is None else (found,)

    def next_intake(self, analyzer: str, *, after: int = 0) -> IntakeRow | None:
        """Give the oldest piece of judging work of ``analyzer`` behind the piece ``after``; before a capture is read again, the strips of it that a person decided about."""
        found = self._intake("", (analyzer, after))
        if found is None or not found.because or found.only_index is not None:
            return found
        return self._intake("AND i.capture_id = ? AND i.only_index IS NOT NULL", (analyzer, after, found.capture_id)) or found

    def _intake(self, where: str, values: Sequence[object]) -> IntakeRow | None:
        row = self._db().execute(f"{_INTAKE} {where} ORDER BY i.id LIMIT 1", values).fetchone()
        return None if row is None else _intake_row(row)

    def capture(self, capture_id: int) -> CaptureRow:
        """Give a kept capture, byte-identical; empty once it was purged. Raises KeyError if there is none."""
        row = self._db().execute(
            "SELECT analyzer, profile, source, way, name, arrived_at, torn, live, payload, purged_at, digest FROM captures WHERE id = ?", (capture_id,)
        ).fetchone()  # fmt: skip
        if row is None:
            raise KeyError(capture_id)
        capture = Capture(
            source=row[2],
            way=Way(row[3]),
            name=row[4],
            arrived_at=moment(row[5]),
            torn=bool(row[6]),
            live=bool(row[7]),
            payload=unpacked(row[8]) if row[8] else b"",
        )
        return CaptureRow(
            capture_id=capture_id,
            analyzer=row[0],
            profile=row[1],
            capture=capture,
            purged_at=moment_or_none(row[9]),
            digest=row[10],
        )

    # --- identity

    def seen_strips(self, needs: Needs, *, now: datetime, window: timedelta, apart_from: tuple[int, int]) -> SeenStrips:
        """Give earlier strips that could be this one, newest first; copies, superseded and the strip's own are left out.

        The same patient's are those that arrived within ``window`` of ``now`` or were printed within it of the strip's own
        time: what comes from a folder days later was read close together all the same.
        """
        numbered, keys = "analyzer = ? AND mode = ? AND number = ?", [needs.analyzer, needs.mode, needs.number]
        if not needs.number and needs.patient_id:  # numberless strips of other patients are no look-alikes, and they are many
            numbered, keys = f"{numbered} AND patient_printed IN (?, '')", [*keys, needs.patient_id]
        ways: list[_Way] = [(numbered, keys), (SAME_RECORD, of_record(needs.analyzer, needs.record_digest))]
        if needs.patient_id:
            ways.append(_of_patient(needs, now, window))
        found = self._which_are_seen(ways, apart_from)
        if not any(found):
            return NOTHING_SEEN
        same_number, same_record, *same_patient = [
            self._seen(where, values, apart_from) if is_any else () for is_any, (where, values) in zip(found, ways, strict=True)
        ]
        return SeenStrips(same_number=same_number, same_record=same_record, same_patient=same_patient[0] if same_patient else ())

    def _which_are_seen(self, ways: Sequence[_Way], apart_from: tuple[int, int]) -> Sequence[object]:
        """Ask for all ways at once whether there is any strip: of most there is none, or only of the patient."""
        found = ", ".join(f"EXISTS (SELECT 1 FROM strips s WHERE {where} AND {_COUNTS})" for where, _ in ways)
        values = [value for _, keys in ways for value in (*keys, *apart_from)]
        row: Sequence[object] = self._db().execute(f"SELECT {found}", values).fetchone()
        return row

    def _seen(self, where: str, values: Sequence[object], apart_from: tuple[int, int]) -> tuple[SeenStrip, ...]:
        rows = self._db().execute(
            "SELECT s.id, s.analyzer, s.mode, s.series, s.number, s.accepted, s.analyzed_at, s.arrived_at, s.record_digest, s.outcome, s.specimen_id,"
            " EXISTS (SELECT 1 FROM stops t WHERE t.strip_id = s.id AND t.state = 'open' AND t.delivery_id IS NULL)"
            f" FROM strips s WHERE {where} AND {_COUNTS} ORDER BY s.id DESC LIMIT ?",
            (*values, *apart_from, MOST_SEEN),
        )
        return tuple(
            SeenStrip(
                strip_id=row[0],
                key=StripKey(analyzer=row[1], mode=row[2], series=row[3], number=row[4]),
                content=content_of(unpacked_column(row[5])),
                printed_at=moment_or_none(row[6]),
                arrived_at=moment(row[7]),
                record_digest=row[8],
                open_stop=bool(row[11]),
                discarded=row[9] in ("discarded", "withdrawn"),
                specimen_id=row[10],
                is_reported=row[9] in ("coded", "waiting"),
            )
            for row in rows
        )

    def strip_before(self, analyzer: str, seat: tuple[int, int]) -> Neighbour | None:
        """Give the patient's strip that an analyzer read last before the strip ``seat`` (capture id, index); None where none is near."""
        row = self._db().execute(_BEFORE, (*seat, seat[0] - NEAR_CAPTURES, analyzer)).fetchone()
        if row is None:
            return None
        return Neighbour(
            number=row[0],
            patient_id=row[1],
            content=content_of(unpacked_column(row[2])),
            printed_at=moment_or_none(row[3]),
            arrived_at=moment(row[4]),
        )

    def series(self, analyzer: str, mode: str) -> SeriesState | None:
        """Give the newest number series of an analyzer and mode."""
        row = self._db().execute(
            "SELECT series, last_number, last_printed_at FROM series WHERE analyzer = ? AND mode = ?", (analyzer, mode)
        ).fetchone()  # fmt: skip
        return SeriesState(series=row[0], last_number=row[1], last_printed_at=moment_or_none(row[2])) if row else None

    @one_snapshot
    def reading_facts(self, capture_id: int, index: int, *, record_digest: str) -> ReadingFacts:
        """Give what persons decided about a reading, and the result it became before (set aside everywhere)."""
        patient_id: str | None = None
        corrected_by: Actor | None = None
        accepted_by: dict[str, Actor] = {}
        analyzed_at: datetime | None = None
        timed_by: Actor | None = None
        for row in self._db().execute(
            "SELECT patient_id, rules, actor, verified, analyzed_at FROM decisions WHERE capture_id = ? AND idx = ? AND record_digest = ? ORDER BY id",
            (capture_id, index, record_digest),
        ):
            actor = Actor(name=row[2], verified=row[3])
            if row[0]:
                patient_id, corrected_by = row[0], actor
            if row[4]:
                analyzed_at, timed_by = moment(row[4]), actor
            accepted_by |= {str(rule): actor for rule in json_of(row[1])}
        prior = self._db().execute(
            "SELECT r.result_id, r.version FROM results r JOIN strips s ON s.id = r.strip_id"
            " WHERE s.capture_id = ? AND s.idx = ? AND s.record_digest = ? AND NOT EXISTS (SELECT 1 FROM deliveries d"
            " WHERE d.result_id = r.result_id AND d.version = r.version AND d.state NOT IN ('superseded', 'discarded'))"
            " ORDER BY r.version DESC LIMIT 1",
            (capture_id, index, record_digest),
        ).fetchone()  # fmt: skip
        placed = self._db().execute(
            "SELECT series FROM strips WHERE capture_id = ? AND idx = ? AND record_digest = ? AND is_newest = 1",
            (capture_id, index, record_digest),
        ).fetchone()  # fmt: skip
        return ReadingFacts(
            placed=placed[0] if placed else "",
            decisions=Decisions(
                patient_id=patient_id,
                corrected_by=corrected_by,
                accepted_by=accepted_by,
                analyzed_at=analyzed_at,
                timed_by=timed_by,
            ),
            prior=PriorResult(result_id=prior[0], version=prior[1]) if prior else None,
            added=added_facts(self._db(), capture_id, index, record_digest),
        )

    # --- delivering

    @one_snapshot
    def lane_heads(self, destination: str, *, now: datetime, limit: int, turn: int = 0) -> tuple[LaneHead, ...]:
        """Give deliveries that may be tried now, one a lane: lanes with STAT first, then oldest first.

        Of more than ``limit`` a fair choice is given (``lifecycle.fairness``), for which ``turn`` counts the tries begun so far.
        """
        chosen = choose(self._waiting(destination, when(now), limit), turn=turn, limit=limit)
        rows = self._db().execute(
            "SELECT id, lane, priority, result_id, version, format, control_id, m.payload, attempts, born_at, first_attempt_at, rank"
            f" FROM deliveries JOIN messages m ON m.delivery_id = id WHERE id IN ({', '.join('?' * len(chosen))}) ORDER BY rank, id",
            chosen,
        ) if chosen else ()  # fmt: skip
        return tuple(
            LaneHead(
                delivery_id=row[0],
                message=Message(
                    destination=destination, lane=row[1], priority=Priority(row[2]), result_id=row[3], version=row[4], format=Format(row[5]),
                    control_id=row[6], payload=unpacked(row[7]),
                ),
                is_urgent=row[11] == STAT_RANK,
                attempts=row[8],
                born_at=moment(row[9]),
                first_attempt_at=moment_or_none(row[10]),
            )
            for row in rows
        )  # fmt: skip

    def _waiting(self, destination: str, now: str | None, limit: int) -> Waiting:
        def untried(rank: int) -> tuple[int, ...]:
            return tuple(row[0] for row in self._db().execute(_UNTRIED, (destination, rank, limit)))

        def retries(rank: int) -> tuple[int, ...]:
            return tuple(row[0] for row in self._db().execute(_RETRIES, (destination, now, rank, limit)))

        return Waiting(
            urgent_untried=untried(STAT_RANK),
            urgent_retries=retries(STAT_RANK),
            untried=untried(ROUTINE_RANK),
            retries=retries(ROUTINE_RANK),
        )

    def next_due(self, destination: str) -> datetime | None:
        """Give the earliest due time of a head that waits for its next try and for nothing else."""
        row = self._db().execute(
            f"SELECT min(due_at) FROM ({_FIRST_DUE} UNION ALL {_FIRST_DUE}) h", (destination, STAT_RANK, destination, ROUTINE_RANK)
        ).fetchone()  # fmt: skip
        return moment_or_none(row[0])

    def unanswered(self, destination: str, *, now: datetime, limit: int) -> tuple[int, ...]:
        """Give committed deliveries whose answer was due by ``now``, oldest first."""
        rows = self._db().execute(
            "SELECT id FROM deliveries WHERE destination = ? AND state = 'committed' AND due_at <= ? ORDER BY id LIMIT ?",
            (destination, when(now), limit),
        )
        return tuple(row[0] for row in rows)

    def next_unanswered(self, destination: str) -> datetime | None:
        """Give until when the next answer to a committed delivery is waited for."""
        row = self._db().execute(
            "SELECT min(due_at) FROM deliveries WHERE destination = ? AND state = 'committed'", (destination,)
        ).fetchone()  # fmt: skip
        return moment_or_none(row[0])

    def unborn(self, destination: str, *, limit: int) -> tuple[tuple[int, CodedResult], ...]:
        """Give deliveries whose message is still to be made and whose ``after`` is over, oldest first; each result with the status that it has there."""
        rows = (
            self._db()
            .execute(
                "SELECT d.id, r.content FROM deliveries d JOIN results r ON r.result_id = d.result_id AND r.version = d.version"
                " WHERE d.destination = ? AND d.state = 'unborn' AND d.is_blocked = 0 ORDER BY d.id LIMIT ?",
                (destination, limit),
            )
            .fetchall()
        )
        return tuple((row[0], as_sent(self._db(), result_of(row[1]), destination)) for row in rows)

    def waiting_tables(self, destination: str) -> frozenset[str]:
        """Name, by digest, the table sets that coded what waits for ``destination``, born or not."""
        first = f"SELECT min(tables) FROM deliveries WHERE {OPEN}"
        rows = self._db().execute(  # from one table set to the next: a few steps, however many deliveries wait
            f"WITH RECURSIVE found(number) AS ({first} UNION ALL"
            f" SELECT ({first} AND tables > found.number) FROM found WHERE found.number IS NOT NULL)"
            " SELECT w.word FROM found JOIN words w ON w.id = found.number"
            f" WHERE EXISTS (SELECT 1 FROM deliveries d WHERE d.tables = found.number AND d.destination = ? AND {OPEN})",
            (destination,),
        )
        return frozenset(row[0] for row in rows)

    def table_set(self, digest: str) -> bytes | None:
        """Give the canonical JSON of a table set that was kept; results name it by ``digest``."""
        row = self._db().execute("SELECT content FROM table_sets WHERE digest = ?", (digest,)).fetchone()
        return unpacked(row[0]) if row else None

    def plan_check(self, digest: str) -> str | None:
        """Give what the oracles said of a plan: None if never asked, "" if it passed."""
        row = self._db().execute("SELECT fault FROM plan_checks WHERE digest = ?", (digest,)).fetchone()
        return None if row is None else str(row[0])
