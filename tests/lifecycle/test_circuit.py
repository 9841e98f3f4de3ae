"""Every pair of a receiver's circuit and what happens to it, and what each answer says of the receiver."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.lifecycle.answers import FOLDER, HTTP, MLLP, SILENCE, FolderEnd, Silence, no_answer, read_folder
from bridge.lifecycle.circuit import CIRCUIT_STEPS, Circuit, Sign, circuit_step, sign_of
from bridge.model import Acknowledgement, Answer

C, S = Circuit, Sign

# By hand, from the promises: one message at a time while there is doubt, and a rest ends by its time or by an answer alone.
COLUMNS = (S.ANSWERED, S.PROVED, S.FAILED, S.WORN, S.UNREACHED, S.RESTED)
GRID = """
flows   flows   flows   flows   rests   rests   .
rests   probed  flows   rests   rests   rests   probed
probed  probed  flows   rests   rests   rests   .
"""
EXPECTED = {
    (C(name), sign): cell
    for name, *cells in (line.split() for line in GRID.split("\n") if line)
    for sign, cell in zip(COLUMNS, cells, strict=True)
}


def test_the_grid_has_every_pair() -> None:
    """3 states times 6 signs."""
    assert sorted(EXPECTED) == sorted((state, sign) for state in C for sign in S)
    assert {pair for pair, cell in EXPECTED.items() if cell != "."} == set(CIRCUIT_STEPS)


@pytest.mark.parametrize(("state", "sign"), EXPECTED, ids=lambda part: part.name.lower())
def test_each_pair_is_allowed_or_refused(state: Circuit, sign: Sign) -> None:
    """A rest that ends where there is none is a defect, and says so."""
    if EXPECTED[state, sign] == ".":
        with pytest.raises(ValueError, match="cannot meet"):
            circuit_step(state, sign)
    else:
        assert circuit_step(state, sign) is C(EXPECTED[state, sign])


@given(st.lists(st.sampled_from(S), max_size=30))
def test_no_walk_goes_from_rest_to_flow_without_an_answer(signs: list[Sign]) -> None:
    """Time alone never lets all lanes go again."""
    state = C.FLOWS
    for sign in signs:
        if (state, sign) in CIRCUIT_STEPS:
            after = circuit_step(state, sign)
            assert after is not C.FLOWS or state is C.FLOWS or sign is S.PROVED
            state = after


@pytest.mark.parametrize(
    ("code", "sign"),
    [
        # HL7 tables 0008 and 0357: what is the message's own matter, and what is the receiver's
        ("AR", S.FAILED),
        ("AR 207", S.FAILED),
        ("CE", S.FAILED),
        ("AR 206", S.ANSWERED),
        ("AE 207", S.ANSWERED),  # where a site says that it means: later
        # RFC 9110 and 6585
        ("HTTP 500", S.FAILED),
        ("HTTP 503", S.FAILED),
        ("HTTP 408", S.FAILED),
        ("HTTP 409", S.ANSWERED),
        ("HTTP 425", S.ANSWERED),
        ("HTTP 429", S.ANSWERED),
        ("timeout", S.FAILED),
        ("connection lost", S.FAILED),
        ("answer too long", S.FAILED),
        ("no connection", S.UNREACHED),
        ("no room", S.FAILED),
        ("write failed", S.FAILED),
        ("interrupted", None),
        ("fault of our own", None),
    ],
)
def test_what_a_later_says_of_the_receiver(code: str, sign: Sign | None) -> None:
    """Trouble of the receiver, a matter of that message, or our own doing."""
    assert sign_of(Acknowledgement(answer=Answer.TRY_AGAIN, code=code)) is sign


def test_a_wait_that_the_receiver_names_is_an_answer() -> None:
    """503 with Retry-After: it lives, and says when; that wait holds, and no other is added."""
    assert sign_of(Acknowledgement(answer=Answer.TRY_AGAIN, code="HTTP 503", retry_after_s=30.0)) is S.ANSWERED


def test_no_answer_about_one_message_speaks_against_the_receiver() -> None:
    """AE, AR 204, 422, 412: a receiver that refuses works. Every row of the tables has a sign that fits what it means."""
    for answer in (Answer.ACCEPTED, Answer.COMMITTED, Answer.REFUSED):
        for code in ("AA", "CA", "AE", "AE 204", "AR 204", "CR", "HTTP 422", "HTTP 412", "HTTP 500"):
            assert sign_of(Acknowledgement(answer=answer, code=code)) is S.ANSWERED
    assert {
        sign_of(Acknowledgement(answer=Answer.CLOSED, code=f"HTTP {key}"))
        for key, row in HTTP.items()
        if row.answer is Answer.CLOSED
    } == {S.UNREACHED}
    later = {
        f"{code} {reason}".removesuffix(" none").removesuffix(" any").removesuffix(" other")
        for (code, reason), row in MLLP.items()
        if row.answer is Answer.TRY_AGAIN
    }
    assert {code for code in later if sign_of(Acknowledgement(answer=Answer.TRY_AGAIN, code=code)) is S.ANSWERED} == {"AR 206"}


def test_every_silence_and_every_end_of_a_file_has_its_sign() -> None:
    """None is forgotten: what is tried again counts against the receiver, but for what we did ourselves."""
    signs = {silence: sign_of(no_answer(silence)) for silence in SILENCE}
    assert {silence for silence, sign in signs.items() if sign is None} == {Silence.INTERRUPTED, Silence.FAULT}
    assert {silence for silence, sign in signs.items() if sign is S.ANSWERED} == {Silence.UNFRAMED}
    ends = {end: sign_of(read_folder(end)) for end in FOLDER}
    assert {end for end, sign in ends.items() if sign is S.FAILED} == {FolderEnd.FULL, FolderEnd.FAULT}
