"""Requests by somebody who has said who it is: what FHIR servers and web hooks have in common."""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Mapping
from datetime import datetime
from functools import partial

from bridge.deliver.http import Poster, Reply
from bridge.deliver.sign_in import NoToken, sign_in_of
from bridge.errors import SettingsError
from bridge.lifecycle.answers import HttpReply, Silence
from bridge.settings import HttpDestination


class SignedInPoster:
    """Posts to one destination. What signs in is got anew once after a 401, no more: an account must not be locked by us."""

    def __init__(
        self, settings: HttpDestination, *, longest_reply: int, now: Callable[[], datetime], name: Callable[[], str]
    ) -> None:
        """``name`` gives an identifier that was never given before."""
        self._poster = Poster(answer_s=settings.answer_s, longest_reply=longest_reply, tls=settings.tls, home=settings.address())
        self._sign_in = sign_in_of(settings, self._poster, now=now, name=name)

    async def post(self, address: str, body: bytes, headers: Mapping[str, str]) -> Reply:
        """Post ``body``; give the reply, or how there was none. Raises nothing for either."""
        return await self._signed(partial(self._poster.post, address, body), headers)

    async def get(self, address: str, headers: Mapping[str, str]) -> Reply:
        """Get ``address``; as ``post``."""
        return await self._signed(partial(self._poster.get, address), headers)

    async def _signed(self, ask: Callable[[Mapping[str, str]], Awaitable[Reply]], headers: Mapping[str, str]) -> Reply:
        try:
            if self._sign_in is None:
                return await ask(headers)
            for last in (False, True):
                signed = await self._sign_in.header()
                reply = await ask({**headers, "Authorization": signed})
                if last or not isinstance(reply, HttpReply) or reply.status != 401:
                    break
                self._sign_in.drop(signed)
        except NoToken as refusal:
            return refusal.fault, refusal.text
        except (SettingsError, OSError, UnicodeDecodeError) as error:
            return Silence.SETUP, str(error)
        return reply

    async def close(self) -> None:
        """Close every connection."""
        await self._poster.close()
