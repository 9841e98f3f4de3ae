"""Simulated analyzers on real wires: a pty, a serial line, TCP both ways, a folder. The far end is the test's own code."""

from __future__ import annotations

import asyncio
import contextlib
import http.server
import io
import json
import os
import re
import socket
import sys
import threading
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import hl7
import pytest
from hl7.mllp import HL7StreamReader, HL7StreamWriter, start_hl7_server

from bridge import clock
from bridge.demo import analyzers
from bridge.demo.analyzers import FdWire, invented, open_pty, simulate, transmit
from bridge.errors import LineError, SetupError
from bridge.site import tables_for
from tests.receive.independent_sender import frame

ENQ, ACK, NAK, EOT = b"\x05", b"\x06", b"\x15", b"\x04"
BOUND_S = 20.0
TABLES = tables_for(None)
TEXT = b"H|\\^&\rL|1|N\r"
HEARD = ENQ + frame(1, TEXT) + EOT


class Receiver(threading.Thread):
    """A LIS01 receiver in a thread: says ``answers`` one after the other to each ENQ or frame, then ACK for ever.

    ``heard`` is all that came. It ends after ``sessions`` EOTs, or when the far end is gone.
    """

    def __init__(self, read: Callable[[], bytes], write: Callable[[bytes], object], *answers: bytes, sessions: int = 1) -> None:
        super().__init__(daemon=True)
        self._read, self._write, self._answers, self._sessions = read, write, list(answers), sessions
        self.heard = b""

    def run(self) -> None:
        answered = 0
        while self.heard.count(EOT) < self._sessions:
            try:
                some = self._read()
            except OSError:
                return
            if not some:
                return
            self.heard += some
            asked = len(re.findall(rb"\x05|\r\n", self.heard))
            for _ in range(asked - answered):
                self._write(self._answers.pop(0) if self._answers else ACK)
            answered = asked


def over_pty(*answers: bytes) -> tuple[bool, bytes]:
    """Transmit TEXT over a real pty to a receiver that says ``answers``; give what transmit gives, and all that was heard."""
    master, slave, _ = open_pty()
    receiver = Receiver(lambda: os.read(slave, 4096), lambda some: os.write(slave, some), *answers)
    receiver.start()
    wire = FdWire(master)

    async def live() -> bool:
        async with asyncio.timeout(BOUND_S):
            return await transmit(wire, TEXT)

    try:
        taken = asyncio.run(live())
        receiver.join(BOUND_S)
        assert not receiver.is_alive()
        return taken, receiver.heard
    finally:
        wire.close()
        os.close(slave)


def test_a_message_is_acknowledged_over_a_pty() -> None:
    """ENQ, one frame, EOT, exactly as other code builds them; True only because the frame was acknowledged."""
    assert over_pty() == (True, HEARD)


def test_a_frame_that_was_not_acknowledged_is_sent_again() -> None:
    """LIS01-A2, 8.3.3 by our notes: after NAK the same frame with the same number."""
    assert over_pty(ACK, NAK) == (True, ENQ + frame(1, TEXT) * 2 + EOT)


def test_six_refusals_end_the_session() -> None:
    """LIS01-A2: a frame is tried six times, then the sender gives up with EOT; transmit says that it was not taken."""
    assert over_pty(ACK, *[NAK] * 6) == (False, ENQ + frame(1, TEXT) * 6 + EOT)


def test_an_answer_that_never_comes_is_waited_out(monkeypatch: pytest.MonkeyPatch) -> None:
    """Without an answer to ENQ the session ends after the standard's wait (shortened here), and nothing was taken."""
    monkeypatch.setattr(analyzers, "TIMES", dict.fromkeys(analyzers.TIMES, 0.05))
    assert over_pty(b"") == (False, ENQ + EOT)


@pytest.mark.parametrize("is_tcp", [True, False])
def test_a_line_that_is_gone_is_an_error(is_tcp: bool) -> None:
    """The far end takes the ENQ and goes away, or is away before it: the person is told, and no strip counts as taken."""

    async def live() -> None:
        near, far = socket.socketpair()
        if is_tcp:
            wire: analyzers.Wire = analyzers.TcpWire(*await asyncio.open_connection(sock=near))
        else:
            wire = FdWire(near.detach())
        far.close()
        try:
            async with asyncio.timeout(BOUND_S):
                await transmit(wire, TEXT)
        finally:
            wire.close()

    with pytest.raises(LineError) as caught:
        asyncio.run(live())
    assert str(caught.value) == "The far end of the line is gone."


# --- the simulate command


def test_strips_are_played_to_a_tcp_listener(capsys: pytest.CaptureFixture[str]) -> None:
    """Three sessions on one connection, each taken: exit status 0 and a line for each."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        peer: list[socket.socket] = []

        def read() -> bytes:
            if not peer:
                peer.append(server.accept()[0])
            return peer[0].recv(4096)

        def write(some: bytes) -> None:
            peer[0].sendall(some)

        receiver = Receiver(read, write, sessions=3)
        receiver.start()
        assert simulate(f"tcp:127.0.0.1:{server.getsockname()[1]}", "brook", strips=3, every_s=0, seed=1) == 0
        receiver.join(BOUND_S)
        peer[0].close()
    assert receiver.heard.count(ENQ) == 3
    assert re.findall(rb"\|(N\d{5})\|", receiver.heard) == [b"N00001", b"N00002", b"N00003"]
    assert capsys.readouterr().out == "1: taken\n2: taken\n3: taken\n"


def test_strips_that_are_not_taken_give_another_exit_status(capsys: pytest.CaptureFixture[str]) -> None:
    """One strip refused six times: a script that plays strips must see it."""
    master, slave, path = open_pty()
    receiver = Receiver(lambda: os.read(master, 4096), lambda some: os.write(master, some), ACK, *[NAK] * 6, sessions=2)
    receiver.start()
    try:
        assert simulate(f"serial:{path}", "fjord", strips=2, every_s=0, seed=1) == 1
        receiver.join(BOUND_S)
    finally:
        os.close(master)
        os.close(slave)
    assert capsys.readouterr().out == "1: not taken\n2: taken\n"


def test_a_listening_analyzer_plays_to_the_first_caller(monkeypatch: pytest.MonkeyPatch) -> None:
    """listen:0 says which port it got, and plays there to whoever calls."""
    said: list[str] = []
    peers: list[socket.socket] = []
    callers: list[Receiver] = []

    def call(line: str, **_: object) -> None:
        said.append(line)
        if line.startswith("listening on "):
            peer = socket.create_connection(("127.0.0.1", int(line.rpartition(":")[2])), timeout=BOUND_S)
            peers.append(peer)
            callers.append(Receiver(lambda: peer.recv(4096), peer.sendall))
            callers[0].start()

    monkeypatch.setattr(analyzers, "print", call, raising=False)
    assert simulate("listen:0", "brook", strips=1, every_s=0, seed=1) == 0
    callers[0].join(BOUND_S)
    peers[0].close()
    assert callers[0].heard.endswith(EOT)
    assert re.sub(r":\d+$", ":PORT", said[0]) == "listening on 127.0.0.1:PORT"
    assert said[1:] == ["1: taken"]


def test_files_are_dropped_whole(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Two strips, two files under their last names, each a whole table; the names are those that were said."""
    assert simulate(f"folder:{tmp_path}", "tern", strips=2, every_s=0, seed=1) == 0
    files = sorted(tmp_path.iterdir(), key=lambda path: path.name[-8:])
    assert capsys.readouterr().out == f"1: {files[0].name}\n2: {files[1].name}\n"
    rows = [path.read_text(encoding="cp1252").splitlines() for path in files]
    assert [len(lines) for lines in rows] == [2, 2]
    assert [lines[1].split(";")[2:4] for lines in rows] == [["1", "Rotina"], ["2", "Rotina"]]


def test_a_slip_plays_its_worked_example(tmp_path: Path) -> None:
    """Slips cannot be made up: the profile's own example goes out, once."""
    assert simulate(f"folder:{tmp_path}", "moss", strips=5, every_s=0, seed=1) == 0
    (file,) = tmp_path.iterdir()
    assert file.read_bytes() == TABLES.profiles["moss"].example.payload


WHERE = "Profiles of the layout hl7 go to mllp:HOST:PORT, those of the layout json to post:URL, all others to a line; all to folder:PATH."


@pytest.mark.parametrize(
    ("target", "profile", "sentence"),
    [
        (
            "folder:x",
            "egret",
            "No profile is called 'egret'. There are alder, brook, brook-file, dipper, fjord, heron, lark, moss, tern, wren.",
        ),
        (
            "fax:1",
            "brook",
            "There is no target 'fax:1'. Use pty, serial:DEVICE, tcp:HOST:PORT, mllp:HOST:PORT, listen:PORT, post:URL or folder:PATH.",
        ),
        (
            "tcp:",
            "brook",
            "There is no target 'tcp:'. Use pty, serial:DEVICE, tcp:HOST:PORT, mllp:HOST:PORT, listen:PORT, post:URL or folder:PATH.",
        ),
        ("tcp:127.0.0.1:1", "dipper", f"dipper does not speak over tcp. {WHERE}"),
        ("mllp:127.0.0.1:1", "brook", f"brook does not speak over mllp. {WHERE}"),
        ("post:http://127.0.0.1:1", "dipper", f"dipper does not speak over post. {WHERE}"),
        ("mllp:127.0.0.1:1", "lark", f"lark does not speak over mllp. {WHERE}"),
        ("tcp:localhost:door", "brook", "'localhost:door' names no port. Write tcp:HOST:PORT, mllp:HOST:PORT or listen:PORT."),
        ("listen:70000", "brook", "'70000' names no port. Write tcp:HOST:PORT, mllp:HOST:PORT or listen:PORT."),
    ],
)
def test_a_wrong_word_is_answered_with_the_right_ones(target: str, profile: str, sentence: str) -> None:
    """The place, the cause, the remedy."""
    with pytest.raises(SetupError) as caught:
        simulate(target, profile, strips=1, every_s=0, seed=1)
    assert str(caught.value) == sentence


def test_a_way_that_cannot_be_opened_says_so(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A folder or device that is not there, a port where nobody listens, a pty without anybody to press Enter."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        port = server.getsockname()[1]
    monkeypatch.setattr(sys, "stdin", io.StringIO(""))
    faults = []
    for target in (f"folder:{tmp_path}/none", f"serial:{tmp_path}/none", f"tcp:127.0.0.1:{port}", "pty"):
        with pytest.raises(LineError) as caught:
            simulate(target, "brook", strips=1, every_s=0, seed=1)
        faults.append(str(caught.value))
    assert faults == [
        f"{tmp_path}/none cannot be written: No such file or directory. Make the folder first.",
        f"{tmp_path}/none cannot be opened: No such file or directory. Check the device's name and your rights to it.",
        f"127.0.0.1:{port} cannot be opened: Connection refused. Start the bridge first, with a source that listens there.",
        "Nobody pressed Enter: simulate pty needs a terminal to wait at.",
    ]


# --- made-up strips


def test_the_same_seed_makes_the_same_strips(monkeypatch: pytest.MonkeyPatch) -> None:
    """A run can be repeated; another seed gives other strips; each tenth is STAT; numbers rise from the scheme's first."""
    monkeypatch.setattr(clock, "now", lambda: datetime(2026, 11, 25, 13, 30, tzinfo=UTC))
    profile = TABLES.profiles["brook"]
    strips = invented(profile, TABLES, strips=20, seed=7)
    assert strips == invented(profile, TABLES, strips=20, seed=7)
    assert strips != invented(profile, TABLES, strips=20, seed=8)
    numbers = [re.findall(rb"\|([NS]\d{5})\|", strip)[0].decode() for strip in strips]
    assert numbers == [f"{'S' if n in {10, 20} else 'N'}{n:05}" for n in range(1, 21)]


def test_made_up_strips_are_all_of_one_day(monkeypatch: pytest.MonkeyPatch) -> None:
    """A daily series begins anew at midnight: strips of the day before would look like missing numbers."""
    now = datetime(2026, 11, 25, 0, 2, tzinfo=ZoneInfo("Europe/Lisbon"))
    monkeypatch.setattr(clock, "now", lambda: now)
    rows = [
        text.decode("cp1252").splitlines()[1].split(";") for text in invented(TABLES.profiles["tern"], TABLES, strips=4, seed=1)
    ]
    assert [row[:3] for row in rows] == [
        ["25.11.2026", "00:00", "1"],
        ["25.11.2026", "00:00", "2"],
        ["25.11.2026", "00:00", "3"],
        ["25.11.2026", "00:01", "4"],
    ]


# --- over the network


@pytest.mark.parametrize(("code", "status"), [("AA", 0), ("AE", 1)])
def test_messages_are_played_to_an_mllp_receiver(code: str, status: int, capsys: pytest.CaptureFixture[str]) -> None:
    """Each is answered before the next goes; the receiver is the package hl7's own (PyPI hl7), which parses what it hears."""
    heard: list[hl7.Message] = []
    ended = asyncio.Event()

    async def serve(reader: HL7StreamReader, writer: HL7StreamWriter) -> None:
        with contextlib.suppress(asyncio.IncompleteReadError):
            while True:
                message = await reader.readmessage()
                heard.append(message)
                writer.writemessage(message.create_ack(code))
                await writer.drain()
        writer.close()
        ended.set()

    async def live() -> int:
        server = await start_hl7_server(serve, "127.0.0.1", 0, encoding="ascii")
        async with server:
            port = server.sockets[0].getsockname()[1]
            played = await asyncio.to_thread(simulate, f"mllp:127.0.0.1:{port}", "dipper", strips=3, every_s=0, seed=1)
            await asyncio.wait_for(ended.wait(), BOUND_S)
        return played

    assert asyncio.run(live()) == status
    assert [str(message.segment("OBR")[3]) for message in heard] == ["00001", "00002", "00003"]
    said = "taken" if code == "AA" else "not taken"
    assert capsys.readouterr().out == f"1: {said}\n2: {said}\n3: {said}\n"


def test_readings_are_posted(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    """With the key, and a key of its own for each post; a 403 is not taken; where nobody listens there is a sentence."""
    monkeypatch.setenv("PADPOST_SIMULATE_KEY", "k" * 24)
    asked: list[tuple[str, str, str, bytes]] = []

    class Door(http.server.BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            body = self.rfile.read(int(self.headers["Content-Length"]))
            asked.append((self.path, self.headers["Authorization"], self.headers["Idempotency-Key"], body))
            self.send_response(202 if len(asked) < 3 else 403)
            self.send_header("Content-Length", "0")
            self.end_headers()

        def log_message(self, format: str, *args: object) -> None:  # noqa: A002 - the class's own signature
            """Say nothing."""

    with http.server.HTTPServer(("127.0.0.1", 0), Door) as server:
        thread = threading.Thread(target=server.serve_forever)
        thread.start()
        address = f"http://127.0.0.1:{server.server_address[1]}"
        try:
            assert simulate(f"post:{address}", "lark", strips=3, every_s=0, seed=1) == 1
        finally:
            server.shutdown()
            thread.join(BOUND_S)
    assert {(path, key) for path, key, _, _ in asked} == {("/api/readings", f"Bearer {'k' * 24}")}
    assert len({idempotency for _, _, idempotency, _ in asked}) == 3
    assert [json.loads(body)["readings"][0]["number"] for _, _, _, body in asked] == ["1", "2", "3"]
    assert capsys.readouterr().out == "1: taken\n2: taken\n3: not taken\n"
    with pytest.raises(LineError, match=r"does not answer: ConnectError\. Start the bridge first"):
        simulate(f"post:{address}", "lark", strips=1, every_s=0, seed=1)
