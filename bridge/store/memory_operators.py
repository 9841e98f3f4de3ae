"""The register of operators on the in-memory twin."""

from __future__ import annotations

from bridge.errors import Overtaken, RefusedAction
from bridge.store import commands as c
from bridge.store.apply_operator import ENDED, TAKEN
from bridge.store.memory_rows import State, next_id
from bridge.store.rows import OperatorShown
from bridge.store.statements import Change


def enter_operator(state: State, command: c.EnterOperator) -> int:
    """Keep an entry; give its id. Raises RefusedAction where another one has the number on one of its days."""
    in_force = (each for number, each in state.operators.items() if number not in state.operators_out)
    if any(command.operator.overlaps(each.operator) for each in in_force):
        raise RefusedAction(TAKEN)
    operator_id = next_id(state.operators)
    state.operators[operator_id] = OperatorShown(
        operator_id=operator_id, operator=command.operator, entered_by=command.actor.name, entered_at=command.at
    )
    state.note(command.at, command.actor, "operator.entered", f"operator:{operator_id}", Change(after="entered"))
    return operator_id


def end_operator(state: State, command: c.EndOperator) -> None:
    """End an entry. Raises Overtaken where it is ended already, or never was."""
    if command.operator_id not in state.operators or command.operator_id in state.operators_out:
        raise Overtaken(ENDED)
    state.operators_out.add(command.operator_id)
    change = Change(before="entered", after="ended", reason=command.reason)
    state.note(command.at, command.actor, "operator.ended", f"operator:{command.operator_id}", change)


class OperatorsInMemory:
    """The reads of operators; mixed into the twin."""

    _state: State

    def operators(self) -> tuple[OperatorShown, ...]:
        """Give the entries of the register that are in force, in the order in which they were entered."""
        return tuple(each for number, each in self._state.operators.items() if number not in self._state.operators_out)
