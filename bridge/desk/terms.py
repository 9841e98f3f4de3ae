"""On which terms something is released or given up: one person or two, and what becomes of the specimen."""

from __future__ import annotations

from bridge.desk.who import require_other
from bridge.errors import RefusedAction
from bridge.lifecycle.states import SpecimenNext
from bridge.model import Actor
from bridge.tables.hold_table import ReleasePolicy

SPECIMEN_QUESTION = f"Say what becomes of the specimen: {', '.join(SpecimenNext)}."


def agreed(terms: ReleasePolicy, actor: Actor, second: str) -> str:
    """Give the second person's name, "" where none is given or asked for. Raises RefusedAction where the terms are not met."""
    second = second.strip()
    if not second and terms.persons > 1:
        raise RefusedAction("This needs two persons here. A second one looks at it too, and gives a name.")
    if second:
        require_other(second, actor)
    return second


def said_of_specimen(specimen: str, *, is_asked: bool) -> SpecimenNext | None:
    """Give what becomes of the specimen; None where nobody is asked. Raises RefusedAction where the answer is missing or is none of the four."""
    if not is_asked:
        return None
    if specimen not in set(SpecimenNext):
        raise RefusedAction(SPECIMEN_QUESTION)
    return SpecimenNext(specimen)
