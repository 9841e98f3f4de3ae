"""The receiving end of the link: every row of its table, and what it does with bytes."""

import itertools

import pytest

from bridge.wire.lis01 import ACK, ENQ, EOT, NAK, Keep, LinkReceiver, Output, Refused, Send, Timer, unframe
from bridge.wire.lis01_receiver import KEEPING_EVENTS, KEEPING_STATES, RECEIVER, ReceiverAction, ReceiverEvent, ReceiverState
from tests.receive.independent_sender import RECORDS, frame, message

S, E = ReceiverState, ReceiverEvent
WHOLE = ENQ + message()


def receiver(*, longest: int = 100_000, message_ends: str = "terminator") -> LinkReceiver:
    return LinkReceiver(message_ends="frame" if message_ends == "frame" else "terminator", longest_message=longest)


def said(outputs: list[Output]) -> bytes:
    return b"".join(o.data for o in outputs if isinstance(o, Send))


def kept(outputs: list[Output]) -> list[tuple[bytes, bool]]:
    return [(o.payload, o.torn) for o in outputs if isinstance(o, Keep)]


# --- the table -------------------------------------------------------------------------------------


def test_every_pair_that_can_happen_has_a_row_and_no_other() -> None:
    """While keeping only the caller's answers can happen; otherwise only what the wire brings."""
    for state, event in itertools.product(S, E):
        assert ((state, event) in RECEIVER) == ((state in KEEPING_STATES) == (event in KEEPING_EVENTS))


def brought_into(state: ReceiverState) -> LinkReceiver:
    link = receiver(longest=1_000)
    match state:
        case S.RECEIVING:
            link.feed(ENQ + frame(1, RECORDS[0]))
        case S.KEEPING:
            link.feed(WHOLE)
        case S.UNKEPT:
            link.feed(WHOLE)
            link.not_kept()
        case S.KEEPING_REST:
            link.feed(ENQ + frame(1, RECORDS[0]) + EOT)
        case S.KEEPING_CUT:
            link.feed(ENQ + frame(1, RECORDS[0]) + b"z" * 2_000)
        case S.REFUSING:
            link.feed(ENQ + frame(1, RECORDS[0]) + b"z" * 2_000)
            link.kept()
    assert link.state is state
    return link


def bytes_of(state: ReceiverState, event: ReceiverEvent) -> bytes:
    """Give the bytes that are ``event`` to a receiver in ``state``."""
    expected = {S.RECEIVING: 2, S.UNKEPT: 5, S.REFUSING: 2}.get(state, 1)
    last = {S.RECEIVING: frame(1, RECORDS[0]), S.UNKEPT: frame(4, RECORDS[3]), S.REFUSING: frame(1, RECORDS[0])}.get(
        state, frame(0, b"?")
    )
    return {
        E.ENQ: ENQ,
        E.ENQ_BUSY: ENQ,
        E.EOT: EOT,
        E.NEXT: frame(expected, b"P|1\r"),
        E.LAST: frame(expected, b"L|1|N\r"),
        E.REPEAT: last,
        E.BAD: frame(expected, b"P|1\r", wrong_checksum=True),
        E.OVERFLOW: b"z" * 2_000,
        E.NOT_KEPT_LATE: b"\x021",
    }.get(event, b"")


def happen(link: LinkReceiver, event: ReceiverEvent) -> list[Output]:
    """Bring about ``event`` by bytes and calls, as the world would."""
    link.busy = event is E.ENQ_BUSY
    outputs = link.feed(bytes_of(link.state, event))
    match event:
        case E.TIME_OUT:
            return link.lose()
        case E.KEPT | E.KEPT_LATE:
            return link.kept(late=event is E.KEPT_LATE)
        case E.NOT_KEPT | E.NOT_KEPT_LATE:
            return link.not_kept()
        case _:
            return outputs


@pytest.mark.parametrize(("pair", "row"), RECEIVER.items(), ids=[f"{s}-{e}" for s, e in RECEIVER])
def test_each_row(pair: tuple[ReceiverState, ReceiverEvent], row: tuple[ReceiverState, tuple[ReceiverAction, ...]]) -> None:
    """From each state each event, brought about by real bytes, leads where the table says and says what it says."""
    state, event = pair
    link = brought_into(state)
    outputs = happen(link, event)
    expected_state, actions = row
    assert link.state is expected_state
    answers = {ReceiverAction.WELCOME: ACK, ReceiverAction.ANSWER: ACK, ReceiverAction.NAK: NAK}
    assert said(outputs) == b"".join(answers.get(action, b"") for action in actions)
    hands_over = {ReceiverAction.WHOLE, ReceiverAction.REST} & set(actions)
    assert len(kept(outputs)) == len(hands_over)


@pytest.mark.parametrize("state", sorted(set(S) - KEEPING_STATES))
def test_kept_without_a_keep_is_the_callers_fault(state: ReceiverState) -> None:
    """An ACK that nobody asked for would be taken for another frame's."""
    link = brought_into(state)
    with pytest.raises(RuntimeError, match="may not say 'kept'"):
        link.kept()
    with pytest.raises(RuntimeError, match="may not say 'not kept'"):
        link.not_kept()


@pytest.mark.parametrize("state", sorted(KEEPING_STATES))
def test_the_line_cannot_be_lost_while_keeping(state: ReceiverState) -> None:
    """First the caller says what became of the bytes it holds."""
    link = brought_into(state)
    with pytest.raises(RuntimeError, match="kept or not_kept first"):
        link.lose()


# --- conversations -----------------------------------------------------------------------------------


@pytest.mark.parametrize("size", range(1, 12))
def test_a_clean_message_in_any_cut(size: int) -> None:
    """Three frames are acknowledged at once, the last one only when the message is kept."""
    link = receiver()
    outputs = [o for at in range(0, len(WHOLE), size) for o in link.feed(WHOLE[at : at + size])]
    assert said(outputs) == ACK * 4  # ENQ and three frames
    assert outputs[-1] == Keep(payload=WHOLE, text=b"".join(RECORDS), torn=False)
    assert said(link.kept()) == ACK
    assert link.feed(EOT) == []
    assert link.timer is None


def test_a_message_that_could_not_be_kept_is_asked_for_again() -> None:
    """NAK; the same frame again is another try, with the same capture; a new frame is refused until then."""
    link = receiver()
    first = kept(link.feed(WHOLE))
    assert said(link.not_kept()) == NAK
    assert said(link.feed(frame(5, b"H|\r"))) == NAK
    assert kept(link.feed(frame(4, RECORDS[3]))) == first == [(WHOLE, False)]
    assert said(link.kept()) == ACK


def test_a_message_given_up_by_its_sender_is_handed_over_once_more() -> None:
    """It is whole: what the disk could not take at first is not lost when the sender gives up."""
    link = receiver()
    link.feed(WHOLE)
    link.not_kept()
    assert kept(link.feed(EOT)) == [(WHOLE, False)]


def test_a_busy_receiver_says_so() -> None:
    """NAK to ENQ: come again later; nothing else changes."""
    link = receiver()
    link.busy = True
    assert said(link.feed(ENQ)) == NAK
    link.busy = False
    assert said(link.feed(ENQ)) == ACK


def test_an_enq_that_ends_a_torn_message_waits_for_the_rest_to_be_kept() -> None:
    """First the rest is durable, then the new start is welcome; if the disk cannot, the sender is put off."""
    link = receiver()
    torn = ENQ + frame(1, RECORDS[0])
    assert kept(link.feed(torn + ENQ)) == [(torn, True)]
    assert said(link.kept()) == ACK
    assert kept(link.feed(frame(1, RECORDS[0]) + ENQ)) == [(torn, True)]
    link.busy = True
    assert said(link.not_kept()) == NAK
    assert link.state is S.IDLE


def test_half_a_frame_then_enq() -> None:
    """The sender stopped in mid-frame and starts again: silence tells, then the torn rest is kept, then ACK."""
    link = receiver()
    torn = ENQ + frame(1, RECORDS[0]) + frame(2, RECORDS[1])[:5]
    assert said(link.feed(torn + ENQ)) == ACK * 2
    assert link.timer is Timer.SETTLE
    assert kept(link.expire()) == [(torn, True)]
    assert said(link.kept()) == ACK
    assert said(link.feed(message())) == ACK * 3


def test_a_repeated_frame_is_acknowledged_and_counts_once() -> None:
    """The ACK was lost: the sender sends the frame again; its text stands once, its bytes twice."""
    link = receiver()
    wire = ENQ + frame(1, RECORDS[0]) * 2 + b"".join(frame(n, r) for n, r in enumerate(RECORDS[1:], 2))
    (keep,) = [o for o in link.feed(wire) if isinstance(o, Keep)]
    assert keep == Keep(payload=wire, text=b"".join(RECORDS), torn=False)


def test_a_repeat_after_the_message_leaves_nothing_behind() -> None:
    """The last ACK was lost: the repeat is acknowledged, and no torn capture remains of it."""
    link = receiver()
    link.feed(WHOLE)
    link.kept()
    assert said(link.feed(frame(4, RECORDS[3]))) == ACK
    assert link.feed(b"\r\n" + EOT) == []
    assert link.state is S.IDLE


def test_the_same_number_with_another_text_is_refused() -> None:
    """A sender whose number sticks must not lose a strip behind it."""
    link = receiver()
    link.feed(ENQ + frame(1, RECORDS[0]))
    assert link.feed(frame(1, RECORDS[1])) == [
        Refused(reason="the number of the frame before, with another text"),
        Send(data=NAK),
    ]


def test_a_second_message_of_a_session_has_its_own_capture() -> None:
    """Numbers go on over messages; the capture holds the second message's bytes alone and can be read by itself."""
    link = receiver()
    link.feed(WHOLE)
    link.kept()
    second = b"".join(frame(n, r) for n, r in enumerate(RECORDS, 5))
    damaged = frame(5, b"H|\r", wrong_checksum=True)
    (keep,) = [o for o in link.feed(frame(4, RECORDS[3]) + frame(7, b"H|\r") + damaged + second) if isinstance(o, Keep)]
    assert keep.payload == damaged + second
    assert unframe(keep.payload).data == keep.text == b"".join(RECORDS)


@pytest.mark.parametrize(
    ("records", "ends"),
    [
        ([b"H|\\^&\r", b"L|1|N\r"], True),
        ([b"H|\\^&\rP|1\rL|1|N\r"], True),
        ([b"H|\\^&\r", b"P|1\rL|1"], True),
        ([b"H;\\^&\r", b"L;1;N\r"], True),
        ([b"H|\\^&\r", b"L"], True),
        ([b"H|\\^&\r", b"LOG|1\r"], False),
        ([b"H|\\^&\r", b"R|1|L|1\r"], False),
        ([b"H|\\^&\r", b"L|1|N\rC|1\r"], False),
    ],
)
def test_what_ends_a_message(records: list[bytes], ends: bool) -> None:
    """An ETX frame whose last record is an L record, by the header's own delimiter."""
    link = receiver()
    outputs = link.feed(ENQ + message(records))
    assert (kept(outputs) != []) is ends


def test_an_l_record_over_two_frames_ends_the_message() -> None:
    """ETB splits a record anywhere; the end is recognised in the joined text, and never at an ETB."""
    link = receiver()
    assert kept(link.feed(ENQ + frame(1, b"H|\\^&\r") + frame(2, b"L", end=b"\x17"))) == []
    assert len(kept(link.feed(frame(3, b"|1|N\r")))) == 1


def test_each_etx_frame_may_end_a_message() -> None:
    """message_ends frame: for analyzers that send no L record."""
    link = receiver(message_ends="frame")
    assert kept(link.feed(ENQ + frame(1, b"one\r"))) == [(ENQ + frame(1, b"one\r"), False)]
    assert said(link.kept()) == ACK
    assert kept(link.feed(frame(2, b"tw", end=b"\x17") + frame(3, b"o\r"))) == [
        (frame(2, b"tw", end=b"\x17") + frame(3, b"o\r"), False)
    ]


@pytest.mark.parametrize("meanwhile", [EOT + ENQ, frame(4, RECORDS[3]), b"\x024L"])
def test_no_late_ack_for_a_sender_that_went_on(meanwhile: bytes) -> None:
    """The commit took too long and the sender did not wait: the ACK would be taken for the answer to what it sent since."""
    link = receiver()
    link.feed(WHOLE)
    assert link.feed(meanwhile) == []
    answers = said(link.kept())
    assert answers == (b"" if meanwhile == b"\x024L" else ACK)  # one answer, to the last thing sent


def test_noise_while_keeping_is_no_sender_that_went_on() -> None:
    """Some senders put an empty line behind each frame; they get their ACK."""
    link = receiver()
    link.feed(WHOLE)
    link.feed(b"\r\n")
    assert said(link.kept()) == ACK


def test_a_time_out_keeps_the_torn_rest() -> None:
    """The sender fell silent: what came is kept as torn, and frames without a new ENQ get no answer."""
    link = receiver()
    timers = [link.timer]
    torn = ENQ + frame(1, RECORDS[0]) + b"\x022P|"
    link.feed(torn)
    timers.append(link.timer)
    assert link.expire() == [Keep(payload=torn, text=RECORDS[0], torn=True)]
    timers.append(link.timer)
    assert timers == [None, Timer.FRAME, None]
    assert link.kept() == []
    assert link.feed(frame(2, RECORDS[1])) == []


def test_a_session_without_a_frame_leaves_nothing() -> None:
    """ENQ and EOT alone are no capture; nor is an ENQ sent twice."""
    link = receiver()
    assert link.feed(ENQ + ENQ + EOT + ENQ) == [Send(data=ACK)] * 3
    assert link.lose() == []


def test_a_message_that_is_too_long_is_kept_cut_and_refused() -> None:
    """Just as many bytes as allowed are kept, torn; the rest is refused with NAK until the sender gives up."""
    link = receiver(longest=1_000)
    stream = ENQ + frame(1, RECORDS[0]) + frame(2, b"x" * 900) + frame(3, b"y" * 200)
    outputs = link.feed(stream)
    assert kept(outputs) == [(stream[:1_000], True)]
    assert Refused(reason="the message is longer than this way in takes") in outputs
    assert said(link.kept()) == NAK
    assert said(link.feed(frame(3, b"z"))) == NAK
    assert link.feed(EOT) == []
    assert said(link.feed(ENQ)) == ACK


def test_a_line_lost_at_the_limit_still_hands_over() -> None:
    """The torn rest with the last half frame is just too long: its beginning is kept, and nothing raises."""
    link = receiver(longest=1_000)
    stream = ENQ + frame(1, b"x" * 980) + b"\x022" + b"y" * 100
    link.feed(stream)
    assert kept(link.lose()) == [(stream[:1_000], True)]
    assert link.kept() == []


def test_an_interrupt_takes_the_frame_and_asks_the_sender_to_stop() -> None:
    """EOT in place of ACK, once: the frame counts."""
    link = receiver()
    link.feed(ENQ)
    link.interrupt()
    assert said(link.feed(frame(1, RECORDS[0]))) == EOT
    assert said(link.feed(frame(2, RECORDS[1]))) == ACK


def test_ten_thousand_enqs_are_no_burden() -> None:
    """A humming line neither recurses nor grows."""
    link = receiver()
    assert said(link.feed(WHOLE + ENQ * 10_000)) == ACK * 4
    assert said(link.kept()) == ACK * 10_000
