"""The register of operators: entered by a person, ended by a person with a reason; nothing is rewritten."""

from __future__ import annotations

from bridge.bench.operators import Operator
from bridge.errors import RefusedAction
from bridge.store.codec import when
from bridge.store.commands import EndOperator, EnterOperator
from bridge.store.database import Db
from bridge.store.reads_operators import operators_of
from bridge.store.statements import Change, first_said, note, overtaken

TAKEN = "This number is another entry's at this analyzer on some of these days. End that one first, or choose other days."
ENDED = "This entry is ended already. Look at the list again."


def enter_operator(db: Db, command: EnterOperator) -> int:
    """Keep an entry; give its id. Raises RefusedAction where another one has the number on one of its days."""
    of: Operator = command.operator
    db.hold(f"operators:{of.analyzer}")
    first = next((each.entered_by for each in operators_of(db) if of.overlaps(each.operator)), None)
    if first is not None:
        raise RefusedAction(first_said(first, TAKEN))
    new = db.insert(
        "INSERT INTO operators (analyzer, number, name, since, until, competency_due, shift, entered_by, entered_at, ended_by) VALUES (?,?,?,?,?,?,?,?,?,'')",
        (
            of.analyzer, of.number, of.name, of.since.isoformat(), of.until.isoformat() if of.until else None,
            of.competency_due.isoformat() if of.competency_due else None, of.shift, command.actor.name, when(command.at),
        ),
    )  # fmt: skip
    operator_id = int(new)
    note(db, command.at, command.actor, "operator.entered", f"operator:{operator_id}", Change(after="entered"))
    return operator_id


def end_operator(db: Db, command: EndOperator) -> None:
    """End an entry. Raises Overtaken where it is ended already, or never was."""
    ended = db.execute(
        "UPDATE operators SET ended_by = ?, ended_at = ? WHERE id = ? AND ended_at IS NULL",
        (command.actor.name, when(command.at), command.operator_id),
    ).rowcount
    if not ended:
        raise overtaken(db, f"operator:{command.operator_id}", ENDED)
    change = Change(before="entered", after="ended", reason=command.reason)
    note(db, command.at, command.actor, "operator.ended", f"operator:{command.operator_id}", change)
