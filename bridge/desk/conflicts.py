"""The other records of a strip's number: what a conflict is between, and what keeps a strip that was typed in from being posted twice."""

from __future__ import annotations

from datetime import timedelta

from bridge.errors import RefusedAction
from bridge.model import Needs, Way
from bridge.store.api import Store
from bridge.store.rows import StripRow


def others_of_number(store: Store, strip: StripRow) -> tuple[StripRow, ...]:
    """Give the other records of a strip's number in its own series, newest first; copies are left out, as wherever strips are compared."""
    if not strip.number or not strip.series:
        return ()
    needs = Needs(analyzer=strip.analyzer, mode=strip.mode, number=strip.number, record_digest="", patient_id="")
    found = store.seen_strips(needs, now=strip.arrived_at, window=timedelta(0), apart_from=(strip.capture_id, strip.index))
    rows = (store.strip(seen.strip_id) for seen in found.same_number if seen.key.series == strip.series)
    return tuple(row for row in rows if row is not None)


def was_entered(store: Store, strip: StripRow) -> bool:
    """Say whether a person entered a strip in a form."""
    return store.capture(strip.capture_id).capture.way is Way.FORM


def require_one_result(store: Store, strip: StripRow) -> None:
    """Refuse to let a strip go whose number has gone with other content, where one of the two was typed in. Raises RefusedAction."""
    gone = [other for other in others_of_number(store, strip) if other.has_gone and other.outcome != "withdrawn"]
    if any(was_entered(store, each) for each in (strip, *gone)) and gone:
        raise RefusedAction(
            f"Strip {strip.number} has gone to the record already, with other content. Compare both with the slip. If this one is right, withdraw "
            "the other result first, then release this one; if not, discard this one."
        )
