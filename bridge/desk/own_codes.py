"""Codes in place of a password that Padpost does not know: who showed the hospital's directory their password just now gets one, for one use.

In memory: a code lives for minutes, and after a restart one gets another. Where several processes serve pages, a code is good in the one that gave it.
"""

from __future__ import annotations

import hmac
from collections.abc import Callable
from datetime import datetime, timedelta

from bridge.accounts.policy import code_text, plain_code

LASTS = timedelta(minutes=5)  # ours: to go back to the other page and type it
LASTS_WORDS = "5 minutes"
CODE_BYTES = 5  # ours: 40 bits; wrong ones are counted by name, so that four or five are tried in its time


class OwnCodes:
    """The codes that are out, one an account."""

    def __init__(self, now: Callable[[], datetime], random: Callable[[int], bytes]) -> None:
        """``random`` gives so many unguessable bytes."""
        self._now = now
        self._random = random
        self._out: dict[int, tuple[str, datetime]] = {}

    def give(self, account_id: int) -> str:
        """Give an account's new code; an earlier one is good no more."""
        now = self._now()
        self._out = {each: kept for each, kept in self._out.items() if now < kept[1]}
        code = code_text(self._random(CODE_BYTES))
        self._out[account_id] = code, now + LASTS
        return code

    def take(self, account_id: int, typed: str) -> bool:
        """Say whether this is the account's code; a right one is spent."""
        out = self._out.get(account_id)
        if out is None:
            return False
        code, until = out
        is_right = hmac.compare_digest(code.encode(), plain_code(typed).encode("utf-8", "replace")) and self._now() < until
        if is_right:
            del self._out[account_id]
        return is_right
