"""HL7 v2 answers: the table against the standard, and that no bytes are ever taken for a yes that they are not."""

from __future__ import annotations

from datetime import UTC, datetime

import hl7
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.lifecycle.answers import (
    ENHANCED,
    ERROR_CODES,
    LONGEST_TEXT,
    Asked,
    Said,
    Stray,
    committing,
    meaning,
    read_mllp,
    said_by,
    wants_commit,
)
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
    """A late answer to an earlier message must never pass for this one's. HZ-H07."""
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
    """HL7 2.5.1 table 0357: 0, 100 to 103, 200 to 207. HZ-H03."""
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


# --- enhanced mode (HL7 2.5.1 section 2.9.3, tables 0008 and 0155)


@pytest.mark.parametrize(
    ("asked", "code", "answer"),
    [
        (Asked.ALWAYS, "CA", Answer.COMMITTED),
        (Asked.SUCCESS, "CA", Answer.COMMITTED),
        (Asked.ERRORS, "CA", Answer.COMMITTED),
        (Asked.NEVER, "CA", Answer.ACCEPTED),
        (Asked.ORIGINAL, "CA", Answer.ACCEPTED),
        (Asked.ALWAYS, "CE", Answer.TRY_AGAIN),
        (Asked.ALWAYS, "CR", Answer.REFUSED),
        (Asked.ALWAYS, "AA", Answer.ACCEPTED),
        (Asked.ALWAYS, "AE", Answer.REFUSED),
    ],
)
def test_what_the_first_answer_means_depends_on_what_was_asked(asked: Asked, code: str, answer: Answer) -> None:
    """Only CA changes its meaning: it is the end where nothing else was asked for."""
    found = read_mllp(ack(f"MSA|{code}|{SENT}"), control_id=SENT, charset="utf-8", asked=asked)
    assert isinstance(found, Acknowledgement)
    assert (found.answer, found.code) == (answer, code)
    assert set(ENHANCED) == set(Asked) - {Asked.ORIGINAL}


def said(payload: bytes) -> Said:
    """Read an acknowledgement of whichever message."""
    found = said_by(payload, charset="utf-8")
    assert isinstance(found, Said)
    return found


def test_an_answer_names_its_message() -> None:
    """MSA-2, whatever it is; the meaning is the table's."""
    found = said(ack("MSA|AE|ABCDEM3", "ERR||PID^1^3|204^Unknown key^HL70357|E||||No such patient"))
    assert (found.control_id, found.code, found.errors, found.is_application) == ("ABCDEM3", "AE", ("204",), True)
    assert meaning(found, asked=Asked.ALWAYS) == Acknowledgement(
        answer=Answer.REFUSED, code="AE 204", text="No such patient; 204 Unknown key"
    )
    assert not said(ack("MSA|CA|ABCDEM3")).is_application


@pytest.mark.parametrize(
    ("wish", "code", "wants"),
    [("AL", "AA", True), ("AL", "AE", True), ("NE", "AA", False), ("", "AA", False), ("SU", "AA", True), ("SU", "AE", False), ("ER", "AA", False), ("ER", "AR", True)],
)  # fmt: skip
def test_which_answers_want_to_be_acknowledged(wish: str, code: str, wants: bool) -> None:
    """MSH-15 of the answer, table 0155."""
    header = f"MSH|^~\\&|RECORD|WARD|PADPOST|BENCH|20261125070001||ACK^R01^ACK|77|P|2.5.1|||{wish}|NE"
    assert wants_commit(said(f"{header}\rMSA|{code}|{SENT}\r".encode())) is wants


def test_our_acknowledgement_is_one_that_the_standard_knows() -> None:
    """Read by the PyPI hl7 package: names changed places, the event kept, MSA-2 is the answer's own control ID."""
    made = committing(said(ack(f"MSA|AA|{SENT}")), code="CA", control_id="ABCDEM18", at=datetime(2026, 11, 25, 8, 0, tzinfo=UTC))
    assert made.decode() == ("MSH|^~\\&|PADPOST|BENCH|RECORD|WARD|20261125080000+0000||ACK^R01^ACK|ABCDEM18|P|2.5.1\rMSA|CA|77\r")
    parsed = hl7.parse(made.decode())
    assert (str(parsed.segment("MSA")(1)), str(parsed.segment("MSA")(2))) == ("CA", "77")


def test_an_answer_with_its_own_separators_is_acknowledged_in_them() -> None:
    """MSH-1 and MSH-2 are the sender's choice; a header without an event has the plain type ACK."""
    made = committing(
        said(f"MSH#*~\\&#R##P####ACK#9#T#2.3\rMSA#AA#{SENT}\r".encode()),
        code="CE",
        control_id="A1",
        at=datetime(2026, 11, 25, 8, 0, tzinfo=UTC),
    )
    assert made.decode() == "MSH#*~\\&#P##R##20261125080000+0000##ACK#A1#T#2.3\rMSA#CE#9\r"


@given(
    payload=st.binary(max_size=300)
    | st.lists(st.sampled_from(["MSH", "|", "^", "MSA|AA|1", "\r", "ACK^", ""]), max_size=12).map(
        lambda parts: "".join(parts).encode()
    )
)
def test_whatever_bytes_come_an_acknowledgement_of_them_never_fails(payload: bytes) -> None:
    """A stray, or something that can be read, meant and acknowledged."""
    found = said_by(payload, charset="utf-8")
    if isinstance(found, Said):
        assert meaning(found, asked=Asked.ALWAYS).code
        assert committing(found, code="CA", control_id="A1", at=datetime(2026, 11, 25, tzinfo=UTC)).startswith(b"MSH")
