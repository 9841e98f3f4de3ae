"""Hashes are Argon2id by the terms that OWASP gives (Password Storage Cheat Sheet, from memory: 19 MiB, 2 passes, 1 lane)."""

from __future__ import annotations

import asyncio
import threading

from argon2 import extract_parameters
from argon2.low_level import Type

from bridge.credentials.passwords import _NOBODY, Passwords


def test_a_hash_is_made_and_compared() -> None:
    """With its own salt; another password, no hash and a broken one are all no."""

    async def tried() -> tuple[str, list[bool]]:
        passwords = Passwords()
        made = await passwords.hash("four plain garden words")
        assert made != await passwords.hash("four plain garden words")
        return made, [
            await passwords.is_right(made, "four plain garden words"),
            await passwords.is_right(made, "four plain garden word"),
            await passwords.is_right("", "four plain garden words"),
            await passwords.is_right("$argon2id$broken", "four plain garden words"),
        ]

    made, found = asyncio.run(tried())
    assert found == [True, False, False, False]
    kept = extract_parameters(made)
    assert (kept.type, kept.memory_cost, kept.time_cost, kept.parallelism) == (Type.ID, 19_456, 2, 1)


def test_an_account_that_is_not_there_costs_the_same_work() -> None:
    """Its stand-in has the same terms, so time tells nobody which names there are (OWASP ASVS 5.0 6.3.8)."""
    kept = extract_parameters(_NOBODY)
    assert (kept.type, kept.memory_cost, kept.time_cost, kept.parallelism) == (Type.ID, 19_456, 2, 1)


def test_few_are_compared_at_a_time_and_none_on_the_event_loop() -> None:
    """A flood of sign-ins waits in line."""
    under_way, most, loop_thread = 0, 0, threading.get_ident()
    lock = threading.Lock()

    class Watched(Passwords):
        def _compare(self, secret: str, password: str) -> bool:
            nonlocal under_way, most
            assert threading.get_ident() != loop_thread
            with lock:
                under_way += 1
                most = max(most, under_way)
            try:
                return super()._compare(secret, password)
            finally:
                with lock:
                    under_way -= 1

    async def flood() -> None:
        passwords = Watched(at_once=2)
        await asyncio.gather(*(passwords.is_right("", "x") for _ in range(6)))

    asyncio.run(flood())
    assert most == 2
