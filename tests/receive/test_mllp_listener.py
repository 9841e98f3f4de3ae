"""The real MllpReceiver over real TCP; the sender is a plain socket, its answers are read by the independent package ``hl7`` 0.4.5.

Who is answered what: HL7 v2.5.1 chapters 2.9.2 (original mode) and 2.9.3 (enhanced mode).
"""

from __future__ import annotations

import asyncio
import contextlib
import re
import socket
import ssl
from collections.abc import AsyncIterator, Callable
from dataclasses import replace
from pathlib import Path

import hl7
import pytest

from bridge.credentials.tls import listening_context
from bridge.errors import StoreError
from bridge.model import Capture, Way
from bridge.receive.mllp_listener import MllpReceiver, Office, error_code
from bridge.settings import MllpSource, Tls
from bridge.store.rows import CaptureState, StripState
from bridge.tables.types import Answering
from tests.credentials.papers import papers
from tests.receive.shelf import MOMENT, PATIENCE_S, Shelf, now
from tests.tables.shipped_tables import tables

LAYOUT = tables().profiles["dipper"].hl7
VT, END = b"\x0b", b"\x1c\r"


def result(
    control_id: str = "D1", *, modes: str = "|", kind: str = "ORU^R01^ORU_R01", mode: str = "P", version: str = "2.5.1"
) -> bytes:
    head = f"MSH|^~\\&|DIPPER|BENCH|||20261125091500||{kind}|{control_id}|{mode}|{version}|||{modes}"
    return f"{head}\rPID|1||40718823^^^CLINIC^MR\rOBR|1||00012|S5\rOBX|1|ST|PHVA||6.8||||||F\r".encode()


class Instrument:
    """A plain socket that writes frames and reads answers."""

    def __init__(self, receiver: MllpReceiver, context: ssl.SSLContext | None = None) -> None:
        assert receiver.address is not None
        self.socket = socket.create_connection(receiver.address, timeout=PATIENCE_S)
        if context is not None:
            self.socket = context.wrap_socket(self.socket, server_hostname="localhost")
        self._rest = b""

    async def send(self, *messages: bytes) -> None:
        await asyncio.to_thread(self.socket.sendall, b"".join(VT + message + END for message in messages))

    async def heard(self) -> hl7.Message:
        while END not in self._rest:
            some = await asyncio.to_thread(self.socket.recv, 65_536)
            assert some, "the listener hung up"
            self._rest += some
        answer, self._rest = self._rest.split(END, 1)
        assert answer[:1] == VT
        return hl7.parse(answer[1:].decode("latin-1"))

    async def asked(self, message: bytes) -> tuple[str, str, str]:
        """Send one message; give the code, the control ID, and the error code of table 0357."""
        await self.send(message)
        return short(await self.heard())

    async def is_hung_up(self) -> bool:
        return self._rest == b"" and await asyncio.to_thread(self.socket.recv, 1) == b""


def short(answer: hl7.Message) -> tuple[str, str, str]:
    errors = answer.segments("ERR") if "ERR|" in str(answer) else []
    return str(answer.segment("MSA")[1]), str(answer.segment("MSA")[2]), str(errors[0][3][0][0]) if errors else ""


def state(*outcomes: tuple[str, str], judged: bool = True) -> CaptureState:
    strips = tuple(
        StripState(index=index, outcome=outcome, result_id="", rule=rule, group="", place_start=None)
        for index, (outcome, rule) in enumerate(outcomes)
    )
    return CaptureState(source="bench", digest="", is_judged=judged, strips=strips)


@contextlib.asynccontextmanager
async def listening(
    shelf: Shelf,
    *,
    look: Callable[[int], CaptureState | None] | None = None,
    may_number: Callable[[], None] = lambda: None,
    tls: Tls | None = None,
    takes: frozenset[str] = frozenset("P"),
    **more: object,
) -> AsyncIterator[MllpReceiver]:
    """Listen; with ``look`` the profile answers judged. ``may_number`` raises where no control ID can be had."""
    assert LAYOUT is not None
    layout = replace(LAYOUT, answer=Answering.JUDGED) if look else LAYOUT
    source = MllpSource.model_validate(
        {"kind": "mllp", "name": "bench", "analyzer": "dipper", "profile": "dipper", "port": 0, "reopen_s": 0.05, **more}
    )

    async def control_id() -> str:
        may_number()
        return "Q1M1"

    async def looked(capture_id: int) -> CaptureState | None:
        return look(capture_id) if look else None

    office = Office(
        keep=shelf.keep,
        note_refused=shelf.note_refused,
        look=looked,
        control_id=control_id,
        words=lambda rule: f"why {rule}",
        now=now,
        takes=takes,
    )
    receiver = MllpReceiver(source, layout, office, context=listening_context(tls) if tls else None)
    running = asyncio.create_task(receiver.run())
    try:
        async with asyncio.timeout(3 * PATIENCE_S):
            await receiver.opened.wait()
            yield receiver
    finally:
        running.cancel()
        await asyncio.wait([running])


def scene(play: Callable[[Shelf, Instrument, MllpReceiver], object], **more: object) -> Shelf:
    """Play one scene with one instrument; give the shelf."""

    async def run() -> Shelf:
        shelf = Shelf()
        async with listening(shelf, **more) as receiver:  # type: ignore[arg-type]  # settings by name
            instrument = Instrument(receiver)
            with instrument.socket:
                await play(shelf, instrument, receiver)  # type: ignore[misc]  # every scene is a coroutine
        return shelf

    return asyncio.run(run())


def test_a_message_is_kept_as_it_came_and_answered() -> None:
    """The frame's content is the capture; AA follows the commit."""

    async def play(shelf: Shelf, instrument: Instrument, receiver: MllpReceiver) -> None:
        shelf.gate.clear()
        await instrument.send(result())
        await shelf.was_tried(1)
        assert shelf.captures == []
        shelf.gate.set()
        answer = await instrument.heard()
        assert short(answer) == ("AA", "D1", "")
        header = answer.segment("MSH")
        assert [str(header[n]) for n in (5, 6, 9, 10, 11, 12)] == ["DIPPER", "BENCH", "ACK^R01^ACK", "Q1M1", "P", "2.5.1"]

    assert scene(play).captures == [Capture(source="bench", way=Way.MLLP, arrived_at=MOMENT, payload=result())]


def test_a_message_sent_again_is_not_kept_again() -> None:
    """The answer was lost: the same bytes are answered AA and are one capture; the same control ID on other bytes is another message."""

    async def play(shelf: Shelf, instrument: Instrument, receiver: MllpReceiver) -> None:
        assert [await instrument.asked(result()) for _ in range(3)] == [("AA", "D1", "")] * 3
        assert await instrument.asked(result().replace(b"6.8", b"7.0")) == ("AA", "D1", "")

    assert len(scene(play).captures) == 2


def test_a_sender_that_gives_its_messages_no_time_is_judged_each_time() -> None:
    """Without MSH-7 two strips of one counter could be the same bytes: both are kept, and judging compares them."""

    async def play(shelf: Shelf, instrument: Instrument, receiver: MllpReceiver) -> None:
        bare = result().replace(b"20261125091500", b"")
        assert [await instrument.asked(bare) for _ in range(2)] == [("AA", "D1", "")] * 2

    assert len(scene(play).captures) == 2


def test_split_and_joined_frames_are_answered_in_their_order() -> None:
    """TCP keeps no borders: many messages in one segment, and one message byte by byte."""

    async def play(shelf: Shelf, instrument: Instrument, receiver: MllpReceiver) -> None:
        await instrument.send(*(result(f"D{n}") for n in range(20)))
        assert [short(await instrument.heard()) for _ in range(20)] == [("AA", f"D{n}", "") for n in range(20)]
        for byte in VT + result("LAST") + END:
            await asyncio.to_thread(instrument.socket.send, bytes([byte]))
        assert short(await instrument.heard()) == ("AA", "LAST", "")

    assert len(scene(play).captures) == 21


def test_a_half_closed_connection_still_hears_its_answer() -> None:
    """Some senders say that they have nothing more, and then wait."""

    async def play(shelf: Shelf, instrument: Instrument, receiver: MllpReceiver) -> None:
        await instrument.send(result())
        instrument.socket.shutdown(socket.SHUT_WR)
        assert short(await instrument.heard()) == ("AA", "D1", "")
        assert await instrument.is_hung_up()

    assert len(scene(play).captures) == 1


@pytest.mark.parametrize(
    ("message", "answer", "is_noted"),
    [
        (result(kind="ADT^A01"), ("AR", "D1", "200"), False),
        (result(kind="ORU^R32"), ("AR", "D1", "200"), True),
        (result(version="3"), ("AR", "D1", ""), True),
        (result(mode="T"), ("AR", "D1", "202"), True),
        (result(control_id=""), ("AR", "", "101"), True),
        (result() + result("D2"), ("AR", "D1", "100"), True),
    ],
)
def test_what_is_not_taken_is_told_and_shown(message: bytes, answer: tuple[str, str, str], is_noted: bool) -> None:
    """Wrong type, version or processing ID, no control ID, several messages in a frame: AR with ERR; a technician sees what may hold results."""

    async def play(shelf: Shelf, instrument: Instrument, receiver: MllpReceiver) -> None:
        assert await instrument.asked(message) == answer
        assert await instrument.asked(result("NEXT")) == ("AA", "NEXT", "")

    shelf = scene(play)
    assert [capture.payload for capture in shelf.captures] == [result("NEXT")]
    assert [refused.beginning for refused in shelf.refused] == ([message[:512]] if is_noted else [])


@pytest.mark.parametrize("noise", [b"hello", b"FHS|^~\\&|A\rBHS|^~\\&|A\r" + result(), b"MSH|^~\\&|A\x1cB|"])
def test_what_has_no_header_is_noted_and_not_answered(noise: bytes) -> None:
    """Nobody could match such an answer; the next message is taken, and a technician sees the row."""

    async def play(shelf: Shelf, instrument: Instrument, receiver: MllpReceiver) -> None:
        await instrument.send(noise)
        assert await instrument.asked(result("NEXT")) == ("AA", "NEXT", "")

    shelf = scene(play)
    assert [(refused.source, refused.beginning) for refused in shelf.refused] == [("bench", noise[:512])]


def test_an_acknowledgement_is_never_acknowledged() -> None:
    """Else two machines thank each other for ever (HL7 v2.5.1 chapter 2.9.2)."""

    async def play(shelf: Shelf, instrument: Instrument, receiver: MllpReceiver) -> None:
        await instrument.send(result(kind="ACK^R01^ACK") + b"MSA|AA|Q1M1\r")
        assert await instrument.asked(result("NEXT")) == ("AA", "NEXT", "")

    assert len(scene(play).captures) == 1


def test_a_full_disk_is_a_no_that_may_be_tried_again() -> None:
    """AR with 207: nothing was kept; later the same message is taken."""

    async def play(shelf: Shelf, instrument: Instrument, receiver: MllpReceiver) -> None:
        shelf.is_full = True
        assert await instrument.asked(result()) == ("AR", "D1", "207")
        assert await instrument.asked(result(kind="ORU^R32")) == ("AR", "D1", "200")
        shelf.is_full = False
        assert await instrument.asked(result()) == ("AA", "D1", "")

    assert len(scene(play).captures) == 1


@pytest.mark.parametrize(
    ("modes", "good", "full", "wrong"),
    [
        ("AL|NE", ["CA"], ["CE"], ["CR"]),
        ("AL|AL", ["CA", "AA"], ["CE"], ["CR"]),
        ("NE|AL", ["AA"], ["AR"], ["AR"]),
        ("ER|NE", [], ["CE"], ["CR"]),
        ("SU|ER", ["CA"], ["AR"], ["AR"]),
        ("NE|NE", [], [], []),
    ],
)
def test_enhanced_mode(modes: str, good: list[str], full: list[str], wrong: list[str]) -> None:
    """CA once kept, CE for storage, CR for the header, each where MSH-15 asks; then the application's answer where MSH-16 does."""

    async def play(shelf: Shelf, instrument: Instrument, receiver: MllpReceiver) -> None:
        async def codes(message: bytes) -> list[str]:
            await instrument.send(message, result("MARK"))
            found = []
            while (answer := short(await instrument.heard()))[1] != "MARK":
                found.append(answer[0])
            return found

        assert await codes(result(modes=modes)) == good
        assert await codes(result(modes=modes, kind="ORU^R32")) == wrong
        shelf.is_full = True
        assert await codes(result("FULL", modes=modes)) == full

    scene(play)


def test_a_judged_answer_names_rule_and_strip() -> None:
    """Where the profile answers judged, AE carries an ERR for each rejected strip; a held one is no error of the sender."""

    async def play(shelf: Shelf, instrument: Instrument, receiver: MllpReceiver) -> None:
        await instrument.send(result())
        answer = await instrument.heard()
        assert short(answer) == ("AE", "D1", "101")
        (error,) = answer.segments("ERR")
        assert (str(error[5]), str(error[8])) == (
            "patient.missing^Strip 2: why patient.missing.^L",
            "Strip 2: why patient.missing.",
        )

    scene(play, look=lambda _: state(("held", "time.missing"), ("rejected", "patient.missing")))


def test_a_judged_answer_waits_for_judging_and_says_where() -> None:
    """The place in ERR-2 is that of the bytes that the finding named."""
    payload = result()
    states = iter([None, state(judged=False), state(judged=False)])
    spot = payload.index(b"40718823")
    final = replace(
        state(("rejected", "patient.malformed")),
        strips=(replace(state(("rejected", "patient.malformed")).strips[0], place_start=spot),),
    )

    async def play(shelf: Shelf, instrument: Instrument, receiver: MllpReceiver) -> None:
        await instrument.send(payload)
        (error,) = (await instrument.heard()).segments("ERR")
        assert str(error[2]) == "PID^1^3^1^1"

    scene(play, look=lambda _: next(states, final))


def test_a_judged_answer_of_good_strips_and_one_that_never_comes() -> None:
    """AA where nothing is rejected; where judging does not end in time, AR asks for the message again: it is kept all the same."""

    async def good(shelf: Shelf, instrument: Instrument, receiver: MllpReceiver) -> None:
        assert await instrument.asked(result()) == ("AA", "D1", "")

    async def never(shelf: Shelf, instrument: Instrument, receiver: MllpReceiver) -> None:
        assert await instrument.asked(result()) == ("AR", "D1", "207")

    scene(good, look=lambda _: state(("coded", ""), ("copy", "")))
    assert len(scene(never, look=lambda _: state(judged=False), judged_s=0.1).captures) == 1


def test_a_message_that_is_too_long_is_told_by_its_header() -> None:
    """Memory stays bounded; the sender hears AR, the technician sees a row, the next message is taken."""

    async def play(shelf: Shelf, instrument: Instrument, receiver: MllpReceiver) -> None:
        assert await instrument.asked(result() + b"NTE|1||" + b"x" * 50_000 + b"\r") == ("AR", "D1", "207")
        await instrument.send(b"y" * 50_000)
        assert await instrument.asked(result("NEXT")) == ("AA", "NEXT", "")

    shelf = scene(play, longest_capture_bytes=10_000)
    assert [refused.beginning[:4] for refused in shelf.refused] == [b"MSH|", b"yyyy"]
    assert all("the limit is 10000 bytes" in refused.sentence for refused in shelf.refused)


def test_garbage_outside_frames_ends_the_connection() -> None:
    """A little noise is passed over and logged; a stream that is no MLLP is hung up on."""

    async def play(shelf: Shelf, instrument: Instrument, receiver: MllpReceiver) -> None:
        await asyncio.to_thread(instrument.socket.sendall, b"\r\nnoise")
        assert await instrument.asked(result()) == ("AA", "D1", "")
        with contextlib.suppress(OSError):
            await asyncio.to_thread(instrument.socket.sendall, b"GET / HTTP/1.1\r\n" * 5_000)
        with contextlib.suppress(ConnectionError):
            assert await instrument.is_hung_up()

    scene(play)


def test_a_message_that_never_ends_is_not_waited_for() -> None:
    """A byte now and then does not hold a place for ever: the whole message has one limit. A quiet line has another."""

    async def drip(shelf: Shelf, instrument: Instrument, receiver: MllpReceiver) -> None:
        async def on() -> None:
            with contextlib.suppress(OSError):
                await asyncio.to_thread(instrument.socket.sendall, VT)
                while True:
                    await asyncio.to_thread(instrument.socket.sendall, b"M")
                    await asyncio.sleep(0.02)

        dripping = asyncio.create_task(on())
        with contextlib.suppress(ConnectionError):
            assert await instrument.is_hung_up()
        dripping.cancel()

    async def quiet(shelf: Shelf, instrument: Instrument, receiver: MllpReceiver) -> None:
        assert await instrument.is_hung_up()

    assert scene(drip, message_s=0.2).captures == []
    scene(quiet, idle_s=0.1)


def test_messages_without_a_pause_are_one_after_the_other() -> None:
    """``message_s`` is a limit of each message: a line on which the next one always began already is busy, not stuck."""

    async def play(shelf: Shelf, instrument: Instrument, receiver: MllpReceiver) -> None:
        loop = asyncio.get_running_loop()
        end, number = loop.time() + 1.0, 0
        await asyncio.to_thread(instrument.socket.sendall, VT + b"MSH")
        while loop.time() < end:
            rest = result(f"D{number}")[3:]
            await asyncio.to_thread(instrument.socket.sendall, rest + END + VT + b"MSH")
            assert short(await instrument.heard()) == ("AA", f"D{number}", "")
            number += 1

    assert scene(play, message_s=0.5).captures


@pytest.mark.parametrize("error", [StoreError("away"), KeyError("a defect")])
@pytest.mark.parametrize("where", ["control ID", "look"])
def test_what_fails_for_one_sender_hangs_up_on_no_other(where: str, error: Exception, capsys: pytest.CaptureFixture[str]) -> None:
    """No answer can be made: the line ends as if it had broken, so the sender sends again; its neighbours go on, and so do we."""
    failing = True

    def fail() -> None:
        if failing:
            raise error

    def look(_: int) -> CaptureState:
        fail()
        return state(("coded", ""))

    async def play(shelf: Shelf, instrument: Instrument, receiver: MllpReceiver) -> None:
        nonlocal failing
        neighbour = Instrument(receiver)
        await instrument.send(result())
        assert await instrument.is_hung_up()
        failing = False
        with neighbour.socket:
            assert await neighbour.asked(result()) == ("AA", "D1", "")

    more: dict[str, object] = {"look": look} if where == "look" else {"may_number": fail}
    assert len(scene(play, **more).captures) == 1
    assert ("line.fell" if isinstance(error, KeyError) else "mllp.not_answered") in capsys.readouterr().out


def test_many_connections_and_one_too_many(capsys: pytest.CaptureFixture[str]) -> None:
    """Each instrument is answered on its own line; who comes beyond the limit is turned away, and a place that is free again is given."""

    async def play(shelf: Shelf, instrument: Instrument, receiver: MllpReceiver) -> None:
        others = [Instrument(receiver) for _ in range(7)]
        answers = await asyncio.gather(*(each.asked(result(f"D{n}")) for n, each in enumerate([instrument, *others])))
        assert answers == [("AA", f"D{n}", "") for n in range(8)]
        extra = Instrument(receiver)
        assert await extra.is_hung_up()
        said = capsys.readouterr().out
        assert re.search(
            "line.turned_away .*peer=127.0.0.1 .*why=.all places of this port are taken", said
        )  # whoever looks for what fills the port finds it
        assert len(re.findall("line.opened .*peer=127.0.0.1 ", said)) == 8
        extra.socket.close()
        for each in others:
            each.socket.close()
        while len(receiver._listener._guests) > 1:
            await asyncio.sleep(0.01)
        again = Instrument(receiver)
        assert await again.asked(result("AGAIN")) == ("AA", "AGAIN", "")
        again.socket.close()

    assert len(scene(play).captures) == 9


def test_a_sender_that_goes_before_its_answer() -> None:
    """Its message is kept; sent again it is known."""

    async def play(shelf: Shelf, instrument: Instrument, receiver: MllpReceiver) -> None:
        shelf.gate.clear()
        await instrument.send(result())
        await shelf.was_tried(1)
        instrument.socket.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, b"\x01\x00\x00\x00\x00\x00\x00\x00")  # close resets
        instrument.socket.close()
        shelf.gate.set()
        await shelf.holds(1)
        again = Instrument(receiver)
        assert await again.asked(result()) == ("AA", "D1", "")
        again.socket.close()

    assert len(scene(play).captures) == 1


def test_a_line_that_is_encrypted_lets_in_whom_it_knows(tmp_path: Path) -> None:
    """With ``tls.ca`` an instrument must show a certificate of that CA: one without, and one that speaks plain, are not heard."""
    ours = papers(tmp_path)
    own, client = ours.issue("own", "localhost"), ours.issue("client", "instrument")

    def context(*, shows: bool) -> ssl.SSLContext:
        made = ssl.create_default_context(cafile=str(ours.ca))
        if shows:
            made.load_cert_chain(str(client.certificate), str(client.key))
        return made

    async def heard_by_stranger(receiver: MllpReceiver) -> None:
        stranger = await asyncio.to_thread(Instrument, receiver, context(shows=False))
        with stranger.socket:
            await asyncio.to_thread(stranger.socket.sendall, b"x")
            if await asyncio.to_thread(stranger.socket.recv, 1) == b"":  # TLS 1.3 tells at the first read, or just ends
                raise ConnectionError("hung up")

    async def run() -> Shelf:
        shelf = Shelf()
        async with listening(shelf, tls=own) as receiver:
            known = await asyncio.to_thread(Instrument, receiver, context(shows=True))
            with known.socket:
                assert await known.asked(result()) == ("AA", "D1", "")
                assert receiver.peers.here() == ("instrument (127.0.0.1)",)
            with pytest.raises(OSError, match=r"."):
                await heard_by_stranger(receiver)
            plain = Instrument(receiver)
            with plain.socket:
                await plain.send(result("PLAIN"))
                with contextlib.suppress(ConnectionError):
                    while await asyncio.to_thread(plain.socket.recv, 4_096):
                        pass  # an alert of TLS, then the end
        return shelf

    assert [capture.payload for capture in asyncio.run(run()).captures] == [result()]


@pytest.mark.parametrize(
    ("rule", "code"),
    [
        ("patient.missing", "101"),
        ("number.unreadable", "102"),
        ("patient.check_digit", "102"),
        ("read.undecodable", "102"),
        ("read.record", "100"),
        ("time.future", "102"),
        ("pad.unknown", "103"),
        ("", "103"),
    ],
)
def test_error_codes(rule: str, code: str) -> None:
    """HL7 table 0357: missing, of the wrong kind, out of sequence, or not in a table."""
    assert error_code(rule) == code


def test_tests_are_taken_where_the_site_keeps_them_for_training() -> None:
    """Then judging makes training strips of them; what says neither is refused all the same."""

    async def play(shelf: Shelf, instrument: Instrument, receiver: MllpReceiver) -> None:
        assert await instrument.asked(result(mode="T")) == ("AA", "D1", "")
        assert await instrument.asked(result("D2", mode="")) == ("AR", "D2", "202")

    shelf = scene(play, takes=frozenset("PTD"))
    assert [capture.payload for capture in shelf.captures] == [result(mode="T")]


def test_half_a_message_whose_sender_fell_silent_is_kept_torn() -> None:
    """Its line still stands, so its sender may believe that all went: what came is shown to a technician and not only logged."""
    half = result()[:-20]

    async def play(shelf: Shelf, instrument: Instrument, receiver: MllpReceiver) -> None:
        await asyncio.to_thread(instrument.socket.sendall, VT + half)
        assert await instrument.is_hung_up()

    shelf = scene(play, message_s=0.2)
    assert shelf.captures == [Capture(source="bench", way=Way.MLLP, arrived_at=MOMENT, payload=half, torn=True)]


@pytest.mark.parametrize("half", [result(mode="T")[:-20], b"MS", b""])
def test_half_a_message_that_would_be_refused_is_not_kept(half: bytes) -> None:
    """A test, or no message at all, does not become a row for falling silent."""

    async def play(shelf: Shelf, instrument: Instrument, receiver: MllpReceiver) -> None:
        await asyncio.to_thread(instrument.socket.sendall, VT + half)
        assert await instrument.is_hung_up()

    assert scene(play, message_s=0.2).captures == []


def test_an_instrument_that_never_says_anything_is_hung_up_on() -> None:
    """``first_byte_s`` is shorter than ``idle_s``: who never spoke is most likely no instrument."""

    async def play(shelf: Shelf, instrument: Instrument, receiver: MllpReceiver) -> None:
        assert await instrument.is_hung_up()

    scene(play, first_byte_s=0.2)


def test_only_peers_may_speak() -> None:
    """Who is not named is hung up on before a byte of his is looked at."""

    async def play(shelf: Shelf, instrument: Instrument, receiver: MllpReceiver) -> None:
        with contextlib.suppress(ConnectionError):
            await instrument.send(result())
            assert await instrument.is_hung_up()

    assert scene(play, peers=["192.0.2.7"]).captures == []
