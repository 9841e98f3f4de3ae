"""The service runs on the loop that its speed was measured on."""

from __future__ import annotations

import asyncio

import pytest
import uvloop

from bridge import event_loop


def test_the_service_runs_on_uvloop() -> None:
    """And what it runs gives its answer back."""

    async def loop() -> asyncio.AbstractEventLoop:
        return asyncio.get_running_loop()

    assert type(event_loop.run(loop())) is uvloop.Loop


def test_an_error_comes_out_as_it_is() -> None:
    """The command line tells a wrong site file by its error's class."""

    async def fail() -> None:
        raise LookupError("here")

    with pytest.raises(LookupError, match="here"):
        event_loop.run(fail())


def test_every_test_runs_on_the_same_loop() -> None:
    """asyncio.run in a test must not try another loop's sockets and TLS than the service has (tests/conftest.py)."""

    async def loop() -> asyncio.AbstractEventLoop:
        return asyncio.get_running_loop()

    assert type(asyncio.run(loop())) is uvloop.Loop
