"""``padpost new-code``: the way back in for who has the console, said in the audit trail."""

from __future__ import annotations

from pathlib import Path

import pytest

from bridge import clock
from bridge.accounts.people import Account, Role
from bridge.accounts.policy import plain_code
from bridge.desk.access import digest_of
from bridge.model import Actor
from bridge.store.account_commands import KeepAccount
from bridge.store.sqlite import SqliteStore
from tests.cli.commands import SITE, here, site
from tests.store import strips as s

LOCAL = SITE + "accounts: {sign_in: local}\n"
BY_DIRECTORY = """accounts:
  sign_in: oidc
  oidc:
    issuer: http://127.0.0.1:1/staff
    client_id: padpost
    client_secret: {env: PADPOST_OIDC_SECRET}
    address: http://127.0.0.1:8765
    roles: {lab: technician}
"""
BOOT = Actor(name="Setup", verified="service")


@pytest.fixture
def store(tmp_path: Path) -> SqliteStore:
    """Give a store with one administrator, who has a password."""
    store = SqliteStore(tmp_path / "store", now=clock.now)
    ada = Account(account_id=0, name="Ada Reis", role=Role.ADMINISTRATOR, secret="$argon2id$none")
    store.submit(KeepAccount(account=ada, what="account.added", actor=BOOT, at=clock.now())).result(s.WAIT)
    return store


def test_a_forgotten_password_is_replaced_by_a_code(
    tmp_path: Path, store: SqliteStore, capfd: pytest.CaptureFixture[str]
) -> None:
    """The code that is printed is the account's, the password is gone, and the history says from where and why."""
    store.close()
    status, out, err = here(
        "new-code", "--config", site(tmp_path, LOCAL), "--name", "ada reis", "--reason", "password forgotten", capfd=capfd
    )
    assert (status, err) == (0, "")
    first, second = out.splitlines()
    said, code = first.split(": ")
    assert said == "One-time code of Ada Reis, good for 24 hours"
    assert second == "Start the service, open /first-sign-in on the pages, and choose a password."
    store = SqliteStore(tmp_path / "store", now=clock.now)
    kept = store.account_named("Ada Reis")
    assert kept is not None
    assert (kept.secret, kept.code_digest) == ("", digest_of(plain_code(code)))
    last = store.events(f"account:{kept.account_id}")[-1]
    assert (last.what, last.actor, last.reason) == ("account.code", "the machine's console", "password forgotten")
    store.close()


@pytest.mark.parametrize(
    ("more", "name", "said"),
    [
        ("accounts: {sign_in: local}\n", "Nobody", "padpost: There is no account of the name 'Nobody'."),
        ("accounts: {sign_in: none}\n", "Ada Reis", "padpost: This site has no accounts."),
        (BY_DIRECTORY, "Ada Reis", "padpost: This site takes no passwords: people sign in by the hospital's directory."),
    ],
)
def test_what_cannot_be_done_says_why(
    tmp_path: Path, store: SqliteStore, more: str, name: str, said: str, capfd: pytest.CaptureFixture[str]
) -> None:
    """Nothing is changed: nobody loses a password for a code that opens nothing."""
    store.close()
    status, out, err = here("new-code", "--config", site(tmp_path, SITE + more), "--name", name, "--reason", "x", capfd=capfd)
    assert (status, out) == (2, "")
    assert err.startswith(said)
    store = SqliteStore(tmp_path / "store", now=clock.now)
    assert [(each.secret, each.version) for each in store.accounts()] == [("$argon2id$none", 1)]
    store.close()


def test_no_store_is_made_where_there_is_none(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    """A command in the wrong folder says so, and leaves nothing there."""
    status, out, err = here("new-code", "--config", site(tmp_path, LOCAL), "--name", "Ada Reis", "--reason", "x", capfd=capfd)
    assert (status, out) == (2, "")
    assert err.startswith(f"padpost: There is no store at {tmp_path / 'store'}")
    assert not (tmp_path / "store").exists()
