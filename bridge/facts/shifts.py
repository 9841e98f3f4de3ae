"""How the run of each analyzer stands, in memory: what judging asks before a strip, and what the strip leaves. Nothing where the site has no policy."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from bridge.bench.believed import read_at
from bridge.bench.gate import Seat
from bridge.bench.shift import Read, broken_by, is_late
from bridge.bench.tally import FAULT_RULES
from bridge.check import shift
from bridge.model import Capture, Copy, Outcome, RunFacts, RunState, SeriesState, Severity
from bridge.store.api import Store
from bridge.store.commands import Lease, ShiftWrite
from bridge.tables.types import Policy


class Runs:
    """The runs of the analyzers that this process judges. What another process judged since is read from the store anew."""

    def __init__(self, store: Store, policy: Policy) -> None:
        self.is_asked = policy.run_pause_minutes > 0
        self._store = store
        self._terms = shift.terms_of(policy)
        self._known: dict[str, tuple[Lease | None, RunState | None]] = {}

    def forget(self, analyzer: str) -> None:
        """Read the run from the store next time: something was not recorded as it was judged."""
        self._known.pop(analyzer, None)

    def is_broken(self, analyzer: str) -> bool:
        """Say whether something went missing in the run: then a person's word counts, and the store is asked for it at each strip."""
        _, state = self._known.get(analyzer, (None, None))
        return state is not None and state.broken_by != ""

    def facts(self, analyzer: str, seat: Seat, lease: Lease | None, *, is_first: bool) -> RunFacts | None:
        """Give the run of a strip; of one that is judged again, the run that it was held for, if it was."""
        if not is_first:
            return self._store.held_run(analyzer, seat)
        known = self._known.get(analyzer)
        state = known[1] if known is not None and known[0] == lease else self._store.last_run(analyzer)
        if state is not None and state.is_held and not self._store.is_run_held(analyzer):
            state = replace(state, broken_by="", is_held=False)  # a person has confirmed it
        self._known[analyzer] = lease, state
        return RunFacts(state=state)

    def moved(
        self, analyzer: str, outcome: Outcome, capture: Capture, newest: Callable[[], SeriesState | None]
    ) -> ShiftWrite | None:
        """Take in a strip that was judged for the first time; give what it does to the run in the store, None for nothing.

        ``newest`` gives the newest series of its mode as it was before it.
        """
        if isinstance(outcome, Copy):
            return None
        lease, state = self._known[analyzer]
        has_fault = any(each.rule in FAULT_RULES for each in outcome.findings)
        checked = outcome.checked
        if checked is None:
            if state is not None and has_fault:
                self._known[analyzer] = lease, replace(state, has_fault=True)
            return None
        read = Read(printed_at=read_at(checked.analyzed_at, capture.arrived_at), arrived_at=capture.arrived_at)
        if state is not None and is_late(read, state):
            return None
        cause = broken_by(checked.key, read, state, newest(), self._terms)
        is_held = any(each.rule == shift.RULE and each.severity is Severity.HOLD for each in outcome.findings)
        joins = state is not None and state.is_held and cause != ""
        left = RunState(
            printed_at=read.printed_at,
            arrived_at=read.arrived_at,
            has_fault=has_fault,
            broken_by=cause,
            is_held=is_held or joins,
        )
        self._known[analyzer] = lease, left
        return ShiftWrite(cause=cause, begins=not joins) if is_held else None
