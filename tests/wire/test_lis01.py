"""Both ends of the link together, and the live receiver against ``unframe``."""

from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.wire.lis01 import Ended, Keep, LinkReceiver, LinkSender, Output, Send, SendEnd, unframe
from bridge.wire.lis01_receiver import KEEPING_STATES
from tests.receive.independent_sender import RECORDS, frame

# What a hostile or damaged line may bring: whole frames of any number, damaged ones, halves, controls, noise.
PARTS = st.one_of(
    st.builds(
        frame,
        st.integers(0, 7),
        st.sampled_from([*RECORDS, b"", b"\x00\xff", b"H|\r", b"L|1\r", b"x\nL|\r", b"a\x05b"]),
        end=st.sampled_from([b"\x03", b"\x17"]),
        wrong_checksum=st.booleans(),
    ),
    st.sampled_from([b"\x05", b"\x04", b"\x02", b"\x03", b"\x06", b"\x15", b"\r\n", b"\n", b"noise", b"\x021H|", b"x\x03"]),
    st.binary(max_size=6),
)
ORDERLY = st.lists(st.sampled_from(RECORDS), min_size=1, max_size=12).map(
    lambda records: b"\x05" + b"".join(frame(n, r) for n, r in enumerate(records, 1))
)
STREAMS = st.lists(st.one_of(PARTS, ORDERLY), max_size=12).map(b"".join)
# After each chunk: let the armed timer run out, or not; and what the disk does at each Keep.
CHUNKS = st.lists(st.tuples(st.integers(1, 60), st.booleans()), min_size=1, max_size=30)


def play(
    stream: bytes, chunks: list[tuple[int, bool]], disk: list[bool], *, longest: int, ends: bool, late: bool = False
) -> tuple[list[Keep], bytes]:
    """Drive a live receiver over ``stream``; give all that it handed over and all that it said."""
    link = LinkReceiver(message_ends="frame" if ends else "terminator", longest_message=longest)
    keeps: list[Keep] = []
    answers = bytearray()
    decisions = iter(disk * 1_000)

    def do(outputs: list[Output]) -> None:
        for output in outputs:
            if isinstance(output, Keep):
                keeps.append(output)
            if isinstance(output, Send):
                answers.extend(output.data)
        if link.state in KEEPING_STATES:
            do(link.kept(late=late) if next(decisions) else link.not_kept())

    at = 0
    for size, expires in chunks * (len(stream) + 1):
        if at >= len(stream):
            break
        do(link.feed(stream[at : at + size]))
        at += size
        if expires and link.timer is not None:
            do(link.expire())
    do(link.lose())
    return keeps, bytes(answers)


@settings(max_examples=400, deadline=None)
@given(STREAMS, CHUNKS, st.lists(st.booleans(), min_size=1, max_size=5), st.sampled_from([40, 120, 5_000]), st.booleans())
def test_unframe_reads_what_the_live_receiver_took(
    stream: bytes, chunks: list[tuple[int, bool]], disk: list[bool], longest: int, ends: bool
) -> None:
    """For any bytes, cuts, silences and disk failures: a capture's text is what the sender was told was taken."""
    keeps, _ = play(stream, chunks, disk if True in disk else [*disk, True], longest=longest, ends=ends)
    for keep in keeps:
        assert unframe(keep.payload).data == keep.text
        assert 0 < len(keep.payload) <= longest


@settings(max_examples=300, deadline=None)
@given(STREAMS, st.integers(1, 40), st.sampled_from([40, 5_000]), st.booleans())
def test_any_cut_gives_the_same_captures_and_answers(stream: bytes, size: int, longest: int, ends: bool) -> None:
    """A serial read may return one byte or all of them.

    Only the withheld answer depends on time, and is left out here: it is not sent to a sender that went on without it.

    HZ-F04.
    """
    whole = play(stream, [(max(len(stream), 1), False)], [True], longest=longest, ends=ends, late=True)
    assert play(stream, [(size, False)], [True], longest=longest, ends=ends, late=True) == whole


@settings(max_examples=200, deadline=None)
@given(
    st.lists(st.binary(max_size=600).map(lambda b: bytes(c for c in b if c > 0x17 or c == 0x0D)), min_size=1, max_size=5),
    st.lists(st.sampled_from(["ok", "damage", "lose ack"]), max_size=25),
)
def test_two_ends_bring_every_text_through_a_bad_line(texts: list[bytes], line: list[str]) -> None:
    """Whatever the line does to frames and answers, a session that ends as sent brought every text, once, in order. HZ-F01."""
    sender = LinkSender()
    receiver = LinkReceiver(message_ends="frame", longest_message=100_000)
    weather = iter(line)
    got: list[bytes] = []
    ended: list[Ended] = []
    to_receiver = bytearray(b"".join(o.data for o in sender.send(texts) if isinstance(o, Send)))
    while not ended:
        luck = next(weather, "ok")
        frame_bytes, to_receiver = bytes(to_receiver), bytearray()
        if luck == "damage" and len(frame_bytes) > 1:
            frame_bytes = frame_bytes[:1] + bytes([frame_bytes[1] ^ 8]) + frame_bytes[2:]
        outputs = receiver.feed(frame_bytes)
        if any(isinstance(o, Keep) for o in outputs):
            got += [unframe(o.payload).data for o in outputs if isinstance(o, Keep)]
            outputs += receiver.kept()
        answers = b"".join(o.data for o in outputs if isinstance(o, Send))
        replies = sender.expire() if luck == "lose ack" or not answers else sender.feed(answers)
        ended = [o for o in replies if isinstance(o, Ended)]
        to_receiver += b"".join(o.data for o in replies if isinstance(o, Send))
    if ended[0].how is SendEnd.SENT:
        assert got == texts
    else:
        assert got[: ended[0].acknowledged] == texts[: ended[0].acknowledged]
