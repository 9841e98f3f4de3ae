"""Lots of control material: what a person types from an insert, what a second one signs, and which are in use."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from pydantic import ValidationError

from bridge.desk.who import require_name, require_reason
from bridge.errors import RefusedAction, TableError
from bridge.model import Actor
from bridge.store.api import Store
from bridge.store.commands import CloseLot, EnterLot, SignLot
from bridge.store.rows import LotShown
from bridge.tables.control_table import ControlLot
from bridge.tables.controls import control_lot
from bridge.tables.controls_document import LotRow
from bridge.tables.types import Tables


@dataclass(frozen=True, kw_only=True, slots=True)
class TypedLot:
    """A lot that a person entered: as typed, and as understood by the tables in force; ``fault`` says why it cannot be used, else ""."""

    shown: LotShown
    row: LotRow
    lot: ControlLot | None
    fault: str = ""


def typed_lots(store: Store, tables: Tables) -> tuple[TypedLot, ...]:
    """Give the lots that people entered and that are in use, oldest first."""
    return tuple(_typed(shown, tables) for shown in store.control_lots())


def lots_in_use(store: Store, tables: Tables) -> tuple[ControlLot, ...]:
    """Give every lot that a control may be of: the site's file's, and those that people entered and the tables in force understand."""
    return (*tables.controls.lots, *(each.lot for each in typed_lots(store, tables) if each.lot is not None))


def _typed(shown: LotShown, tables: Tables) -> TypedLot:
    row = LotRow.model_validate_json(shown.content)
    try:
        lot = control_lot(row, tables.controls.materials, tables.strip_types)
    except TableError as error:  # the tables changed since: the lot stays, and judges nothing
        return TypedLot(shown=shown, row=row, lot=None, fault=f"{error.sentence} {error.remedy}")
    return TypedLot(shown=shown, row=row, lot=replace(lot, entered_by=shown.entered_by, signed_by=shown.signed_by))


class LotDesk:
    """The actions on lots. Raises RefusedAction or Overtaken with a sentence for the person."""

    def __init__(self, store: Store, tables: Tables, now: Callable[[], datetime]) -> None:
        self._store = store
        self._tables = tables
        self._now = now

    def enter(self, typed: Mapping[str, Any], *, actor: Actor) -> int:
        """Keep a lot as typed from its insert (the keys of a LotRow, without who entered and signed it); give its id."""
        require_name(actor)
        try:
            row = LotRow.model_validate({**typed, "entered": actor.name.strip(), "signed": ""})
        except ValidationError as error:
            fields = ", ".join(dict.fromkeys(str(each["loc"][-1]) for each in error.errors() if each["loc"]))
            raise RefusedAction(f"Something is missing or not of its kind. Look at: {fields.replace('_', ' ')}.") from error
        try:
            lot = control_lot(row, self._tables.controls.materials, self._tables.strip_types)
        except TableError as error:
            raise RefusedAction(f"{error.sentence} {error.remedy}") from error
        self._refuse_taken(lot)
        command = EnterLot(content=row.model_dump_json(), actor=replace(actor, name=actor.name.strip()), at=self._now())
        made: int = self._store.submit(command).result()
        return made

    def sign(self, lot_id: int, *, actor: Actor) -> None:
        """Sign a lot that another person entered, after comparing it with the insert: from now on it can open a gate."""
        require_name(actor)
        self._store.submit(SignLot(lot_id=lot_id, actor=actor, at=self._now())).result()

    def close(self, lot_id: int, *, reason: str, actor: Actor) -> None:
        """Take a lot out of use: no control is judged by it any more."""
        require_name(actor)
        require_reason(reason)
        self._store.submit(CloseLot(lot_id=lot_id, actor=actor, reason=reason.strip(), at=self._now())).result()

    def _refuse_taken(self, lot: ControlLot) -> None:
        """Refuse a text that names another lot on the same strip type: nobody could say which was read."""
        texts = {lot.lot, *lot.labels}
        for other in lots_in_use(self._store, self._tables):
            same = texts & {other.lot, *other.labels}
            shared_code = same == {lot.lot} == {other.lot} and lot.level != other.level  # two levels may share their code
            if same and other.strip_type == lot.strip_type and not shared_code:
                raise RefusedAction(
                    f"{min(same)} is entered already, as level {other.level} of {other.material}. Take that one out of use first, or give "
                    "what only this vial says."
                )
