"""What a way out needs to encrypt, to sign in and to sign, and a way in to encrypt: whether it can be used now, and what will soon run out. Nothing is sent.

Certificates' dates and signing keys are read by 11 MB of libraries, which are loaded only where a destination has such things.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from bridge.credentials.files import is_open_to_others
from bridge.credentials.tls import client_context, server_context
from bridge.errors import SettingsError
from bridge.settings import (
    DestinationShape,
    HookDestination,
    HttpDestination,
    KeyPath,
    MailWay,
    MllpDestination,
    NoticeWay,
    SourceShape,
    Tls,
)

if TYPE_CHECKING:
    from bridge.credentials.keys import KeyFolder


WayOut = DestinationShape | MailWay | NoticeWay
Way = WayOut | SourceShape


def faults(way: WayOut, *, now: datetime) -> Iterator[SettingsError]:
    """Give an error for each secret, file and key that cannot be used; its path begins at the destination, or at the way of signals."""
    for path, use in (*_tls_uses(way), *_sign_in_uses(way), *_key_uses(way, now)):
        try:
            use()
        except SettingsError as error:
            yield SettingsError(error.sentence, remedy=error.remedy, path=error.path or path)


def warnings(way: Way, *, now: datetime) -> Iterator[str]:
    """Give in words what runs out within 30 days, or can be read by others. What cannot be used at all is a fault and left out."""
    try:
        for tls in filter(None, (_tls(way), _tls_of_answers(way))):
            yield from _tls_words(tls, now)
    except (SettingsError, OSError):
        return
    for folder, path in _folders(way):
        yield from _key_words(folder, path, now)


def _tls_words(tls: Tls, now: datetime) -> Iterator[str]:
    from bridge.credentials.validity import expiry_words, validities  # noqa: PLC0415 - see above

    yield from filter(None, (expiry_words(each, now=now) for each in validities(tls)))
    if tls.key is not None and is_open_to_others(tls.key):
        yield f"the key {tls.key.name} can be read by every user of this machine: take that right away (chmod o-rwx)"


def _tls(way: Way) -> Tls | None:
    tls: Tls | None = getattr(way, "tls", None)
    return tls


def _tls_of_answers(way: Way) -> Tls | None:
    """Give what the receiver of ``way`` meets where it calls us with its answers."""
    return way.answers_on.tls if isinstance(way, MllpDestination) and way.answers_on is not None else None


def _tls_uses(destination: WayOut) -> Iterator[tuple[KeyPath, Callable[[], object]]]:
    for tls, path, context in (
        (_tls(destination), (), client_context),
        (_tls_of_answers(destination), ("answers_on",), server_context),
    ):
        if tls is None:
            continue
        if tls.key_password is not None:
            yield (*path, "tls", "key_password", "env"), tls.key_password.value
        yield (*path, "tls"), partial(_under, path, context, tls)


def _under(path: KeyPath, context: Callable[[Tls], object], tls: Tls) -> None:
    """Try ``context`` of ``tls``, which stands under ``path`` of its destination. Raises SettingsError."""
    try:
        context(tls)
    except SettingsError as error:
        raise SettingsError(error.sentence, remedy=error.remedy, path=(*path, *error.path)) from error


def _sign_in_uses(destination: WayOut) -> Iterator[tuple[KeyPath, Callable[[], object]]]:
    if isinstance(destination, MailWay) and destination.password is not None:
        yield ("password", "env"), destination.password.value
    if not isinstance(destination, HttpDestination):
        return
    if destination.bearer is not None:
        yield ("bearer", "env"), destination.bearer.value
    if destination.basic is not None:
        yield ("basic", "password", "env"), destination.basic.password.value


def _key_uses(destination: WayOut, now: datetime) -> Iterator[tuple[KeyPath, Callable[[], object]]]:
    for folder, path in _folders(destination):
        yield path, partial(_keys(folder, path).signing, now)


def _folders(way: Way) -> Iterator[tuple[Path, tuple[str, str]]]:
    """Give each folder of keys with the setting that names it."""
    if isinstance(way, HttpDestination) and way.oauth is not None:
        yield way.oauth.keys, ("oauth", "keys")
    if isinstance(way, HookDestination | NoticeWay):
        yield way.signing.keys, ("signing", "keys")


def _keys(folder: Path, path: tuple[str, str]) -> KeyFolder:
    from bridge.credentials.keys import FOR_HOOKS, FOR_TOKENS, KeyFolder  # noqa: PLC0415 - see above

    return KeyFolder(folder, FOR_TOKENS if path[0] == "oauth" else FOR_HOOKS, path)


def _key_words(folder: Path, path: tuple[str, str], now: datetime) -> Iterator[str]:
    from bridge.credentials.keys import any_is_open_to_others  # noqa: PLC0415 - see above
    from bridge.credentials.validity import NOTICE  # noqa: PLC0415 - see above

    try:
        keys = _keys(folder, path).keys()
        is_open = any_is_open_to_others(folder)
    except (SettingsError, OSError):
        return
    ends = max((key.ends for key in keys), default=now)
    if now < ends <= now + NOTICE:
        yield f"the last key in {folder.name} signs until {ends:%Y-%m-%d}: make the next one now, so that the other side knows it in time"
    if is_open:
        yield f"a key in {folder.name} can be read by every user of this machine: take that right away (chmod o-rwx)"
