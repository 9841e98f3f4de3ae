"""Passwords, codes and back-off. NIST SP 800-63B, from memory: length and a list, no composition; throttled guesses."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.accounts.policy import (
    CODE_BYTES,
    FREE_TRIES_OF_ADDRESS,
    code_text,
    counted,
    free_again_at,
    normal,
    password_fault,
    plain_code,
    plain_name,
    wait_after,
)  # fmt: skip

NOW = datetime(2026, 11, 25, 12, 0, tzinfo=UTC)


@pytest.mark.parametrize(("password", "word"), [
    ("four plain garden words", ""), ("häst-äpple-öga", ""), ("x" * 7 + "abcde", ""), ("eleven char", "12 characters at least"),
    ("a b" * 90, "256 characters at most"), ("Password Password", "first that anybody"), ("aaaaaaaaaaaa", "first that anybody"),
    ("Maria da Silva", "first that anybody"),
])  # fmt: skip
def test_a_password_is_long_and_not_one_that_everybody_tries(password: str, word: str) -> None:
    """Blanks and letters of every script count; the own name and the usual ones do not pass."""
    fault = password_fault(password, name="maria da silva")
    assert (word in fault) if word else not fault


@pytest.mark.parametrize(("typed", "kept"), [
    (" Ada  Reis ", "Ada Reis"), ("Bo", "Bo"), ("x" * 60, "x" * 60), ("x" * 61, ""), ("A", ""), (" ", ""), ("a\x07b", ""), ("a\nb", "a b"),
])  # fmt: skip
def test_a_name_is_kept_in_one_line_with_one_blank_between_words(typed: str, kept: str) -> None:
    """What stands beside an act must be readable there."""
    assert plain_name(typed) == kept


def test_a_letter_is_one_however_a_keyboard_makes_it() -> None:
    """NFKC: an a with its ring as one sign or as two."""
    assert normal("a\u030angstro\u0308m") == normal("\u00e5ngstr\u00f6m")


@given(st.binary(min_size=CODE_BYTES, max_size=CODE_BYTES))
@settings(max_examples=50)
def test_a_code_is_read_as_it_is_typed(random: bytes) -> None:
    """Small letters, no strokes, blanks between, and 0, 1, 8 for O, I, B, which base 32 (RFC 4648 section 6) has not."""
    code = code_text(random)
    assert len(code) == 19
    assert plain_code(code.lower().replace("-", " ").replace("o", "0").replace("i", "1").replace("b", "8")) == code


def test_waits_double_after_the_free_tries_up_to_a_quarter_of_an_hour() -> None:
    """4 free, then 1, 2, 4 s and so on; 100 guesses take most of a day."""
    assert [wait_after(failures).total_seconds() for failures in (0, 4, 5, 6, 7, 14, 15, 10_000)] == [
        0,
        0,
        1,
        2,
        4,
        512,
        900,
        900,
    ]
    assert sum((wait_after(failures) for failures in range(100)), timedelta()) > timedelta(hours=20)
    assert free_again_at(6, NOW) == NOW + timedelta(seconds=2)
    assert free_again_at(20, NOW, free=FREE_TRIES_OF_ADDRESS) == NOW


def test_wrong_tries_are_forgotten_after_a_day() -> None:
    """And none were made where there was no first one."""
    assert counted(7, NOW - timedelta(hours=23), now=NOW) == 7
    assert (counted(7, NOW - timedelta(hours=24), now=NOW), counted(7, None, now=NOW)) == (0, 0)
