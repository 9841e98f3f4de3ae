"""``padpost seal-envelope``: what goes into an envelope is printed once, and is what opens it."""

from __future__ import annotations

from pathlib import Path

import pytest

from bridge import clock
from bridge.accounts.policy import plain_code
from bridge.desk.access import digest_of
from bridge.store.sqlite import SqliteStore
from tests.cli.commands import SITE, here, site

LOCAL = SITE + "accounts: {sign_in: local}\n"


def test_what_is_printed_opens_the_newest_envelope(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    """Only its digest is kept; the history says from where and why."""
    file = site(tmp_path, LOCAL)
    SqliteStore(tmp_path / "store", now=clock.now).close()
    for number in (1, 2):
        status, out, err = here("seal-envelope", "--config", file, "--reason", "the yearly one", capfd=capfd)
        assert (status, err) == (0, "")
        said, secret = out.splitlines()[0].split(": ")
        assert said == f"Envelope {number}"
    store = SqliteStore(tmp_path / "store", now=clock.now)
    assert [each.digest for each in store.envelopes(limit=1)] == [digest_of(plain_code(secret))]
    last = store.events("envelope:2")[-1]
    assert (last.what, last.actor, last.reason) == ("envelope.sealed", "the machine's console", "the yearly one")
    store.close()


def test_no_store_is_made_where_there_is_none(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    """In the wrong folder an envelope would be sealed that opens nothing, and nobody would know before it is needed."""
    status, out, err = here("seal-envelope", "--config", site(tmp_path, LOCAL), "--reason", "the yearly one", capfd=capfd)
    assert (status, out) == (2, "")
    assert err.startswith(f"padpost: There is no store at {tmp_path / 'store'}")
    assert not (tmp_path / "store").exists()


@pytest.mark.parametrize(
    ("more", "reason", "said"),
    [
        ("accounts: {sign_in: local}\n", " ", "padpost: Give a reason"),
        ("accounts: {sign_in: none}\n", "yearly", "padpost: This site has no accounts."),
    ],
)
def test_without_accounts_or_a_reason_there_is_none(
    tmp_path: Path, capfd: pytest.CaptureFixture[str], more: str, reason: str, said: str
) -> None:
    """Nothing is printed that looks like one."""
    SqliteStore(tmp_path / "store", now=clock.now).close()
    status, out, err = here("seal-envelope", "--config", site(tmp_path, SITE + more), "--reason", reason, capfd=capfd)
    assert (status, out) == (2, "")
    assert err.startswith(said)
