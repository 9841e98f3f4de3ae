"""What every journey shares: each message plan is shown to the oracles once in a run, not by every bridge that starts with an empty store."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from bridge import plan_book
from bridge.plan_book import PlanBook


@pytest.fixture(scope="session", autouse=True)
def _asked_once() -> Iterator[None]:
    """Keep what the real child said of a plan for the bridges that start in this process later, as a store keeps it: passes alone, by the plan's digest.

    A plan takes the child a second of the processor, and a bridge has half a dozen. test_morning.py starts the program as it is; that the child
    is asked, and what its answer does, tests/test_plan_book.py shows.
    """
    passed: set[str] = set()
    ask = plan_book.oracle_faults_in_child

    async def asked(book: PlanBook, destination: str, digests: frozenset[str]) -> dict[str, str]:
        new = digests - passed
        answers = await ask(book, destination, new) if new else {}
        passed.update(digest for digest, fault in answers.items() if not fault)
        return dict.fromkeys(digests - new, "") | answers

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(plan_book, "oracle_faults_in_child", asked)
        yield
