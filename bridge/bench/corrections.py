"""Corrections: what may become of a result that was sent, and whom to telephone about it.

Pads and grades are read-only for everyone: a wrong value is withdrawn and the strip is run again. The order of two versions at a receiver
is the store's matter (store/apply_correction.py).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import datetime
from enum import StrEnum

from bridge.errors import RefusedAction
from bridge.lifecycle.states import OVER_DELIVERY
from bridge.model import Actor, Change, CodedResult, DeliveryState, ResultStatus


class Kind(StrEnum):
    """What a person did about a result."""

    CORRECTED = "corrected"
    WITHDRAWN = "withdrawn"
    MOVED = "moved to the right patient"
    REPLACED = "replaced by another strip of the specimen"


class Unit(StrEnum):
    """Who is telephoned: where the wrong result stands, or where the right patient is."""

    WRONG = "the unit that has the wrong result"
    RIGHT = "the unit of the right patient"


@dataclass(frozen=True, kw_only=True, slots=True)
class Wanted:
    """What a person corrects of a result besides its patient. None leaves a thing as it is; ``comment`` is added, "" for none."""

    order_number: str | None = None
    specimen_id: str | None = None
    collected_at: datetime | None = None
    comment: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class Correction:
    """What was done about a version of a result, by whom and why.

    ``new_result_id`` and ``new_version`` name the version that stands now, "" and None where the result was withdrawn for good. ``fields``
    are the names of what was changed. ``second`` is the second person's name, "" where the site asks for none. ``calls_by``: when units are
    to be telephoned if no receiver has acknowledged the withdrawal; None: nothing is withdrawn. Times are aware, UTC.
    """

    kind: Kind
    result_id: str
    version: int
    new_result_id: str
    new_version: int | None
    fields: tuple[str, ...]
    by: Actor
    second: str
    reason: str
    at: datetime
    is_critical: bool
    calls_by: datetime | None


@dataclass(frozen=True, kw_only=True, slots=True)
class Call:
    """A telephone call: who was told at which unit, whether it was read back, by whom and when (aware, UTC)."""

    unit: Unit
    told: str
    read_back: bool
    by: Actor
    at: datetime


@dataclass(frozen=True, kw_only=True, slots=True)
class Withdrawal:
    """Where the withdrawal of a result stands at a receiver that has the result, or may have it.

    ``stands_still``: ``paused`` or ``shut`` where nothing goes to that receiver before a person acts, "" where sending goes on.
    """

    destination: str
    state: DeliveryState
    stands_still: str = ""

    @property
    def is_acknowledged(self) -> bool:
        """Say whether the receiver has taken the result back."""
        return self.state is DeliveryState.ACCEPTED

    @property
    def may_be_shown(self) -> bool:
        """Say whether the receiver may still show the result: it has not taken it back, and it had something to take back."""
        return self.state not in {DeliveryState.ACCEPTED, DeliveryState.SUPERSEDED}


def units_to_call(
    correction: Correction, withdrawals: Iterable[Withdrawal], calls: Iterable[Call], *, now: datetime
) -> tuple[Unit, ...]:
    """Give whom to telephone now: at once where the result is critical, or where a withdrawal cannot go; else once one was not acknowledged in time.

    A withdrawal cannot go where the receiver turned it away, where it was given up, and where the receiver is paused or shut: each stays so
    until a person acts, and until then the record shows the result. A call counts once it was read back.
    """
    if not _asks(correction, tuple(withdrawals), now=now):
        return ()
    wanted = (Unit.WRONG, Unit.RIGHT) if correction.kind is Kind.MOVED else (Unit.WRONG,)
    told = {call.unit for call in calls if call.read_back}
    return tuple(unit for unit in wanted if unit not in told)


def _asks(correction: Correction, withdrawals: tuple[Withdrawal, ...], *, now: datetime) -> bool:
    if correction.is_critical and (withdrawals or correction.kind is Kind.CORRECTED):
        return True
    if any(each.state in {DeliveryState.REFUSED, DeliveryState.EXPIRED, DeliveryState.DISCARDED} for each in withdrawals):
        return True
    waiting = tuple(each for each in withdrawals if each.state not in OVER_DELIVERY)
    is_late = correction.calls_by is not None and now >= correction.calls_by
    return any(is_late or each.stands_still for each in waiting)


def corrected(result: CodedResult, wanted: Wanted, *, by: str, at: datetime) -> tuple[CodedResult, tuple[str, ...]]:
    """Give the next version, and the names of what it changes. Its values are those of the version before.

    The report says what was changed, by whom, and what was reported before (42 CFR 493.1291(k) asks to keep and tell both).
    Raises RefusedAction where nothing would change.
    """
    made, told = result, list[tuple[str, str]]()
    if wanted.order_number is not None and wanted.order_number != result.order_number:
        made, told = replace(made, order_number=wanted.order_number), [*told, ("order number", result.order_number)]
    if wanted.specimen_id is not None and wanted.specimen_id != result.specimen_id:
        made, told = replace(made, specimen_id=wanted.specimen_id), [*told, ("specimen number", result.specimen_id)]
    if wanted.collected_at is not None and wanted.collected_at != result.collected_at:
        before = _shown(result.collected_at, result) if result.collected_at else ""
        made, told = replace(made, collected_at=wanted.collected_at), [*told, ("collection time", before)]
    said = [f"{name}, previously reported {f'as {before}' if before else 'without one'}" for name, before in told]
    notes = [f"Corrected by {by} on {_shown(at, result)}: {'; '.join(said)}."] if said else []
    if wanted.comment:
        notes.append(f"Comment added by {by} on {_shown(at, result)}: {wanted.comment}")
    if not notes:
        raise RefusedAction("Nothing would change. Write what is right, or leave it as it is.")
    fields = (*(name for name, _ in told), *(("comment",) if wanted.comment else ()))
    comments = (*result.comments, *notes)
    return replace(made, version=result.version + 1, comments=comments, change=Change(by=by, at=at)), fields


IN_ERROR = "this result was posted in error"
REPLACED = "another strip of the same specimen takes its place"


def withdrawn(result: CodedResult, *, by: str, at: datetime, why: str = IN_ERROR) -> CodedResult:
    """Give the version that takes a result back. It says nothing of whose it is, nor more of why (a person's reason may name a patient)."""
    note = f"Withdrawn by {by} on {_shown(at, result)}: {why}."
    return replace(
        result,
        version=result.version + 1,
        status=ResultStatus.WITHDRAWN,
        comments=(*result.comments, note),
        change=Change(by=by, at=at),
    )


def moved(result: CodedResult, *, result_id: str, patient_id: str, by: str, at: datetime, is_banded: bool = False) -> CodedResult:
    """Give the result under the right patient: a new result, since the old one stays in the wrong record as withdrawn.

    What was printed or ordered for the other patient goes no further, age and sex with it. ``is_banded``: the site's limits of one of its
    pads differ by age or sex. Raises RefusedAction where flags may rest so on the other patient's.
    """
    if patient_id == result.patient_id:
        raise RefusedAction("This is the patient ID that the result has already.")
    is_printed = bool(result.born or result.sex)
    if is_printed and is_banded:
        raise RefusedAction(
            "The flags of this result may rest on the age or sex that were printed for the other patient. Withdraw it and run the strip again."
        )
    notes = [f"First reported under another patient's number; corrected by {by} on {_shown(at, result)}."]
    if is_printed:
        notes.append(
            "Birth date and sex as printed were another patient's and are left out; no flag of this result rests on them."
        )
    return replace(
        result,
        result_id=result_id,
        version=1,
        patient_id=patient_id,
        patient_name="",
        order_number="",
        born=None,
        sex=None,
        comments=(*result.comments, *notes),
        change=None,
    )


def _shown(moment: datetime, result: CodedResult) -> str:
    """Give a time as the analyzer's clock would show it."""
    return f"{moment.astimezone(result.analyzed_at.tzinfo):%Y-%m-%d %H:%M}"
