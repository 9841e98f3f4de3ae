"""The register of operators: who enters and ends an entry, and on which terms."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, datetime

from bridge.bench.operators import Operator
from bridge.desk.who import require_name, require_reason
from bridge.errors import RefusedAction
from bridge.model import Actor
from bridge.store.api import Store
from bridge.store.commands import EndOperator, EnterOperator


class OperatorDesk:
    """The actions on the register. Raises RefusedAction or Overtaken with a sentence for the person."""

    def __init__(self, store: Store, now: Callable[[], datetime]) -> None:
        self._store = store
        self._now = now

    def enter(self, operator: Operator, *, actor: Actor) -> int:
        """Keep whose a number is at an analyzer; give the entry's id."""
        require_name(actor)
        if not operator.analyzer.strip() or not operator.number.strip() or not operator.name.strip():
            raise RefusedAction("Give the analyzer, the number and the person's name.")
        if operator.until is not None and operator.until < operator.since:
            raise RefusedAction("The last day is before the first one.")
        made: int = self._store.submit(EnterOperator(operator=operator, actor=actor, at=self._now())).result()
        return made

    def end(self, operator_id: int, *, reason: str, actor: Actor) -> None:
        """Take an entry out of force: the number is nobody's at its analyzer from now on."""
        require_name(actor)
        require_reason(reason)
        self._store.submit(EndOperator(operator_id=operator_id, actor=actor, reason=reason.strip(), at=self._now())).result()


def typed_day(text: str) -> date | None:
    """Give the day of an ISO date; None for nothing. Raises RefusedAction for what is no date."""
    try:
        return date.fromisoformat(text.strip()) if text.strip() else None
    except ValueError as error:
        raise RefusedAction("This is not a date. Write it as 2026-11-25.") from error
