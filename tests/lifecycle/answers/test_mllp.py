"""HL7 v2 answers: the table against the standard, and that no bytes are ever taken for a yes that they are not."""

from __future__ import annotations

import hl7
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.lifecycle.answers import ERROR_CODES, LONGEST_TEXT, Stray, read_mllp
from bridge.model import Acknowledgement, Answer
from tests.peers.mllp_receiver import Reply, acknowledgement

SENT = "ABCDEM17"
MESSAGE = hl7.parse(f"MSH|^~\\&|PADPOST|BENCH|RECORD|WARD|20261125070000+0000||ORU^R01^ORU_R01|{SENT}|P|2.5.1\rPID|1\r")


def ack(msa: str, *more: str) -> bytes:
    """Give an acknowledgement with this MSA and further segments."""
    return "\r".join(["MSH|^~\\&|RECORD|WARD|PADPOST|BENCH|20261125070001||ACK^R01^ACK|77|P|2.5.1", msa, *more, ""]).encode()


def read(payload: bytes) -> Acknowledgement | Stray:
    """Read an answer to the message that was sent."""
    return read_mllp(payload, control_id=SENT, charset="iso8859-1")


@pytest.mark.parametrize(
    ("code", "error", "answer"),
    [
        # HL7 v2 section 2.8 and table 0008; ERR-3 of AR: table 0357
        ("AA", "", Answer.ACCEPTED),
        ("CA", "", Answer.ACCEPTED),
        ("AE", "", Answer.REFUSED),
        ("AE", "207", Answer.REFUSED),
        ("CR", "", Answer.REFUSED),
        ("CE", "", Answer.TRY_AGAIN),
        ("AR", "", Answer.TRY_AGAIN),
        ("AR", "206", Answer.TRY_AGAIN),
        ("AR", "207", Answer.TRY_AGAIN),
        ("AR", "200", Answer.REFUSED),
        ("AR", "201", Answer.REFUSED),
        ("AR", "202", Answer.REFUSED),
        ("AR", "203", Answer.REFUSED),
        ("AR", "101", Answer.REFUSED),
        ("AR", "Z9", Answer.TRY_AGAIN),
        ("AC", "", Answer.REFUSED),
    ],
)
def test_the_independent_receivers_answer_means_what_the_standard_says(code: str, error: str, answer: Answer) -> None:
    """The PyPI hl7 package writes the acknowledgement; its code and reason decide, and nothing else."""
    found = read(acknowledgement(MESSAGE, Reply(code=code, error=error, words="why" if error else "")))
    assert isinstance(found, Acknowledgement)
    assert found.answer is answer


def test_the_receivers_own_words_come_in_order_of_use() -> None:
    """A technician reads the receiver's sentence first (ERR-8), then what its programmer meant (ERR-7), then the code."""
    found = read(
        ack(
            f"MSA|AE|{SENT}|See errors",
            "ERR||PID^1^3|204^Unknown key identifier^HL70357|E|||row 12|No patient 4711 \\T\\ none like it",
        )
    )
    assert found == Acknowledgement(
        answer=Answer.REFUSED,
        code="AE 204",
        text="No patient 4711 & none like it; row 12; 204 Unknown key identifier; See errors",
    )


def test_an_answer_from_before_version_2_5_has_its_reason_elsewhere() -> None:
    """Old receivers put the code into ERR-1.4; reading it keeps a locked record from being a person's work."""
    found = read(ack(f"MSA|AR|{SENT}", "ERR|PID^1^3^206&Application record locked&HL70357"))
    assert found == Acknowledgement(answer=Answer.TRY_AGAIN, code="AR 206", text="")


@pytest.mark.parametrize(
    ("errors", "answer", "code"),
    [
        (("ERR|||207^^HL70357|E", "ERR|||203^^HL70357|E"), Answer.REFUSED, "AR 207"),  # a permanent reason wins
        (("ERR|||203^^HL70357|W", "ERR|||207^^HL70357|E"), Answer.TRY_AGAIN, "AR 207"),  # a warning decides nothing
        (("ERR|||203^^HL70357|I",), Answer.TRY_AGAIN, "AR"),
    ],
)
def test_several_errors_are_weighed(errors: tuple[str, ...], answer: Answer, code: str) -> None:
    """ERR repeats (2.5.1); one reason that no try can mend makes trying pointless, and severity I or W is no reason."""
    found = read(ack(f"MSA|AR|{SENT}", *errors))
    assert isinstance(found, Acknowledgement)
    assert (found.answer, found.code) == (answer, code)


@pytest.mark.parametrize(
    ("payload", "stray"),
    [
        (ack("MSA|AA|ABCDEM16"), Stray.FOREIGN),
        (ack("MSA|AA|ABCDEM177"), Stray.FOREIGN),
        (ack("MSA|AA|abcdem17"), Stray.FOREIGN),
        (ack("MSA|AA"), Stray.FOREIGN),
        (ack("ZZZ|AA"), Stray.NO_ANSWER),
        (ack(f"MSA|AA|{SENT}", f"MSA|AE|{SENT}"), Stray.NO_ANSWER),
        (f"MSA|AA|{SENT}\r".encode(), Stray.NO_ANSWER),
        (f"BHS|^~\\&\rMSA|AA|{SENT}\r".encode(), Stray.NO_ANSWER),
        (b"", Stray.NO_ANSWER),
        (b"\r\r\r", Stray.NO_ANSWER),
        (b"MSH", Stray.NO_ANSWER),
        (b"\xff\xfe\x00", Stray.NO_ANSWER),
    ],
)
def test_what_answers_another_message_or_nothing_is_a_stray(payload: bytes, stray: Stray) -> None:
    """A late answer to an earlier message must never pass for this one's."""
    assert read(payload) is stray


def test_an_answer_with_its_own_separators_is_read() -> None:
    """A receiver may choose its separators (MSH-1, MSH-2); the reason is found all the same."""
    found = read(f"MSH#*~\\&#R##P##20261125##ACK#7#P#2.5.1\rMSA#AR#{SENT}\rERR###203*Unsupported*HL70357#E\r".encode())
    assert found == Acknowledgement(answer=Answer.REFUSED, code="AR 203", text="203 Unsupported")


def test_words_in_the_destinations_charset_are_read() -> None:
    """A receiver that answers in Latin-1 is shown with its letters, not with question marks."""
    found = read(ack(f"MSA|AE|{SENT}|Fehlt: Größe").decode().encode("latin-1"))
    assert isinstance(found, Acknowledgement)
    assert found.text == "Fehlt: Größe"


def test_an_unknown_code_is_not_shown_in_logs() -> None:
    """The code goes to logs, so nothing that the receiver made up may be in it."""
    assert read(ack(f"MSA|Doe^Jane|{SENT}", "ERR|||4711 Doe|E")) == Acknowledgement(
        answer=Answer.REFUSED, code="unknown code", text="4711 Doe"
    )


def test_long_words_are_cut_at_a_whole_character() -> None:
    """2 kB are kept, and a character cut in half would be no text."""
    found = read(ack(f"MSA|AE|{SENT}|{'ü' * 3000}"))
    assert isinstance(found, Acknowledgement)
    assert found.text == "ü" * (LONGEST_TEXT // 2)


def test_every_error_code_of_table_0357_has_a_row() -> None:
    """HL7 2.5.1 table 0357: 0, 100 to 103, 200 to 207."""
    assert {"0", "100", "101", "102", "103", "200", "201", "202", "203", "204", "205", "206", "207"} == ERROR_CODES


@given(payload=st.binary(max_size=400))
def test_any_bytes_never_raise_and_never_count_as_accepted(payload: bytes) -> None:
    """Whatever a broken receiver sends, a result is never marked as received by it."""
    found = read(payload)
    assert isinstance(found, Stray)


SEGMENTS = st.lists(
    st.sampled_from(
        [
            "MSH|^~\\&|R|||||",
            "MSA|AA|",
            f"MSA|AA|{SENT}",
            f"MSA|AE|{SENT}",
            f"MSA|CA|{SENT}",
            "ERR|||207",
            "ERR|^^^203&x",
            "",
            "MSA",
            "|",
            f"NTE|AA|{SENT}",
        ]
    ),
    max_size=6,
)


@given(segments=SEGMENTS, noise=st.binary(max_size=6), at=st.integers(min_value=0, max_value=80))
def test_only_a_whole_matching_yes_counts_as_accepted(segments: list[str], noise: bytes, at: int) -> None:
    """MSH first, exactly one MSA, AA or CA, our control ID: anything less is not an acceptance, with noise anywhere in it."""
    clean = "\r".join(segments).encode()
    payload = clean[:at] + noise + clean[at:]
    found = read(payload)
    if isinstance(found, Acknowledgement) and found.answer is Answer.ACCEPTED:
        lines = [line for line in payload.replace(b"\n", b"\r").split(b"\r") if line]
        assert lines[0].startswith(b"MSH")
        separator = lines[0][3:4]
        answering = [line.split(separator) for line in lines if line.split(separator)[0] == b"MSA"]
        assert len(answering) == 1
        assert answering[0][1].strip() in {b"AA", b"CA"}
        assert answering[0][2].strip() == SENT.encode()


@given(text=st.text(max_size=300))
def test_any_words_come_out_printable_and_bounded(text: str) -> None:
    """The words go to a page and to the database: no control characters, no more than 2 kB."""
    found = read(
        ack(f"MSA|AE|{SENT}|").replace(
            b"|AE|" + SENT.encode() + b"|", b"|AE|" + SENT.encode() + b"|" + text.encode("utf-8", "replace")
        )
    )
    if isinstance(found, Acknowledgement):
        assert found.text.isprintable()
        assert len(found.text.encode()) <= LONGEST_TEXT
