"""The MLLP client against a receiver that is none of ours (PyPI hl7), directly and through a proxy that breaks things."""

from __future__ import annotations

import asyncio
import contextlib
import socket
import threading
from collections.abc import Awaitable, Callable, Coroutine
from typing import Any, TypeVar

import pytest

from bridge.deliver.late import LateAnswers
from bridge.deliver.mllp import MllpClient
from bridge.lifecycle.answers import Stray
from bridge.model import Acknowledgement, Answer, Format
from bridge.render import compile_plan
from bridge.settings import MllpDestination
from tests.deliver.resolving import names_answered
from tests.peers.mllp_receiver import How, MllpReceiver, Reply, accept, commit, hang_up, silent, turn_away
from tests.peers.outgoing import oru
from tests.peers.proxied import FlakyProxy
from tests.render.results_for_tests import MADE_AT, stat_result
from tests.render.tables_for_tests import STRIP, hand_made, terms

T = TypeVar("T")
ACCEPTED = Acknowledgement(answer=Answer.ACCEPTED, code="AA")
TIMEOUT = Acknowledgement(answer=Answer.TRY_AGAIN, code="timeout")
LOST = Acknowledgement(answer=Answer.TRY_AGAIN, code="connection lost")
WRONG = b"\x0bMSH|^~\\&|R||P||20261125||ACK|1|P|2.5.1\rMSA|AA|EPOCHM0\r\x1c\r"


def run(
    port: int, talk: Callable[[MllpClient], Awaitable[T]], *, answer_s: float = 10.0, host: str = "127.0.0.1", **more: Any
) -> T:
    """Run ``talk`` with a client, and close it."""

    async def whole() -> T:
        client = MllpClient(
            MllpDestination(kind="mllp", name="record", host=host, port=port, answer_s=answer_s, connect_s=5, **more)
        )
        try:
            return await talk(client)
        finally:
            await client.close()

    coroutine: Coroutine[Any, Any, T] = whole()
    return asyncio.run(asyncio.wait_for(coroutine, 30))


def test_messages_go_one_after_the_other_on_one_connection() -> None:
    """The receiver gets the very bytes, each once, and the connection is kept (one message in flight each)."""
    messages = [oru(f"EPOCHM{n}", comment="größer 漢字") for n in range(1, 6)]

    async def talk(client: MllpClient) -> list[Acknowledgement]:
        return list(await asyncio.gather(*(client.send(message) for message in messages)))

    with MllpReceiver() as receiver:
        assert run(receiver.port, talk) == [ACCEPTED] * 5
        assert receiver.durable == [message.payload for message in messages]
        assert receiver.connections == 1


@pytest.mark.parametrize(
    ("fmt", "kind"),
    [
        (Format.ORU_R01, "ACK^R01^ACK"),
        (Format.ORU_R01_US, "ACK^R01^ACK"),
        (Format.ORU_R30, "ACK^R30^ACK"),
        (Format.ORU_R30, "ACK^R33^ACK"),
        (Format.ORU_R30, "ACK"),
        (Format.OUL_R22, "ACK^R22^ACK"),
        (Format.OUL_R22, "ACK"),
    ],
)
def test_each_structure_is_acknowledged_under_whatever_name(fmt: Format, kind: str) -> None:
    """2.5.1 names the answer to ORU^R30 ACK^R33^ACK and to OUL^R22 ACK^R22^ACK, and receivers say ACK too: MSA decides, not MSH-9."""
    plan = compile_plan(terms(fmt), "testing", STRIP.name, hand_made())
    message = plan.render(stat_result(), control_id="EPOCHM1", made_at=MADE_AT)

    async def talk(client: MllpClient) -> list[Acknowledgement]:
        return [await client.send(message), await client.send(message)]

    with MllpReceiver() as receiver:
        receiver.script(accept(kind=kind), turn_away("AE", "101", "", kind=kind))
        assert run(receiver.port, talk) == [ACCEPTED, Acknowledgement(answer=Answer.REFUSED, code="AE 101", text="101")]
        assert [each.payload for each in receiver.received] == [message.payload] * 2


@pytest.mark.parametrize(
    ("reply", "expected"),
    [
        (
            turn_away("AE", "204", "No such patient"),
            Acknowledgement(answer=Answer.REFUSED, code="AE 204", text="No such patient; 204"),
        ),
        (turn_away("AR", "203", "Version"), Acknowledgement(answer=Answer.REFUSED, code="AR 203", text="Version; 203")),
        (turn_away("AR", "207", "Busy"), Acknowledgement(answer=Answer.TRY_AGAIN, code="AR 207", text="Busy; 207")),
        (turn_away("AR"), Acknowledgement(answer=Answer.TRY_AGAIN, code="AR")),
        (turn_away("CE"), Acknowledgement(answer=Answer.TRY_AGAIN, code="CE")),
    ],
)
def test_what_the_receiver_says_is_what_comes_back(reply: Reply, expected: Acknowledgement) -> None:
    """Code and words, and the connection goes on: a refusal is an answer like any other."""

    async def talk(client: MllpClient) -> list[Acknowledgement]:
        return [await client.send(oru("EPOCHM1")), await client.send(oru("EPOCHM2"))]

    with MllpReceiver() as receiver:
        receiver.script(reply)
        assert run(receiver.port, talk) == [expected, ACCEPTED]
        assert receiver.connections == 1


def framed_length() -> int:
    """Give the length of the receiver's framed answer, from one real exchange."""
    seen: list[int] = []

    async def talk(port: int) -> None:
        reader, writer = await asyncio.open_connection("127.0.0.1", port)
        writer.write(b"\x0b" + oru("EPOCHM1").payload + b"\x1c\r")
        seen.append(len(await reader.readuntil(b"\x1c\r")))
        writer.close()

    with MllpReceiver() as receiver:
        asyncio.run(talk(receiver.port))
    return seen[0]


def test_an_answer_split_at_any_byte_is_one_answer() -> None:
    """TCP keeps no borders: also between VT and MSH, and between FS and CR."""
    length = framed_length()
    cuts = sorted({1, 2, 4, length // 3, length // 2, length - 12, length - 3, length - 2, length - 1})

    async def talk(client: MllpClient) -> list[Acknowledgement]:
        return [await client.send(oru(f"EPOCHM{cut}")) for cut in cuts]

    with MllpReceiver() as receiver:
        receiver.script(*(accept(split_at=cut) for cut in cuts))
        assert run(receiver.port, talk) == [ACCEPTED] * len(cuts)
        assert receiver.connections == 1


def test_a_foreign_answer_is_counted_and_waited_past() -> None:
    """An answer to another message ahead of ours, noise between frames: neither counts, neither hurts."""

    async def talk(client: MllpClient) -> tuple[Acknowledgement, dict[Stray, int]]:
        return await client.send(oru("EPOCHM1")), dict(client.strays)

    with MllpReceiver() as receiver:
        receiver.script(accept(before=WRONG + b"noise\x0bhalf a frame" + b"\x0bnot HL7\x1c\r"))
        answer, strays = run(receiver.port, talk)
    assert answer == ACCEPTED
    assert strays == {Stray.FOREIGN: 1, Stray.NO_ANSWER: 1}


def test_only_a_foreign_answer_is_no_answer() -> None:
    """A receiver that answers AA to something else leaves our message's fate unknown: time-out, and it goes again."""

    async def talk(client: MllpClient) -> tuple[list[Acknowledgement], dict[Stray, int]]:
        return [await client.send(oru("EPOCHM1")), await client.send(oru("EPOCHM1"))], dict(client.strays)

    with MllpReceiver() as receiver:
        receiver.script(accept(control_id="EPOCHM0"))
        answers, strays = run(receiver.port, talk, answer_s=0.5)
        assert answers == [TIMEOUT, ACCEPTED]
        assert strays == {Stray.FOREIGN: 1}
        assert [message.payload for message in receiver.received] == [oru("EPOCHM1").payload] * 2
        assert len(receiver.durable) == 1


def test_a_second_answer_is_never_taken_for_the_next_message() -> None:
    """A receiver that answers twice: the second is a stray, whether it comes before or while the next is in flight. HZ-H07."""

    async def talk(client: MllpClient) -> tuple[list[Acknowledgement], int]:
        answers = [await client.send(oru("EPOCHM1")), await client.send(oru("EPOCHM2"))]
        return answers, client.strays.total()

    with MllpReceiver() as receiver:
        receiver.script(accept(times=2), turn_away("AE"))
        answers, strays = run(receiver.port, talk)
    assert answers == [ACCEPTED, Acknowledgement(answer=Answer.REFUSED, code="AE")]
    assert strays == 1


def test_a_second_answer_to_the_same_message_is_not_taken_for_its_next_try() -> None:
    """AR twice, then the same message again: the AR that is left over must not answer the second try."""

    async def talk(client: MllpClient) -> tuple[list[Acknowledgement], dict[Stray, int]]:
        first = await client.send(oru("EPOCHM1"))
        while not client.strays:  # until the second answer has come; the test's own time limit bounds it
            await asyncio.sleep(0.001)
        return [first, await client.send(oru("EPOCHM1"))], dict(client.strays)

    with MllpReceiver() as receiver:
        receiver.script(Reply(code="AR", error="207", stored=False, times=2))
        answers, strays = run(receiver.port, talk)
    assert [answer.code for answer in answers] == ["AR 207", "AA"]
    assert strays == {Stray.NOT_ASKED: 1}


def test_a_late_answer_finds_its_connection_gone() -> None:
    """After a time-out the connection is dropped, so the late AA cannot be the next message's. HZ-H07."""
    late = threading.Event()

    async def talk(client: MllpClient) -> list[Acknowledgement]:
        first = await client.send(oru("EPOCHM1"))
        late.set()
        return [first, await client.send(oru("EPOCHM2"))]

    with MllpReceiver() as receiver:
        receiver.script(accept(held=late), turn_away("AE"))
        assert run(receiver.port, talk, answer_s=0.4) == [TIMEOUT, Acknowledgement(answer=Answer.REFUSED, code="AE")]
        assert receiver.connections == 2


@pytest.mark.parametrize("how", [How.CLOSE, How.RESET, How.HALF])
def test_a_line_that_ends_is_made_anew(how: How) -> None:
    """Closed, reset or half-closed before the answer: unknown fate, and the next try opens a new connection."""

    async def talk(client: MllpClient) -> list[Acknowledgement]:
        return [await client.send(oru("EPOCHM1")), await client.send(oru("EPOCHM1"))]

    with MllpReceiver() as receiver:
        receiver.script(hang_up(how))
        assert run(receiver.port, talk) == [LOST, ACCEPTED]
        assert receiver.control_ids == ["EPOCHM1", "EPOCHM1"]
        assert len(receiver.durable) == 1


def test_a_receiver_that_hung_up_in_between_is_called_again() -> None:
    """A line that ended while nothing was in flight costs no try."""

    async def talk(client: MllpClient) -> list[Acknowledgement]:
        first = await client.send(oru("EPOCHM1"))
        await asyncio.to_thread(receiver.go_away)
        await asyncio.to_thread(receiver.come_back)
        return [first, await client.send(oru("EPOCHM2"))]

    with MllpReceiver() as receiver:
        assert run(receiver.port, talk) == [ACCEPTED, ACCEPTED]
        assert receiver.connections == 2


def test_an_acknowledgement_is_never_acknowledged() -> None:
    """One peer client answers an ACK with an ACK (measured, wire.md section 0); the receiver here gets messages only."""

    async def talk(client: MllpClient) -> list[Acknowledgement]:
        return [await client.send(oru(f"EPOCHM{n}")) for n in (1, 2)]

    with MllpReceiver() as receiver:
        receiver.script(accept(times=3, before=WRONG), accept())
        assert run(receiver.port, talk) == [ACCEPTED, ACCEPTED]
        assert receiver.control_ids == ["EPOCHM1", "EPOCHM2"]
        assert receiver.malformed == 0


@pytest.mark.parametrize("raw", [b"x" * 3_000_000, b"\x0b" + b"MSH|" * 600_000])
def test_bytes_without_an_end_are_not_waited_for(raw: bytes) -> None:
    """A receiver that floods the line is cut off long before it fills the memory."""

    async def talk(client: MllpClient) -> list[Acknowledgement]:
        return [await client.send(oru("EPOCHM1")), await client.send(oru("EPOCHM1"))]

    with MllpReceiver() as receiver:
        receiver.script(Reply(how=How.RAW, raw=raw, stored=False))
        assert run(receiver.port, talk) == [Acknowledgement(answer=Answer.TRY_AGAIN, code="answer too long"), ACCEPTED]


def test_nobody_there_is_no_connection() -> None:
    """A refused call sent nothing."""
    with MllpReceiver() as receiver:
        port = receiver.port

    async def talk(client: MllpClient) -> Acknowledgement:
        return await client.send(oru("EPOCHM1"))

    answer = run(port, talk)
    assert (answer.answer, answer.code) == (Answer.TRY_AGAIN, "no connection")


@pytest.mark.parametrize("host", ["a" * 64, "a..b", "nul\0"])
def test_a_host_that_is_no_name_closes_the_destination(host: str) -> None:
    """A label over 63 octets, or an empty one (RFC 1035, 2.3.4): trying each message against it would help nobody."""

    async def talk(client: MllpClient) -> Acknowledgement:
        return await client.send(oru("EPOCHM1"))

    answer = run(2575, talk, host=host)
    assert (answer.answer, answer.code) == (Answer.CLOSED, "host name unknown")


@pytest.mark.parametrize(
    ("fault", "answer", "code"),
    [(socket.EAI_NONAME, Answer.CLOSED, "host name unknown"), (socket.EAI_AGAIN, Answer.TRY_AGAIN, "no connection")],
)
def test_an_unknown_name_is_not_a_name_server_that_is_away(fault: int, answer: Answer, code: str) -> None:
    """The first needs a person, the second time."""

    async def talk(client: MllpClient) -> Acknowledgement:
        return await client.send(oru("EPOCHM1"))

    with names_answered(fault):
        found = run(2575, talk, host="record.example")
    assert (found.answer, found.code) == (answer, code)


def test_bytes_that_mllp_cannot_carry_are_refused_unsent() -> None:
    """A frame end inside the message would cut it in two at the receiver."""

    async def talk(client: MllpClient) -> Acknowledgement:
        return await client.send(oru("EPOCHM1", comment="\x1c\r"))

    with MllpReceiver() as receiver:
        answer = run(receiver.port, talk)
        assert (answer.answer, answer.code) == (Answer.REFUSED, "cannot be framed")
        assert receiver.connections == 0


def test_a_send_that_is_cancelled_leaves_no_line_behind() -> None:
    """When the service stops in mid-air, an answer that still comes must not meet the next message."""

    async def talk(client: MllpClient) -> Acknowledgement:
        sending = asyncio.create_task(client.send(oru("EPOCHM1")))
        await asyncio.to_thread(receiver.wait_for, 1)
        sending.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await sending
        assert sending.cancelled()
        return await client.send(oru("EPOCHM2"))

    with MllpReceiver() as receiver:
        receiver.script(silent())
        assert run(receiver.port, talk) == ACCEPTED
        assert receiver.connections == 2


# --- enhanced mode: two answers (HL7 2.5.1 section 2.9)

COMMITTED = Acknowledgement(answer=Answer.COMMITTED, code="CA")


class Notebook:
    """Notes late answers in place of a queue; knows every message but those called unknown."""

    def __init__(self) -> None:
        self.noted: list[tuple[str, Answer, str]] = []
        self.unknown: set[str] = set()
        self.came = asyncio.Event()
        self.fault: Exception | None = None

    async def settle(self, control_id: str, acknowledgement: Acknowledgement) -> bool:
        if self.fault:
            raise self.fault
        self.noted.append((control_id, acknowledgement.answer, acknowledgement.code))
        self.came.set()
        return control_id not in self.unknown


async def control() -> str:
    """Give the control ID of our own acknowledgement."""
    return "EPOCHM99"


def with_late(client: MllpClient, notebook: Notebook) -> None:
    """Let the notebook take the client's late answers."""
    settings = MllpDestination(kind="mllp", name="record", host="h", port=1, acknowledgement="enhanced")
    client.late = LateAnswers(settings, settle=notebook.settle, control=control, now=lambda: MADE_AT)


def test_a_committed_message_is_answered_later_on_the_same_connection() -> None:
    """CA releases the connection: the next message goes before the first one's AA comes, and each answer finds its own."""
    first_done, second_done = threading.Event(), threading.Event()

    async def talk(client: MllpClient) -> tuple[list[Acknowledgement], list[tuple[str, Answer, str]]]:
        notebook = Notebook()
        with_late(client, notebook)
        answers = [await client.send(oru("EPOCHM1")), await client.send(oru("EPOCHM2"))]
        for done in (second_done, first_done):
            notebook.came.clear()
            done.set()
            await asyncio.wait_for(notebook.came.wait(), 10)
        return answers, notebook.noted

    with MllpReceiver() as receiver:
        receiver.script(commit(accept(held=first_done)), commit(turn_away("AE", "204", held=second_done)))
        answers, noted = run(receiver.port, talk, acknowledgement="enhanced")
        assert answers == [COMMITTED, COMMITTED]
        assert noted == [("EPOCHM2", Answer.REFUSED, "AE 204"), ("EPOCHM1", Answer.ACCEPTED, "AA")]
        assert (receiver.connections, receiver.commits) == (1, [])


def test_both_answers_in_one_segment_are_both_heard() -> None:
    """CA and AA arrive in one read: the first ends the try, the second is noted."""

    async def talk(client: MllpClient) -> tuple[Acknowledgement, list[tuple[str, Answer, str]]]:
        notebook = Notebook()
        with_late(client, notebook)
        answer = await client.send(oru("EPOCHM1"))
        await asyncio.wait_for(notebook.came.wait(), 10)
        return answer, notebook.noted

    with MllpReceiver() as receiver:
        receiver.script(commit(accept(), together=True))
        assert run(receiver.port, talk, acknowledgement="enhanced") == (COMMITTED, [("EPOCHM1", Answer.ACCEPTED, "AA")])


def test_an_answer_that_wants_to_be_acknowledged_is_committed() -> None:
    """MSH-15 AL in the application's answer: we say CA under its control ID once it is noted; an answer that asks nothing gets nothing."""

    async def talk(client: MllpClient) -> None:
        notebook = Notebook()
        with_late(client, notebook)
        for number in (1, 2):
            notebook.came.clear()
            await client.send(oru(f"EPOCHM{number}"))
            await asyncio.wait_for(notebook.came.wait(), 10)
        while not receiver.commits:  # the test's own time limit bounds it
            await asyncio.sleep(0.001)

    with MllpReceiver() as receiver:
        receiver.script(commit(accept()), commit(accept(wish="AL")))
        run(receiver.port, talk, acknowledgement="enhanced")
        assert [said.split()[0] for said in receiver.commits] == ["CA"]
        assert receiver.malformed == 0


@pytest.mark.parametrize(
    ("reply", "asks", "expected"),
    [
        (accept(), "AL", ACCEPTED),  # a receiver that skips CA has said it all
        (turn_away("CE"), "AL", Acknowledgement(answer=Answer.TRY_AGAIN, code="CE")),
        (turn_away("CR", "202"), "AL", Acknowledgement(answer=Answer.REFUSED, code="CR 202", text="202")),
        (commit(), "NE", Acknowledgement(answer=Answer.ACCEPTED, code="CA")),
        (commit(), "ER", COMMITTED),
        (commit(), "SU", COMMITTED),
        (commit(control_id="EPOCHM0"), "AL", TIMEOUT),
        (commit(split_at=20), "AL", COMMITTED),
    ],
)
def test_the_first_answer_in_enhanced_mode(reply: Reply, asks: str, expected: Acknowledgement) -> None:
    """What CA, CE and CR mean, and what MSH-16 makes of CA (table 0155)."""

    async def talk(client: MllpClient) -> Acknowledgement:
        with_late(client, Notebook())
        return await client.send(oru("EPOCHM1"))

    with MllpReceiver() as receiver:
        receiver.script(reply)
        assert run(receiver.port, talk, acknowledgement="enhanced", application_answer=asks, answer_s=0.5) == expected


@pytest.mark.parametrize("how", [How.CLOSE, How.HALF])
def test_a_line_that_ends_after_the_commit_costs_nothing(how: How) -> None:
    """The message is kept there: the next one opens a new line, and nothing is sent again."""

    async def talk(client: MllpClient) -> list[Acknowledgement]:
        with_late(client, Notebook())
        first = await client.send(oru("EPOCHM1"))
        lost = await client.send(oru("EPOCHM2"))
        return [first, lost, await client.send(oru("EPOCHM2"))]

    with MllpReceiver() as receiver:
        receiver.script(commit(), hang_up(how), commit())
        assert run(receiver.port, talk, acknowledgement="enhanced") == [COMMITTED, LOST, COMMITTED]
        assert receiver.control_ids == ["EPOCHM1", "EPOCHM2", "EPOCHM2"]


def test_an_answer_before_the_message_ended_is_no_answer_to_it() -> None:
    """The receiver speaks first, of a message that nobody sent: a stray in original mode, and the message's own answer counts."""

    async def talk(port: int) -> tuple[Acknowledgement, dict[Stray, int]]:
        client = MllpClient(MllpDestination(kind="mllp", name="record", host="127.0.0.1", port=port))
        try:
            answer = await client.send(oru("EPOCHM1"))
            return answer, dict(client.strays)
        finally:
            await client.close()

    async def whole() -> tuple[Acknowledgement, dict[Stray, int]]:
        async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
            writer.write(WRONG)  # before a byte of the message was read
            await writer.drain()
            await reader.readuntil(b"\x1c\r")
            writer.write(WRONG.replace(b"EPOCHM0", b"EPOCHM1"))
            await writer.drain()
            writer.close()

        server = await asyncio.start_server(serve, "127.0.0.1", 0)
        async with server:
            return await talk(server.sockets[0].getsockname()[1])

    answer, strays = asyncio.run(asyncio.wait_for(whole(), 30))
    assert (answer, sum(strays.values())) == (ACCEPTED, 1)


@pytest.mark.parametrize(("when", "said", "answer"), [
    ("AE 207", turn_away("AE", "207"), Answer.TRY_AGAIN),
    ("AE", turn_away("AE", "204"), Answer.TRY_AGAIN),
    ("AE 207", turn_away("AE", "204"), Answer.REFUSED),
    ("AR", turn_away("AR"), Answer.TRY_AGAIN),
])  # fmt: skip
def test_the_sites_own_word_on_an_answer(when: str, said: Reply, answer: Answer) -> None:
    """A receiver that says AE 207 and means later: the site's line decides, for that code and no other."""

    async def talk(client: MllpClient) -> Answer:
        return (await client.send(oru("EPOCHM1"))).answer

    with MllpReceiver() as receiver:
        receiver.script(said)
        assert run(receiver.port, talk, answers=[{"when": when, "means": "try again"}]) is answer


# --- through the proxy that breaks things


def sent_twice(receiver: MllpReceiver, proxy: FlakyProxy, *, answer_s: float = 10.0) -> list[Acknowledgement]:
    """Send one message, clear the fault, send it again."""

    async def talk(client: MllpClient) -> list[Acknowledgement]:
        first = await client.send(oru("EPOCHM1"))
        await asyncio.to_thread(proxy.command, cmd="clear")
        return [first, await client.send(oru("EPOCHM1"))]

    return run(proxy.port, talk, answer_s=answer_s)


@pytest.mark.parametrize("how", ["reset", "fin"])
def test_a_line_cut_in_the_middle_of_the_message(how: str) -> None:
    """The receiver saw half a frame and files nothing; the second try is the first one it sees."""
    with MllpReceiver() as receiver, FlakyProxy(receiver.port) as proxy:
        proxy.command(cmd="set", dir="up", mode="cut", after=60, how=how)
        assert sent_twice(receiver, proxy) == [LOST, ACCEPTED]
        assert receiver.durable == [oru("EPOCHM1").payload]
        assert receiver.control_ids == ["EPOCHM1"]


def test_a_line_reset_in_the_middle_of_the_answer() -> None:
    """Half an answer is none; the receiver sees the same bytes again and files them once."""
    with MllpReceiver() as receiver, FlakyProxy(receiver.port) as proxy:
        proxy.command(cmd="set", dir="down", mode="cut", after=30, how="reset")
        assert sent_twice(receiver, proxy) == [LOST, ACCEPTED]
        assert [message.payload for message in receiver.received] == [oru("EPOCHM1").payload] * 2
        assert receiver.durable == [oru("EPOCHM1").payload]


def test_a_dropped_answer_times_out() -> None:
    """The answer vanishes on the way: the same bytes and control ID go again. HZ-H02."""
    with MllpReceiver() as receiver, FlakyProxy(receiver.port) as proxy:
        proxy.command(cmd="set", dir="down", mode="drop_match", regex="MSA\\|AA", times=1)
        assert sent_twice(receiver, proxy, answer_s=0.5) == [TIMEOUT, ACCEPTED]
        assert receiver.control_ids == ["EPOCHM1", "EPOCHM1"]
        assert receiver.durable == [oru("EPOCHM1").payload]


def test_a_black_hole_times_out() -> None:
    """Bytes that vanish on the way look like a slow receiver."""
    with MllpReceiver() as receiver, FlakyProxy(receiver.port) as proxy:
        proxy.command(cmd="set", dir="up", mode="blackhole")
        assert sent_twice(receiver, proxy, answer_s=0.5) == [TIMEOUT, ACCEPTED]
        assert receiver.control_ids == ["EPOCHM1"]


def test_a_peer_that_does_not_read_times_out() -> None:
    """A message larger than every buffer, and nobody reads: the time-out covers the writing too, and closing does not hang."""
    big = oru("EPOCHM1", comment="x" * 7_000_000)

    async def talk(client: MllpClient) -> Acknowledgement:
        return await client.send(big)

    with MllpReceiver() as receiver, FlakyProxy(receiver.port) as proxy:
        proxy.command(cmd="set", dir="up", mode="stall")
        assert run(proxy.port, talk, answer_s=0.5) == TIMEOUT


def test_a_duplicated_answer_is_one_answer_and_one_stray() -> None:
    """The network hands the answer over twice."""

    async def talk(client: MllpClient) -> tuple[list[Acknowledgement], int]:
        answers = [await client.send(oru("EPOCHM1")), await client.send(oru("EPOCHM2"))]
        return answers, client.strays.total()

    with MllpReceiver() as receiver, FlakyProxy(receiver.port) as proxy:
        proxy.command(cmd="set", dir="down", mode="duplicate", nth=1, times=1)
        answers, strays = run(proxy.port, talk)
    assert answers == [ACCEPTED, ACCEPTED]
    assert strays == 1


def test_a_duplicated_message_is_filed_once() -> None:
    """The network hands the message over twice: two answers, one of them a stray; the receiver's duplicate rule does the rest."""
    with MllpReceiver() as receiver, FlakyProxy(receiver.port) as proxy:
        proxy.command(cmd="set", dir="up", mode="duplicate", nth=1, times=1)
        assert sent_twice(receiver, proxy) == [ACCEPTED, ACCEPTED]
        assert receiver.durable == [oru("EPOCHM1").payload]


def test_an_answer_in_single_bytes_is_one_answer() -> None:
    """The slowest network there is."""
    with MllpReceiver() as receiver, FlakyProxy(receiver.port) as proxy:
        proxy.command(cmd="set", dir="down", mode="fragment", size=1, gap_ms=1)
        assert sent_twice(receiver, proxy) == [ACCEPTED, ACCEPTED]
