"""Shared benches and what people switch by there: every change is an event; no PIN, badge or token stands in one."""

from __future__ import annotations

from bridge.errors import Overtaken, RefusedAction
from bridge.store.apply_accounts import ACCOUNTS, SIGNED_OUT
from bridge.store.codec import when
from bridge.store.database import Db
from bridge.store.quick_commands import EndBench, KeepQuick, MarkBench, OpenBench
from bridge.store.statements import Change, first_said, note

BADGE_TAKEN = "This badge is another account's already."
BENCH_OVER = "This bench is ended already. Look at the list again."


def keep_quick(db: Db, command: KeepQuick) -> None:
    """Keep what an account switches by. Raises Overtaken where the password was taken away meanwhile, and somebody still chooses."""
    db.hold(ACCOUNTS)
    of = command.quick
    if (of.pin or of.badge) and not db.execute(
        "SELECT 1 FROM accounts WHERE id = ? AND secret <> ''", (of.account_id,)
    ).fetchone():
        raise Overtaken(SIGNED_OUT)
    if of.badge and db.execute(
        "SELECT 1 FROM quick_ways WHERE badge = ? AND account_id <> ?", (of.badge, of.account_id)
    ).fetchone():  # fmt: skip
        raise RefusedAction(BADGE_TAKEN)
    db.execute(
        "INSERT INTO quick_ways (account_id, pin, badge) VALUES (?,?,?)"
        " ON CONFLICT (account_id) DO UPDATE SET pin = excluded.pin, badge = excluded.badge",
        (of.account_id, of.pin, of.badge),
    )
    note(db, command.at, command.actor, command.what, f"account:{of.account_id}", Change())


def mark_bench(db: Db, command: MarkBench) -> int:
    """Keep a bench; give its id."""
    of = command.bench
    number = int(
        db.insert(
            "INSERT INTO benches (name, digest, made_by, made_at, opened_by, ended_by) VALUES (?,?,?,?,'','')",
            (of.name, of.digest, command.actor.name, when(command.at)),
        )
    )
    note(db, command.at, command.actor, "bench.marked", f"bench:{number}", Change(after=of.name))
    return number


def open_bench(db: Db, command: OpenBench) -> None:
    """Let people switch at a bench."""
    opened = db.execute(
        "UPDATE benches SET open_until = ?, opened_by = ? WHERE id = ? AND ended_by = ''",
        (when(command.until), command.actor.name, command.bench_id),
    ).rowcount
    if not opened:
        raise _ended(db, command.bench_id)
    note(db, command.at, command.actor, "bench.opened", f"bench:{command.bench_id}", Change())


def end_bench(db: Db, command: EndBench) -> None:
    """End a bench."""
    ended = db.execute(
        "UPDATE benches SET ended_by = ?, ended_at = ? WHERE id = ? AND ended_by = ''",
        (command.actor.name, when(command.at), command.bench_id),
    ).rowcount
    if not ended:
        raise _ended(db, command.bench_id)
    note(db, command.at, command.actor, "bench.ended", f"bench:{command.bench_id}", Change(reason=command.reason))


def _ended(db: Db, bench_id: int) -> Overtaken:
    row = db.execute("SELECT ended_by FROM benches WHERE id = ?", (bench_id,)).fetchone()
    return Overtaken(first_said(row[0] if row else "", BENCH_OVER))
