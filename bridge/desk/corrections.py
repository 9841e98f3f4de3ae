"""What a person may do about a result that was sent: correct what belongs to it, move it to the right patient, or withdraw it.

Pads and grades are nobody's to change: a wrong value is withdrawn, and the strip is run again.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from bridge.bench.corrections import REPLACED, Call, Correction, Kind, Unit, Wanted, corrected, moved, withdrawn
from bridge.bench.registered import registered_as
from bridge.desk.actions import ID_FAULTS, SAME_MINUTE, compare
from bridge.desk.labels import labels_of
from bridge.desk.same_day import ask_same_person
from bridge.desk.typed_time import typed_time
from bridge.desk.who import require_name, require_reason
from bridge.errors import Overtaken, RefusedAction, RejectError
from bridge.identity.patient_id import id_fault
from bridge.identity.person import same_person
from bridge.model import Actor, CodedResult, Purpose
from bridge.render import lane_of
from bridge.store.api import Store
from bridge.store.commands import CloseStop, CorrectResult, RecordCall, RecordedCorrection, ReplaceResult, ReserveNumbers
from bridge.store.rows import StripRow
from bridge.store.statements import first_said
from bridge.tables.types import Tables

LONGEST_NUMBER = 60  # ours: characters of an order or specimen number; labels are shorter
LONGEST_COMMENT = 300  # ours: characters; a sentence or two for the reader of the report
CHANGED = "This result does not stand as you saw it any more. Look at it again."


@dataclass(frozen=True, kw_only=True, slots=True)
class CorrectionTerms:
    """The site's terms: whether a second person is asked for, and after how long without an acknowledgement units are telephoned."""

    needs_second: bool = True
    acknowledged_within: timedelta = timedelta(minutes=30)


@dataclass(frozen=True, kw_only=True, slots=True)
class Who:
    """Who acts and why; ``second`` is the name of a second person who has looked at it too, "" for none.

    ``look_back`` is the row of a look-back that this decides: a control failed after the result had left. A move decides none.
    """

    actor: Actor
    second: str
    reason: str
    look_back: int | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class Typed:
    """What a person typed of a correction. ``day``, ``clock`` and ``which`` are as ``typed_time`` has them, "" to leave the collection time as it is."""

    order_number: str
    specimen_id: str
    day: str = ""
    clock: str = ""
    which: str = ""
    comment: str = ""


class CorrectionDesk:
    """The actions on results. Raises RefusedAction or Overtaken with a sentence for the technician."""

    def __init__(
        self,
        store: Store,
        tables: Tables,
        now: Callable[[], datetime],
        *,
        zone: ZoneInfo,
        terms: CorrectionTerms,
        says: Callable[[CodedResult], None],
    ) -> None:
        """``says`` raises RejectError where a result cannot be said as it is at some destination: it is tried before anything is kept."""
        self._store = store
        self._tables = tables
        self._policy = tables.policy
        self._now = now
        self._zone = zone
        self.terms = terms
        self._says = says

    def correct(self, result_id: str, version: int, typed: Typed, *, who: Who) -> RecordedCorrection:
        """Send a version with another order number, specimen number, collection time or a comment; ``version`` is the one that the person saw."""
        result, _ = self._result(result_id, version, who)
        made, fields = corrected(result, self._wanted(typed, result), by=who.actor.name, at=self._now())
        return self._change(Kind.CORRECTED, result, who, fields=fields, made=made, taken=None)

    def comment(self, result_id: str, version: int, comment: str, *, who: Who) -> RecordedCorrection:
        """Send a version that says something more to the reader of the report, and is else as it was."""
        result, _ = self._result(result_id, version, who)
        made, fields = corrected(result, Wanted(comment=_comment(comment)), by=who.actor.name, at=self._now())
        return self._change(Kind.CORRECTED, result, who, fields=fields, made=made, taken=None)

    def withdraw(self, result_id: str, version: int, *, who: Who) -> RecordedCorrection:
        """Take a result back wherever it was sent, and put nothing in its place."""
        result, _ = self._result(result_id, version, who)
        return self._change(Kind.WITHDRAWN, result, who, fields=(), made=None, taken=self._taken(result, who))

    def replace(self, result_id: str, version: int, *, end: CloseStop, who: Who) -> RecordedCorrection:
        """Take a result back, and let a held strip of the same specimen go in its place once that is acknowledged (desk/run_again.py)."""
        result, _ = self._result(result_id, version, who)
        taken = withdrawn(result, by=who.actor.name, at=self._now(), why=REPLACED)
        command = ReplaceResult(withdraw=self._command(Kind.REPLACED, result, who, taken=taken), end=end)
        recorded: RecordedCorrection = self._store.submit(command).result()
        return recorded

    def move(
        self, result_id: str, version: int, *, first: str, second: str, second_identifier: str, who: Who
    ) -> RecordedCorrection:
        """Take a result out of the wrong record; once that is acknowledged, send it under the right patient.

        ``first`` and ``second`` are two scans or keyings of the right ID and must be equal; ``second_identifier`` is compared with what the
        strip carries besides (specimen ID or number as printed).
        """
        result, strip = self._result(result_id, version, who)
        if first != second:
            raise RefusedAction("The two entries of the patient ID differ. Scan or key it twice again.")
        fault = id_fault(first, self._policy.patient_id, also_denied=frozenset({result.strip_lot, result.operator} - {""}))
        if fault:
            raise RefusedAction(ID_FAULTS[fault])
        self._require_patients(first, result)
        compare(second_identifier, strip)
        by, at = who.actor.name, self._now()
        number: int = self._store.submit(ReserveNumbers(count=1, epoch=self._store.epoch)).result()
        made = moved(
            result, result_id=f"{self._store.epoch}R{number}", patient_id=first, by=by, at=at, is_banded=self._is_banded(result)
        )
        return self._change(Kind.MOVED, result, who, fields=("patient ID",), made=made, taken=self._taken(result, who))

    def ask_same_person(self, result_id: str, patient_id: str) -> None:
        """Raise AnotherStrip where the patient that a result is to go to has another strip of that day."""
        if (found := self._store.result(result_id)) is not None:
            ask_same_person(self._store, found.strip, patient_id, zone=self._zone)

    def record_call(self, correction_id: int, unit: Unit, *, told: str, read_back: bool, actor: Actor) -> None:
        """Keep who was told by telephone, and whether it was read back."""
        require_name(actor)
        if not told.strip():
            raise RefusedAction("Write whom you told: a name and the unit.")
        call = Call(unit=unit, told=told.strip(), read_back=read_back, by=actor, at=self._now())
        self._store.submit(RecordCall(correction_id=correction_id, call=call)).result()

    # --- what every change asks first

    def _result(self, result_id: str, version: int, who: Who) -> tuple[CodedResult, StripRow]:
        """Give the version that the person saw, and its strip."""
        self._require(who)
        found = self._store.result(result_id)
        if found is None:
            raise RefusedAction("There is no such result.")
        if found.result is None:
            raise RefusedAction("The values of this result were purged by the site's rule. Correct the record by your procedure.")
        if found.result.purpose is not Purpose.PATIENT:
            raise RefusedAction("This is no patient's result. Nothing of it is in a patient's record.")
        if found.version != version or found.strip.outcome != "coded":
            by = [row.correction.by.name for row in self._store.corrections(result_id=result_id)]
            raise Overtaken(first_said(by[0] if by else "", CHANGED))
        return found.result, found.strip

    def _require(self, who: Who) -> None:
        require_name(who.actor)
        require_reason(who.reason)
        if not self.terms.needs_second:
            return
        if not who.second.strip():
            raise RefusedAction("A second person looks at it too. Give that person's name.")
        if same_person(who.second, who.actor.name):
            raise RefusedAction("The second person is somebody else. Give another name than your own.")

    def _require_patients(self, patient_id: str, result: CodedResult) -> None:
        """Raise RefusedAction where people entered an identifier as something else's: the result would go to no patient's record."""
        said = dict(labels_of(self._store, self._tables)).get(patient_id)
        if said:
            raise RefusedAction(f"This is {said}, and no patient's ID. Scan the patient's label.")
        day = result.analyzed_at.astimezone(self._zone).date()
        registered = registered_as(self._store.registrations(is_in_force=True), patient_id, "", day)
        if registered is not None:
            raise RefusedAction(
                f"This identifier is registered for {registered.purpose} ({registered.scheme}), and is no patient's. Scan the patient's label; "
                "if it is right, have the registration ended first."
            )

    def _is_banded(self, result: CodedResult) -> bool:
        """Say whether a flag may rest on age or sex; of a result that was coded with other tables nobody can say."""
        is_other = result.tables_digest != self._tables.digest
        return is_other or any(self._tables.flags.bands.get(pad.pad) for pad in result.pads)

    def _wanted(self, typed: Typed, result: CodedResult) -> Wanted:
        order, specimen = typed.order_number.strip(), typed.specimen_id.strip()
        if len(order) > LONGEST_NUMBER or len(specimen) > LONGEST_NUMBER:
            raise RefusedAction(f"A number has at most {LONGEST_NUMBER} characters. Scan the label again.")
        comment, collected = _comment(typed.comment), self._collected(typed, result)
        return Wanted(order_number=order, specimen_id=specimen, collected_at=collected, comment=comment)

    def _collected(self, typed: Typed, result: CodedResult) -> datetime | None:
        if not typed.day.strip() and not typed.clock.strip():
            return None
        at = typed_time(typed.day, typed.clock, which=typed.which, zone=self._zone)
        read = result.analyzed_at.astimezone(self._zone)
        if at.astimezone(UTC) > result.analyzed_at.astimezone(UTC) + SAME_MINUTE:
            raise RefusedAction(
                f"This is after the strip was read, at {read:%Y-%m-%d %H:%M}. The specimen was collected before that."
            )
        if at.astimezone(UTC) < result.analyzed_at.astimezone(UTC) - timedelta(days=self._policy.oldest_days):
            raise RefusedAction(f"This is more than {self._policy.oldest_days} days before the strip was read. Look at the year.")
        return at

    def _taken(self, result: CodedResult, who: Who) -> CodedResult:
        return withdrawn(result, by=who.actor.name, at=self._now())

    def _change(
        self, kind: Kind, result: CodedResult, who: Who, *, fields: tuple[str, ...], made: CodedResult | None, taken: CodedResult | None
    ) -> RecordedCorrection:  # fmt: skip
        command = self._command(kind, result, who, fields=fields, made=made, taken=taken)
        recorded: RecordedCorrection = self._store.submit(command).result()
        return recorded

    def _command(
        self, kind: Kind, result: CodedResult, who: Who, *, fields: tuple[str, ...] = (), made: CodedResult | None = None, taken: CodedResult | None
    ) -> CorrectResult:  # fmt: skip
        at = self._now()
        for version in filter(None, (made, taken)):
            try:
                self._says(version)
            except RejectError as reject:
                raise RefusedAction(f"{reject.sentence} {reject.remedy}") from reject
        correction = Correction(
            kind=kind,
            result_id=result.result_id,
            version=result.version,
            new_result_id=made.result_id if made else "",
            new_version=made.version if made else None,
            fields=fields,
            by=Actor(name=who.actor.name.strip(), verified=who.actor.verified),
            second=who.second.strip(),
            reason=who.reason.strip(),
            at=at,
            is_critical=any(pad.flag.is_critical for pad in result.pads),
            calls_by=at + self.terms.acknowledged_within if taken else None,
        )
        lane = lane_of(made) if made else ""
        return CorrectResult(correction=correction, made=made, lane=lane, withdrawn=taken, look_back=who.look_back)


def _comment(typed: str) -> str:
    if len(typed.strip()) > LONGEST_COMMENT:
        raise RefusedAction(f"A comment has at most {LONGEST_COMMENT} characters. Write it shorter.")
    return typed.strip()
