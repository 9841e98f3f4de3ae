"""What a seed chooses, and what a machine cannot play: named with its reason, never left out in silence."""

from __future__ import annotations

import os
import shutil
import sqlite3
import subprocess
import sys
import threading
from contextlib import closing
from pathlib import Path

import pytest

from tests.faults import menu, namespaces
from tests.faults.asides import Aside
from tests.faults.backups import broken_backups
from tests.faults.mainline import MainLine
from tests.faults.menu import ASIDE, PAIRS, Fault, chosen, not_here
from tests.faults.pairs import Pairs
from tests.faults.tracer import Spot, Tracer, under
from tests.faults.trap import Trap

WRITER = """\
import os, sys, time
file = os.open(sys.argv[1], os.O_WRONLY | os.O_CREAT | os.O_APPEND)
print("open", flush=True)
sys.stdin.readline()
for number in range(9):
    os.write(file, b"%d" % number)
"""


def test_a_seed_chooses_the_same_rounds_each_time() -> None:
    """A campaign that goes on after its own kill plays what it would have played."""
    rounds = [chosen(7, number) for number in range(1, 101)]
    assert rounds == [chosen(7, number) for number in range(1, 101)]
    assert rounds != [chosen(8, number) for number in range(1, 101)]


def test_a_long_campaign_meets_every_fault() -> None:
    """Every fault that has a weight is drawn, and the ones that matter most oftener."""
    drawn = [chosen(20261126, number).fault for number in range(1, 501)]
    assert set(drawn) == set(Fault)
    assert min(drawn.count(fault) for fault in set(drawn) - set(PAIRS)) >= 5
    assert min(drawn.count(fault) for fault in PAIRS) >= 3


def test_faults_may_be_played_in_turn() -> None:
    """For a short run, and to look at one kind."""
    only = (Fault.RESET, Fault.FREEZE)
    assert [chosen(1, number, only=only).fault for number in (1, 2, 3)] == [Fault.RESET, Fault.FREEZE, Fault.RESET]


def test_every_fault_has_somebody_who_plays_it(tmp_path: Path) -> None:
    """On the long-lived store, aside, or by two processes: each by one of the three."""
    line = set(MainLine._menu(MainLine.__new__(MainLine))) | {Fault.KILL_AT_START}
    aside = set(Aside(tmp_path, tmp_path)._plays)
    assert aside == set(ASIDE)
    pairs = set(Pairs(tmp_path, tmp_path)._plays)
    assert pairs == set(PAIRS)
    assert line | aside | pairs == set(Fault)
    assert len(line) + len(aside) + len(pairs) == len(Fault)


def test_what_a_machine_lacks_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    """Without strace, without root, without the library: the reason stands where the count would."""
    monkeypatch.setattr(shutil, "which", lambda _: None)
    monkeypatch.setattr(os, "geteuid", lambda: 1000)
    monkeypatch.setattr(menu, "FAKETIME", ())
    assert not_here(Fault.KILL_IN_COMMIT) == "strace is not installed"
    assert not_here(Fault.POWER_CUT) == not_here(Fault.FULL_DISK) == "only root may mount"
    assert not_here(Fault.CLOCK_DST) == "libfaketime is not installed"
    namespaces.why_not.cache_clear()
    assert not_here(Fault.PAIR_NO_BASE) == not_here(Fault.PAIR_NO_RECORDS) == "only root may make a network namespace"
    monkeypatch.setattr(os, "geteuid", lambda: 0)
    namespaces.why_not.cache_clear()
    assert not_here(Fault.PAIR_NO_BASE) == "the program ip (iproute2) is not installed"
    namespaces.why_not.cache_clear()
    assert not_here(Fault.PAIR_KILL) == not_here(Fault.PAIR_HOLE) == ""
    assert not_here(Fault.FREEZE) == not_here(Fault.BLACK_HOLE) == not_here(Fault.KILL_UNDER_LOAD) == ""


@pytest.mark.parametrize("is_attached", [True, False])
def test_a_tracer_strikes_at_the_call_that_it_was_told(is_attached: bool, tmp_path: Path) -> None:
    """The third write to that file is not done any more: strace(1), inject, a signal comes before the call."""
    if not_here(Fault.KILL_IN_COMMIT):
        assert os.geteuid() != 0, "root may trace, and .ci/test installs strace"
        return
    file = tmp_path / "written"
    spot = Spot(calls="write", when="3", path=str(file))
    file.touch()
    command = [sys.executable, "-c", WRITER, str(file)]
    with subprocess.Popen(
        command if is_attached else [*under(spot), *command], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as writer:
        assert writer.stdout is not None
        assert writer.stdout.readline() == b"open\n"
        if is_attached:
            with Tracer(writer.pid, spot):
                writer.communicate(b"go\n")
        else:
            writer.communicate(b"go\n")
        assert writer.returncode == -9
    assert file.read_bytes() == b"01"


def test_a_trap_springs_at_its_count_and_at_nothing_else() -> None:
    """Whoever reports the happening waits until the strike is done, and is told of it."""
    trap, struck = Trap(), threading.Event()
    trap.set("arrival", 2, 0.0, struck.set)
    assert [trap.happened(kind) for kind in ("arrival", "file", "arrival", "arrival")] == [False, False, True, False]
    assert struck.is_set()
    assert trap.sprung.is_set()
    trap.set("file", 1, 0.0, struck.clear)
    trap.put_away()
    assert not trap.happened("file")
    assert struck.is_set()


def test_a_backup_that_looks_whole_and_is_not_is_found(tmp_path: Path) -> None:
    """Whole ones, unfinished ones under their own names, and notes beside them are no fault."""
    whole = tmp_path / "whole.sqlite"
    with closing(sqlite3.connect(whole)) as db:
        db.execute("CREATE TABLE t (a)")
        db.executemany("INSERT INTO t VALUES (?)", [("x" * 3000,)] * 20)
        db.commit()
    (tmp_path / "unfinished.part").write_bytes(b"SQL")
    (tmp_path / "unfinished.sqlite.part-journal").write_bytes(b"a page")
    (tmp_path / "whole.txt").write_text("12 captures", encoding="utf-8")
    assert broken_backups(tmp_path) == []
    (tmp_path / "short.sqlite").write_bytes(whole.read_bytes()[:20_000])
    (tmp_path / "other.sqlite").write_bytes(b"nothing of the kind")
    other, short = broken_backups(tmp_path)
    assert other == "the backup other.sqlite is no store"
    assert short.startswith("the backup short.sqlite looks whole and is damaged: ")
