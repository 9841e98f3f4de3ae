"""What the purge takes, what it leaves, and that nothing else may do what it does."""

from __future__ import annotations

import hashlib
import sqlite3
from datetime import timedelta
from pathlib import Path

import pytest

from bridge.lifecycle.states import StopEnd
from bridge.model import Answer, Coded, Needs, Severity
from bridge.store.commands import NoteRefusedFile, PurgeCaptures, PurgeEvents, PurgeFiles
from bridge.store.database import SqliteDb
from bridge.store.sqlite import FILE, SqliteStore
from tests.store import strips as s
from tests.store.strips import NOW, WAIT, later

SECRET = "70417041"  # stands for a patient in everything that these strips hold


def purge(store: SqliteStore, *captures: int, results: bool = True) -> int:
    changed: int = store.submit(PurgeCaptures(capture_ids=captures, results=results, at=later(60))).result(WAIT)
    return changed


def delivered(store: SqliteStore, result_id: str = "A1") -> int:
    """Post a result of the patient, accepted; give its capture."""
    recorded = s.post(store, result_id, patient=SECRET, destinations=("records",))
    s.attempt(store, recorded.delivery_ids[0], Answer.ACCEPTED, "AA")
    strip = store.strip(recorded.strip_id)
    assert strip is not None
    return strip.capture_id


def test_nothing_that_names_the_patient_is_left_in_the_file(store: SqliteStore, tmp_path: Path) -> None:
    """Looked for in the bytes of the closed file and its log, not in the tables: a freed page would keep it (SQLite, pragma secure_delete)."""
    capture = s.keep(store, f"slip of {SECRET}".encode() * 200, name=f"{SECRET}.txt")
    of = s.reading("9", patient=SECRET)
    found = s.finding("patient.check_digit")
    s.record(store, of, s.rejected(of, "patient.check_digit"), capture_id=capture)
    (stop,) = store.stops()
    s.close(store, stop.stop_id, StopEnd.ID_CORRECTED, patient_id=SECRET[::-1])
    work = store.next_intake("brook-1")
    assert work is not None
    made = s.result("R9", patient=SECRET[::-1])
    going = s.delivery(s.message(made, "R9rec"))
    recorded = s.record(store, of, Coded(checked=s.checked(of), result=made), deliveries=[going], capture_id=capture)
    s.attempt(store, recorded.delivery_ids[0], Answer.ACCEPTED)
    assert found.rule == "patient.check_digit"
    assert purge(store, capture) > 0
    store.close()
    left = b"".join(path.read_bytes() for path in sorted(tmp_path.glob(f"{FILE}*")))
    assert SECRET.encode() not in left
    assert SECRET[::-1].encode() not in left


def test_the_proof_of_delivery_and_the_identity_stay(store: SqliteStore) -> None:
    """Who asks in five years whether it was sent is told when, under which control ID, which bytes by their digest, and what was answered."""
    capture = delivered(store)
    before = store.deliveries("A1")[0]
    assert purge(store, capture) == 2  # the capture and its strip
    (row,) = store.deliveries("A1")
    assert row.payload_digest == hashlib.sha256(b"MSH|A1rec\r").hexdigest()
    assert (row.control_id, row.state, row.attempts, row.born_at, row.accepted_at, row.last_code) == (
        "A1rec", before.state, 1, NOW, NOW, "AA",
    )  # fmt: skip
    assert row.lane == ""
    detail = store.result("A1")
    assert detail is not None
    assert (detail.result, detail.version) == (None, 1)
    ((_, message, tries),) = detail.deliveries
    assert message.payload == b""
    assert [(each.code, each.text, each.ended_at) for each in tries] == [("AA", "", NOW)]
    strip = detail.strip
    assert (strip.number, strip.series, strip.strip_type, strip.strip_lot, strip.result_id) == (
        "A1", "2026-11-25", "plover-12", "L1", "A1",
    )  # fmt: skip
    assert (strip.patient_id, strip.specimen_id, strip.operator, strip.pads, strip.purged_at) == ("", "", "", (), later(60))
    kept = store.capture(capture)
    assert (kept.capture.payload, kept.capture.name, kept.purged_at) == (b"", "", later(60))
    assert kept.digest == hashlib.sha256(s.reading("A1", patient=SECRET).record_digest.encode()).hexdigest()
    assert purge(store, capture) == 0  # once


def test_a_strip_that_comes_again_is_still_known(store: SqliteStore) -> None:
    """By the digest of its record, and by the digest of its content where it comes in another layout."""
    capture = delivered(store)
    of = s.reading("A1", patient=SECRET)
    needs = Needs(analyzer="brook-1", mode="all", number="A1", record_digest=of.record_digest, patient_id=SECRET)
    before = store.seen_strips(needs, now=NOW, window=timedelta(hours=2), apart_from=(0, 0))
    assert purge(store, capture) == 2
    after = store.seen_strips(needs, now=NOW, window=timedelta(hours=2), apart_from=(0, 0))
    assert [seen.strip_id for seen in after.same_record] == [seen.strip_id for seen in before.same_record] != []
    ((old,), (new,)) = before.same_number, after.same_number
    assert (new.key, new.printed_at, new.record_digest) == (old.key, old.printed_at, old.record_digest)
    assert (new.content.patient_id, new.content.pads, len(new.content.digest)) == ("", (), 64)


def test_captures_alone_leave_the_result(store: SqliteStore) -> None:
    """captures_days may be shorter than results_days: the bytes go, what was understood stays."""
    capture = delivered(store)
    assert purge(store, capture, results=False) == 1
    detail = store.result("A1")
    assert detail is not None
    assert detail.result is not None
    assert (detail.strip.patient_id, detail.strip.purged_at) == (SECRET, None)
    assert store.capture(capture).capture.payload == b""


@pytest.mark.parametrize("what", ["work", "stop", "queued", "refused", "retrying"])
def test_what_is_open_is_never_purged(store: SqliteStore, what: str) -> None:
    """A person, or a receiver, still needs all of it; the command looks itself, whatever it was asked for."""
    match what:
        case "work":
            capture = s.keep(store, b"not judged")
        case "stop":
            of = s.reading("1")
            capture = s.keep(store, b"held")
            s.record(store, of, s.held(of), capture_id=capture)
        case _:
            recorded = s.post(store, "A1")
            strip = store.strip(recorded.strip_id)
            assert strip is not None
            capture = strip.capture_id
            if what == "refused":
                s.attempt(store, recorded.delivery_ids[0], Answer.REFUSED)
            elif what == "retrying":
                s.attempt(store, recorded.delivery_ids[0], Answer.TRY_AGAIN, due_at=later(1))
    before = store.capture(capture)
    assert purge(store, capture) == 0
    assert store.capture(capture) == before
    assert before.capture.payload != b""


def test_a_closed_stop_keeps_its_rules_and_who_ended_it(store: SqliteStore) -> None:
    """Sentences name what was printed, and receivers' words may; reasons are people's own words."""
    of = s.reading("1", patient=SECRET)
    capture = s.keep(store, b"rejected")
    s.record(store, of, s.rejected(of, "patient.check_digit"), capture_id=capture)
    (stop,) = store.stops()
    s.close(store, stop.stop_id, StopEnd.DISCARDED)
    assert purge(store, capture) == 2
    left = store.stop(stop.stop_id)
    assert left is not None
    assert (left.sentence, left.remedy, left.receiver_words, left.closed_reason) == ("", "", "", "")
    assert (left.rules, left.closed_by, left.closed_how) == (("patient.check_digit",), "Bo (unverified)", "discarded")
    strip = store.strip(left.strip_id or 0)
    assert strip is not None
    assert strip.findings == (("patient.check_digit", Severity.REJECT, ""),)


@pytest.mark.parametrize(
    "change",
    [
        "payload = x'', purged_at = NULL",
        "payload = x'00', purged_at = '2026'",
        "payload = x'', name = 'other', purged_at = '2026'",
        "payload = x'', name = '', purged_at = '2026', digest = 'other'",
        "payload = x'', name = '', purged_at = '2026', arrived_at = '2020'",
        "payload = x'', name = '', purged_at = '2026', origin = 'other'",
        "payload = x'', name = '', purged_at = '2026', id = 77",
        "name = ''",
        "purged_at = '2026'",
    ],
)
def test_a_capture_can_only_become_nothing_and_only_once(store: SqliteStore, file: SqliteDb, change: str) -> None:
    """The file itself refuses every change but the purge, and the purge of a purged one."""
    s.keep(store, name="a.txt")
    with pytest.raises(sqlite3.IntegrityError, match=r"^captures are append-only$"):
        file.execute(f"UPDATE captures SET {change}")
    file.execute("UPDATE captures SET payload = x'', name = '', purged_at = '2026'")
    with pytest.raises(sqlite3.IntegrityError, match=r"^captures are append-only$"):
        file.execute("UPDATE captures SET purged_at = '2027'")
    with pytest.raises(sqlite3.IntegrityError, match=r"^captures are append-only$"):
        file.execute("DELETE FROM captures")


def test_events_go_behind_the_mark_only(store: SqliteStore, file: SqliteDb) -> None:
    """No event can be deleted before a purge wrote down up to when they may; none can be changed, ever."""
    capture = delivered(store)
    of = s.reading("2")
    s.record(store, of, s.held(of), capture_id=s.keep(store, b"2"))
    ids = tuple(row[0] for row in file.execute("SELECT id FROM events ORDER BY id"))
    with pytest.raises(sqlite3.IntegrityError, match=r"^events are append-only$"):
        file.execute("DELETE FROM events")
    assert store.submit(PurgeEvents(event_ids=ids, before=NOW, at=later(60))).result(WAIT) == 0  # not older than that moment
    gone = store.submit(PurgeEvents(event_ids=ids, before=later(1), at=later(60))).result(WAIT)
    left = {row[0] for row in file.execute("SELECT subject FROM history")}
    assert left == {
        "capture:2",
        "strip:2",
        "stop:1",
        "store",
    }  # the purges themselves are told; the held strip is a person's to decide, and its history is what that person sees
    assert gone == len(ids) - 3
    assert store.capture(capture).capture.payload != b""
    with pytest.raises(sqlite3.IntegrityError, match=r"^events are append-only$"):
        file.execute("UPDATE events SET reason = ''")
    store.submit(PurgeEvents(event_ids=(), before=NOW - timedelta(days=9), at=later(60))).result(WAIT)
    assert file.execute("SELECT value FROM meta WHERE name = 'events_purged_before'").fetchone() == ("1795600860000000",)


def test_a_file_that_was_not_taken_goes_once_its_row_is_closed(store: SqliteStore) -> None:
    """Its name and its beginning may name a patient as well as a capture does."""
    for name in ("open.txt", "closed.txt"):
        noted = NoteRefusedFile(
            source="drops", name=name, digest=name, size=9, beginning=b"PID", sentence="Too large.", remedy="Mend.", at=NOW
        )
        store.submit(noted).result(WAIT)
    s.close(store, 2, StopEnd.DISCARDED)
    assert store.submit(PurgeFiles(before=NOW)).result(WAIT) == 0
    assert store.submit(PurgeFiles(before=later(1))).result(WAIT) == 1
    assert store.submit(PurgeFiles(before=later(1))).result(WAIT) == 0
    waiting, gone = store.refused_file(1), store.refused_file(2)
    assert waiting is not None
    assert gone is not None
    assert (waiting.name, waiting.beginning) == ("open.txt", b"PID")
    assert (gone.name, gone.beginning, gone.digest, gone.size) == ("", b"", "closed.txt", 9)
