"""A name server's answers, given by hand: a machine without a name server cannot make both (getaddrinfo(3))."""

from __future__ import annotations

import asyncio
import socket
import warnings
from collections.abc import Iterator
from contextlib import contextmanager

import pytest


@contextmanager
def names_answered(fault: int) -> Iterator[None]:
    """Answer every name with ``fault``, an EAI number, in the loops made meanwhile: asyncio's own, since uvloop asks libuv's resolver."""

    def resolve(*_: object, **__: object) -> None:
        raise socket.gaierror(fault, "as scripted")

    with warnings.catch_warnings(), pytest.MonkeyPatch.context() as patch:
        warnings.simplefilter("ignore", DeprecationWarning)  # as in tests/conftest.py
        before = asyncio.get_event_loop_policy()
        asyncio.set_event_loop_policy(None)
        patch.setattr(socket, "getaddrinfo", resolve)
        try:
            yield
        finally:
            asyncio.set_event_loop_policy(before)
