"""The menu of faults, what each needs of the machine, and which one a seed chooses for a round."""

from __future__ import annotations

import functools
import os
import random
import shutil
import subprocess
import sys
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path

from tests.faults import namespaces

FAKETIME = tuple(Path("/usr/lib").glob("*/faketime/libfaketime.so.1"))  # where Debian's package libfaketime puts it
ON_LINE, IN_FILES, BY_CALL = 7, 4, 3  # most new batches a round: on the line; as files; as messages, and as posts
LONGEST_S = 1.5  # a fault comes at most this long after the service was called, or was ready
LATE_S = 0.05  # a kill at a last frame or a file comes at most this long after it: before, in or after the commit


class Fault(StrEnum):
    """What goes wrong in a round. The values are what the reports call it."""

    KILL_AT_START = "killed while it starts"
    KILL_UNDER_LOAD = "killed under load"
    KILL_AT_ARRIVAL = "killed after a message was taken, before its answer"
    KILL_AT_LAST_FRAME = "killed around the commit of a line's strip"
    KILL_AT_FILE = "killed around the commit of a file"
    KILL_BEFORE_ANSWER = "killed after the commit, before the line is answered"
    KILL_BEFORE_MOVE = "killed after the commit, before the file is put away"
    KILL_IN_COMMIT = "killed in the middle of a commit"
    KILL_BEFORE_MARK = "killed after a message was answered, before it is marked"
    KILL_IN_MIGRATION = "killed while a store of an older schema is brought forward"
    KILL_BACKUP = "a backup killed in the middle"
    FREEZE = "frozen and thawed"
    BLACK_HOLE = "the wire to a receiver swallows everything"
    RESET = "the wire to a receiver is reset"
    CUT = "the wire to a receiver is cut in the middle of a frame"
    DELAY = "the wire to a receiver is slower than its time-out"
    DUPLICATE = "the wire to a receiver says everything twice"
    NO_ANSWER = "the wire from a receiver loses its answers"
    NO_CALL = "a receiver's port refuses calls"
    UNSTEADY = "receivers turn away, hang up, keep silent, answer wrongly"
    FAILED_FSYNC = "fsync fails"
    POWER_CUT = "the power is cut"
    FULL_DISK = "the disk is full"
    FULL_INODES = "the disk has no room for names"
    CLOCK_AHEAD = "the clock jumps a day ahead and back"
    CLOCK_BACK = "the clock jumps a day back and ahead"
    CLOCK_DST = "the clock passes a change of daylight saving time"
    LATE_ANSWERS = "a receiver's second answers come late, on either connection, and twice"
    KILL_BEFORE_VERDICT = "killed after a receiver kept a message, before it says what became of it"
    PAIR_KILL = "two processes: one is killed, the other takes over"
    PAIR_FREEZE = "two processes: one is frozen beyond its lease, and thawed"
    PAIR_NO_BASE = "two processes: one has no network to the database"
    PAIR_NO_RECORDS = "two processes: one has no network to the receivers"
    PAIR_HOLE = "two processes: a proxy before one's database swallows everything"
    PAIR_BASE_KILL = "two processes: their database server is killed and started again"
    PAIR_MIGRATION = "two processes start at once on a database of an older schema"


WIRES = (Fault.BLACK_HOLE, Fault.RESET, Fault.CUT, Fault.DELAY, Fault.DUPLICATE, Fault.NO_ANSWER, Fault.NO_CALL)
TRACED = (Fault.KILL_BEFORE_ANSWER, Fault.KILL_BEFORE_MOVE, Fault.KILL_IN_COMMIT, Fault.KILL_BEFORE_MARK, Fault.FAILED_FSYNC)
CLOSE = (Fault.KILL_AT_LAST_FRAME, Fault.KILL_AT_FILE, Fault.KILL_BEFORE_VERDICT)  # kills close to what they wait for
CLOCKS = (Fault.CLOCK_AHEAD, Fault.CLOCK_BACK, Fault.CLOCK_DST)
KILLS = tuple(fault for fault in Fault if fault.name.startswith("KILL_") and fault is not Fault.KILL_BACKUP)
# Played on a store of their own, judged at once; the others go on with the store that all rounds before them left
ASIDE = (Fault.KILL_IN_MIGRATION, Fault.POWER_CUT, Fault.FULL_DISK, Fault.FULL_INODES, Fault.CLOCK_DST)
PAIRS = tuple(fault for fault in Fault if fault.name.startswith("PAIR_"))  # on a database of their own, judged at once
NETWORKS = (Fault.PAIR_NO_BASE, Fault.PAIR_NO_RECORDS)
# Others: 2. Two processes take a lease's time, so each of theirs comes seldomer
WEIGHTS = {Fault.KILL_UNDER_LOAD: 4, Fault.KILL_AT_ARRIVAL: 3, Fault.KILL_IN_COMMIT: 3, **dict.fromkeys(PAIRS, 1)}


@dataclass(frozen=True, kw_only=True)
class Round:
    """One round: its fault, when it comes and how the round ends.

    ``seconds`` and ``count`` are read by the fault: after so long, at the so-manieth such happening. ``ends_by_kill``: SIGKILL
    at the end of a round whose fault leaves the service alive, else a clean stop. ``chance`` seeds what else a fault draws.
    """

    number: int
    fault: Fault
    seconds: float
    count: int
    on_line: int
    in_files: int
    on_network: int
    posted: int
    is_chart_away: bool
    ends_by_kill: bool
    chance: int


def chosen(seed: int, number: int, *, only: tuple[Fault, ...] = ()) -> Round:
    """Give round ``number``; the same for the same seed, whatever was resumed. ``only`` plays these faults in turn instead."""
    chance = random.Random(f"{seed}:round:{number}")
    menu = list(Fault)
    drawn = chance.choices(menu, weights=[WEIGHTS.get(fault, 2) for fault in menu])[0]
    fault = only[(number - 1) % len(only)] if only else drawn
    count, on_line, in_files = chance.randint(1, 4), chance.randint(1, ON_LINE), chance.randint(1, IN_FILES)
    longest = {Fault.KILL_AT_ARRIVAL: 0.0, **dict.fromkeys(CLOSE, LATE_S)}.get(fault, LONGEST_S)
    most = {Fault.KILL_AT_LAST_FRAME: on_line, Fault.KILL_BEFORE_ANSWER: on_line, Fault.KILL_AT_FILE: in_files}
    return Round(
        number=number,
        fault=fault,
        seconds=chance.uniform(0, longest),
        count=min(count, most.get(fault, count)),  # no more than will come
        on_line=on_line,
        in_files=in_files,
        is_chart_away=chance.random() < 0.25,
        ends_by_kill=chance.random() < 0.5,
        chance=chance.getrandbits(32),
        on_network=chance.randint(1, BY_CALL),
        posted=chance.randint(1, BY_CALL),
    )


def not_here(fault: Fault) -> str:
    """Say why this machine, or this build of Padpost, cannot play ``fault``; "" where it can."""
    if fault in TRACED or fault is Fault.KILL_IN_MIGRATION:
        return _no_strace()
    if fault in CLOCKS:
        return "" if FAKETIME else "libfaketime is not installed"
    if fault is Fault.POWER_CUT:
        return _no_root() or ("" if Path("/dev/fuse").exists() and shutil.which("fusermount") else "there is no FUSE")
    if fault in (Fault.FULL_DISK, Fault.FULL_INODES):
        return _no_root()
    if fault is Fault.KILL_BACKUP:
        return "" if _has_command("backup") else "this build has no command `padpost backup`"
    return namespaces.why_not() if fault in NETWORKS else ""


def _no_root() -> str:
    return "" if os.geteuid() == 0 else "only root may mount"


def _no_strace() -> str:
    if shutil.which("strace") is None:
        return "strace is not installed"
    scope = Path("/proc/sys/kernel/yama/ptrace_scope")
    is_open = os.geteuid() == 0 or not scope.exists() or scope.read_text(encoding="ascii").strip() == "0"
    return "" if is_open else "only root may trace here (kernel.yama.ptrace_scope)"


@functools.cache
def _has_command(name: str) -> bool:
    asked = subprocess.run([sys.executable, "-m", "bridge", name, "--help"], capture_output=True, check=False, timeout=60)
    return asked.returncode == 0
