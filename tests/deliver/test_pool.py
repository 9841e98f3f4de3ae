"""Several connections, one message in flight on each; real sockets show that it is so."""

from __future__ import annotations

import asyncio
from contextlib import suppress

import pytest

from bridge.deliver.late import LateAnswers
from bridge.deliver.mllp import MllpClient
from bridge.deliver.pool import Pool
from bridge.model import Acknowledgement, Answer, Format, Message, Priority
from bridge.settings import MllpDestination


def message(number: int) -> Message:
    """Give a message of a patient of its own."""
    control = f"M{number}"
    payload = f"MSH|^~\\&|A|B|C|D|20261125||ORU^R01|{control}|T|2.5.1\r".encode()
    return Message(
        destination="records", format=Format.ORU_R01, control_id=control, payload=payload, result_id=control, version=1, lane=control,
        priority=Priority.ROUTINE,
    )  # fmt: skip


class Receiver:
    """A receiver that answers AA when it is let; counts its connections, and the messages that it has at once on each and in all."""

    def __init__(self) -> None:
        self.open = asyncio.Event()
        self.connections = 0
        self.here = 0
        self.most = 0
        self.most_on_one = 0

    async def serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        """Serve one connection."""
        self.connections += 1
        on_this = 0
        with suppress(asyncio.IncompleteReadError, ConnectionError):
            while frame := await reader.readuntil(b"\x1c\r"):
                on_this += 1
                self.here += 1
                self.most, self.most_on_one = max(self.most, self.here), max(self.most_on_one, on_this)
                await self.open.wait()
                control = frame.split(b"|")[9]
                self.here -= 1
                on_this -= 1
                writer.write(b"\x0bMSH|^~\\&|C|D|A|B|20261125||ACK|X|T|2.5.1\rMSA|AA|" + control + b"\r\x1c\r")
        writer.close()


@pytest.mark.parametrize(("connections", "messages", "at_once"), [(1, 3, 1), (3, 2, 2), (3, 7, 3)])
def test_each_connection_has_one_message_in_flight(connections: int, messages: int, at_once: int) -> None:
    """As many at once as there are connections, and no more are opened than are needed; each gets its own answer."""

    async def live() -> None:
        receiver = Receiver()
        server = await asyncio.start_server(receiver.serve, "127.0.0.1", 0)
        port = server.sockets[0].getsockname()[1]
        destination = MllpDestination(name="records", kind="mllp", host="127.0.0.1", port=port, connections=connections)
        pool = Pool([MllpClient(destination) for _ in range(connections)])
        sending = [asyncio.create_task(pool.send(message(number))) for number in range(messages)]
        async with asyncio.timeout(20):
            while receiver.here < at_once:
                await asyncio.sleep(0.005)
            receiver.open.set()
            answers = await asyncio.gather(*sending)
        assert [answer.answer for answer in answers] == [Answer.ACCEPTED] * messages
        assert (receiver.most, receiver.most_on_one, receiver.connections) == (at_once, 1, at_once)
        for number in range(3):  # one after the other: the connection that is open serves
            await pool.send(message(number))
        assert receiver.connections == at_once
        await pool.close()
        server.close()
        await server.wait_closed()

    asyncio.run(live())


def test_a_client_that_falls_over_is_free_again() -> None:
    """A defect, or our own cancellation, leaves no connection out of use for ever."""

    class Falling:
        calls = 0
        late: LateAnswers | None = None

        async def send(self, message: Message) -> Acknowledgement:
            self.calls += 1
            if self.calls == 1:
                raise KeyError(message.control_id)
            return Acknowledgement(answer=Answer.ACCEPTED, code="AA")

        async def close(self) -> None:
            self.calls = -1

    async def live() -> None:
        client = Falling()
        pool = Pool([client])
        with pytest.raises(KeyError):
            await pool.send(message(1))
        assert (await pool.send(message(1))).answer is Answer.ACCEPTED
        await pool.close()
        assert client.calls == -1

    asyncio.run(live())
