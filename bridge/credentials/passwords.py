"""Passwords are hashed and compared here, off the event loop and few at a time: each takes 19 MiB and some hundredths of a second."""

from __future__ import annotations

import asyncio

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError

# OWASP Password Storage Cheat Sheet (from memory): Argon2id with 19 MiB, two passes, one lane
MEMORY_KIB, PASSES, LANES = 19_456, 2, 1
AT_ONCE = 2  # ours: 38 MiB; whoever floods sign-in waits for himself, and judging keeps its processor
_NOBODY = "$argon2id$v=19$m=19456,t=2,p=1$MDEyMzQ1Njc4OTAxMjM0NQ$AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA"


class Passwords:
    """Makes and compares hashes."""

    def __init__(self, at_once: int = AT_ONCE) -> None:
        self._hasher = PasswordHasher(time_cost=PASSES, memory_cost=MEMORY_KIB, parallelism=LANES)
        self._free = asyncio.Semaphore(at_once)

    async def hash(self, password: str) -> str:
        """Give a password's hash with its own salt, in Argon2's text form."""
        async with self._free:
            return await asyncio.to_thread(self._hasher.hash, password)

    async def is_right(self, secret: str, password: str) -> bool:
        """Say whether ``password`` is the one of the hash ``secret``. With "" the work is the same, and the answer no."""
        async with self._free:
            return await asyncio.to_thread(self._compare, secret or _NOBODY, password) and bool(secret)

    def _compare(self, secret: str, password: str) -> bool:
        try:
            return self._hasher.verify(secret, password)
        except (VerificationError, InvalidHashError):
            return False
