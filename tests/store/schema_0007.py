"""A store as schema 0007 had it, in statements that both databases take, and what must be said of it after the step to 0008."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from typing import Any

from bridge.model import Needs
from bridge.store.codec import packed, result_bytes
from bridge.store.commands import PurgeEvents
from tests.store import strips as s

AT = "2026-11-25T10:00:00.000000Z"
DIGESTS = {number: hashlib.sha256(f"{number}".encode()).hexdigest() for number in (1, 2, 3)}
TABLES = {1: "a" * 64, 2: "b" * 64, 3: "a" * 64}
MESSAGES = {1: b"MSH|one\r", 2: b"MSH|two\r"}
# time, actor, what, subject, before, after, reason; the ids have a gap, as after a purge
EVENTS = {
    3: ("2026-11-25T10:00:00.000001Z", "padpost", "capture.kept", "capture:7", "", "tcp", ""),
    4: ("2026-11-25T10:00:00.250000Z", "padpost", "delivery.made", "delivery:1", "", "queued", ""),
    5: ("2026-11-25T10:00:01.000000Z", "Bo", "delivery.made", "delivery:1", "queued", "discarded", "why: 5"),
    7: ("0026-01-01T00:00:00.500000Z", "padpost", "destination.state", "destination:5", "", "open", ""),
    9: ("2026-11-25T10:00:02.999999Z", "padpost", "store.moved", "store:epoch", "A", "B", ""),
}
_STRIP = (
    "INSERT INTO strips (id, capture_id, idx, is_newest, outcome, analyzer, mode, series, number, purpose, priority, patient_printed, patient_id,"
    " specimen_id, operator, strip_type, strip_lot, arrived_at, judged_at, record_digest, content, result_id, findings, pads, abnormal,"
    " place_start, place_end, tables_digest)"
)


def statements(blob: Callable[[bytes], str]) -> Iterator[str]:
    """Give the statements; ``blob`` writes bytes as the database takes them."""
    yield (
        "INSERT INTO captures (id, analyzer, profile, source, way, name, arrived_at, torn, live, digest, payload)"
        f" VALUES (7, 'a', 'p', 's', 'folder', '', '{AT}', 0, 0, 'd', {blob(packed(b'x'))})"
    )
    for number in (1, 2, 3):
        content = '["4711","","t","l",[]]'
        yield (
            f"{_STRIP} VALUES ({number}, 7, {number}, 1, 'coded', 'a', '', '', '{number}', 'patient', 'routine', '', '4711', '', '', '', '', '{AT}', '{AT}',"
            f" '{DIGESTS[number]}', '{content}', 'R{number}', '[]', '[]', 0, 0, 1, '{TABLES[number]}')"
        )
        yield (
            f"INSERT INTO results (result_id, version, strip_id, content) VALUES ('R{number}', 1, {number}, {blob(result_bytes(s.result(f'R{number}')))})"
        )
    for number, state in ((1, "accepted"), (2, "queued"), (3, "unborn")):
        message = MESSAGES.get(number)
        control, payload = (f"'M{number}'", blob(packed(message))) if message else ("NULL", "NULL")
        yield (
            "INSERT INTO deliveries (id, destination, lane, priority, result_id, version, format, control_id, payload, state, attempts, born_at,"
            f" last_code, is_head, tables_digest) VALUES ({number}, 'records', 'L{number}', 'routine', 'R{number}', 1, 'oru_r01', {control}, {payload},"
            f" '{state}', 0, '{AT}', '', {int(state != 'accepted')}, '{TABLES[number]}')"
        )
    for number, (at, actor, *rest) in EVENTS.items():
        words = ", ".join(f"'{word}'" for word in (at, actor, "unverified", *rest))
        yield f"INSERT INTO events (id, at, actor, verified, what, subject, before, after, reason) VALUES ({number}, {words})"
    yield "INSERT INTO meta (name, value) VALUES ('events_purged_before', '2026-11-25T10:00:00.250000Z')"


def must_be_as_before(store: Any, sql: Callable[[str], list[tuple[Any, ...]]]) -> None:
    """Look at everything that the step moved. Raises AssertionError."""
    told = {
        (event.at, event.actor, event.what, event.subject, event.before, event.after, event.reason)
        for subject in ("capture:7", "delivery:1", "destination:5", "store:epoch")
        for event in store.events(subject)
    }
    assert told == {(datetime.fromisoformat(at), *rest) for at, *rest in EVENTS.values()}
    assert {event.verified for event in store.events("delivery:1")} == {"unverified"}
    assert [event.after for event in store.events("delivery:1")] == ["queued", "discarded"]
    assert [row[0] for row in sql("SELECT id FROM history ORDER BY id")] == list(EVENTS)
    assert sql("SELECT value FROM meta WHERE name = 'events_purged_before'") == [("1795600800250000",)]
    for number in (1, 2, 3):
        detail = store.result(f"R{number}")
        ((_, message, _),) = detail.deliveries
        assert (message.payload, detail.strip.tables_digest) == (MESSAGES.get(number, b""), TABLES[number])
    assert store.waiting_tables("records") == {TABLES[2], TABLES[3]}
    assert [head.message.payload for head in store.lane_heads("records", now=s.NOW, limit=9)] == [MESSAGES[2]]
    needs = Needs(analyzer="a", mode="other", number="9", patient_id="", record_digest=DIGESTS[2])
    seen = store.seen_strips(needs, now=s.NOW, window=s.NOW - s.NOW, apart_from=(0, 0))
    assert [strip.strip_id for strip in seen.same_record] == [2]
    kept = s.keep(store, b"new")
    (newest,) = sql(f"SELECT id, subject FROM history WHERE subject = 'capture:{kept}'")
    assert newest[0] == max(EVENTS) + 1
    ids = store.old_events(before=datetime(2026, 11, 25, 10, 0, 1, tzinfo=UTC), after=0, limit=99).ids
    assert ids == ()  # all five became one entry of the chain: the capture of 3 still has an open delivery, and 5 is not older
    taken = PurgeEvents(event_ids=(4, 7), before=datetime(2026, 11, 25, 10, 0, 1, tzinfo=UTC), at=s.NOW)
    assert store.submit(taken).result(s.WAIT) == 0
