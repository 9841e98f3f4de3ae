"""A control strip, judged pad by pad against what the insert of its lot says.

Which lot and level it was is read off the record (what stands in the place of the specimen, patient or mode) and never guessed from
the values: a control poured from the wrong vial must not find the vial that it fits.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

from bridge.bench.control_day import day_of
from bridge.model import CheckedReading
from bridge.tables.control_table import ControlLot, ExpectedPad, GatePolicy
from bridge.tables.controls import is_negative
from bridge.tables.types import StripPad, StripType


class Unmatched(StrEnum):
    """Why no lot could be told from a control's record, in words for a technician."""

    NO_TEXT = "it says of no lot of control material"
    NOT_KNOWN = "no lot of control material is entered under what it says"
    OTHER_STRIP_TYPE = "its lot has no expected values for this strip type"
    MANY = "what it says fits more than one lot or level"


class Flaw(StrEnum):
    """Why a control whose lot is known does not count as passed, though its values may fit; in words for a technician."""

    UNSIGNED = "nobody has signed the expected values of its lot"
    EXPIRED = "its lot is past its last day"
    STOPPED = "its record stands among the rejected messages"
    OTHER_DAY = "its printed day is another control day than that of its arrival"
    TOO_EARLY = (
        "it was read before controls came due, or before a failure, repair, new container or service that asks for new ones"
    )


class Fit(StrEnum):
    """How one pad's step stands to what is expected of it."""

    WITHIN = "as expected"
    ONE_OFF = "one step off, which the laboratory allows"
    OUTSIDE = "not as expected"
    MISSING = "no value"
    NOT_CLAIMED = "the insert says nothing of it"


_GOOD = frozenset({Fit.WITHIN, Fit.ONE_OFF, Fit.NOT_CLAIMED})


@dataclass(frozen=True, kw_only=True, slots=True)
class PadFit:
    """One pad of a control. ``offset`` counts steps: 0 within the range, below it negative; None for words and where nothing is compared."""

    pad: str
    expected: tuple[int, ...]
    observed: int | None
    offset: int | None
    fit: Fit


class RunVerdict(StrEnum):
    """What a control strip says of its analyzer, strips and lot."""

    PASSED = "passed"
    FAILED = "failed"
    NOT_COUNTED = "does not count"


@dataclass(frozen=True, kw_only=True, slots=True)
class ControlRun:
    """One control strip, judged. ``lot`` is None where the record told none: then ``unmatched`` says why, and no pad is compared."""

    lot: ControlLot | None
    unmatched: Unmatched | None
    flaws: tuple[Flaw, ...]
    pads: tuple[PadFit, ...]

    @property
    def verdict(self) -> RunVerdict:
        """Say what the run counts as.

        A pad that is off fails the run whatever else is wrong with it: an expired lot or a doubtful day must not hide it. Without
        a signature nobody vouches for the expected values, so nothing follows from them.
        """
        if self.lot is None or Flaw.UNSIGNED in self.flaws:
            return RunVerdict.NOT_COUNTED
        if any(each.fit not in _GOOD for each in self.pads):
            return RunVerdict.FAILED
        return RunVerdict.NOT_COUNTED if self.flaws else RunVerdict.PASSED


# --- which lot and level ----------------------------------------------------------------------


def texts_of(checked: CheckedReading) -> frozenset[str]:
    """Give what a control's record says of itself, as printed: in the place of the specimen, of the patient, of the order, and its mode."""
    said = (checked.specimen_id, checked.patient_id, checked.order_number, checked.key.mode)
    return frozenset(text for text in said if text)


def match(texts: frozenset[str], strip_type: str, lots: Iterable[ControlLot]) -> ControlLot | Unmatched:
    """Give the one lot and level that ``texts`` name exactly. Where two levels share a lot code, another text must be the level's name."""
    named = [lot for lot in lots if texts & {lot.lot, *lot.labels}]
    if not named:
        return Unmatched.NOT_KNOWN if texts else Unmatched.NO_TEXT
    fitting = [lot for lot in named if lot.strip_type == strip_type]
    if not fitting:
        return Unmatched.OTHER_STRIP_TYPE
    if len(fitting) > 1:
        fitting = [lot for lot in fitting if lot.level in texts] or fitting
    return fitting[0] if len(fitting) == 1 else Unmatched.MANY


# --- the judgement ----------------------------------------------------------------------------


def judge_control(
    checked: CheckedReading, lots: Iterable[ControlLot], strip_type: StripType, policy: GatePolicy, *, arrived_at: datetime
) -> ControlRun:
    """Judge one control strip. ``arrived_at`` is the capture's: the control day is that of arrival, and the printed day must agree."""
    lot = match(texts_of(checked), checked.strip_type, lots)
    if isinstance(lot, Unmatched):
        return ControlRun(lot=None, unmatched=lot, flaws=(), pads=())
    ranks = {each.pad: each.step.rank for each in checked.pads}
    ladders = {pad.pad: pad for pad in strip_type.pads}
    return ControlRun(
        lot=lot,
        unmatched=None,
        flaws=tuple(_flaws(lot, checked.analyzed_at, policy, arrived_at)),
        pads=tuple(
            pad_fit(each, ranks.get(each.pad), ladders[each.pad], one_step=policy.one_step)
            for each in lot.expected
            if each.pad in ladders
        ),
    )


def _flaws(lot: ControlLot, analyzed_at: datetime | None, policy: GatePolicy, arrived_at: datetime) -> Iterable[Flaw]:
    if not lot.is_signed:
        yield Flaw.UNSIGNED
    if arrived_at.astimezone(policy.zone).date() > lot.expires:
        yield Flaw.EXPIRED
    if analyzed_at is None:
        return  # nothing was printed: the arrival stands for it, as for a patient's strip
    if day_of(analyzed_at, policy) != day_of(arrived_at, policy):
        yield Flaw.OTHER_DAY


def pad_fit(expected: ExpectedPad, observed: int | None, ladder: StripPad, *, one_step: bool) -> PadFit:
    """Judge one pad: ``observed`` is the rank of its step, None where the strip gave none.

    The insert's range counts exactly as printed. Where it gives one target step only and the laboratory allows it (``one_step``), one
    step to either side will do, as long as negative stays negative and what must be found is found.
    """
    offset = _offset(expected, observed, ladder)
    return PadFit(
        pad=expected.pad,
        expected=expected.ranks,
        observed=observed,
        offset=offset,
        fit=_fit(expected, observed, offset, ladder, one_step=one_step),
    )


def _offset(expected: ExpectedPad, observed: int | None, ladder: StripPad) -> int | None:
    """Give how many steps lie between the pad and the nearest end of its range."""
    if observed is None or not expected.is_claimed or any(step.word for step in ladder.ladder):
        return None
    return min(observed - expected.ranks[0], 0) + max(observed - expected.ranks[-1], 0)


def _fit(expected: ExpectedPad, observed: int | None, offset: int | None, ladder: StripPad, *, one_step: bool) -> Fit:
    if observed is None:
        return Fit.MISSING  # also where the insert says nothing of the pad: a strip that lost a pad is no proof of an analyzer
    if not expected.is_claimed:
        return Fit.NOT_CLAIMED
    if observed in expected.ranks:
        return Fit.WITHIN
    if one_step and expected.is_target and offset in {-1, 1}:
        target = expected.ranks[0]
        if is_negative(ladder, target) is is_negative(ladder, observed):
            return Fit.ONE_OFF
    return Fit.OUTSIDE
