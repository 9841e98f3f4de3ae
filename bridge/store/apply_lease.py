"""Leases: who alone works on an analyzer, a source or a destination, and the token by which a late owner is known.

Whether a lease has run out is a matter of its process: one row a process says until when it counts as alive, so a
heartbeat writes one row whatever it holds. Whoever comes first after that frees what the dead one held.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import datetime, timedelta

from bridge.errors import LeaseLost
from bridge.lifecycle.sharing import NOBODY, is_every, share_out
from bridge.store import commands as c
from bridge.store.codec import json_text, moment, when
from bridge.store.database import Db
from bridge.store.lanes import hold_lanes


def check_lease(db: Db, lease: c.Lease) -> None:
    """Raise LeaseLost unless ``lease`` is the newest of its name. Nobody can take it until this transaction ends."""
    hold_lanes(db)
    standing = db.standing
    if standing is not None and lease in standing:
        return
    row = db.execute("SELECT token FROM leases WHERE name = ?", (lease.name,)).fetchone()
    if row is None or row[0] != lease.token:
        raise LeaseLost(f"{lease.name} is another process's now.")
    if standing is not None:
        standing.add(lease)


def hold_leases(db: Db, command: c.HoldLeases) -> c.HeldLeases:
    """Renew, free what the dead held, give back what is wound up, take a fair share of what is free."""
    hold_lanes(db)
    now = db.time(command.at)
    _bury(db, command, now)
    ends_at = None if command.length_s is None else when(now + timedelta(seconds=command.length_s))
    db.execute(
        "INSERT INTO processes (owner, roles, host, pid, wishes, seen_until) VALUES (?,?,?,?,?,?)"
        " ON CONFLICT (owner) DO UPDATE SET wishes = excluded.wishes, seen_until = excluded.seen_until",
        (command.owner, ",".join(sorted(command.roles)), command.host, command.pid, _wishes_text(command), ends_at),
    )
    for name in sorted(command.wound_up):
        _pass(db, name, command.owner, NOBODY)
    return _shared_out(db, command, now)


def leave_leases(db: Db, command: c.LeaveLeases) -> None:
    """Give everything back."""
    hold_lanes(db)
    db.execute("DELETE FROM processes WHERE owner = ?", (command.owner,))
    _free(db)


def _bury(db: Db, command: c.HoldLeases, now: datetime) -> None:
    """Forget processes that were not seen for too long, this one too: it has lost what it held, and takes again what is free."""
    db.execute("DELETE FROM processes WHERE seen_until <= ?", (when(now),))
    if command.length_s is None:
        db.execute("DELETE FROM processes WHERE owner <> ?", (command.owner,))
    else:  # a clock that was set back must not keep a dead process alive until it has caught up
        farthest = when(now + timedelta(seconds=command.length_s))
        db.execute("UPDATE processes SET seen_until = ? WHERE seen_until > ?", (farthest, farthest))
    _free(db)


def _free(db: Db) -> None:
    for name, owner in db.execute(
        "SELECT name, owner FROM leases WHERE owner <> ? AND owner NOT IN (SELECT owner FROM processes)", (NOBODY,)
    ).fetchall():
        _pass(db, name, owner, NOBODY)


def _pass(db: Db, name: str, owner: str, following: str) -> None:
    """Let a lease go from one owner to another; what still carries the old token is refused from here on."""
    if db.standing:
        db.standing.clear()
    db.execute("UPDATE leases SET owner = ?, token = token + 1 WHERE name = ? AND owner = ?", (following, name, owner))


def _wishes_text(command: c.HoldLeases) -> str:
    """Give the wishes as they are stored: by name, how far the process stands back from each."""
    return json_text({name: command.steps_back.get(name, 0) for name in sorted(command.wishes)})


def _wished(text: str) -> Mapping[str, int]:
    """Read what ``_wishes_text`` gives; or the mere list of names of a process of an earlier version, which never stands back."""
    found = json.loads(text)
    return found if isinstance(found, dict) else dict.fromkeys(found, 0)


def _shared_out(db: Db, command: c.HoldLeases, now: datetime) -> c.HeldLeases:
    processes = db.execute("SELECT owner, wishes, seen_until FROM processes").fetchall()
    steps_back = {owner: _wished(text) for owner, text, _ in processes}
    wishes = {owner: frozenset(wished) for owner, wished in steps_back.items()}
    owners: dict[str, str] = dict(db.execute("SELECT name, owner FROM leases").fetchall())
    for name in sorted(name for name in command.wishes - owners.keys() if not is_every(name)):
        db.execute("INSERT INTO leases (name, owner, token) VALUES (?,?,0)", (name, NOBODY))
        owners[name] = NOBODY
    share = share_out(command.owner, wishes, owners, steps_back)
    for name in share.take:
        _pass(db, name, NOBODY, command.owner)
    held = db.execute("SELECT name, token FROM leases WHERE owner = ? ORDER BY name", (command.owner,)).fetchall()
    ends = [moment(until) for owner, _, until in processes if owner != command.owner and until is not None]
    return c.HeldLeases(
        held=tuple(c.Lease(name=name, token=token) for name, token in held),
        give_back=frozenset(share.give_back),
        next_end_s=(min(ends) - now).total_seconds() if ends else None,
    )
