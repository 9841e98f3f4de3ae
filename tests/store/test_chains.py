"""Versions of one result at one receiver: whether it may have an earlier one. What a store does with them: correction_contract.py."""

from __future__ import annotations

from dataclasses import replace

import pytest

from bridge.bench.corrections import Kind
from bridge.model import Answer, ResultStatus
from bridge.store.chains import (
    CORRECTED_ALREADY,
    NEVER_LEFT,
    as_sent,
    has_left,
    is_withdrawal,
    may_be_there,
    was_corrected,
    why_not_anew,
)
from bridge.store.sqlite import SqliteStore
from tests.store import strips as s
from tests.store.correction_contract import change
from tests.store.strips import NOW


@pytest.mark.parametrize("code", NEVER_LEFT)
def test_a_try_that_never_left_leaves_nothing_there(store: SqliteStore, code: str) -> None:
    """Given up after it, and discarded by a person: no receiver has it."""
    (first,) = s.post(store, "A1").delivery_ids
    s.end(store, first, s.begin(store, first), Answer.TRY_AGAIN, code, expire=True)
    assert (has_left(store._db(), first), may_be_there(store._db(), "A1", "records")) == (False, False)


@pytest.mark.parametrize(("answer", "code", "is_there"), [
    (Answer.ACCEPTED, "AA", True), (Answer.TRY_AGAIN, "timeout", True), (Answer.REFUSED, "AE 204", False),
])  # fmt: skip
def test_what_left_may_be_there_unless_the_last_word_was_no(
    store: SqliteStore, answer: Answer, code: str, is_there: bool
) -> None:
    """An answer that never came proves nothing; of another receiver nothing is said."""
    (first,) = s.post(store, "A1").delivery_ids
    assert not may_be_there(store._db(), "A1", "records")
    attempt = s.begin(store, first)
    assert may_be_there(store._db(), "A1", "records")
    s.end(store, first, attempt, answer, code, due_at=NOW)
    assert may_be_there(store._db(), "A1", "records") is is_there
    assert not may_be_there(store._db(), "A1", "chart")
    assert has_left(store._db(), first)


def test_the_status_is_the_receivers(store: SqliteStore) -> None:
    """Final where it has nothing, a correction where it may have something; the first version and a withdrawal stay what they are."""
    (first,) = s.post(store, "A1").delivery_ids
    s.attempt(store, first, Answer.ACCEPTED)
    one, two = s.result("A1"), s.result("A1", version=2)
    taken = replace(two, status=ResultStatus.WITHDRAWN)
    assert as_sent(store._db(), one, "records") == one
    assert as_sent(store._db(), two, "chart") == two
    assert as_sent(store._db(), two, "records") == replace(two, status=ResultStatus.CORRECTED)
    assert as_sent(store._db(), taken, "records") == taken


def test_what_was_corrected_is_known_by_either_number(store: SqliteStore) -> None:
    """The old result and the new one: neither strip is read again from the list."""
    (first,) = s.post(store, "A1").delivery_ids
    (other,) = s.post(store, "B1").delivery_ids
    s.attempt(store, first, Answer.ACCEPTED)
    told = change(store, "A1", Kind.MOVED, to="B", new_id="N1")
    assert [was_corrected(store._db(), each) for each in (first, *told.withdrawals, *told.successors, other)] == [
        True,
        True,
        True,
        False,
    ]
    assert [is_withdrawal(store._db(), "A1", version) for version in (1, 2)] == [False, True]
    assert why_not_anew(store._db(), first) == CORRECTED_ALREADY


@pytest.mark.parametrize(("answer", "code", "expire", "is_clear"), [
    (Answer.REFUSED, "AE 204", False, True), (Answer.TRY_AGAIN, "no connection", True, True), (Answer.TRY_AGAIN, "timeout", True, False),
    (Answer.ACCEPTED, "AA", False, False),
])  # fmt: skip
def test_a_strip_is_judged_anew_only_where_no_receiver_may_have_its_result(
    store: SqliteStore, answer: Answer, code: str, expire: bool, is_clear: bool
) -> None:
    """What was turned away, or never left, is nowhere; what was given up without an answer may be there."""
    (first,) = s.post(store, "A1").delivery_ids
    s.end(store, first, s.begin(store, first), answer, code, expire=expire)
    why = why_not_anew(store._db(), first)
    assert (why == "") is is_clear
    assert is_clear or why.startswith("records has this result as it was, or may have it.")
