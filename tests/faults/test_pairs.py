"""Two processes on one PostgreSQL, short: a round of every fault that needs two, as the campaign plays them."""

from __future__ import annotations

import json
import os
import random
import socket
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import closing, suppress
from pathlib import Path

import pytest

from tests.faults.campaign import KEPT
from tests.faults.feeders import Called
from tests.faults.journal import Journal
from tests.faults.menu import PAIRS
from tests.faults.namespaces import Link, Namespace, why_not
from tests.faults.pairs import clear
from tests.faults.second_answers import SecondAnswers
from tests.peers.postgres import PostgresServer

SEED = 631
BOUND_S = 600.0  # a machine that is busy with other tests; alone it takes a minute


@pytest.mark.slow
@pytest.mark.needs_root
def test_a_round_of_every_fault_of_two_processes_keeps_every_promise(tmp_path: Path) -> None:
    """Killed, frozen and thawed, cut off, their server killed, started at once: 0 lost, 0 twice, order kept, 0 marked and not there."""
    command = [sys.executable, "-m", "tests.faults.campaign", "--seed", str(SEED), "--rounds", str(len(PAIRS))]
    command += ["--state", str(tmp_path), "--only", *(fault.name for fault in PAIRS)]
    played = subprocess.run(command, capture_output=True, text=True, timeout=BOUND_S, check=False)
    assert played.returncode == 0, played.stdout + played.stderr
    assert played.stdout.splitlines()[-1] == KEPT
    found = json.loads(played.stdout[played.stdout.index("{\n") : played.stdout.rindex("}") + 1])
    assert found["not run"] == {}  # each is one that this machine should be able to play
    assert found["faults"] == {fault.value: 1 for fault in sorted(PAIRS)}
    assert found["measured"]["messages that a thawed one had begun"] <= [1.0]
    print({what: each for what, each in found["measured"].items() if what.startswith("taken over")})
    assert not (tmp_path / "pair").exists()
    assert not (tmp_path / "postgres").exists()


@pytest.fixture
def link() -> Iterator[tuple[Namespace, Link]]:
    """Give a network of its own with one cable to us."""
    assert why_not() == "", "root may make one, and .ci/test installs iproute2"
    space = Namespace()
    yield space, space.link()
    space.close()


@pytest.mark.needs_root
def test_a_cable_that_is_cut_swallows_everything_and_mended_it_goes_on(link: tuple[Namespace, Link]) -> None:
    """No reset and no refusal, as where a switch dies: a connection waits, and what was said meanwhile arrives once."""
    space, cable = link
    with socket.create_server((cable.ours, 0)) as door:
        port = door.getsockname()[1]
        talk = f"import socket, sys; s = socket.create_connection(('{cable.ours}', {port})); [s.sendall(w.encode()) for w in sys.stdin]"
        with subprocess.Popen([*space.under, sys.executable, "-u", "-c", talk], stdin=subprocess.PIPE, text=True) as inside:
            assert inside.stdin is not None
            caller, _ = door.accept()
            with caller:
                _say(inside, "one\n")
                assert caller.recv(99) == b"one\n"
                cable.cut()
                _say(inside, "two\n")
                caller.settimeout(0.5)
                with pytest.raises(TimeoutError):
                    caller.recv(99)
                assert inside.poll() is None
                cable.mend()
                caller.settimeout(30)
                assert caller.recv(99) == b"two\n"
            inside.stdin.close()


def _say(inside: subprocess.Popen[str], words: str) -> None:
    assert inside.stdin is not None
    inside.stdin.write(words)
    inside.stdin.flush()


@pytest.mark.needs_root
def test_what_a_killed_campaign_left_is_cleared_away(tmp_path: Path) -> None:
    """Its network would keep its addresses, and the next round could not lay its cables."""
    home = tmp_path / "pair"
    (home / "one").mkdir(parents=True)
    left = Namespace()
    left.link()
    (home / "namespace").write_text(left.name, encoding="ascii")
    clear(home)
    assert not home.exists()
    assert left.name not in subprocess.run(["ip", "netns", "list"], capture_output=True, text=True, check=True).stdout


def test_a_new_caller_takes_the_place_of_an_older_one() -> None:
    """A process that is frozen keeps its connection: the analyzer must not wait for it for ever once another calls."""
    called = Called(["127.0.0.1"])
    try:
        older = socket.create_connection(("127.0.0.1", called.port))
        with older, called.open() as first, socket.create_connection(("127.0.0.1", called.port)) as newer:
            assert os.read(first, 1) == b""
            newer.sendall(b"x")
            with called.open() as newest:
                assert os.read(newest, 1) == b"x"
    finally:
        called.close()


class Service(threading.Thread):
    """Listens for second answers as a service does: the first ``deaf`` connections end without a word."""

    def __init__(self, deaf: int) -> None:
        super().__init__(daemon=True)
        self.door = socket.create_server(("127.0.0.1", 0))
        self.heard: list[bytes] = []
        self._deaf = deaf

    def run(self) -> None:
        """Answer each that is heard with CA."""
        with suppress(OSError):
            while True:
                caller, _ = self.door.accept()
                with caller:
                    while some := caller.recv(4_096):
                        self.heard.append(some)
                        if self._deaf:
                            self._deaf -= 1
                            break
                        caller.sendall(b"\x0bMSH|^~\\&|\rMSA|CA|x\r\x1c\r")

    def stop(self) -> None:
        """Listen no more."""
        self.door.shutdown(socket.SHUT_RDWR)
        self.door.close()


def test_a_second_answer_is_said_until_it_is_kept_also_after_a_restart(tmp_path: Path) -> None:
    """In the order of the messages; what was owed when the campaign was killed is owed by the next one."""
    with closing(Journal(tmp_path / "history.jsonl")) as journal:
        for control_id, is_yes in (("M1", True), ("M2", False)):
            journal.committed(control_id, is_yes=is_yes)
    with closing(Journal(tmp_path / "history.jsonl")) as journal:
        assert journal.unanswered == (("M1", True), ("M2", False))
        service = Service(deaf=1)
        service.start()
        answers = SecondAnswers(journal, random.Random(1))
        answers.addresses = [("127.0.0.1", service.door.getsockname()[1])]
        PostgresServer.until(lambda: not journal.unanswered)
        answers.close()
        service.stop()
    assert [b"MSA|AA|M1" in each for each in service.heard] == [True, True, False]
    assert b"MSA|AE|M2\rERR||PID^1^3|207^^HL70357|E" in service.heard[-1]
