"""Makes a store as full as a year or an outage makes it, by bulk SQL out of one strip that the service really carried.

Every row that the strip has is written again under new ids: captures, intake, strips, results, deliveries, attempts, events. A waiting message's
bytes are stamped with the new strip's own identifiers; a delivered one's are the model's, since nobody reads them again.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping
from contextlib import closing
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

from bridge.store.codec import microseconds, moment, packed, unpacked, when
from bridge.tables.controls_document import LotRow
from tests.bench.controls_for_tests import lot
from tests.speed.strips import ANALYZERS, PATIENTS, patient_of

APART = timedelta(seconds=31)  # a million strips are a year's work then
RUN = 20_000  # rows of one statement; bounds the log


@dataclass(frozen=True, slots=True)
class _Model:
    """The strip that is multiplied: its row ids and the texts that stand in its message."""

    capture: int
    strip: int
    delivery: int
    control_id: str
    result_id: str
    patient: str
    specimen: str
    lane: str
    payload: bytes
    now: datetime


def fill(file: Path, count: int, *, first: int, waiting: bool) -> None:
    """Write ``count`` strips numbered from ``first`` into a store that no service has open: delivered in the past, or ``waiting``."""
    with closing(sqlite3.connect(file, isolation_level=None)) as store:
        store.execute("PRAGMA synchronous = OFF")  # nobody relies on a store that is being made
        model = _model(store)
        epoch, number = (
            store.execute("SELECT value FROM meta WHERE name = ?", (name,)).fetchone()[0] for name in ("epoch", "next_number")
        )
        store.execute("UPDATE meta SET value = ? WHERE name = 'next_number'", (str(int(number) + count),))
        stamp = _Stamp(model, epoch, int(number), range(first, first + count), waiting=waiting)
        for name, arguments in (("patient", 1), ("moment", 1), ("moment_us", 1), ("payload", 1)):
            store.create_function(name, arguments, getattr(stamp, name), deterministic=True)
        shift = {table: _shift(store, table) for table in ("captures", "strips", "deliveries", "intake")}
        for begin in range(0, count, RUN):
            store.execute("BEGIN")
            for statement in _statements(store, model, stamp, shift):
                store.execute(statement, {"begin": begin, "end": min(begin + RUN, count)})
            store.execute("COMMIT")
        if not store.execute("SELECT 1 FROM control_lots").fetchone():  # one, for its page
            store.execute(
                "INSERT INTO control_lots (content, entered_by, entered_at, signed_by, closed_by) VALUES (?, 'R. Holm', ?, '', '')",
                (LotRow.model_validate(lot("1", "B1-0771")).model_dump_json(), when(model.now)),
            )
        if not store.execute("SELECT 1 FROM registered_ids").fetchone():  # as above
            store.execute(
                "INSERT INTO registered_ids (text, purpose, scheme, since, until, entered_by, entered_at, signed_by, ended_by, reason)"
                " VALUES ('EQ-##', 'proficiency', 'Round', '2026-11-01', '2026-11-30', 'R. Holm', ?, 'A. Sund', '', '')",
                (when(model.now),),
            )
        store.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()


class _Stamp:
    """What SQL asks for one strip: the n-th of this stock, from 0."""

    def __init__(self, model: _Model, epoch: str, number: int, strips: range, *, waiting: bool) -> None:
        self.model = model
        self.epoch = epoch
        self.number = number
        self.first = strips.start
        self.count = len(strips)
        self.waiting = waiting

    def patient(self, place: int) -> str:
        """Give the patient. Those of the past had a strip each; those of what waits are the benchmark's own."""
        return patient_of(self.first + place) if self.waiting else f"{50_000_000 + place}"

    def moment(self, place: int) -> str | None:
        """Give when the strip came: a while ago for what waits; spread over the past, in the order of the numbers, for what is delivered."""
        ago = timedelta(minutes=30) if self.waiting else APART * (self.count - place)
        return when(self.model.now - ago)

    def moment_us(self, place: int) -> int:
        """Give the same as events have it."""
        return microseconds(moment(self.moment(place) or ""))

    def payload(self, place: int) -> bytes:
        """Give the message, packed."""
        if not self.waiting:
            return self.model.payload
        model = self.model
        message = unpacked(model.payload)
        for old, new in (
            (model.control_id, f"{self.epoch}M{self.number + place}"),
            (model.result_id, f"{self.epoch}R{self.number + place}"),
            (model.patient, self.patient(place)),
            (model.specimen, f"U{self.first + place:08d}"),
        ):
            message = message.replace(old.encode(), new.encode())
        return packed(message)


def _model(store: sqlite3.Connection) -> _Model:
    row = store.execute(
        "SELECT s.capture_id, s.id, d.id, d.control_id, s.result_id, s.patient_id, s.specimen_id, d.lane, m.payload, s.judged_at"
        " FROM strips s JOIN deliveries d ON d.result_id = s.result_id JOIN messages m ON m.delivery_id = d.id WHERE d.state = 'accepted'"
        " ORDER BY s.id LIMIT 1"  # the first: really carried
    ).fetchone()
    return _Model(
        capture=row[0],
        strip=row[1],
        delivery=row[2],
        control_id=row[3],
        result_id=row[4],
        patient=row[5],
        specimen=row[6],
        lane=row[7],
        payload=row[8],
        now=moment(row[9]),
    )


def _shift(store: sqlite3.Connection, table: str) -> int:
    """Give what is added to n for the id of the n-th new row."""
    return int(store.execute(f"SELECT max(id) + 1 FROM {table}").fetchone()[0])


def _statements(store: sqlite3.Connection, model: _Model, stamp: _Stamp, shift: Mapping[str, int]) -> list[str]:
    """Give one INSERT for each table, over the places from :begin to :end."""
    capture, strip, delivery = (f"{shift[table]} + n" for table in ("captures", "strips", "deliveries"))
    analyzer = f"'bench' || (({stamp.first} + n) % 8)"
    result, control = (f"'{stamp.epoch}{letter}' || ({stamp.number} + n)" for letter in "RM")
    specimen, lane = f"printf('U%08d', {stamp.first} + n)", f"replace('{model.lane}', '{model.patient}', patient(n))"
    number = f"CAST(({stamp.first} + n) / 8 + 1 AS TEXT)"  # as judging writes it: without the zeros that the analyzer prints
    past = not stamp.waiting
    own = {
        "captures": {"id": capture, "analyzer": analyzer, "source": analyzer, "arrived_at": "moment(n)"},
        "intake": {"id": f"{shift['intake']} + n", "capture_id": capture, "analyzer": analyzer, "ended_at": "moment(n)"},
        "strips": {
            "id": strip, "capture_id": capture, "analyzer": analyzer, "number": number, "patient_printed": "patient(n)", "patient_id": "patient(n)",
            "specimen_id": specimen, "result_id": result, "record_digest": "hex(randomblob(32))", "record_key": "random() >> 16",
            "analyzed_at": "moment(n)", "arrived_at": "moment(n)", "judged_at": "moment(n)",
        },
        "results": {"result_id": result, "strip_id": strip},
        "deliveries": {
            "id": delivery, "lane": lane, "result_id": result, "control_id": control, "born_at": "moment(n)",
            **({"accepted_at": "moment(n)", "first_attempt_at": "moment(n)"} if past else
               {"state": "'queued'", "attempts": "0", "accepted_at": "NULL", "first_attempt_at": "NULL", "last_code": "''",
                "is_head": f"n < {ANALYZERS * PATIENTS}", "rank": "1", "is_blocked": "0"}),
        },
    }  # fmt: skip
    own["messages"] = {"delivery_id": delivery, "payload": "payload(n)"}
    where = {
        "messages": f"delivery_id = {model.delivery}",
        "captures": f"id = {model.capture}",
        "intake": f"capture_id = {model.capture}",
        "strips": f"id = {model.strip}",
        "results": f"strip_id = {model.strip}",
        "deliveries": f"id = {model.delivery}",
    }
    if past:
        own["attempts"] = {"id": "NULL", "delivery_id": delivery, "started_at": "moment(n)", "ended_at": "moment(n)"}
        where["attempts"] = f"delivery_id = {model.delivery}"
    made = [_insert(store, table, columns, where[table]) for table, columns in own.items()]
    for kind, old, new in (
        ("capture", model.capture, capture),
        ("strip", model.strip, strip),
        ("delivery", model.delivery, delivery),
    ):
        born = "" if past or kind != "delivery" else " AND what = 'delivery.made'"
        columns = {"id": "NULL", "at_us": "moment_us(n)", "number": new}
        made.append(
            _insert(
                store,
                "events",
                columns,
                f"number = {old} AND kind IN (SELECT id FROM event_kinds WHERE subject = '{kind}'{born})",
            )
        )
    return made


def _insert(store: sqlite3.Connection, table: str, own: Mapping[str, str], where: str) -> str:
    """Give the statement that writes the model's rows of ``table`` again, with ``own`` expressions for some columns."""
    columns = [row[1] for row in store.execute(f"PRAGMA table_info({table})")]
    values = ", ".join(own.get(column, f"m.{column}") for column in columns)
    numbers = "WITH RECURSIVE numbers(n) AS (SELECT :begin UNION ALL SELECT n + 1 FROM numbers WHERE n + 1 < :end)"
    model = f"(SELECT * FROM {table} WHERE {where}) m"
    return f"INSERT INTO {table} ({', '.join(columns)}) {numbers} SELECT {values} FROM numbers, {model}"
