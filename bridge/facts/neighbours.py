"""What a strip may have been taken for: the strip before it on its analyzer, and the controls in use. Fetched of the few that look like either."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import datetime

from bridge.bench.gate import Seat
from bridge.desk.lots import lots_in_use
from bridge.facts.renewed import Renewed
from bridge.model import Capture, CheckedReading, ControlLook, Copy, Neighbour, Neighbours, Outcome, Purpose
from bridge.store.api import Store
from bridge.tables.control_table import ControlLot, ControlMaterial
from bridge.tables.types import Tables


def left_behind(outcome: Outcome | None, capture: Capture) -> Neighbour | None:
    """Give what the next strip must know of one that was just judged; None where it is no patient's, or is a copy."""
    if outcome is None or outcome.checked is None or isinstance(outcome, Copy) or outcome.checked.purpose is not Purpose.PATIENT:
        return None
    return _neighbour(outcome.checked, capture)


class Nearby:
    """The strip before another one, and the controls in use as this process knows them: those are read again every few seconds."""

    def __init__(self, store: Store, tables: Tables, now: Callable[[], datetime]) -> None:
        self._store = store
        self._holds = tables.holds
        materials = tables.controls.materials
        self._controls = Renewed(lambda _: tuple([control_look(lot, materials) for lot in lots_in_use(store, tables)]), now)

    def of(self, analyzer: str, seat: Seat, *, ahead: Neighbour | None) -> Neighbours:
        """Give a strip's neighbours. ``ahead`` is the strip before it where that is judged and does not stand in the store yet."""
        previous = None
        if self._holds.previous is not None:
            previous = ahead or self._store.strip_before(analyzer, seat)
        return Neighbours(previous=previous, controls=self._controls.value() if self._holds.control is not None else ())


def _neighbour(checked: CheckedReading, capture: Capture) -> Neighbour:
    return Neighbour(
        number=checked.key.number,
        patient_id=checked.patient_id,
        content=checked.content,
        printed_at=checked.analyzed_at,
        arrived_at=capture.arrived_at,
    )


def control_look(lot: ControlLot, materials: Mapping[str, ControlMaterial]) -> ControlLook:
    """Give what a lot looks like on its strip type, and what people call it."""
    material = materials.get(lot.material)
    title = material.title if material else lot.material
    return ControlLook(
        name=f"{title}, level {lot.level}, lot {lot.lot}",
        strip_type=lot.strip_type,
        pads=tuple((each.pad, each.ranks) for each in lot.expected if each.is_claimed),
    )
