"""The rounds that go on with one store: each finds what the faults of all rounds before it left."""

from __future__ import annotations

import random
import signal
import subprocess
import sys
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import ExitStack
from datetime import datetime
from pathlib import Path

from bridge.store.sqlite import FILE
from tests.faults.backups import broken_backups
from tests.faults.feeders import Computer, Dropper, Feeder, Instrument, Line, Pty
from tests.faults.journal import Journal
from tests.faults.menu import FAKETIME, KILLS, Fault, Round
from tests.faults.records import ANSWER_S, HL7, LATE, RECEIVERS, Records
from tests.faults.served import Served, free_port
from tests.faults.state import State
from tests.faults.strips import Batch, Inventor
from tests.faults.tracer import Spot, Tracer
from tests.faults.trap import Trap

TRAP_S = 8.0  # a moment that does not come within this is replaced by now
DRAIN_S = 300.0  # the end must come on; this long without any movement is a failure
STUCK_S = 30.0  # after the clock was put right everything must come through; this long without movement is a breach
QUIET_S = 0.3  # how long a service with a failed fsync is watched for an acknowledgement that must not come
WRITES = 40  # of the write-ahead log, in a round with some load: a kill comes at one of the first so many
DAY_S = 86_400
WAYS = {"L": "brook", "F": "brook-file", "M": "dipper", "H": "lark"}  # letter of a way in: the profile that reads it

_Play = Iterator[bool]  # first what must stand before anything is brought; then, under load, whether the fault came


class MainLine:
    """The parts that outlive every fault. ``close`` leaves nothing running."""

    def __init__(self, home: Path, state: State, save: Callable[[], None]) -> None:
        self.state = state
        self.store = home / "store"
        self._save = save
        self._home = home
        self._stack = ExitStack()
        self.journal = Journal(home / "history.jsonl")
        self._stack.callback(self.journal.close)
        self._trap = Trap()
        self._records = self._stack.enter_context(Records(self.journal, self._trap.happened, home=home))
        self._pty = Pty()
        self._stack.callback(self._pty.close)
        self._drops = home / "drops"
        self._drops.mkdir(exist_ok=True)
        self._mllp_port = free_port()
        began = datetime.fromisoformat(state.began)
        self._makers = {letter: Inventor(profile=WAYS[letter], letter=letter, seed=state.seed, began=began) for letter in WAYS}
        line = f"kind: serial, link: lis01, port: {self._pty.port}, reopen_s: 0.1"
        folder = f'kind: folder, path: "{self._drops}", complete: rename, sweep_s: 0.1'
        self.served = Served(
            home,
            data=self.store,
            sources=f"  - {{name: line, analyzer: bench-a, profile: brook, {line}}}\n"
            f"  - {{name: drops, analyzer: bench-b, profile: brook-file, {folder}}}\n"
            f"  - {{name: network, analyzer: bench-c, profile: dipper, kind: mllp, port: {self._mllp_port}, reopen_s: 0.1}}\n"
            "  - {name: posts, analyzer: bench-d, profile: lark, kind: http, key: {env: POST_KEY}, per_minute: 100000}\n",
            destinations=self._records.destinations,
        )
        self._stack.callback(self.served.end)
        self._first = Counter[str]()
        self._clock = home / "clock"
        self._plays = self._menu()

    def _menu(self) -> Mapping[Fault, Callable[[Round], _Play]]:
        return {
            Fault.KILL_UNDER_LOAD: self._kill_at_time,
            Fault.KILL_AT_ARRIVAL: self._kill_at_trap,
            Fault.KILL_AT_LAST_FRAME: self._kill_at_trap,
            Fault.KILL_AT_FILE: self._kill_at_trap,
            Fault.KILL_BEFORE_ANSWER: self._kill_before_answer,
            Fault.KILL_BEFORE_MOVE: self._kill_before_move,
            Fault.KILL_IN_COMMIT: self._kill_in_commit,
            Fault.KILL_BEFORE_MARK: self._kill_before_mark,
            Fault.KILL_BACKUP: self._kill_backup,
            Fault.FREEZE: self._freeze,
            Fault.BLACK_HOLE: self._spoil_wire,
            Fault.RESET: self._spoil_wire,
            Fault.CUT: self._spoil_wire,
            Fault.DELAY: self._spoil_wire,
            Fault.DUPLICATE: self._spoil_wire,
            Fault.NO_ANSWER: self._spoil_wire,
            Fault.NO_CALL: self._spoil_wire,
            Fault.UNSTEADY: self._unsettle,
            Fault.LATE_ANSWERS: self._answer_late,
            Fault.KILL_BEFORE_VERDICT: self._kill_before_verdict,
            Fault.FAILED_FSYNC: self._fail_fsync,
            Fault.CLOCK_AHEAD: self._jump,
            Fault.CLOCK_BACK: self._jump,
        }

    def close(self) -> None:
        """End the service and the receivers."""
        self._stack.close()

    # --- rounds

    def begin(self) -> None:
        """Let the message plans be checked once: a service that is never up for that long would send nothing in any round."""
        self.state.on_line = self.state.in_files = self.state.on_network = self.state.posted = 1
        self._save()
        if not self.drain():
            raise AssertionError("the first strips did not go through")

    def play(self, chosen: Round) -> bool:
        """Play a round; say whether its fault came."""
        self.state.on_line += chosen.on_line
        self.state.in_files += chosen.in_files
        self.state.on_network += chosen.on_network
        self.state.posted += chosen.posted
        self._save()  # what may have left is known before it leaves
        self._records.calm()
        if chosen.is_chart_away:
            self._records.away.set()
        self.served.start(under=self._under(chosen))
        cut = threading.Event()
        if chosen.fault is Fault.KILL_AT_START:
            feeders = self._feed(cut)
            time.sleep(chosen.seconds)  # the moment of the kill is the seed's choice, not a wait for anything
            came = True
        else:
            self._wait_ready()
            came, feeders = self._go_wrong(chosen, cut)
        self._end(chosen)
        self._end_feeding(cut, feeders)
        return came

    def drain(self) -> bool:
        """Serve until every strip is acknowledged and with each receiver; False if that stops coming on. Then stop cleanly."""
        self._records.calm()
        self.served.start()
        self._wait_ready()
        cut = threading.Event()
        feeders = self._feed(cut)
        is_through = self.journal.wait_for_all(RECEIVERS, bound_s=DRAIN_S)
        self._end_feeding(cut, feeders)
        self.served.stop()
        return is_through

    def _go_wrong(self, chosen: Round, cut: threading.Event) -> tuple[bool, list[Feeder]]:
        play = self._plays[chosen.fault](chosen)
        with ExitStack() as after:
            after.callback(getattr(play, "close", lambda: None))
            next(play)
            feeders = self._feed(cut)
            came = next(play)
        return came, feeders

    def _end(self, chosen: Round) -> None:
        """End the service as the fault did, or as the round says."""
        if chosen.fault in KILLS or chosen.ends_by_kill or not self.served.is_running:
            self.served.kill()
        else:
            self.served.stop()

    def _under(self, chosen: Round) -> Sequence[str]:
        """Give what puts the service's clock into our hands, for the rounds that need it."""
        if chosen.fault not in (Fault.CLOCK_AHEAD, Fault.CLOCK_BACK):
            return ()
        self._clock.write_text("+0", encoding="ascii")
        return faked(self._clock)

    def _wait_ready(self) -> None:
        began = time.monotonic()
        self.served.wait_ready()
        self.state.slowest_ready_s = max(self.state.slowest_ready_s, round(time.monotonic() - began, 2))

    # --- faults: kill -9

    def _kill_at_time(self, chosen: Round) -> _Play:
        yield True
        time.sleep(chosen.seconds)  # as in ``play``
        yield True

    def _kill_at_trap(self, chosen: Round) -> _Play:
        kinds = {Fault.KILL_AT_ARRIVAL: "arrival", Fault.KILL_AT_LAST_FRAME: "last frame", Fault.KILL_AT_FILE: "file"}
        self._trap.set(kinds[chosen.fault], chosen.count, chosen.seconds, self.served.strike)
        yield True
        came = self._trap.sprung.wait(TRAP_S)
        self._trap.put_away()
        yield came

    def _kill_before_answer(self, chosen: Round) -> _Play:
        """Strike at the answer that tells a strip's sender: the line gets one to ENQ and one a frame, the last after the commit."""
        batches = self._left("L", self.state.on_line)[: chosen.count]
        answers = sum(1 + len(batch.records) for batch in batches)
        return self._traced_kill(Spot(calls="write", when=str(answers), path=self._pty.port))

    def _kill_before_move(self, chosen: Round) -> _Play:
        del chosen
        return self._traced_kill(Spot(calls="rename,renameat,renameat2", when="1"))

    def _kill_in_commit(self, chosen: Round) -> _Play:
        return self._traced_kill(self._log_write(1 + chosen.chance % WRITES))

    def _traced_kill(self, spot: Spot) -> _Play:
        with Tracer(self.served.pid, spot):
            yield True
            yield self.served.wait_dead(TRAP_S)

    def _kill_before_mark(self, chosen: Round) -> _Play:
        """Let the receiver answer only once the next write to the log is the last: the mark of its answer, or a commit before it."""
        with ExitStack() as tracing:
            tracer = Tracer(self.served.pid, self._log_write(1))
            self._trap.set("arrival", chosen.count, 0.0, lambda: tracing.enter_context(tracer))
            yield True
            came = self.served.wait_dead(TRAP_S)
            self._trap.put_away()
            yield came

    def _log_write(self, when: int) -> Spot:
        return Spot(calls="pwrite64", when=str(when), path=str(self.store / f"{FILE}-wal"))

    def _kill_backup(self, chosen: Round) -> _Play:
        folder = self._home / "backups"
        folder.mkdir(exist_ok=True)
        yield True
        command = [sys.executable, "-m", "bridge", "backup", "--config", str(self.served.site), "--to", str(folder)]
        with subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL) as backup:
            time.sleep(chosen.seconds)  # as in ``play``
            backup.kill()
        self.state.breaches += broken_backups(folder)
        yield True

    # --- faults: time stands still, wires, receivers

    def _freeze(self, chosen: Round) -> _Play:
        yield True
        time.sleep(chosen.seconds)  # as in ``play``
        self.served.send(signal.SIGSTOP)
        time.sleep(random.Random(chosen.chance).uniform(0.1, ANSWER_S + 0.5))  # up to beyond every answer's time
        self.served.send(signal.SIGCONT)
        yield True

    def _spoil_wire(self, chosen: Round) -> _Play:
        chance = random.Random(chosen.chance)
        # TCP says nothing twice; a device that repeats does so with whole messages, which over HTTP nobody does
        receiver = chance.choice((HL7, LATE) if chosen.fault is Fault.DUPLICATE else RECEIVERS)
        proxy = self._records.proxies[receiver]
        before = proxy.command(cmd="stats")
        if chosen.fault is not Fault.RESET:
            proxy.command(**_wire(chosen, chance))
        yield True
        time.sleep(0.4 + chosen.seconds)  # as in ``play``
        if chosen.fault is Fault.RESET:
            proxy.command(cmd="kill", how="reset")
        after = proxy.command(cmd="clear")
        counts = ("resets", "cuts", "dropped_chunks", "duplicated")
        yield chosen.fault in (Fault.DELAY, Fault.NO_CALL) or any(after[what] > before[what] for what in counts)

    def _unsettle(self, chosen: Round) -> _Play:
        self._records.unsteady = random.Random(chosen.chance)
        yield True
        time.sleep(0.5 + chosen.seconds)  # as in ``play``
        self._records.unsteady = None
        yield True

    def _answer_late(self, chosen: Round) -> _Play:
        """Let second answers wait, then come all at once: on the messages' connections, on one of the receiver's own, and twice."""
        self._records.second.silent.set()
        yield True
        time.sleep(0.3 + chosen.seconds)  # as in ``play``
        came = self._records.second.waiting > 0
        self._records.second.silent.clear()
        yield came and self._wait_for(lambda: self._records.second.waiting == 0)

    def _kill_before_verdict(self, chosen: Round) -> _Play:
        """Kill between the two answers to a message; the second comes to the next round's process."""
        self._records.second.silent.set()
        self._trap.set("kept", chosen.count, chosen.seconds, self.served.strike)
        yield True
        came = self._trap.sprung.wait(TRAP_S)
        self._trap.put_away()
        yield came

    # --- faults: disk and clock

    def _fail_fsync(self, chosen: Round) -> _Play:
        spot = Spot(calls="fdatasync,fsync", when=f"{chosen.count}+", what="error=EIO")
        with Tracer(self.served.pid, spot):
            yield True
            came = self._wait_for(lambda: self.served.health()[0] == 503)
        if came:
            time.sleep(QUIET_S)  # what was acknowledged before the fault may still be on its way to its sender
            before = set(self.journal.history.acknowledged)
            time.sleep(QUIET_S)
            more = sorted(self.journal.history.acknowledged - before)
            self.state.breaches += [f"strip {strip} was acknowledged after a failed fsync" for strip in more]
        yield came

    def _jump(self, chosen: Round) -> _Play:
        by = f"{'+' if chosen.fault is Fault.CLOCK_AHEAD else '-'}{DAY_S}"
        yield True
        time.sleep(chosen.seconds)  # as in ``play``
        self._clock.write_text(by, encoding="ascii")
        time.sleep(0.5)
        self._clock.write_text("+0", encoding="ascii")
        self._records.calm()
        if not self.journal.wait_for_all(RECEIVERS, bound_s=STUCK_S):
            self.state.breaches.append(f"round {chosen.number}: {chosen.fault}, and nothing moves any more")
        yield True

    def _wait_for(self, claim: Callable[[], bool]) -> bool:
        until = time.monotonic() + TRAP_S
        while not claim():
            if time.monotonic() > until:
                return False
            time.sleep(0.02)
        return True

    # --- feeding

    def _feed(self, cut: threading.Event) -> list[Feeder]:
        network, pages = [("127.0.0.1", self._mllp_port)], [("127.0.0.1", self.served.port)]
        state = self.state
        feeders: list[Feeder] = [
            Line(self._pty.open, self._left("L", state.on_line), self.journal, cut, self._trap.happened),
            Dropper(self._drops, self._left("F", state.in_files), self.journal, cut, self._trap.happened),
            Instrument(network, self._left("M", state.on_network), self.journal, cut),
            Computer(pages, self._left("H", state.posted), self.journal, cut),
        ]
        for feeder in feeders:
            feeder.start()
        return feeders

    def _left(self, letter: str, count: int) -> Sequence[Batch]:
        """Give a way's batches that are not acknowledged yet, in their order; those before the first of them are not made up again."""
        maker, first = self._makers[letter], self._first[letter]
        while first < count and self._is_through(maker.batch(first)):
            first += 1
        self._first[letter] = first
        return [batch for batch in map(maker.batch, range(first, count)) if not self._is_through(batch)]

    def _is_through(self, batch: Batch) -> bool:
        return all(map(self.journal.is_acknowledged, batch.strips))

    @staticmethod
    def _end_feeding(cut: threading.Event, feeders: Sequence[Feeder]) -> None:
        cut.set()
        for feeder in feeders:
            feeder.join()
            if isinstance(feeder, Dropper):
                feeder.look()


def faked(clock: Path) -> tuple[str, ...]:
    """Give what a program is run under so that its clock goes by the offset in the file ``clock``, and its timers do not."""
    return (
        "env",
        f"LD_PRELOAD={FAKETIME[0]}",
        f"FAKETIME_TIMESTAMP_FILE={clock}",
        "FAKETIME_NO_CACHE=1",
        "FAKETIME_DONT_FAKE_MONOTONIC=1",
    )


def _wire(chosen: Round, chance: random.Random) -> dict[str, object]:
    """Give the proxy's command for a fault of the wire (see flaky_proxy.py)."""
    way = chance.choice(("up", "down"))
    match chosen.fault:
        case Fault.BLACK_HOLE:
            return {"cmd": "set", "dir": way, "mode": "blackhole"}
        case Fault.CUT:
            after, how = chance.randint(1, 900), chance.choice(("reset", "fin", "half"))
            return {"cmd": "set", "dir": way, "mode": "cut", "after": after, "how": how}
        case Fault.DELAY:
            return {"cmd": "set", "dir": way, "mode": "delay", "ms": 300, "jitter_ms": int(2000 * ANSWER_S)}
        case Fault.DUPLICATE:
            return {"cmd": "set", "dir": way, "mode": "duplicate", "nth": 1}
        case Fault.NO_ANSWER:
            return {
                "cmd": "set",
                "dir": "down",
                "mode": "drop_match",
                "regex": r"MSA\|[AC]A|HTTP/1.[01] 20[04]",
                "times": chosen.count,
            }
        case _:
            return {"cmd": "accept", "mode": chance.choice(("refuse", "reset", "blackhole"))}
