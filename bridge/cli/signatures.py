"""What ``check`` and ``sign-off`` say of signatures: who signed the tables in use, and what changed since the last signed ones."""

from __future__ import annotations

from collections.abc import Iterator

from bridge import settings
from bridge.errors import SettingsError
from bridge.sign_off import last_signed, read_signatures
from bridge.site import terms_of
from bridge.tables.differences import differences
from bridge.tables.signatures import SHOWN, Signature, newest_signature
from bridge.tables.types import Tables


def live_destinations(config: settings.Settings) -> list[str]:
    """Name the destinations that need a signature."""
    return [each.name for each in config.destinations if terms_of(config, each).is_live]


def signature_lines(config: settings.Settings, tables: Tables) -> Iterator[tuple[str, str]]:
    """Give a line for each live destination whose tables are signed, or the fault of a file that cannot be read."""
    try:
        signature = newest_signature(read_signatures(config.signed_off), tables.digest)
    except SettingsError as error:
        yield "signatures", str(error)
        return
    if signature:
        for name in live_destinations(config):
            yield f"destination {name} is live; its tables, {tables.digest[:SHOWN]}, signed by {said(signature, config)}", ""


def unsigned(config: settings.Settings, tables: Tables) -> Iterator[str]:
    """Warn of live destinations that stay shut because nobody signed the tables in use, with what changed since the last signed ones."""
    live = live_destinations(config)
    try:
        signatures = read_signatures(config.signed_off)
    except SettingsError:  # told as a fault by signature_lines
        return
    if live and newest_signature(signatures, tables.digest) is None:
        told = "\n".join((_shut(live, tables), *changed(config, tables, signatures)))
        yield told


def _shut(live: list[str], tables: Tables) -> str:
    stays = "is live and stays" if len(live) == 1 else "are live and stay"
    return f"{', '.join(live)} {stays} shut: nobody has signed the tables in use, {tables.digest[:SHOWN]} (padpost sign-off)"


def changed(config: settings.Settings, tables: Tables, signatures: tuple[Signature, ...]) -> Iterator[str]:
    """Give what changed since the last signed table set, a line each, indented."""
    last = last_signed(config.signed_off, signatures, apart_from=tables.digest)
    if last is None:
        yield "  no other signed tables are kept to compare with: the whole table set is to be checked"
        return
    signature, content = last
    lines = differences(content, tables.canonical)
    yield f"  changed since the tables {signature.tables[:SHOWN]}, signed by {said(signature, config)}:"
    yield from (f"    {line}" for line in lines or ("nothing but the form in which tables are kept",))


def said(signature: Signature, config: settings.Settings) -> str:
    """Give name, local time and words on one line."""
    at = signature.at.astimezone(config.site.zone).isoformat(sep=" ", timespec="minutes")
    return " ".join(f"{signature.by}, {at}{f': {signature.words}' if signature.words else ''}".split())
