"""The site's purge: what names a patient or a value goes; the proof of each delivery and the identity of each strip stay.

What stays of a strip: analyzer, mode, series, number, times, strip type and lot, the digest of its record and of its content, the ids of
the rules that spoke, its result's id. Of a delivery: receiver, control ID, SHA-256 of the payload, state, times, attempts with their
codes. Of a stop: its rules, when it was opened and closed, by whom and how. Of a critical result: its rule, and who was told, by whom, when and how.
"""

from __future__ import annotations

import hashlib
from datetime import datetime
from typing import Any

from bridge.identity.strip import without_values
from bridge.model import SERVICE
from bridge.store.chain import ENTRY, event_bytes, kind_digest
from bridge.store.codec import (
    content_bytes,
    content_of,
    json_of,
    json_text,
    microseconds,
    packed_column,
    unpacked,
    unpacked_column,
    when,
)
from bridge.store.commands import PurgeCaptures, PurgeEvents, PurgeFiles, TrustClock
from bridge.store.database import Db
from bridge.store.statements import Change, note

MARK = "events_purged_before"  # in meta, microseconds since 1970: the trigger lets go of older events only
EVENTS_PURGED = "events.purged"  # the event that says so; its reason is the mark
CLOCK = "purge_clock"  # in meta: when the clock was last held to be right
# A capture (alias c) of which nothing waits for anybody: no judging work, no open stop, no strip that waits, no delivery that is not over
IS_OVER = (
    "NOT EXISTS (SELECT 1 FROM intake i WHERE i.analyzer = c.analyzer AND i.ended_at IS NULL AND i.capture_id = c.id)"
    " AND NOT EXISTS (SELECT 1 FROM strips s JOIN stops t ON t.strip_id = s.id WHERE s.capture_id = c.id AND t.state = 'open')"
    " AND NOT EXISTS (SELECT 1 FROM strips s WHERE s.capture_id = c.id AND s.outcome = 'waiting')"
    " AND NOT EXISTS (SELECT 1 FROM tellings w WHERE w.capture_id = c.id AND w.state <> 'closed')"
    " AND NOT EXISTS (SELECT 1 FROM strips s JOIN results r ON r.strip_id = s.id JOIN deliveries d ON d.result_id = r.result_id"
    " AND d.version = r.version WHERE s.capture_id = c.id AND d.state NOT IN ('accepted', 'superseded', 'discarded'))"
)


def purge_captures(db: Db, command: PurgeCaptures) -> int:
    """Purge captures that are over; with ``results`` their strips and all that hangs on them. Give how many rows changed."""
    changed = 0
    for capture_id in command.capture_ids:
        if db.execute(f"SELECT 1 FROM captures c WHERE c.id = ? AND {IS_OVER}", (capture_id,)).fetchone() is None:
            continue
        changed += db.execute(
            "UPDATE captures SET payload = ?, name = '', purged_at = ? WHERE id = ? AND purged_at IS NULL",
            (b"", when(command.at), capture_id),
        ).rowcount
        if command.results:
            changed += _purge_strips(db, capture_id, command.at)
    return changed


def _purge_strips(db: Db, capture_id: int, at: datetime) -> int:
    unpurged = f"SELECT id, accepted, findings FROM strips WHERE capture_id = ? AND purged_at IS NULL ORDER BY id{db.for_update}"
    found = db.execute(unpurged, (capture_id,)).fetchall()
    for strip_id, accepted, findings in found:
        content = content_of(unpacked_column(accepted)) if accepted else None
        left = packed_column(content_bytes(without_values(content))) if content else None
        rules = json_text([[*each[:2], ""] for each in json_of(findings)])  # type: ignore[index]  # (rule, severity, sentence), as apply_outcome wrote it
        db.execute(
            "UPDATE strips SET patient_printed = '', patient_id = '', specimen_id = '', operator = '', accepted = ?, findings = ?, printed = NULL,"
            " abnormal = 0, purged_at = ? WHERE id = ?",
            (left, rules, when(at), strip_id),
        )
        db.execute(
            "UPDATE stops SET sentence = '', remedy = '', receiver_words = '', closed_reason = '' WHERE strip_id = ?", (strip_id,)
        )
        _purge_deliveries(db, strip_id)
        _purge_corrections(db, strip_id)
        db.execute("UPDATE results SET content = ? WHERE strip_id = ?", (b"", strip_id))
    if found:
        db.execute("UPDATE decisions SET patient_id = '' WHERE capture_id = ?", (capture_id,))
        db.execute("UPDATE additions SET word = '' WHERE capture_id = ?", (capture_id,))
        db.execute("UPDATE look_backs SET reason = '' WHERE capture_id = ?", (capture_id,))
        db.execute("UPDATE tellings SET pads = '[]' WHERE capture_id = ?", (capture_id,))
        db.execute(
            "UPDATE telling_steps SET reason = '' WHERE telling_id IN (SELECT id FROM tellings WHERE capture_id = ?)",
            (capture_id,),
        )
    return len(found)


def _purge_deliveries(db: Db, strip_id: int) -> None:
    """Keep a payload's digest in its place; the lane goes too, since it is the patient's number."""
    found = db.execute(
        "SELECT d.id, m.payload FROM results r JOIN deliveries d ON d.result_id = r.result_id AND d.version = r.version"
        " LEFT JOIN messages m ON m.delivery_id = d.id WHERE r.strip_id = ?",
        (strip_id,),
    ).fetchall()
    for delivery_id, payload in found:
        digest = hashlib.sha256(unpacked(payload)).hexdigest() if payload else None
        db.execute("UPDATE deliveries SET payload_digest = ?, lane = '' WHERE id = ?", (digest, delivery_id))
        db.execute("DELETE FROM messages WHERE delivery_id = ?", (delivery_id,))
        db.execute("UPDATE attempts SET words = '' WHERE delivery_id = ?", (delivery_id,))


def _purge_corrections(db: Db, strip_id: int) -> None:
    """Empty what people wrote in their own words: it may name a patient."""
    of_strip = "result_id IN (SELECT result_id FROM results WHERE strip_id = ?)"
    db.execute(f"UPDATE calls SET told = '' WHERE correction_id IN (SELECT id FROM corrections WHERE {of_strip})", (strip_id,))
    db.execute(f"UPDATE corrections SET reason = '' WHERE {of_strip}", (strip_id,))


def purge_files(db: Db, command: PurgeFiles) -> int:
    """Purge what is kept of files that were not taken, once their rows are closed and old. Give how many."""
    return db.execute(
        "UPDATE refused_files SET name = '', beginning = ? WHERE (name <> '' OR length(beginning) > 0) AND stop_id IN"
        " (SELECT t.id FROM stops t JOIN refused_files f ON f.stop_id = t.id WHERE t.state = 'closed' AND t.opened_at < ?)",
        (b"", when(command.before)),
    ).rowcount


def purge_events(db: Db, command: PurgeEvents) -> int:
    """Purge old events, by whole entries of the chain: those of what is open stay, and what was committed with them. Give how many."""
    before_us = microseconds(command.before)
    moved = db.execute(
        "INSERT INTO meta (name, value) VALUES (?, ?) ON CONFLICT (name) DO UPDATE SET value = excluded.value"
        " WHERE CAST(meta.value AS BIGINT) < CAST(excluded.value AS BIGINT)",
        (MARK, str(before_us)),
    ).rowcount
    if moved:  # the chain says that a purge was here, and how far it may have gone
        note(db, command.at, SERVICE, EVENTS_PURGED, "store", Change(reason=str(before_us)))
    entries: dict[int, list[tuple[Any, ...]]] = {}
    for event_id in command.event_ids:
        row = db.execute(_OF_EVENT, (event_id, before_us)).fetchone()
        if row is not None:
            entries.setdefault(row[0], []).append((event_id, *row[1:]))
    return sum(_purge_entry(db, entry_id, events) for entry_id, events in entries.items())


_OF_EVENT = (
    f"SELECT {ENTRY}, e.at_us, e.number, e.reason, e.who IS NOT NULL, k.actor, k.verified, k.what, k.subject, k.before, k.after"
    " FROM events e JOIN event_kinds k ON k.id = e.kind WHERE e.id = ? AND e.at_us < ?"
)


def _purge_entry(db: Db, entry_id: int, events: list[tuple[Any, ...]]) -> int:
    """Write an entry's digest of its events in their place; 0 where one is missing here, or is of something open."""
    unpurged = f"SELECT events FROM audit_entries WHERE id = ? AND content IS NULL{db.for_update}"
    row = db.execute(unpurged, (entry_id,)).fetchone()
    if row is None or row[0] != len(events) or any(is_open(db, event[8], event[2]) for event in events):
        return 0
    content = hashlib.sha256()
    for _, at_us, number, reason, is_named, *kind in events:
        content.update(event_bytes(kind_digest(*kind), at_us, number, reason, is_named=bool(is_named)))
    db.execute("UPDATE audit_entries SET content = ? WHERE id = ?", (content.digest(), entry_id))
    return sum(db.execute("DELETE FROM events WHERE id = ?", (event[0],)).rowcount for event in events)


def trust_clock(db: Db, command: TrustClock) -> None:
    """Note when the clock was held to be right."""
    db.execute(
        "INSERT INTO meta (name, value) VALUES (?, ?) ON CONFLICT (name) DO UPDATE SET value = excluded.value",
        (CLOCK, when(command.at)),
    )


_OF_SUBJECT = {
    "capture": f"SELECT 1 FROM captures c WHERE c.id = ? AND NOT ({IS_OVER})",
    "strip": f"SELECT 1 FROM captures c JOIN strips own ON own.capture_id = c.id WHERE own.id = ? AND NOT ({IS_OVER})",
    "stop": "SELECT 1 FROM stops WHERE id = ? AND state = 'open'",
    "telling": "SELECT 1 FROM tellings WHERE id = ? AND state <> 'closed'",
    "delivery": "SELECT 1 FROM deliveries WHERE id = ? AND state NOT IN ('accepted', 'superseded', 'discarded')",
}


def is_open(db: Db, sort: str, number: int) -> bool:
    """Say whether what an event is about (``interned.parted``) still waits for somebody: its history is what that person looks at."""
    question = _OF_SUBJECT.get(sort)
    return question is not None and db.execute(question, (number,)).fetchone() is not None
