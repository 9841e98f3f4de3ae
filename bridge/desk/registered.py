"""The register of identifiers that are no patient's: who registers, signs and ends one, and on which terms."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, timedelta

from bridge.bench.registered import PURPOSES, Registration, fault_of
from bridge.desk.who import require_name, require_reason
from bridge.errors import RefusedAction
from bridge.model import Actor
from bridge.store.api import Store
from bridge.store.life_commands import EndRegistration, RegisterId, SignRegistration

LONGEST = timedelta(days=400)  # ours: a round or a course is over in a year; a year that was typed wrong is longer


class RegisterDesk:
    """The actions on registered identifiers. Raises RefusedAction or Overtaken with a sentence for the person."""

    def __init__(self, store: Store, now: Callable[[], datetime]) -> None:
        self._store = store
        self._now = now

    def register(self, of: Registration, *, actor: Actor) -> int:
        """Keep that an identifier is no patient's; until a second person signs, strips that bear it are held. Give its id."""
        require_name(actor)
        fault = fault_of(of.text)
        if fault:
            raise RefusedAction(fault)
        if of.purpose not in PURPOSES:
            raise RefusedAction("Choose proficiency, comparison or training. Controls are known by their lot.")
        if not of.scheme.strip():
            raise RefusedAction("Give the scheme, round or course.")
        if not timedelta() <= of.until - of.since <= LONGEST:
            raise RefusedAction(f"Give a first and a last day, at most {LONGEST.days} days apart.")
        if not of.is_pattern and self._store.results(limit=1, search=of.text):
            raise RefusedAction(
                "A result of a patient has this identifier already. Compare with the label; if both are right, withdraw that one first."
            )
        made: int = self._store.submit(RegisterId(registration=of, actor=actor, at=self._now())).result()
        return made

    def sign(self, registration_id: int, *, actor: Actor) -> None:
        """Sign a registration as the second person: strips that bear it count as no patient's from now on."""
        require_name(actor)
        self._store.submit(SignRegistration(registration_id=registration_id, actor=actor, at=self._now())).result()

    def end(self, registration_id: int, *, reason: str, actor: Actor) -> None:
        """Take a registration out of force."""
        require_name(actor)
        require_reason(reason)
        command = EndRegistration(registration_id=registration_id, actor=actor, reason=reason.strip(), at=self._now())
        self._store.submit(command).result()
