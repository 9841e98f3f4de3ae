"""A result is moved to the right patient, and the service is killed (SIGKILL) at each point between the two messages.

The order of the receiver's two yeses is read from the receiver's own log: it shares no code with Padpost and outlives it.
"""

from __future__ import annotations

import re
import threading
import time
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass, field
from datetime import timedelta
from enum import StrEnum
from pathlib import Path
from zoneinfo import ZoneInfo

import httpx

from bridge import clock
from bridge.demo.printers import Play, framed, printed
from tests.faults.served import Served
from tests.journey.test_controls import BOUND_S, RECEIVER, SOURCES
from tests.peers.mllp_receiver import How, MllpReceiver, Received, Reply, accept, hang_up, silent
from tests.tables.shipped_tables import tables

WRONG, RIGHT = "40700007", "40700015"  # invented, with their Luhn check digits


class Point(StrEnum):
    """Where the service is killed."""

    UNANSWERED = "the withdrawal is filed, and not answered"
    BETWEEN = "the withdrawal is answered, and the right patient's result comes and is not taken"


@dataclass
class WardRecords:
    """Takes everything but at the two points; ``said`` is its log: what it filed and said yes to, in order.

    It hangs up on the right patient's result, however often that comes, until ``takes_the_second``: the kill is before its yes.
    """

    met: dict[Point, threading.Event] = field(default_factory=lambda: {point: threading.Event() for point in Point})
    said: list[tuple[str, str]] = field(default_factory=list)
    takes_the_second: threading.Event = field(default_factory=threading.Event)

    def decide(self, message: Received) -> Reply:
        """Say nothing to the first withdrawal, hang up on the right patient's result for now, else say yes."""
        status = "W" if b"|||W|" in message.payload else "F"
        patient = WRONG if WRONG.encode() in message.payload else RIGHT
        if status == "W" and not self.met[Point.UNANSWERED].is_set():
            self.met[Point.UNANSWERED].set()
            return silent(stored=True)
        if patient == RIGHT and not self.takes_the_second.is_set():
            self.met[Point.BETWEEN].set()
            return hang_up(How.CLOSE, stored=False)
        self.said.append((patient, status))
        return accept()


def _moved(served: Served) -> None:
    """Move the one result to the right patient, as a browser does."""
    with httpx.Client(base_url=f"http://127.0.0.1:{served.port}", trust_env=False, timeout=20) as client:
        (row,) = client.get("/api/results").json()
        page = client.get(f"/results/{row['result_id']}").text
        token = re.search(r'name="token" value="([^"]+)"', page)
        assert token
        form = {
            "token": token[1], "version": "1", "name": "Ana", "colleague": "Rui", "reason": "label of the bed beside it",
            "first": RIGHT, "second": RIGHT, "second_identifier": "U-1",
        }  # fmt: skip
        answer = client.post(f"/results/{row['result_id']}/move", data=form, headers={"origin": str(client.base_url).rstrip("/")})
        assert answer.status_code == 303, answer.text


def _until(claim: Callable[[], bool], bound_s: float = BOUND_S) -> None:
    until = time.monotonic() + bound_s
    while not claim():
        assert time.monotonic() < until
        time.sleep(0.02)


def test_a_kill_between_the_two_messages_of_a_move(tmp_path: Path) -> None:
    """HZ-I03, HZ-H06: the wrong record's yes stands before the right one's, each once; what went again is the same message, byte for byte."""
    with ExitStack() as stack:
        ward = WardRecords()
        records = stack.enter_context(MllpReceiver(decide=ward.decide))
        (tmp_path / "drops").mkdir()
        receivers = RECEIVER.format(name="records", port=records.port, more="")
        served = Served(tmp_path, data=tmp_path / "store", sources=SOURCES, destinations=receivers)
        stack.callback(served.end)
        served.start()
        served.wait_ready()
        _drop(tmp_path)
        _until(lambda: ward.said == [(WRONG, "F")])
        _moved(served)
        for point in Point:
            assert ward.met[point].wait(BOUND_S), point
            served.kill()
            if point is Point.BETWEEN:
                ward.takes_the_second.set()
            served.start()
        _until(lambda: len(ward.said) == 3)
        served.wait_ready()
        served.stop()
    assert ward.said == [(WRONG, "F"), (WRONG, "W"), (RIGHT, "F")]
    assert [WRONG.encode() in payload for payload in records.durable] == [True, True, False]
    by_control = {message.control_id: message.payload for message in records.received}
    assert len(by_control) == 3
    assert all(by_control[message.control_id] == message.payload for message in records.received)
    assert RIGHT.encode() not in b"".join(records.durable[:2])  # the right patient's number is never in the wrong record
    assert WRONG.encode() not in records.durable[2]


def _drop(home: Path) -> None:
    at = clock.now().astimezone(ZoneInfo("UTC")) - timedelta(minutes=30)
    profile = tables().profiles["brook"]
    play = Play(number=1, at=at, patient_id=WRONG, word="N", strip_type="quill-10", specimen_id="U-1")
    part = home / "drops" / "strip-1.txt.part"
    part.write_bytes(framed(printed([play], profile, tables()), profile))
    part.rename(part.with_suffix(""))
