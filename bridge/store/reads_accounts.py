"""What sign-in and the page of accounts ask."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from bridge.accounts.people import Account, ApiKey, Role, Session
from bridge.identity.person import bare
from bridge.store.codec import moment, moment_or_none
from bridge.store.database import Db

_ACCOUNT = "id, name, role, is_on, secret, code_digest, code_until, version, issuer, subject"
_KEY = "id, name, digest, acts, until, made_by, made_at, ended_by, ended_at"


class AccountReads:
    """The reads of accounts; mixed into the store, which gives the connection."""

    _db: Callable[[], Db]

    def accounts(self) -> tuple[Account, ...]:
        """Give every account, in the order in which they were made."""
        return tuple(map(_account, self._db().execute(f"SELECT {_ACCOUNT} FROM accounts ORDER BY id").fetchall()))

    def account(self, account_id: int) -> Account | None:
        """Give one account."""
        row = self._db().execute(f"SELECT {_ACCOUNT} FROM accounts WHERE id = ?", (account_id,)).fetchone()
        return _account(row) if row else None

    def account_named(self, name: str) -> Account | None:
        """Give the account of a name; capitals and blanks make no other one."""
        row = self._db().execute(f"SELECT {_ACCOUNT} FROM accounts WHERE bare = ?", (bare(name),)).fetchone()
        return _account(row) if row else None

    def account_of(self, issuer: str, subject: str) -> Account | None:
        """Give the account of somebody in a directory, whatever their name."""
        found = "SELECT " + _ACCOUNT + " FROM accounts WHERE issuer = ? AND subject = ? AND issuer <> ''"
        row = self._db().execute(found, (issuer, subject)).fetchone()
        return _account(row) if row else None

    def session(self, digest: str) -> tuple[Session, Account] | None:
        """Give a session and whose it is."""
        row = (
            self._db()
            .execute(
                "SELECT s.digest, s.account_id, s.opened_at, s.seen_at, s.sure_at, s.locked_at, s.line, s.known_by,"
                " a.id, a.name, a.role, a.is_on, a.secret, a.code_digest, a.code_until, a.version, a.issuer, a.subject"
                " FROM sessions s JOIN accounts a ON a.id = s.account_id WHERE s.digest = ?",
                (digest,),
            )
            .fetchone()
        )
        if row is None:
            return None
        session = Session(
            digest=row[0],
            account_id=row[1],
            opened_at=moment(row[2]),
            seen_at=moment(row[3]),
            sure_at=moment_or_none(row[4]),
            locked_at=moment_or_none(row[5]),
            line=row[6],
            known_by=row[7],
        )
        return session, _account(row[8:])

    def api_keys(self) -> tuple[ApiKey, ...]:
        """Give every key, ended ones too, in the order in which they were made."""
        return tuple(map(_key, self._db().execute(f"SELECT {_KEY} FROM api_keys ORDER BY id").fetchall()))

    def api_key(self, digest: str) -> ApiKey | None:
        """Give the key of a digest."""
        row = self._db().execute(f"SELECT {_KEY} FROM api_keys WHERE digest = ?", (digest,)).fetchone()
        return _key(row) if row else None


def _account(row: Any) -> Account:
    return Account(
        account_id=row[0], name=row[1], role=Role(row[2]), is_on=bool(row[3]), secret=row[4], code_digest=row[5],
        code_until=moment_or_none(row[6]), version=row[7], issuer=row[8], subject=row[9],
    )  # fmt: skip


def _key(row: Any) -> ApiKey:
    return ApiKey(
        key_id=row[0], name=row[1], digest=row[2], acts=bool(row[3]), until=moment(row[4]), made_by=row[5], made_at=moment(row[6]),
        ended_by=row[7], ended_at=moment_or_none(row[8]),
    )  # fmt: skip
