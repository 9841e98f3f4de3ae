"""What judging asks of a gate before a strip, and what the strip does to it afterwards; nothing where the site has no policy."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime

import structlog

from bridge import pipeline
from bridge.bench.controls import Flaw
from bridge.bench.gate import ControlRead, GateKey, PatientRead, Seat, at_time, counted, in_doubt, set_right
from bridge.bench.run_text import run_text
from bridge.desk.lots import lots_in_use
from bridge.model import Capture, Copy, GateFacts, Needs, Outcome, Purpose, Waiting
from bridge.store.api import Store
from bridge.store.awaited import done
from bridge.store.commands import GateWrite, JudgeWaiting
from bridge.tables.control_table import ShutDoes
from bridge.tables.types import Tables

log = structlog.get_logger()


def is_asked(tables: Tables) -> bool:
    """Say whether the site's policy asks for controls at all."""
    return tables.controls.policy is not None


async def free_waiting(store: Store, tables: Tables) -> None:
    """Put what waits to judging where the site's policy lets no strip wait, or there is none any more: nothing else would free it."""
    policy = tables.controls.policy
    if policy is None or policy.shut is not ShutDoes.WAIT:
        freed = await done(store, JudgeWaiting())
        if freed:
            log.warning("controls.none_waits", strips=freed)


def gate_facts(
    store: Store, tables: Tables, needs: Needs, capture: Capture, moment: tuple[Seat, datetime], *, is_first: bool
) -> GateFacts | None:
    """Give how the controls of a strip stand; None where the site has no policy, or asks for none here.

    ``moment``: the strip's seat, and now. A strip that is judged for the first time (``is_first``) is not to overtake its patient's earlier one, which the same controls have
    freed and which is judged again after it. Once it has waited its own turn comes behind that one, so it is not asked for again.
    """
    policy = tables.controls.policy
    if policy is None or needs.analyzer in tables.policy.ungated:
        return None
    key = GateKey(analyzer=needs.analyzer, strip_type=needs.strip_type, strip_lot=needs.strip_lot)
    seat, now = moment
    found = store.gate_reading(key, arrived_at=capture.arrived_at, seat=seat)
    return GateFacts(
        state=at_time(set_right(found.gate, now), capture.arrived_at, policy).state,
        in_doubt=in_doubt(found.at_reading, found.decided_next),
        is_behind=is_first and needs.patient_id != "" and store.is_behind_waiting(key, patient_id=needs.patient_id, seat=seat),
    )


def gate_write(
    outcome: Outcome, tables: Tables, store: Store, capture: Capture, moment: tuple[Seat, datetime], *, is_first: bool
) -> GateWrite | None:
    """Give what a judged strip does to its gate; None where that is nothing. ``moment`` and ``is_first`` as above."""
    policy, checked = tables.controls.policy, outcome.checked
    seat, now = moment
    if policy is None or checked is None or isinstance(outcome, Copy) or checked.key.analyzer in tables.policy.ungated:
        return None
    key = GateKey(analyzer=checked.key.analyzer, strip_type=checked.strip_type, strip_lot=checked.strip_lot)
    if checked.purpose is Purpose.PATIENT:
        concerns = isinstance(outcome, Waiting) or (is_first and policy.every_strips is not None)
        what = PatientRead(at=capture.arrived_at, seat=seat)
        return GateWrite(key=key, what=what, policy=policy, counts=is_first) if concerns else None
    run = pipeline.control_run(outcome, tables, lots_in_use(store, tables), arrived_at=capture.arrived_at)
    if run is None:
        return None
    level = run.lot.level if run.lot else ""
    read = ControlRead(at=capture.arrived_at, seat=seat, level=level, verdict=run.verdict, printed_at=checked.analyzed_at)
    stands = set_right(store.gate_reading(key, arrived_at=capture.arrived_at, seat=seat).gate, now)
    counts = counted(stands, read, policy)
    if counts != read:
        run, read = replace(run, flaws=(*run.flaws, Flaw.TOO_EARLY)), counts
    return GateWrite(key=key, what=read, policy=policy, run=run_text(run))
