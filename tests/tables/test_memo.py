"""What is kept beside a table set is the same as what would be worked out anew, and cannot grow without end."""

from __future__ import annotations

from dataclasses import replace

from bridge.tables.memo import Memo
from tests.check.tables_for_tests import TABLES


def test_an_answer_is_made_once() -> None:
    """The second time the same object is given, and nothing is worked out."""
    known, of, made = Memo(), object(), []

    def answer() -> list[int]:
        made.append(1)
        return made

    assert known.once("question", of, answer) is known.once("question", of, answer)
    assert made == [1]


def test_another_object_under_the_same_question_gets_its_own() -> None:
    """A step of another ladder, or of a table set put together by hand, must never get this one's answer."""
    known, one, other = Memo(), object(), object()
    assert known.once("question", one, lambda: 1) == 1
    assert known.once("question", other, lambda: 2) == 2
    assert known.once("question", one, lambda: 3) == 3


def test_it_keeps_no_more_than_its_bound() -> None:
    """Texts that no vocabulary has are without number: at the bound everything is forgotten, and made anew when it is asked for."""
    known, of = Memo(most=2), object()
    answers = iter(range(10))
    assert [known.once(question, of, lambda: next(answers)) for question in "abab"] == [0, 1, 0, 1]
    assert [known.once(question, of, lambda: next(answers)) for question in "ccb"] == [2, 2, 3]


def test_a_table_set_with_something_replaced_begins_anew() -> None:
    """Answers of the tables before an edit must not outlive it."""
    TABLES.memo.once("question", TABLES, lambda: 1)
    assert replace(TABLES, digest="other").memo is not TABLES.memo
