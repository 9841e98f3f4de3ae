"""The reads of additions use their indexes, however many strips there are."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from bridge.store.sqlite import SqliteStore
from tests.store.addition_contract import waiting
from tests.store.plans import plans


@pytest.mark.parametrize(
    ("ask", "indexes"),
    [
        (lambda store: store.awaited(), ("additions_awaited_open", "strips_reading")),
        (lambda store: store.awaited_of("W1"), ("additions_awaited_result", "strips_reading")),
        (lambda store: store.awaited_named("4711"), ("additions_awaited_open", "strips_reading")),
        (lambda store: store.awaited_count(), ("additions_awaited_open",)),
        (lambda store: store.next_awaited_due(), ("additions_awaited_open",)),
        (lambda store: store.reading_facts(1, 0, record_digest="d"), ("additions_reading",)),
    ],
    ids=["list", "of a result", "by a label", "count", "next end", "facts"],
)
def test_no_question_walks_through_all_strips(
    store: SqliteStore, ask: Callable[[SqliteStore], object], indexes: tuple[str, ...]
) -> None:
    """What waits is found by the index of what is open, its strip by its capture: asked of the queries that the store makes."""
    waiting(store, "W1")
    lines = plans(store, lambda: ask(store))
    assert [line for line in lines if line.startswith("SCAN") and "INDEX additions_awaited_open" not in line] == []
    assert [index for index in indexes if not any(index in line for line in lines)] == []
