"""Late answers over real sockets, from a receiver that shares no code with us (PyPI hl7)."""

from __future__ import annotations

import asyncio
import contextlib
import socket
import ssl
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import TypeVar

import hl7
import pytest

from bridge.deliver.late import AnswerListener, LateAnswers
from bridge.errors import StoreFull
from bridge.lifecycle.answers import Stray
from bridge.model import Answer
from bridge.settings import AnswersOn, MllpDestination, Tls
from tests.credentials.papers import papers
from tests.deliver.test_mllp import Notebook, control
from tests.peers.mllp_receiver import Reply, accept, answer_apart, turn_away
from tests.peers.outgoing import oru
from tests.render.results_for_tests import MADE_AT

T = TypeVar("T")
SENT = oru("EPOCHM1").payload


def run(talk: Callable[[int, Notebook, LateAnswers], Awaitable[T]], tls: Tls | None = None) -> T:
    """Run ``talk`` beside a listener on a free port."""

    async def whole() -> T:
        notebook = Notebook()
        settings = MllpDestination(kind="mllp", name="record", host="h", port=1, acknowledgement="enhanced")
        late = LateAnswers(settings, settle=notebook.settle, control=control, now=lambda: MADE_AT)
        listener = AnswerListener("record", AnswersOn(port=0, tls=tls), late, now=lambda: MADE_AT)
        task = asyncio.create_task(listener.run())
        try:
            await asyncio.wait_for(listener.opened.wait(), 10)
            assert listener.address is not None
            return await talk(listener.address[1], notebook, late)
        finally:
            task.cancel()
            await asyncio.gather(task, return_exceptions=True)

    async def bounded() -> T:
        return await asyncio.wait_for(whole(), 30)

    return asyncio.run(bounded())


def test_an_answer_on_a_connection_of_its_own_is_noted_then_committed() -> None:
    """The package's client calls us and says AE; what it hears is CA to its own message, which the package can parse."""

    async def talk(port: int, notebook: Notebook, late: LateAnswers) -> tuple[list[str], Notebook]:
        return await answer_apart(port, SENT, turn_away("AE", "204", wish="AL"), expected=1), notebook

    (heard,), notebook = run(talk)
    assert notebook.noted == [("EPOCHM1", Answer.REFUSED, "AE 204")]
    answer = hl7.parse(heard)
    msh, msa = answer.segment("MSH"), answer.segment("MSA")
    assert [str(msa(1)), str(msh(9)), str(msh(10)), str(msh(12))] == ["CA", "ACK^R01^ACK", "EPOCHM99", "2.5.1"]
    assert ([str(msh(n)) for n in (3, 4, 5, 6)], len(msh)) == (
        ["PADPOST", "BENCH", "RECORD", "WARD"],
        13,
    )  # an ACK of an ACK asks for none


@pytest.mark.parametrize(
    ("wish", "code", "answers"),
    [("AL", "AA", 1), ("AL", "AE", 1), ("SU", "AA", 1), ("ER", "AE", 1)],
)
def test_we_acknowledge_as_the_answer_asks(wish: str, code: str, answers: int) -> None:
    """HL7 table 0155: always, on success, on error."""

    async def talk(port: int, notebook: Notebook, late: LateAnswers) -> list[str]:
        return await answer_apart(port, SENT, Reply(code=code, wish=wish), expected=answers)

    assert len(run(talk)) == answers


@pytest.mark.parametrize(("wish", "code"), [("SU", "AE"), ("ER", "AA"), ("NE", "AA")])
def test_we_say_nothing_where_nothing_is_asked(wish: str, code: str) -> None:
    """The next answer's CA is the first thing that comes back."""

    async def talk(port: int, notebook: Notebook, late: LateAnswers) -> list[str]:
        quiet = Reply(code=code, wish=wish, kind="ACK^R22^ACK")
        return await answer_apart(port, SENT, quiet, accept(wish="AL"), expected=1)

    (heard,) = run(talk)
    assert str(hl7.parse(heard).segment("MSH")(9)) == "ACK^R01^ACK"


def test_an_answer_that_could_not_be_kept_is_asked_for_again() -> None:
    """CE, not CA: the receiver says it again once the disk has room."""

    async def talk(port: int, notebook: Notebook, late: LateAnswers) -> tuple[list[str], list[str]]:
        notebook.fault = StoreFull("no room")
        refused = await answer_apart(port, SENT, accept(wish="AL"), expected=1)
        notebook.fault = None
        return refused, await answer_apart(port, SENT, accept(wish="AL"), expected=1)

    refused, taken = run(talk)
    assert ("MSA|CE|" in refused[0], "MSA|CA|" in taken[0]) == (True, True)


def test_what_answers_nothing_of_ours_is_counted() -> None:
    """An unknown control ID, a commit that belongs to the other connection, and bytes that are no HL7: noted nowhere, and the next answer counts."""

    async def talk(port: int, notebook: Notebook, late: LateAnswers) -> tuple[dict[Stray, int], Notebook]:
        notebook.unknown.add("EPOCHM7")
        await answer_apart(
            port,
            SENT,
            accept(control_id="EPOCHM7", wish="AL"),
            Reply(code="CA", before=b"noise\x0bnot HL7\x1c\r"),
            accept(wish="AL"),
            expected=2,
        )
        return dict(late.strays), notebook

    strays, notebook = run(talk)
    assert strays == {Stray.FOREIGN: 1, Stray.NO_ANSWER: 1, Stray.NOT_ASKED: 1}
    assert [control_id for control_id, _, _ in notebook.noted] == ["EPOCHM7", "EPOCHM1"]


def test_a_flood_without_an_end_is_cut_off() -> None:
    """Bytes that never make a frame do not fill the memory."""

    async def talk(port: int, notebook: Notebook, late: LateAnswers) -> bytes:
        reader, writer = await asyncio.open_connection("127.0.0.1", port)
        with contextlib.suppress(OSError):
            writer.write(b"\x0b" + b"x" * 3_000_000)
            await writer.drain()
        with contextlib.suppress(OSError):
            found = await reader.read()
            writer.close()
            return found
        writer.close()
        return b""

    assert run(talk) == b""


def test_a_port_that_is_taken_is_tried_again(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    """It begins as soon as the other has let go."""
    monkeypatch.setattr("bridge.deliver.late.REOPEN_S", 0.01)

    async def whole() -> tuple[str, int] | None:
        with socket.create_server(("127.0.0.1", 0)) as other:
            port = other.getsockname()[1]
            settings = MllpDestination(kind="mllp", name="record", host="h", port=1, acknowledgement="enhanced")
            late = LateAnswers(settings, settle=Notebook().settle, control=control, now=lambda: MADE_AT)
            listener = AnswerListener("record", AnswersOn(port=port), late, now=lambda: MADE_AT)
            task = asyncio.create_task(listener.run())
            while "answers.absent" not in capsys.readouterr().out:  # pytest's own time limit bounds it
                await asyncio.sleep(0.005)
            assert not listener.opened.is_set()
        await asyncio.wait_for(listener.opened.wait(), 10)
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
        assert listener.address is not None
        return ("", port) if listener.address[1] == port else None

    assert asyncio.run(whole()) is not None


def test_answers_over_tls_from_a_receiver_that_shows_who_it_is(tmp_path: Path) -> None:
    """A forged answer would close a result that never arrived: with ``ca`` only who has a certificate of it is heard."""
    ours = papers(tmp_path)
    own, theirs = ours.issue("own", "localhost"), ours.issue("theirs", "record.example")
    stranger = ssl.create_default_context(cafile=str(ours.ca))
    known = ssl.create_default_context(cafile=str(ours.ca))
    known.load_cert_chain(str(theirs.certificate), str(theirs.key))

    async def talk(port: int, notebook: Notebook, late: LateAnswers) -> Notebook:
        forged, true = turn_away("AE", "204", wish="AL"), accept(wish="AL")
        with pytest.raises((OSError, EOFError)):
            await answer_apart(port, SENT, forged, expected=1, ssl=stranger, server_hostname="localhost")
        with pytest.raises((OSError, EOFError)):
            await answer_apart(port, SENT, forged, expected=1)
        assert len(await answer_apart(port, SENT, true, expected=1, ssl=known, server_hostname="localhost")) == 1
        return notebook

    assert run(talk, own).noted == [("EPOCHM1", Answer.ACCEPTED, "AA")]


@pytest.mark.parametrize(("peers", "is_heard"), [(("192.0.2.0/24",), False), (("192.0.2.0/24", "127.0.0.1"), True)])
def test_only_peers_are_heard(peers: tuple[str, ...], is_heard: bool) -> None:
    """Whoever may call can close a result whose control ID it knows: a stranger is hung up on unheard, and a note says who it was."""

    async def whole() -> tuple[Notebook, tuple[str, ...]]:
        notebook = Notebook()
        settings = MllpDestination(kind="mllp", name="record", host="h", port=1, acknowledgement="enhanced")
        late = LateAnswers(settings, settle=notebook.settle, control=control, now=lambda: MADE_AT)
        listener = AnswerListener("record", AnswersOn(port=0, peers=peers), late, now=lambda: MADE_AT)
        task = asyncio.create_task(listener.run())
        await asyncio.wait_for(listener.opened.wait(), 10)
        assert listener.address is not None
        talking = answer_apart(listener.address[1], SENT, accept(wish="AL"), expected=1)
        if is_heard:
            assert len(await talking) == 1
        else:
            with pytest.raises((OSError, EOFError)):
                await talking
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
        return notebook, listener.peers.notes()

    notebook, notes = asyncio.run(asyncio.wait_for(whole(), 30))
    turned_away = ("a connection from 127.0.0.1 was turned away: it is not among the peers of this port",)
    assert (notebook.noted, notes) == (([("EPOCHM1", Answer.ACCEPTED, "AA")], ()) if is_heard else ([], turned_away))


def test_a_certificate_that_cannot_be_used_is_told_and_tried_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Nothing else stands still for it, and no restart is needed once the file is right."""
    monkeypatch.setattr("bridge.deliver.late.REOPEN_S", 0.01)
    own = papers(tmp_path).issue("own", "localhost")
    good = (tmp_path / "own.pem").read_bytes()
    (tmp_path / "own.pem").write_bytes(b"rubbish")

    async def whole() -> None:
        settings = MllpDestination(kind="mllp", name="record", host="h", port=1, acknowledgement="enhanced")
        late = LateAnswers(settings, settle=Notebook().settle, control=control, now=lambda: MADE_AT)
        listener = AnswerListener("record", AnswersOn(port=0, tls=own), late, now=lambda: MADE_AT)
        task = asyncio.create_task(listener.run())
        while "answers.absent" not in capsys.readouterr().out:  # pytest's own time limit bounds it
            await asyncio.sleep(0.005)
        (tmp_path / "own.pem").write_bytes(good)
        await asyncio.wait_for(listener.opened.wait(), 10)
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)

    asyncio.run(whole())
