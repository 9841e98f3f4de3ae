"""Many stops of one reason decided about at once: only what the site's terms allow, and what the person has seen."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from bridge.check.rulebook import is_for_one_by_one
from bridge.desk.actions import MOST_AT_ONCE, Desk
from bridge.desk.gates import CONTROL_RULES, GateDesk
from bridge.desk.terms import agreed, said_of_specimen
from bridge.errors import Overtaken, RefusedAction
from bridge.lifecycle.states import StopGroup
from bridge.model import Actor
from bridge.store.api import Store
from bridge.store.rows import StopRow, StripRow
from bridge.tables.hold_table import ReleasePolicy


@dataclass(frozen=True, kw_only=True, slots=True)
class Seen:
    """What a preview showed: how many there were, and the newest of them. Another that came meanwhile is not what the person saw."""

    count: int
    newest: int


@dataclass(frozen=True, kw_only=True, slots=True)
class By:
    """Who decides and why; ``second`` is the second person's name where the terms ask for two, ``specimen`` a ``SpecimenNext``."""

    actor: Actor
    reason: str
    second: str = ""
    specimen: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class Preview:
    """Open stops of one reason that may be decided about together, newest first; ``terms`` are the strictest of all of them."""

    stops: tuple[StopRow, ...]
    terms: ReleasePolicy
    has_specimen: bool

    @property
    def seen(self) -> Seen:
        """Give what a person who looks at the preview sees."""
        return Seen(count=len(self.stops), newest=self.stops[0].stop_id if self.stops else 0)


class Together:
    """Release and discard of many. Raises RefusedAction or Overtaken with a sentence for the technician."""

    def __init__(self, store: Store, desk: Desk, gates: GateDesk) -> None:
        self._store = store
        self._desk = desk
        self._gates = gates

    def may_release(self, rule: str) -> Preview:
        """Give what may be released together of one reason, as many as a person can look through.

        What is held for controls that are due is among it only once they have passed: before, each is an emergency of its own.
        """
        is_proved = self._gates.proved()

        def may(stop: StopRow, strip: StripRow | None) -> bool:
            if stop.group is not StopGroup.HELD or not stop.releasable or strip is None:
                return False
            return CONTROL_RULES.isdisjoint(stop.rules) or is_proved(strip)

        return self._preview(rule, may)

    def may_discard(self, rule: str) -> Preview:
        """Give what may be discarded together of one reason; never a message to a receiver."""
        return self._preview(rule, lambda stop, _: stop.delivery_id is None)

    def release(self, rule: str, *, seen: Seen, by: By) -> int:
        """Release what a preview showed, the oldest first; give how many went."""
        preview = _as_seen(self.may_release(rule), seen)
        agreed(preview.terms, by.actor, by.second)  # before the first goes: the terms of a later one may be stricter
        return _each(preview, lambda stop: self._desk.release(stop, reason=by.reason, actor=by.actor, second=by.second))

    def discard(self, rule: str, *, seen: Seen, by: By) -> int:
        """Discard what a preview showed; give how many were discarded. ``by.specimen`` counts for each patient's strip of them."""
        preview = _as_seen(self.may_discard(rule), seen)
        said_of_specimen(by.specimen, is_asked=preview.has_specimen)
        return _each(preview, lambda stop: self._desk.discard(stop, reason=by.reason, actor=by.actor, specimen=by.specimen))

    def _preview(self, rule: str, may: Callable[[StopRow, StripRow | None], bool]) -> Preview:
        found = [stop for stop in self._store.stops(rule=rule, limit=MOST_AT_ONCE) if self._desk.terms(stop).bulk]
        with_strips = [(stop, self._store.strip(stop.strip_id) if stop.strip_id is not None else None) for stop in found]
        stops = tuple(stop for stop, strip in with_strips if may(stop, strip) and not _is_for_itself(stop, strip))
        return Preview(
            stops=stops,
            terms=ReleasePolicy(persons=2 if any(self._desk.terms(stop).persons == 2 for stop in stops) else 1, bulk=bool(stops)),
            has_specimen=any(self._desk.has_specimen(stop) for stop in stops),
        )


def _is_for_itself(stop: StopRow, strip: StripRow | None) -> bool:
    """Say whether a stop is decided about by itself, whatever the site's terms: for what stopped it, or since it looks critical."""
    critical = {rule for rule, _, _ in strip.findings if rule.startswith("critical.")} if strip is not None else set()
    return any(is_for_one_by_one(rule) for rule in {*stop.rules, *critical})


def _each(preview: Preview, act: Callable[[int], None]) -> int:
    done = 0
    for stop in reversed(preview.stops):  # in the order in which they came, so that a patient's earlier result goes first
        try:
            act(stop.stop_id)
        except Overtaken:
            continue  # somebody has dealt with this one meanwhile
        done += 1
    return done


def _as_seen(preview: Preview, seen: Seen) -> Preview:
    if not preview.stops:
        raise RefusedAction("There is nothing of this reason that may be decided about together.")
    if preview.seen != seen:
        raise Overtaken(
            f"There are {len(preview.stops)} of these now, and not just the {seen.count} that you saw. Look at the list again."
        )
    return preview
