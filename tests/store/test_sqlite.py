"""The SQLite store: the whole contract, and what only a file on a disk can get wrong."""

from __future__ import annotations

import itertools
import json
import os
import random
import sqlite3
import subprocess
import sys
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from bridge.errors import StoreFailed, StoreLocked
from bridge.store import sqlite as module
from bridge.store.api import Store
from bridge.store.apply import EPOCH_LETTERS
from bridge.store.commands import KeepCapture, ReserveNumbers
from bridge.store.sqlite import FILE, SqliteStore, connect
from tests.store import strips as s
from tests.store.account_contract import AccountContract
from tests.store.addition_contract import AdditionContract
from tests.store.audit_contract import AuditContract
from tests.store.clock_contract import ClockContract
from tests.store.contract import StoreContract
from tests.store.correction_contract import CorrectionContract
from tests.store.day_log_contract import DayLogContract
from tests.store.envelope_contract import EnvelopeContract
from tests.store.gate_contract import GateContract
from tests.store.life_contract import LifeContract
from tests.store.look_back_contract import LookBackContract
from tests.store.lot_contract import LotContract
from tests.store.month_contract import MonthContract
from tests.store.number_contract import NumberContract, ShiftContract
from tests.store.operator_contract import OperatorContract
from tests.store.quick_contract import QuickContract
from tests.store.registered_contract import RegisteredContract
from tests.store.replacement_contract import ReplacementContract
from tests.store.report_contract import ReportContract
from tests.store.signal_contract import SignalContract
from tests.store.stop_contract import StopContract
from tests.store.strips import NOW, WAIT, later
from tests.store.telling_contract import TellingContract
from tests.store.today_contract import TodayContract

ROOT = Path(__file__).parents[2]
CHILD = [sys.executable, "-m", "tests.store.crashing"]
# a mount of its own that nobody else sees and that ends with the child; without root, in a user namespace
PRIVATE_MOUNTS = ["unshare", "--mount"] if os.geteuid() == 0 else ["unshare", "--map-root-user", "--mount"]


class TestContract(StoreContract):
    """SQLite keeps the contract of every store."""

    @pytest.fixture
    def make(self, tmp_path: Path) -> Callable[[], Store]:
        return lambda: SqliteStore(tmp_path / "store", now=lambda: later(60))


class TestGates(GateContract):
    """The same store keeps the contract of gates."""

    @pytest.fixture
    def make(self, tmp_path: Path) -> Callable[[], Store]:
        return lambda: SqliteStore(tmp_path / "store", now=lambda: later(60))


class TestSignals(SignalContract):
    """The same store keeps the contract of signals."""

    @pytest.fixture
    def make(self, tmp_path: Path) -> Callable[[], Store]:
        return lambda: SqliteStore(tmp_path / "store", now=lambda: later(60))


class TestAdditions(AdditionContract):
    """The same store keeps the contract of additions."""

    @pytest.fixture
    def make(self, tmp_path: Path) -> Callable[[], Store]:
        return lambda: SqliteStore(tmp_path / "store", now=lambda: later(60))


class TestClocks(ClockContract):
    """The same store keeps the contract of clocks."""

    @pytest.fixture
    def make(self, tmp_path: Path) -> Callable[[], Store]:
        return lambda: SqliteStore(tmp_path / "store", now=lambda: later(60))


class TestMonths(MonthContract):
    """The same store keeps the contract of the monthly review."""

    @pytest.fixture
    def make(self, tmp_path: Path) -> Callable[[], Store]:
        return lambda: SqliteStore(tmp_path / "store", now=lambda: later(60))


class TestNumbers(NumberContract):
    """The same store keeps the contract of missing numbers."""

    @pytest.fixture
    def make(self, tmp_path: Path) -> Callable[[], Store]:
        return lambda: SqliteStore(tmp_path / "store", now=lambda: later(60))


class TestCorrections(CorrectionContract):
    """The same store keeps the contract of corrections."""

    @pytest.fixture
    def make(self, tmp_path: Path) -> Callable[[], Store]:
        return lambda: SqliteStore(tmp_path / "store", now=lambda: later(60))


class TestLookBacks(LookBackContract):
    """The same store keeps the contract of look-backs."""

    @pytest.fixture
    def make(self, tmp_path: Path) -> Callable[[], Store]:
        return lambda: SqliteStore(tmp_path / "store", now=lambda: later(60))


class TestReplacements(ReplacementContract):
    """The same store keeps the contract of replaced results."""

    @pytest.fixture
    def make(self, tmp_path: Path) -> Callable[[], Store]:
        return lambda: SqliteStore(tmp_path / "store", now=lambda: later(60))


class TestOperators(OperatorContract):
    """The same store keeps the contract of the register of operators."""

    @pytest.fixture
    def make(self, tmp_path: Path) -> Callable[[], Store]:
        return lambda: SqliteStore(tmp_path / "store", now=lambda: later(60))


class TestAudit(AuditContract):
    """The same store keeps the contract of the audit trail."""

    @pytest.fixture
    def make(self, tmp_path: Path) -> Callable[[], Store]:
        return lambda: SqliteStore(tmp_path / "store", now=lambda: later(60))


class TestDayLogs(DayLogContract):
    """The same store keeps the contract of the day logs."""

    @pytest.fixture
    def make(self, tmp_path: Path) -> Callable[[], Store]:
        return lambda: SqliteStore(tmp_path / "store", now=lambda: later(60))


class TestPausesAndNotes(TodayContract):
    """The same store keeps the contract of pauses and of the hand-over list."""

    @pytest.fixture
    def make(self, tmp_path: Path) -> Callable[[], Store]:
        return lambda: SqliteStore(tmp_path / "store", now=lambda: later(60))


class TestReports(ReportContract):
    """The same store keeps the contract of reports."""

    @pytest.fixture
    def make(self, tmp_path: Path) -> Callable[[], Store]:
        return lambda: SqliteStore(tmp_path / "store", now=lambda: later(60))


class TestRegistered(RegisteredContract):
    """The same store keeps the contract of registered identifiers."""

    @pytest.fixture
    def make(self, tmp_path: Path) -> Callable[[], Store]:
        return lambda: SqliteStore(tmp_path / "store", now=lambda: later(60))


class TestStops(StopContract):
    """The same store keeps the contract of what is stopped."""

    @pytest.fixture
    def make(self, tmp_path: Path) -> Callable[[], Store]:
        return lambda: SqliteStore(tmp_path / "store", now=lambda: later(60))


class TestAccounts(AccountContract):
    """The same store keeps the contract of accounts."""

    @pytest.fixture
    def make(self, tmp_path: Path) -> Callable[[], Store]:
        return lambda: SqliteStore(tmp_path / "store", now=lambda: later(60))


class TestEnvelopes(EnvelopeContract):
    """The same store keeps the contract of envelopes."""

    @pytest.fixture
    def make(self, tmp_path: Path) -> Callable[[], Store]:
        return lambda: SqliteStore(tmp_path / "store", now=lambda: later(60))


class TestBenches(QuickContract):
    """The same store keeps the contract of shared benches."""

    @pytest.fixture
    def make(self, tmp_path: Path) -> Callable[[], Store]:
        return lambda: SqliteStore(tmp_path / "store", now=lambda: later(60))


class TestLives(LifeContract):
    """The same store keeps the contract of analyzers' lives."""

    @pytest.fixture
    def make(self, tmp_path: Path) -> Callable[[], Store]:
        return lambda: SqliteStore(tmp_path / "store", now=lambda: later(60))


class TestTellings(TellingContract):
    """The same store keeps the contract of telling."""

    @pytest.fixture
    def make(self, tmp_path: Path) -> Callable[[], Store]:
        return lambda: SqliteStore(tmp_path / "store", now=lambda: later(60))


class TestShifts(ShiftContract):
    """The same store keeps the contract of held runs."""

    @pytest.fixture
    def make(self, tmp_path: Path) -> Callable[[], Store]:
        return lambda: SqliteStore(tmp_path / "store", now=lambda: later(60))


class TestLots(LotContract):
    """The same store keeps the contract of containers and lots."""

    @pytest.fixture
    def make(self, tmp_path: Path) -> Callable[[], Store]:
        return lambda: SqliteStore(tmp_path / "store", now=lambda: later(60))


def _opened(folder: Path) -> SqliteStore:
    return SqliteStore(folder, now=lambda: NOW)


# --- the file


def test_every_commit_is_an_fsync_into_a_write_ahead_log(tmp_path: Path) -> None:
    """SQLite, pragma synchronous: in WAL mode NORMAL may lose the last commits in a power cut; FULL (2) does not."""
    store = _opened(tmp_path)
    connection = connect(tmp_path / FILE)
    assert connection.execute("PRAGMA synchronous").fetchone() == (2,)
    assert connection.execute("PRAGMA journal_mode").fetchone() == ("wal",)
    assert connection.execute("PRAGMA foreign_keys").fetchone() == (1,)
    connection.close()
    with pytest.raises(sqlite3.OperationalError, match="readonly"):
        store._reader().execute("DELETE FROM meta")
    store.close()


def test_an_epoch_is_five_clear_letters_and_each_store_has_its_own(tmp_path: Path) -> None:
    """Two stores never give the same identifiers; letters that people misread are left out."""
    epochs = set()
    for name in "abc":
        store = _opened(tmp_path / name)
        epochs.add(store.epoch)
        store.close()
    assert len(epochs) == 3
    assert all(len(epoch) == 5 and set(epoch) <= set(EPOCH_LETTERS) for epoch in epochs)
    assert set("IO01") & set(EPOCH_LETTERS) == set()


def test_the_recovery_of_a_try_bears_the_time_of_the_restart(tmp_path: Path) -> None:
    """What was being sent is due at once, from the moment of opening."""
    store = _opened(tmp_path)
    (one,) = s.post(store, "A1").delivery_ids
    assert s.begin(store, one)
    store.close()
    store = SqliteStore(tmp_path, now=lambda: later(60))
    assert store.next_due("records") == later(60)
    assert s.heads(store, now=later(59)) == []
    assert s.heads(store, now=later(60)) == ["A1"]
    store.close()


def test_captures_and_events_take_no_change(tmp_path: Path) -> None:
    """Not even we may mend what arrived or what happened: the file itself refuses. HZ-E11, HZ-J02."""
    store = _opened(tmp_path)
    s.keep(store)
    store.close()
    connection = sqlite3.connect(tmp_path / FILE, isolation_level=None)
    for table in ("captures", "events"):
        before = connection.execute(f"SELECT * FROM {table}").fetchall()
        assert len(before) == 1
        for statement in (f"UPDATE {table} SET id = id", f"DELETE FROM {table}"):
            with pytest.raises(sqlite3.IntegrityError, match=f"^{table} are append-only$"):
                connection.execute(statement)
        assert connection.execute(f"SELECT * FROM {table}").fetchall() == before
    connection.close()


def test_a_second_process_is_refused_with_a_sentence(tmp_path: Path) -> None:
    """One process a store: the second is told which has it, and takes over once that one is gone."""
    first = _writing(tmp_path)
    with pytest.raises(
        StoreLocked, match=rf"^process {first.pid} on \S+ has this store open\. Stop it first, or give this one a"
    ):
        _opened(tmp_path)
    first.kill()
    first.communicate()
    _opened(tmp_path).close()


def test_a_second_store_in_the_same_process_is_refused_too(tmp_path: Path) -> None:
    """The lock is the file's, not the process's; a refused opening leaves the first unharmed."""
    store = _opened(tmp_path)
    with pytest.raises(StoreLocked, match=f"process {os.getpid()} on "):
        _opened(tmp_path)
    assert s.keep(store) == 1
    store.close()


def test_a_network_mount_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """SQLite, "How To Corrupt An SQLite Database File": locks and syncs of network file systems cannot be relied on."""
    kind = "nfs4"
    monkeypatch.setattr(module, "network_mount", lambda folder, mounts: kind if "/" in mounts else "")
    with pytest.raises(
        StoreFailed, match=r"is on a network mount \(nfs4\), where a commit cannot be relied on\. Use a local disk\.$"
    ):
        _opened(tmp_path / "store")
    assert list((tmp_path / "store").iterdir()) == []


@pytest.mark.parametrize("damage", [b"this was never a database" * 100, b""])
def test_a_file_that_is_no_store_is_told_or_begun(tmp_path: Path, damage: bytes) -> None:
    """A foreign file is left as it is, with a sentence; an empty one is a store that was never begun."""
    (tmp_path / FILE).write_bytes(damage)
    if not damage:
        _opened(tmp_path).close()
        return
    with pytest.raises(StoreFailed, match=r"cannot be opened: file is not a database\. Check the disk"):
        _opened(tmp_path)
    assert (tmp_path / FILE).read_bytes() == damage
    (tmp_path / FILE).unlink()
    _opened(tmp_path).close()  # and the lock was let go


def test_a_damaged_store_is_not_served(tmp_path: Path) -> None:
    """A page overwritten by something else: found when opening, before anything is built upon it."""
    store = _opened(tmp_path)
    for number in range(40):
        s.keep(store, random.Random(number).randbytes(3_000))
    store.close()
    size = (tmp_path / FILE).stat().st_size
    with (tmp_path / FILE).open("r+b") as file:
        for page in range(size // 4096 // 2, size // 4096):
            file.seek(page * 4096)
            file.write(b"\xa5" * 4096)
    with pytest.raises(StoreFailed, match=r"is damaged|cannot be opened"):
        _opened(tmp_path)


def test_a_snapshot_shows_result_and_deliveries_of_one_moment(tmp_path: Path) -> None:
    """While outcomes are recorded and sent, a reader never meets a half: the sums of every look agree."""
    store = _opened(tmp_path)
    going = threading.Event()
    wrong: list[Any] = []
    looks = []

    def look() -> None:
        while not going.is_set():
            day = store.day(NOW.date(), s.UTC_ZONE)
            coded = day.of("coded")
            pairs = tuple(sorted(strip_id for sent in day.sent for strip_id in sent.strips))
            looks.append(len(coded))
            if pairs != tuple(name for name in coded for _ in range(2)):
                wrong.append((coded, pairs))

    readers = [threading.Thread(target=look) for _ in range(2)]
    for reader in readers:
        reader.start()
    for number in range(40):
        s.post(store, f"R{number}", patient=f"P{number}", destinations=("records", "chart"))
    going.set()
    for reader in readers:
        reader.join(WAIT)
    store.close()
    assert wrong == []
    assert len(looks) > 2


# --- crashes


def _writing(folder: Path) -> subprocess.Popen[str]:
    child = subprocess.Popen([*CHILD, "write", str(folder)], cwd=ROOT, stdout=subprocess.PIPE, text=True)
    assert child.stdout is not None
    assert child.stdout.readline().startswith("ready ")
    return child


def test_every_acknowledged_command_outlives_a_kill(tmp_path: Path) -> None:
    """Killed (signal 9) at five different moments: what was acknowledged is there, whole, and no number comes twice."""
    acknowledged: dict[int, str] = {}
    numbers: list[int] = []
    chance = random.Random(20261125)
    for _ in range(5):
        child = _writing(tmp_path)
        assert child.stdout is not None
        lines = [child.stdout.readline() for _ in range(chance.randrange(1, 150))]
        child.kill()
        lines += child.communicate()[0].splitlines(keepends=True)
        for line in lines:
            if not line.endswith("\n"):
                continue  # cut in the middle of saying so
            word, number, *text = line.split()
            if word == "number":
                numbers.append(int(number))
            else:
                acknowledged[int(number)] = text[0]
        assert child.returncode == -9
    store = _opened(tmp_path)
    assert all(store.capture(number).capture.payload == text.encode() * 50 for number, text in acknowledged.items())
    assert numbers == sorted(set(numbers))
    assert all(following >= earlier + 3 for earlier, following in itertools.pairwise(numbers))
    assert store.submit(ReserveNumbers(count=1)).result(WAIT) >= max(numbers, default=-2) + 3
    assert store.next_intake("brook-1") is not None
    store.close()
    connection = sqlite3.connect(tmp_path / FILE)
    assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
    connection.close()


# --- disks


def _child(*arguments: str, before: tuple[str, ...] = ()) -> Any:
    ran = subprocess.run([*before, *CHILD, *arguments], cwd=ROOT, capture_output=True, text=True, timeout=60, check=False)
    assert ran.returncode == 0, ran.stderr
    return json.loads(ran.stdout)


@pytest.mark.needs_root
def test_a_full_disk_is_told_and_the_store_goes_on_when_there_is_room(tmp_path: Path) -> None:
    """A real disk of four megabytes: nothing acknowledged is lost, reads go on, and room is all that is needed."""
    seen = _child("fill", str(tmp_path), before=tuple(PRIVATE_MOUNTS))
    captures = seen["full"]["captures"]
    shortage = "The disk is full; nothing was written (SQLITE_FULL)."
    assert seen["full"] == {
        "error": f"StoreFull: {shortage}",
        "kept": True,
        "read_back": True,
        "captures": captures,
        "shortage": shortage,
        "fault": "",
    }
    assert seen["still"] == "StoreFull"
    assert seen["roomy"] == {"shortage": "", "fault": "", "payload": "there is room again"}
    assert seen["after"] == {
        "error": "",
        "kept": True,
        "read_back": True,
        "captures": captures,
        "shortage": "",
        "fault": "",
        "highest": True,
    }


def test_a_write_that_fails_ends_acknowledging_until_a_restart(tmp_path: Path) -> None:
    """A real write error that is not "full" (the kernel's file-size limit): stopped for good, even when the disk is well again."""
    seen = _child("limit", str(tmp_path), "900000")
    fault = "Writing to the store failed (SQLITE_IOERR_WRITE). Nothing more is acknowledged; mend the disk and restart Padpost."
    captures = seen["failed"]["captures"]
    assert seen["failed"] == {
        "error": f"StoreFailed: {fault}",
        "kept": True,
        "read_back": True,
        "captures": captures,
        "shortage": "",
        "fault": fault,
    }
    assert seen["later"] == fault
    assert seen["after"] == {
        "error": "",
        "kept": True,
        "read_back": True,
        "captures": captures,
        "shortage": "",
        "fault": "",
        "first": 1,
    }


def test_group_commit_in_the_store_itself(tmp_path: Path) -> None:
    """Two hundred captures handed over at once need far fewer commits: counted by the frames' commit marks in the log."""
    store = _opened(tmp_path)
    s.keep(store)
    before = _commits(tmp_path)
    command = KeepCapture(capture=s.capture(), analyzer="brook-1", profile="brook")
    futures = [store.submit(command) for _ in range(200)]
    assert sorted(future.result(WAIT) for future in futures) == list(range(2, 202))
    commits = _commits(tmp_path) - before
    store.close()
    assert 1 <= commits < 100


def _commits(folder: Path) -> int:
    """Count commits in the write-ahead log (SQLite file format, section 4.1: a commit frame has a non-zero database size)."""
    log = (folder / f"{FILE}-wal").read_bytes()
    page = int.from_bytes(log[8:12], "big")
    salt = log[16:24]
    frames = [log[at : at + 24] for at in range(32, len(log) - 23, 24 + page)]
    return sum(frame[8:16] == salt and frame[4:8] != b"\0\0\0\0" for frame in frames)
