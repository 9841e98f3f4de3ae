"""An envelope raced by two, and guessed at; what people see is in tests/pages/test_envelopes.py (HZ-J04)."""

from __future__ import annotations

import asyncio
import secrets
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest

from bridge.accounts.people import Terms
from bridge.credentials.passwords import Passwords
from bridge.desk.access import Access
from bridge.desk.envelopes import EnvelopeDesk
from bridge.errors import RefusedAction
from bridge.store.sqlite import SqliteStore
from tests.store.strips import BO, NOW

TERMS = Terms(idle=timedelta(minutes=15), longest=timedelta(hours=12))
HERE = "from 10.0.0.7"


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[EnvelopeDesk]:
    """Give a desk over an empty store."""
    store = SqliteStore(tmp_path / "store", now=lambda: NOW)
    access = Access(store, TERMS, Passwords(), now=lambda: NOW, token=lambda: secrets.token_urlsafe(32))
    yield EnvelopeDesk(store, access, lambda: NOW, secrets.token_bytes)
    store.close()


async def opens(
    desk: EnvelopeDesk, secret: str, *, by: str = "Ana Lima", why: str = "directory down", address: str = HERE
) -> str:
    """Give "" where it opens, else why not."""
    try:
        await desk.open(secret, by=by, why=why, address=address)
    except RefusedAction as error:
        return str(error)
    return ""


def test_of_two_who_open_one_envelope_one_comes_in(desk: EnvelopeDesk) -> None:
    """A photograph of what stood in it is worth nothing afterwards."""
    secret = desk.seal(reason="yearly", actor=BO)

    async def race() -> list[str]:
        return list(await asyncio.gather(opens(desk, secret), opens(desk, secret, address="from 10.0.0.8")))

    said = asyncio.run(race())
    assert sorted(bool(each) for each in said) == [False, True]


def test_guesses_wait_and_the_right_one_from_elsewhere_does_not(desk: EnvelopeDesk) -> None:
    """Whoever guesses at one machine cannot keep others from the envelope in an emergency; before one was sealed nothing is right."""
    assert "newest envelope" in asyncio.run(opens(desk, "AAAA-BBBB"))
    secret = desk.seal(reason="yearly", actor=BO)

    async def guess() -> list[str]:
        return [await opens(desk, "AAAA") for _ in range(6)]

    assert [each.partition(" ")[0] for each in asyncio.run(guess())] == ["This"] * 4 + ["Too"] * 2
    assert asyncio.run(opens(desk, secret.lower().replace("-", " "), address="from 10.0.0.8")) == ""


def test_a_name_and_a_reason_are_asked_for_before_anything_is_spent(desk: EnvelopeDesk) -> None:
    """Then the same envelope opens."""
    secret = desk.seal(reason="yearly", actor=BO)
    assert len(secret.replace("-", "")) == 26
    assert "Give a name" in asyncio.run(opens(desk, secret, by=" "))
    assert "Give a reason" in asyncio.run(opens(desk, secret, why=" "))
    assert asyncio.run(opens(desk, secret)) == ""
    for wrong in ("", " "):
        with pytest.raises(RefusedAction, match="reason"):
            desk.seal(reason=wrong, actor=BO)
        with pytest.raises(RefusedAction, match="reason"):
            desk.look_into(1, reason=wrong, actor=BO)
