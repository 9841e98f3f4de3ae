"""Signals by web hook against a receiver that checks each signature by itself."""

from __future__ import annotations

import asyncio
import json
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from bridge.deliver.notice import NoticeClient, body_of
from bridge.settings import NoticeWay
from bridge.signals.machine import What
from bridge.signals.told import Told
from tests.deliver.test_hook import made
from tests.peers.hook_receiver import HookReceiver

NOW = datetime(2026, 11, 26, 7, tzinfo=UTC)
TOLD = Told(
    identity="ABCDE-12",
    thread="ABCDE-signal-3",
    what=What.REPEATED,
    headline="A receiver takes nothing",
    text="- records",
    at=NOW,
)


def say(url: str, folder: Path, *, now: datetime = NOW, **more: Any) -> str:
    """Say it once; give the fault."""

    async def once() -> str:
        way = NoticeWay.model_validate({"kind": "hook", "name": "pager", "url": url, "signing": {"keys": str(folder)}, **more})
        client = NoticeClient(way, site="Test Clinic", now=lambda: now, answer_s=10)
        try:
            return await client.say(TOLD)
        finally:
            await client.close()

    return asyncio.run(asyncio.wait_for(once(), 30))


def test_a_word_is_posted_signed_and_once(tmp_path: Path) -> None:
    """The receiver knows who sent it; a second try has the same identity, so that it files once."""
    with HookReceiver(made(tmp_path, "ES256")) as receiver:
        assert [say(receiver.url, tmp_path), say(receiver.url, tmp_path)] == ["", ""]
    assert receiver.refused == []
    ((identity, body),) = receiver.taken.items()
    assert identity == '"ABCDE-12"'
    assert json.loads(body) == {
        "id": "ABCDE-12",
        "signal": "ABCDE-signal-3",
        "what": "repeated",
        "site": "Test Clinic",
        "headline": "Still: A receiver takes nothing",
        "text": "- records",
        "at": "2026-11-26T07:00:00+00:00",
    }
    assert receiver.seen[0]["content-type"] == "application/json"
    assert body == body_of(TOLD, site="Test Clinic")


def test_a_fault_is_said_in_words(tmp_path: Path) -> None:
    """An answer that is no yes, nobody there, and a key that is not there or not valid any more."""
    with HookReceiver(made(tmp_path, "ES256")) as receiver:
        receiver.answer(503)
        assert say(receiver.url, tmp_path) == "The address answered 503."
        receiver.answer(302, location="http://127.0.0.1/")
        assert say(receiver.url, tmp_path) == "The address answered 302."
        assert "No key in" in say(receiver.url, tmp_path, now=NOW + timedelta(days=4_000))
        assert "cannot be read" in say(receiver.url, tmp_path / "nowhere")
    assert say(receiver.url, tmp_path).startswith("The address gives no answer: ")
