"""A site's file says how people come in; the first code is for the console."""

from __future__ import annotations

import asyncio
import re
from pathlib import Path

import pytest

from bridge import clock, settings
from bridge.errors import SettingsError
from bridge.letting_in import door_of, first_words
from bridge.store.sqlite import SqliteStore
from tests.site_for_tests import site
from tests.store.strips import BO

NONE = "accounts: {sign_in: none}\n"


def test_a_site_that_says_nothing_has_accounts(tmp_path: Path) -> None:
    """None is what must be asked for; then nobody signs in."""
    config = site(tmp_path, NONE, "")
    assert config.accounts == settings.Accounts(sign_in="local", idle_minutes=15, longest_hours=12)
    store = SqliteStore(tmp_path / "store", now=clock.now)
    try:
        assert door_of(site(tmp_path), store) is None
        door = door_of(site(tmp_path, "pages: {port: 0}\n" + NONE, "pages: {port: 0, behind_tls: true}\n"), store)
        assert door is not None
        assert door.behind_tls
        words = asyncio.run(first_words(door))
        assert re.search(r"One-time code: ([A-Z2-7]{4}-){3}[A-Z2-7]{4}$", words)
        assert words != asyncio.run(first_words(door))
        door.desk.add("Ada Reis", "administrator", actor=BO)
        assert asyncio.run(first_words(door)) == ""
    finally:
        store.close()
    assert asyncio.run(first_words(None)) == ""


def test_without_accounts_the_pages_listen_on_this_machine_alone(tmp_path: Path) -> None:
    """Whoever reaches them may act, in any name (HZ-J01)."""
    with pytest.raises(SettingsError, match=r"where other machines reach them, and accounts\.sign_in is none"):
        site(tmp_path, "pages: {port: 0}", "pages: {host: 0.0.0.0, allow_other_hosts: true, host_names: [bench.example]}")
