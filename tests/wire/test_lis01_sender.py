"""The sending end of the link: every row of its table, and what it sends."""

import itertools

import pytest

from bridge.wire.lis01 import ACK, ENQ, EOT, NAK, Ended, LinkSender, Output, Role, Send, SendEnd, Timer, Yielded
from bridge.wire.lis01_sender import SENDER, SenderAction, SenderEvent, SenderState
from tests.receive.independent_sender import RECORDS, frame

S, E, A = SenderState, SenderEvent, SenderAction


def said(outputs: list[Output]) -> bytes:
    return b"".join(o.data for o in outputs if isinstance(o, Send))


def test_every_pair_has_a_row() -> None:
    """Whatever comes in whatever state has an answer; only a start needs an idle line."""
    for state, event in itertools.product(S, E):
        assert ((state, event) in SENDER) == (event is not E.START or state is S.IDLE)


def brought_into(state: SenderState, *, last: bool, tries: int) -> LinkSender:
    link = LinkSender(role=Role.HOST)
    if state is S.IDLE:
        return link
    link.send([b"one"] if last else [b"one", b"two"])
    if state is S.PUT_OFF:
        link.feed(NAK)
    elif state is S.CONTENDING:
        link.feed(ENQ)
    elif state is S.SENDING:
        link.feed(ACK + NAK * (tries - 1))
    return link


@pytest.mark.parametrize(("pair", "row"), SENDER.items(), ids=[f"{s}-{e}" for s, e in SENDER])
def test_each_row(pair: tuple[SenderState, SenderEvent], row: tuple[SenderState, tuple[SenderAction, ...]]) -> None:
    """From each state each event leads where the table says, and the bytes are those of its actions."""
    state, event = pair
    link = brought_into(state, last=event is E.ACK_LAST, tries=6 if event is E.NAK_LAST else 1)
    assert link.state is state
    wire = {E.ENQ: ENQ, E.ACK: ACK, E.ACK_LAST: ACK, E.NAK: NAK, E.NAK_LAST: NAK, E.EOT: EOT}
    match event:
        case E.START:
            outputs = link.send([b"one", b"two"])
        case E.TIME_OUT:
            outputs = link.expire()
        case _:
            outputs = link.feed(wire[event])
    expected_state, actions = row
    assert link.state is expected_state
    bytes_of = {A.ENQ: ENQ, A.EOT: EOT, A.AGAIN: frame(1, b"one")}
    bytes_of[A.FRAME] = frame(2, b"two") if state is S.SENDING else frame(1, b"one")
    assert said(outputs) == b"".join(bytes_of.get(action, b"") for action in actions)
    assert [o for o in outputs if isinstance(o, Yielded)] == [Yielded()] * actions.count(A.YIELD)
    ends = {A.SENT: SendEnd.SENT, A.NO_ANSWER: SendEnd.NO_ANSWER, A.REFUSED: SendEnd.REFUSED, A.INTERRUPTED: SendEnd.INTERRUPTED}
    assert [o.how for o in outputs if isinstance(o, Ended)] == [ends[a] for a in actions if a in ends]


def test_a_clean_session() -> None:
    """ENQ, one frame a record, EOT; the bytes are those of the independent sender."""
    link = LinkSender()
    wire = [said(link.send(RECORDS))] + [said(link.feed(ACK)) for _ in range(4)]
    assert wire == [ENQ, *(frame(n, r) for n, r in enumerate(RECORDS, 1))]
    assert link.feed(ACK) == [Send(data=EOT), Ended(how=SendEnd.SENT, acknowledged=4)]


def test_a_long_record_goes_in_frames_of_240() -> None:
    """ETB while more follows, ETX on the last, numbers go on."""
    link = LinkSender()
    link.send([b"x" * 500 + b"\r"])
    assert said(link.feed(ACK)) == frame(1, b"x" * 240, end=b"\x17")
    assert said(link.feed(ACK)) == frame(2, b"x" * 240, end=b"\x17")
    assert said(link.feed(ACK)) == frame(3, b"x" * 20 + b"\r")


def test_numbers_wrap() -> None:
    """After 7 comes 0."""
    link = LinkSender()
    link.send([b"%d" % n for n in range(1, 11)])
    assert [said(link.feed(ACK)) for _ in range(10)] == [frame(n % 8, b"%d" % n) for n in range(1, 11)]


def test_six_tries_then_eot() -> None:
    """The sixth NAK of a frame ends the session; what was acknowledged before is counted."""
    link = LinkSender()
    link.send([b"one", b"two"])
    link.feed(ACK + ACK)
    assert [said(link.feed(NAK)) for _ in range(5)] == [frame(2, b"two")] * 5
    assert link.feed(NAK) == [Send(data=EOT), Ended(how=SendEnd.REFUSED, acknowledged=1)]


def test_timers_of_each_state() -> None:
    """The caller is told which of the standard's times to wait."""
    for role, contention in ((Role.INSTRUMENT, Timer.PRIORITY), (Role.HOST, Timer.CONTENTION)):
        link = LinkSender(role=role)
        timers = [link.timer]
        link.send([b"one"])
        timers.append(link.timer)
        link.feed(NAK)
        timers.append(link.timer)
        link.feed(ENQ)
        timers.append(link.timer)
        link.expire()
        link.feed(ACK)
        timers.append(link.timer)
        assert timers == [None, Timer.ANSWER, Timer.BUSY, contention, Timer.ANSWER]


def test_the_instrument_keeps_the_line_after_a_contention() -> None:
    """Both sent ENQ: the instrument asks again after its second, the host leaves it the line."""
    instrument, host = LinkSender(role=Role.INSTRUMENT), LinkSender(role=Role.HOST)
    instrument.send([b"one"])
    host.send([b"order"])
    assert instrument.feed(ENQ) == []
    assert host.feed(ENQ) == [Yielded()]
    assert instrument.expire() == [Send(data=ENQ)]


@pytest.mark.parametrize(("heeds", "frames"), [(True, 1), (False, 2)])
def test_a_receivers_interrupt(heeds: bool, frames: int) -> None:
    """EOT in place of ACK: the frame counts; a sender may stop, or take it for an ACK and go on."""
    link = LinkSender(heeds_interrupt=heeds)
    link.send([b"one", b"two", b"three"])
    link.feed(ACK)
    outputs = link.feed(EOT)
    assert outputs == (
        [Send(data=EOT), Ended(how=SendEnd.INTERRUPTED, acknowledged=frames)] if heeds else [Send(data=frame(2, b"two"))]
    )


def test_an_interrupt_at_the_last_frame_is_its_ack() -> None:
    """Nothing was left to interrupt."""
    link = LinkSender()
    link.send([b"one"])
    link.feed(ACK)
    assert link.feed(EOT) == [Send(data=EOT), Ended(how=SendEnd.SENT, acknowledged=1)]


def test_noise_is_no_answer() -> None:
    """Neither ACK nor NAK is read into other bytes; the time-out decides."""
    link = LinkSender()
    link.send([b"one"])
    assert link.feed(b"\x00\xffAK\r\n") == []


def test_one_session_at_a_time_and_never_an_empty_one() -> None:
    """A second start in mid-session would mix two messages."""
    link = LinkSender()
    with pytest.raises(RuntimeError, match="nothing to send"):
        link.send([])
    link.send([b"one"])
    with pytest.raises(RuntimeError, match="under way"):
        link.send([b"two"])
