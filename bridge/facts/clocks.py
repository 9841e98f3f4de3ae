"""What judging asks of analyzers' clocks, and what each strip tells of them; nothing where the site has no rule for clocks.

The last strips of each analyzer are kept in memory and read once from the store, whenever the right to judge the analyzer came to this
process: no strip costs a query, but one that a person sent back, which is judged by the clock as it stood then.
"""

from __future__ import annotations

from bridge.bench.clock import Clock, Heard, offsets
from bridge.model import Capture, ClockFacts, Copy, Needs, Outcome
from bridge.store.api import Store
from bridge.store.commands import Lease
from bridge.store.reads_clock import UNCERTAIN
from bridge.tables.types import ClockRule, Tables

LOOKED_BACK = 8  # ours: strips read for each that counts; the others may be controls sent again, or of batches


class Clocks:
    """The clocks of the analyzers that this process judges."""

    def __init__(self, store: Store, tables: Tables) -> None:
        self._store = store
        self._rule = tables.policy.clock
        self._clocks: dict[str, Clock] = {}
        self._tokens: dict[str, int | None] = {}

    def owned(self, analyzer: str, lease: Lease | None) -> None:
        """Note under which lease an analyzer is judged from here on; what was known under another one may be old."""
        token = lease.token if lease else None
        if self._tokens.get(analyzer, token) != token:
            self._clocks.pop(analyzer, None)
        self._tokens[analyzer] = token

    def facts(self, needs: Needs, capture: Capture, seat: tuple[int, int], *, is_alone: bool) -> ClockFacts | None:
        """Give what is known of the clock of the analyzer of a strip that is judged for the first time; None where the site has no rule.

        ``is_alone``: the capture holds no other strip.
        """
        if self._rule is None:
            return None
        heard = Heard(
            seat=seat, arrived_at=capture.arrived_at, printed_at=needs.printed_at, is_live=capture.live, is_alone=is_alone
        )
        return self._of(needs.analyzer, self._rule).facts(heard)

    def facts_then(self, analyzer: str, seat: tuple[int, int]) -> ClockFacts | None:
        """Give what was known when a strip was judged first that is judged again now: its clock may have been set right, or wrong, since."""
        if self._rule is None:
            return None
        found = self._store.heard_strips(analyzer, until=seat[0], limit=LOOKED_BACK * self._rule.strips)
        clock = Clock(self._rule.strips)
        offsets((each for each in found if each.seat < seat), clock)
        return clock.facts(next((each for each in found if each.seat == seat), None))

    def keep(self, needs: Needs, capture: Capture, seat: tuple[int, int], outcome: Outcome, *, is_alone: bool) -> None:
        """Keep what a strip that was judged for the first time tells of its analyzer's clock."""
        if self._rule is None or isinstance(outcome, Copy):
            return
        heard = Heard(
            seat=seat,
            arrived_at=capture.arrived_at,
            printed_at=needs.printed_at,
            is_live=capture.live,
            is_alone=is_alone,
            is_certain=not any(each.rule in UNCERTAIN for each in outcome.findings),
        )
        self._of(needs.analyzer, self._rule).keep(heard)

    def _of(self, analyzer: str, rule: ClockRule) -> Clock:
        if analyzer not in self._clocks:
            self._clocks[analyzer] = Clock(rule.strips)
            offsets(self._store.heard_strips(analyzer, limit=LOOKED_BACK * rule.strips), self._clocks[analyzer])
        return self._clocks[analyzer]
