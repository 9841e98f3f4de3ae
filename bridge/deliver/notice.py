"""Signals by a signed web hook: one POST of JSON a word, signed as results are (hook.py)."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import datetime

from bridge.credentials.keys import FOR_HOOKS, KeyFolder
from bridge.deliver.hook import signed_headers
from bridge.deliver.http import Poster, target_uri
from bridge.errors import SettingsError
from bridge.lifecycle.answers import HttpReply
from bridge.settings import NoticeWay
from bridge.signals.told import Told

ANSWER_S = 20.0  # ours: as a mail server has
LONGEST_REPLY = 10_000  # bytes; ours: nothing of it is read
JSON_TYPE = "application/json"  # RFC 8259, 11
TAKEN = range(200, 300)  # RFC 9110, 15.3


class NoticeClient:
    """Posts to one address. Each try is signed anew, by the newest valid key."""

    def __init__(self, settings: NoticeWay, *, site: str, now: Callable[[], datetime], answer_s: float = ANSWER_S) -> None:
        """``site`` is the laboratory's name."""
        self._settings = settings
        self._site = site
        self._now = now
        self._keys = KeyFolder(settings.signing.keys, FOR_HOOKS, ("signing", "keys"))
        self._poster = Poster(answer_s=answer_s, longest_reply=LONGEST_REPLY, tls=settings.tls, home=settings.url)

    async def say(self, told: Told) -> str:
        """Post it; give "" for an answer of 200 to 299, else why it did not go. Raises nothing for what the receiver or the network does."""
        now, body = self._now(), body_of(told, site=self._site)
        try:
            headers = signed_headers(
                self._keys.signing(now),
                target=target_uri(self._settings.url),
                body=body,
                media_type=JSON_TYPE,
                control_id=told.identity,
                now=now,
            )
        except (SettingsError, ValueError) as error:
            return str(error) if isinstance(error, SettingsError) else "The address cannot be used as it is."
        reply = await self._poster.post(self._settings.url, body, headers)
        if not isinstance(reply, HttpReply):
            silence, words = reply
            return f"The address gives no answer: {words or str(silence)}"
        return "" if reply.status in TAKEN else f"The address answered {reply.status}."

    async def close(self) -> None:
        """Close every connection."""
        await self._poster.close()


def body_of(told: Told, *, site: str) -> bytes:
    """Give the JSON that is posted; docs/signals.md describes it."""
    said = {
        "id": told.identity,
        "signal": told.thread,
        "what": told.what,
        "site": site,
        "headline": told.subject,
        "text": told.text,
        "at": told.at.isoformat(timespec="seconds"),
    }
    return json.dumps(said, ensure_ascii=False).encode()
