"""What a strip may have been taken for: the strip before it on its analyzer, and the controls in use. Fetched of the few that look like either."""

from __future__ import annotations

from collections.abc import Mapping

from bridge.bench.gate import Seat
from bridge.desk.lots import lots_in_use
from bridge.model import Capture, CheckedReading, ControlLook, Copy, Neighbour, Neighbours, Outcome, Purpose
from bridge.store.api import Store
from bridge.tables.control_table import ControlLot, ControlMaterial
from bridge.tables.types import Tables


def left_behind(outcome: Outcome | None, capture: Capture) -> Neighbour | None:
    """Give what the next strip must know of one that was just judged; None where it is no patient's, or is a copy."""
    if outcome is None or outcome.checked is None or isinstance(outcome, Copy) or outcome.checked.purpose is not Purpose.PATIENT:
        return None
    return _neighbour(outcome.checked, capture)


def neighbours(store: Store, tables: Tables, analyzer: str, seat: Seat, *, ahead: Neighbour | None) -> Neighbours:
    """Fetch a strip's neighbours. ``ahead`` is the strip before it where that is judged and does not stand in the store yet."""
    previous = control = None
    if tables.holds.previous is not None:
        previous = ahead or store.strip_before(analyzer, seat)
    if tables.holds.control is not None:
        control = tuple(control_look(lot, tables.controls.materials) for lot in lots_in_use(store, tables))
    return Neighbours(previous=previous, controls=control or ())


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
