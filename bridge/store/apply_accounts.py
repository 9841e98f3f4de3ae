"""Accounts, sessions and keys: every change is an event; no secret, code or token stands in one."""

from __future__ import annotations

from datetime import datetime

from bridge.accounts.envelope import NAME, is_emergency
from bridge.accounts.people import Account, Role
from bridge.accounts.policy import FORGOTTEN_AFTER, FREE_TRIES, FREE_TRIES_OF_ADDRESS, counted, free_again_at
from bridge.errors import Overtaken, RefusedAction
from bridge.identity.person import bare, same_person
from bridge.store.account_commands import (
    BeginTry,
    EndKey,
    EndSession,
    EnterKey,
    KeepAccount,
    LockSession,
    MakeSure,
    NoteAccess,
    OpenSession,
    TouchSession,
)
from bridge.store.codec import moment, when
from bridge.store.database import Db
from bridge.store.statements import Change, note, overtaken

ACCOUNTS = "accounts"  # what is held while accounts change
CHANGED = "This account was changed meanwhile. Look at the list again."
NOT_FIRST = "There is an account already: sign in, or ask your administrator for a code."
TAKEN = "Another account has this name already. Add a middle name or a letter, so that what is kept with it is one person's."
LAST_ONE = "Nobody would be left who may administer. Give somebody else that role first."
OFF = "This account is switched off."
CHANGED_MEANWHILE = "This account was changed while you signed in. Sign in once more."
SIGNED_OUT = "You are signed out. Sign in, then do it again."
KEY_OVER = "This key is ended already. Look at the list again."


def change_of(command: KeepAccount) -> Change:
    """Give what an event says of an account: its role, whether it is on, and why."""
    of = command.account
    return Change(after=f"{of.role.value}{'' if of.is_on else ', off'}", reason=command.reason)


def keep_account(db: Db, command: KeepAccount) -> int:
    """Keep an account; give its id."""
    db.hold(ACCOUNTS)
    of = command.account
    if command.is_first and _is_administered(db, command):
        raise Overtaken(NOT_FIRST)
    if (
        of.issuer
        and db.execute(
            "SELECT 1 FROM accounts WHERE issuer = ? AND subject = ? AND id <> ?", (of.issuer, of.subject, of.account_id)
        ).fetchone()
    ):
        raise Overtaken(CHANGED)
    taken = db.execute("SELECT id FROM accounts WHERE bare = ? AND id <> ?", (bare(of.name), of.account_id)).fetchone()
    if taken is not None:
        raise RefusedAction(str(overtaken(db, f"account:{taken[0]}", TAKEN)))
    if is_pretended(of):
        raise RefusedAction(TAKEN)
    values = (of.name, bare(of.name), of.role.value, int(of.is_on), of.secret, of.code_digest, when(of.code_until))
    number = of.account_id
    if number:
        was_administered = not command.by_directory and _is_administered(db, command)
        changed = db.execute(
            "UPDATE accounts SET name = ?, bare = ?, role = ?, is_on = ?, secret = ?, code_digest = ?, code_until = ?, version = version + 1"
            " WHERE id = ? AND version = ?",
            (*values, number, of.version),
        ).rowcount
        if not changed:
            raise overtaken(db, f"account:{number}", CHANGED)
        if was_administered and not _is_administered(db, command):
            raise RefusedAction(LAST_ONE)
    else:
        number = int(
            db.insert(
                "INSERT INTO accounts (name, bare, role, is_on, secret, code_digest, code_until, version, issuer, subject)"
                " VALUES (?,?,?,?,?,?,?,1,?,?)",
                (*values, of.issuer, of.subject),
            )
        )
    if not of.secret:  # where the password is taken away, nobody comes in by another way meanwhile
        db.execute("DELETE FROM quick_ways WHERE account_id = ?", (number,))
    if command.ends_sessions:
        db.execute("DELETE FROM sessions WHERE account_id = ?", (number,))
    note(db, command.at, command.actor, command.what, f"account:{number}", change_of(command))
    return number


def is_pretended(account: Account) -> bool:
    """Say whether a person's account has the emergency account's name, by which nobody's acts must be kept."""
    return same_person(account.name, NAME) and not is_emergency(account)


def _is_administered(db: Db, command: KeepAccount) -> bool:
    """Say whether anybody who comes in may administer, as ``Taken.administers`` says it of one account."""
    rows = db.execute("SELECT issuer FROM accounts WHERE role = ? AND is_on = 1", (Role.ADMINISTRATOR.value,))
    return any(issuer in command.taken.issuers for (issuer,) in rows)


def begin_try(db: Db, command: BeginTry) -> datetime | None:
    """Count a try, unless it comes too early: then give from when on one is taken."""
    db.execute("DELETE FROM sign_in_tries WHERE last_at < ?", (when(command.at - FORGOTTEN_AFTER),))
    frees = {command.name_key: FREE_TRIES, command.address_key: FREE_TRIES_OF_ADDRESS}
    failures: dict[str, int] = {}
    for who, free in sorted(frees.items()):
        db.hold(f"tries:{who}")
        row = db.execute("SELECT failures, last_at FROM sign_in_tries WHERE who = ?", (who,)).fetchone()
        last_at = moment(row[1]) if row else None
        failures[who] = counted(row[0] if row else 0, last_at, now=command.at)
        if last_at is not None and command.at < (until := free_again_at(failures[who], last_at, free=free)):
            return until
    for who, before in failures.items():
        db.execute(
            "INSERT INTO sign_in_tries (who, failures, last_at) VALUES (?,?,?)"
            " ON CONFLICT (who) DO UPDATE SET failures = excluded.failures, last_at = excluded.last_at",
            (who, before + 1, when(command.at)),
        )
    return None


def open_session(db: Db, command: OpenSession) -> None:
    """Keep a session. Raises Overtaken where its account is switched off, or is another one than its person was let in by."""
    of = command.session
    db.hold(ACCOUNTS)
    known = db.execute("SELECT version FROM accounts WHERE id = ? AND is_on = 1", (of.account_id,)).fetchone()
    if known is None:
        raise Overtaken(OFF)
    if known[0] != command.version:
        raise Overtaken(CHANGED_MEANWHILE)
    if command.begun is not None:
        _forgive(db, command.begun)
    db.execute("DELETE FROM sessions WHERE digest = ? OR opened_at < ?", (command.replaces, when(command.forget_before)))
    db.execute(
        "INSERT INTO sessions (digest, account_id, opened_at, seen_at, sure_at, line, known_by) VALUES (?,?,?,?,?,?,?)",
        (of.digest, of.account_id, when(of.opened_at), when(of.seen_at), when(of.sure_at), of.line, of.known_by),
    )
    note(db, of.seen_at, command.actor, command.what, f"account:{of.account_id}", Change(reason=command.address))


def _forgive(db: Db, begun: BeginTry) -> None:
    db.execute("DELETE FROM sign_in_tries WHERE who = ?", (begun.name_key,))
    db.execute("UPDATE sign_in_tries SET failures = failures - 1 WHERE who = ? AND failures > 0", (begun.address_key,))


def touch_session(db: Db, command: TouchSession) -> None:
    """Keep that a session was used."""
    at = when(command.at)
    db.execute("UPDATE sessions SET seen_at = ? WHERE digest = ? AND seen_at < ?", (at, command.digest, at))


def make_sure(db: Db, command: MakeSure) -> None:
    """Keep that a password was given again. Raises Overtaken where the session is over."""
    row = db.execute("SELECT account_id FROM sessions WHERE digest = ?", (command.digest,)).fetchone()
    if row is None:
        raise Overtaken(SIGNED_OUT)
    db.execute("UPDATE sessions SET sure_at = ? WHERE digest = ?", (when(command.at), command.digest))
    _forgive(db, command.begun)
    note(db, command.at, command.actor, "password.again", f"account:{row[0]}", Change(reason=command.address))


def lock_session(db: Db, command: LockSession) -> None:
    """Lock a session."""
    row = db.execute("SELECT account_id FROM sessions WHERE digest = ? AND locked_at IS NULL", (command.digest,)).fetchone()
    if row is not None:
        db.execute("UPDATE sessions SET locked_at = ? WHERE digest = ?", (when(command.at), command.digest))
        note(db, command.at, command.actor, "account.locked", f"account:{row[0]}", Change())


def end_session(db: Db, command: EndSession) -> None:
    """End a session."""
    row = db.execute("SELECT account_id FROM sessions WHERE digest = ?", (command.digest,)).fetchone()
    if row is not None:
        db.execute("DELETE FROM sessions WHERE digest = ?", (command.digest,))
        note(db, command.at, command.actor, "account.signed_out", f"account:{row[0]}", Change())


def note_access(db: Db, command: NoteAccess) -> None:
    """Append the event."""
    if command.forgives is not None:
        _forgive(db, command.forgives)
    note(db, command.at, command.actor, command.what, command.subject, Change(reason=command.reason))


def enter_key(db: Db, command: EnterKey) -> int:
    """Keep a key; give its id."""
    of = command.key
    number = int(
        db.insert(
            "INSERT INTO api_keys (name, digest, acts, until, made_by, made_at, ended_by) VALUES (?,?,?,?,?,?,'')",
            (of.name, of.digest, int(of.acts), when(of.until), command.actor.name, when(command.at)),
        )
    )
    note(db, command.at, command.actor, "key.made", f"key:{number}", Change(after="acts" if of.acts else "reads"))
    return number


def end_key(db: Db, command: EndKey) -> None:
    """End a key. Raises Overtaken where it is ended already."""
    ended = db.execute(
        "UPDATE api_keys SET ended_by = ?, ended_at = ? WHERE id = ? AND ended_by = ''",
        (command.actor.name, when(command.at), command.key_id),
    ).rowcount
    if not ended:
        raise overtaken(db, f"key:{command.key_id}", KEY_OVER)
    note(db, command.at, command.actor, "key.ended", f"key:{command.key_id}", Change(after="ended", reason=command.reason))
