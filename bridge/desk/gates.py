"""What a person may say and decide about controls: why one is repeated, what was put right, what goes in an emergency, what stands."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import datetime

from bridge.bench.gate import BegunAnew, Cause, GateKey, Mended, RepeatExplained, Word, at_time
from bridge.desk.containers import ContainerDesk
from bridge.desk.lots import LotDesk
from bridge.desk.terms import agreed, said_of_specimen
from bridge.desk.who import require_name, require_reason
from bridge.errors import RefusedAction
from bridge.lifecycle.states import StopEnd
from bridge.model import Actor
from bridge.store.api import Store
from bridge.store.commands import EndWaiting, LetStand, SayOfGate
from bridge.store.rows import StripRow
from bridge.tables.hold_table import ReleasePolicy
from bridge.tables.types import Tables

CONTROL_RULES = frozenset(
    {"controls.due"}
)  # what an emergency release passes over; a failed control is released row by row among the stops


class GateDesk:
    """The actions on gates; ``lots`` are those on lots of controls, ``containers`` on containers of strips. Raises RefusedAction or Overtaken with a sentence for the technician."""

    def __init__(self, store: Store, tables: Tables, now: Callable[[], datetime]) -> None:
        self._store = store
        self._policy = tables.controls.policy
        self._now = now
        self._holds = tables.holds
        self.lots = LotDesk(store, tables, now)
        self.containers = ContainerDesk(store, tables, now)

    def explain_repeat(self, key: GateKey, *, reason: str, actor: Actor) -> None:
        """Say why a control that failed is, or was, run once more. What waits goes if the repeat has passed already."""
        require_name(actor)
        require_reason(reason)
        self._say(key, RepeatExplained(at=self._now(), by=actor, reason=reason.strip()))

    def note_repair(self, key: GateKey, *, cause: str, action: str, actor: Actor) -> None:
        """Note what made the controls fail and what was done about it; a new full set is due then."""
        require_name(actor)
        require_reason(cause)
        require_name(actor)
        require_reason(action)
        self._say(key, Mended(at=self._now(), by=actor, cause=cause.strip(), action=action.strip()))

    def begin_anew(self, key: GateKey, *, cause: Cause, actor: Actor) -> None:
        """Say that a container was opened, or that the analyzer was maintained, repaired or returned: controls are due."""
        require_name(actor)
        require_reason(cause.value)
        self._say(key, BegunAnew(at=self._now(), by=actor, cause=cause))

    def release(self, strip_id: int, *, reason: str, actor: Actor, second: str = "") -> None:
        """Send one waiting result in an emergency, before its controls have passed; its report says who let it go.

        ``second`` names the second person, where the site's terms for controls that are due ask for two.
        """
        require_name(actor)
        require_reason(reason)
        by_two = agreed(self.terms, actor, second)
        self._end(replace(self._ended(strip_id, StopEnd.RELEASED, reason, actor), second=by_two))

    def proved(self) -> Callable[[StripRow], bool]:
        """Give what says of a strip whether controls of its analyzer, strip type and lot have passed by now, and are not due again."""
        policy, now = self._policy, self._now()
        if policy is None:
            return lambda _: True
        stands = {row.key: at_time(row.gate, now, policy).state for row in self._store.gates()}

        def is_proved(strip: StripRow) -> bool:
            key = GateKey(analyzer=strip.analyzer, strip_type=strip.strip_type, strip_lot=strip.strip_lot)
            return key in stands and stands[key].may_go

        return is_proved

    @property
    def terms(self) -> ReleasePolicy:
        """Give on which terms a waiting result goes in an emergency."""
        return self._holds.policy(CONTROL_RULES)

    def discard(self, strip_id: int, *, reason: str, actor: Actor, specimen: str) -> None:
        """Give up one waiting strip; its bytes and its history stay. ``specimen`` is a ``SpecimenNext``: only patients' strips wait."""
        require_name(actor)
        require_reason(reason)
        said = said_of_specimen(specimen, is_asked=True)
        self._end(replace(self._ended(strip_id, StopEnd.DISCARDED, reason, actor), specimen=said))

    def let_stand(self, row_id: int, *, reason: str, actor: Actor) -> None:
        """Decide that a result stands which left before a control failed. That is final; one that does not stand is the desk's for corrections."""
        require_name(actor)
        require_reason(reason)
        self._store.submit(LetStand(row_id=row_id, actor=actor, reason=reason.strip(), at=self._now())).result()

    def _say(self, key: GateKey, word: Word) -> None:
        if self._policy is None:
            raise RefusedAction("This site has no policy for controls, so there is nothing to open or shut.")
        self._store.submit(SayOfGate(key=key, word=word, policy=self._policy)).result()

    def _ended(self, strip_id: int, end: StopEnd, reason: str, actor: Actor) -> EndWaiting:
        return EndWaiting(
            strip_id=strip_id, end=end, actor=actor, reason=reason.strip(), accept_rules=CONTROL_RULES, at=self._now()
        )

    def _end(self, command: EndWaiting) -> None:
        self._store.submit(command).result()
