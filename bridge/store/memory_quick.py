"""Shared benches and what people switch by there, on the in-memory twin."""

from __future__ import annotations

from dataclasses import replace

from bridge.accounts.quick import Bench, Quick
from bridge.errors import Overtaken, RefusedAction
from bridge.store.apply_accounts import SIGNED_OUT
from bridge.store.apply_quick import BADGE_TAKEN, BENCH_OVER
from bridge.store.memory_rows import State, next_id
from bridge.store.quick_commands import EndBench, KeepQuick, MarkBench, OpenBench
from bridge.store.statements import Change, first_said


def keep_quick(state: State, command: KeepQuick) -> None:
    """Keep what an account switches by."""
    of = command.quick
    account = state.accounts.get(of.account_id)
    if (of.pin or of.badge) and (account is None or not account.secret):
        raise Overtaken(SIGNED_OUT)
    if of.badge and any(each.badge == of.badge and each.account_id != of.account_id for each in state.quick_ways.values()):
        raise RefusedAction(BADGE_TAKEN)
    state.quick_ways[of.account_id] = of
    state.note(command.at, command.actor, command.what, f"account:{of.account_id}", Change())


def mark_bench(state: State, command: MarkBench) -> int:
    """Keep a bench; give its id."""
    number = next_id(state.benches)
    made = Bench(
        bench_id=number,
        name=command.bench.name,
        digest=command.bench.digest,
        made_by=command.actor.name,
        made_at=command.at,
    )
    state.benches[number] = made
    state.note(command.at, command.actor, "bench.marked", f"bench:{number}", Change(after=made.name))
    return number


def open_bench(state: State, command: OpenBench) -> None:
    """Let people switch at a bench."""
    known = _standing(state, command.bench_id)
    state.benches[command.bench_id] = replace(known, open_until=command.until, opened_by=command.actor.name)
    state.note(command.at, command.actor, "bench.opened", f"bench:{command.bench_id}", Change())


def end_bench(state: State, command: EndBench) -> None:
    """End a bench."""
    known = _standing(state, command.bench_id)
    state.benches[command.bench_id] = replace(known, ended_by=command.actor.name, ended_at=command.at)
    state.note(command.at, command.actor, "bench.ended", f"bench:{command.bench_id}", Change(reason=command.reason))


def _standing(state: State, bench_id: int) -> Bench:
    known = state.benches.get(bench_id)
    if known is None or known.ended_by:
        raise Overtaken(first_said(known.ended_by if known else "", BENCH_OVER))
    return known


class QuickInMemory:
    """The reads of benches; mixed into the twin."""

    _state: State

    def benches(self) -> tuple[Bench, ...]:
        """Give every bench, ended ones too, in the order in which they were made."""
        return tuple(self._state.benches.values())

    def bench(self, digest: str) -> Bench | None:
        """Give the bench of a browser."""
        return next((each for each in self._state.benches.values() if each.digest == digest), None)

    def quick(self, account_id: int) -> Quick | None:
        """Give what an account switches by; None where it never chose."""
        return self._state.quick_ways.get(account_id)

    def quick_by_badge(self, badge: str) -> Quick | None:
        """Give what the account of a badge switches by."""
        return next((each for each in self._state.quick_ways.values() if badge and each.badge == badge), None)
