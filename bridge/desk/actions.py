"""What a technician may do with something stopped, and on which terms. Values and grades are nobody's to change.

Each action checks the state it meets, then does everything in one store transaction in the person's name.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from bridge.bench.entry import entered_by
from bridge.check import copies, entries
from bridge.check.rulebook import OF_TIME
from bridge.desk.conflicts import require_one_result
from bridge.desk.same_day import ask_same_person
from bridge.desk.terms import agreed, said_of_specimen
from bridge.desk.typed_time import typed_time
from bridge.desk.who import require_name, require_reason
from bridge.errors import Overtaken, RefusedAction
from bridge.identity.patient_id import IdFault, id_fault
from bridge.identity.person import same_person
from bridge.lifecycle.states import StopEnd, StopGroup, StopState
from bridge.model import SERVICE, Actor, Purpose
from bridge.store.api import Store
from bridge.store.commands import CloseStop, ConfirmRun
from bridge.store.rows import StopRow, StripRow
from bridge.store.stop_commands import AssignStop, NoteStop
from bridge.tables.hold_table import HoldTable, ReleasePolicy
from bridge.tables.types import Policy

SAME_MINUTE = timedelta(minutes=1)  # ours: people read a clock without seconds
MOST_AT_ONCE = 500  # ours: a preview that a person can still look through

ID_FAULTS = {
    IdFault.MISSING: "The patient ID is empty. Scan the label again.",
    IdFault.DENIED: "This is on the list of texts that are never a patient ID (a lot, an operator, a placeholder). Scan the patient's label.",
    IdFault.MALFORMED: "This does not look like a patient ID of this site. Scan the label again.",
    IdFault.CHECK_DIGIT: "This patient ID fails its check digit. Scan the label again.",
}


class Desk:
    """The actions on stopped strips and messages. Raises RefusedAction or Overtaken with a sentence for the technician."""

    def __init__(
        self, store: Store, policy: Policy, now: Callable[[], datetime], *, zone: ZoneInfo, holds: HoldTable | None = None
    ) -> None:
        """Take the parts. ``holds`` has the site's terms of release; None: one person each, and nothing together."""
        self._store = store
        self._holds = holds or HoldTable()
        self._zone = zone
        self._policy = policy
        self._now = now

    def over(self, store: Store) -> Desk:
        """Give the same desk over another store."""
        return Desk(store, self._policy, self._now, zone=self._zone, holds=self._holds)

    def correct_patient_id(
        self, stop_id: int, *, first: str, second: str, second_identifier: str, reason: str, actor: Actor
    ) -> None:
        """Judge the strip again under another patient ID; the printed one stays beside it.

        ``first`` and ``second`` are two scans or keyings and must be equal; ``second_identifier`` is compared with
        what the strip carries besides (specimen ID or number as printed). No patient list is asked: none exists yet.
        """
        stop = self._open(stop_id, actor, reason)
        if first != second:
            raise RefusedAction("The two entries of the patient ID differ. Scan or key it twice again.")
        strip = self._strip(stop)
        if strip.purpose is not Purpose.PATIENT:
            raise RefusedAction("This strip was not read for a patient, so it has no patient ID to correct.")
        fault = id_fault(first, self._policy.patient_id, also_denied=frozenset({strip.strip_lot, strip.operator} - {""}))
        if fault:
            raise RefusedAction(ID_FAULTS[fault])
        if first == strip.patient_id:
            raise RefusedAction("This is the patient ID that the strip has already.")
        compare(second_identifier, strip)
        self._submit(stop, replace(self._ended(stop, StopEnd.ID_CORRECTED, actor, reason), patient_id=first))

    def ask_same_person(self, stop_id: int, patient_id: str) -> None:
        """Raise AnotherStrip where the patient that a strip is to go to has another one of that day."""
        stop = self._there(stop_id)
        strip = self._store.strip(stop.strip_id) if stop.strip_id is not None else None
        if strip is not None:
            ask_same_person(self._store, strip, patient_id, zone=self._zone)

    def why_not_corrected(self, stop: StopRow) -> str:
        """Say why nothing of an open stop's strip may be corrected here; "" where it may. So it is of what a receiver has, or may have."""
        return self._store.why_not(self._ended(stop, StopEnd.ID_CORRECTED, SERVICE, ""))

    def correct_time(self, stop_id: int, *, day: str, clock: str, which: str, reason: str, actor: Actor) -> None:
        """Judge the strip again as analyzed at another time; the printed one stays beside it, and its report names both.

        ``day``, ``clock`` and ``which`` are as ``typed_time`` has them, in the site's zone. Only where the time is what is in doubt.
        """
        stop = self._open(stop_id, actor, reason)
        strip = self._strip(stop)
        if stop.group is not StopGroup.HELD or not OF_TIME & set(stop.rules):
            raise RefusedAction("The time of this strip is not what stopped it. " + stop.remedy)
        at = typed_time(day, clock, which=which, zone=self._zone)
        arrived = strip.arrived_at.astimezone(self._zone)
        if at.astimezone(UTC) > strip.arrived_at + SAME_MINUTE:
            raise RefusedAction(f"This is after the strip arrived, at {arrived:%Y-%m-%d %H:%M}. It was read before that.")
        if at.astimezone(UTC) < strip.arrived_at - timedelta(days=self._policy.oldest_days):
            raise RefusedAction(
                f"This is more than {self._policy.oldest_days} days before the strip arrived. Discard it, or read the specimen again."
            )
        self._submit(stop, replace(self._ended(stop, StopEnd.TIME_CORRECTED, actor, reason), analyzed_at=at.astimezone(UTC)))

    def release(self, stop_id: int, *, reason: str, actor: Actor, second: str = "") -> None:
        """Send a held strip in spite of what held it. Only where every hold on it may be released by a person.

        ``second`` names the second person, where the terms of one of its rules ask for two.
        """
        stop = self._open(stop_id, actor, reason)
        if stop.group is not StopGroup.HELD or not stop.releasable:
            raise RefusedAction("This cannot be released. " + stop.remedy)
        if entries.UNCONFIRMED in stop.rules:
            self._require_another(stop, actor)
        if copies.CONFLICT in stop.rules:
            require_one_result(self._store, self._strip(stop))
        by_two = agreed(self.terms(stop), actor, second)
        ended = self._ended(stop, StopEnd.RELEASED, actor, reason)
        self._submit(stop, replace(ended, accept_rules=frozenset(stop.rules), second=by_two))

    def _require_another(self, stop: StopRow, actor: Actor) -> None:
        assert stop.capture_id is not None  # what was entered was kept first
        if same_person(entered_by(self._store.capture(stop.capture_id).capture.payload), actor.name):
            raise RefusedAction(
                "You entered this strip yourself. Another person compares it and releases it under a name of their own."
            )

    def terms(self, stop: StopRow) -> ReleasePolicy:
        """Give on which terms a person decides about a stop: the strictest of all that stops it."""
        return self._holds.policy(stop.rules)

    def confirm_run(self, shift_id: int, *, first: str, last: str, last_strip: int, reason: str, actor: Actor) -> int:
        """Let a run go that is held because something went missing inside it; give how many strips are judged again.

        ``first`` and ``last`` are scanned or keyed from the labels of its first and last specimen, and must be what those strips carry as
        patient or specimen ID. ``last_strip`` is the id of the last strip that the person saw. Corrections of an ID come before.
        """
        require_name(actor)
        require_reason(reason)
        run = next((each for each in self._store.held_runs() if each.shift_id == shift_id), None)
        if run is None:
            raise Overtaken("This run was confirmed already, or nothing of it waits any more. Look at the list again.")
        if run.strips[-1].strip_id != last_strip:
            raise Overtaken("The run has changed since you opened the page. Compare its last specimen now.")
        for given, strip, which in ((first, run.strips[0], "first"), (last, run.strips[-1], "last")):
            if given.strip() not in {strip.patient_id, strip.specimen_id} - {""}:
                raise RefusedAction(
                    f"The label of the {which} specimen is not what strip {strip.number} carries: the run may have shifted. Nothing goes. Look at "
                    "the others too; correct each patient ID, or discard the strips and run the specimens again."
                )
        command = ConfirmRun(shift_id=shift_id, last=run.last, actor=actor, reason=reason.strip(), at=self._now())
        count: int = self._store.submit(command).result()
        return count

    def discard(self, stop_id: int, *, reason: str, actor: Actor, specimen: str = "") -> None:
        """Give up a stopped strip, message or file; its bytes and its history stay.

        ``specimen`` is a ``SpecimenNext`` and says what becomes of a patient's specimen, where the strip was read and goes nowhere now.
        """
        stop = self._open(stop_id, actor, reason)
        said = said_of_specimen(specimen, is_asked=self.has_specimen(stop))
        self._submit(stop, replace(self._ended(stop, StopEnd.DISCARDED, actor, reason), specimen=said))

    def has_specimen(self, stop: StopRow) -> bool:
        """Say whether discarding a stop gives up a patient's reading: a strip that was read, and not a message to one receiver."""
        if stop.purpose is not Purpose.PATIENT or stop.delivery_id is not None or stop.strip_id is None:
            return False
        strip = self._store.strip(stop.strip_id)
        return strip is not None and strip.outcome != "unreadable"

    def send_again(self, stop_id: int, *, reason: str, actor: Actor) -> None:
        """Send a turned-away message again: the same bytes under the same identity."""
        stop = self._open(stop_id, actor, reason)
        if stop.delivery_id is None:
            raise RefusedAction("Nothing of this was ever sent, so it cannot be sent again.")
        self._submit(stop, self._ended(stop, StopEnd.SENT_AGAIN, actor, reason))

    def read_again(self, stop_id: int, *, reason: str, actor: Actor) -> None:
        """Read the kept bytes again with the current profile; its outcome replaces this stop."""
        stop = self._open(stop_id, actor, reason)
        self._submit(stop, self._ended(stop, StopEnd.READ_AGAIN, actor, reason))

    def preview_read_again(self, rule: str) -> tuple[StopRow, ...]:
        """Give the open stops of one reason that have kept bytes to read, newest first."""
        found = self._store.stops(rule=rule, limit=MOST_AT_ONCE)
        return tuple(stop for stop in found if stop.capture_id is not None and stop.delivery_id is None)

    def read_again_all(self, rule: str, *, expected: int, reason: str, actor: Actor) -> int:
        """Read all of one reason again; ``expected`` is the count that the person saw. Gives how many were read again."""
        stops = self.preview_read_again(rule)
        require_name(actor)
        require_reason(reason)
        if len(stops) != expected:
            raise Overtaken(f"There are {len(stops)} of these now, not {expected}. Look at the list again.")
        done = 0
        for stop in stops:
            try:
                self._submit(stop, self._ended(stop, StopEnd.READ_AGAIN, actor, reason))
            except Overtaken:
                continue  # reading one whole capture again can take several of its stops at once
            done += 1
        return done

    # --- what changes nothing of its way

    def assign(self, stop_id: int, *, owner: str, before: str, actor: Actor) -> None:
        """Say whose an open stop is, "" for nobody's; ``before`` is whose it was when the person looked."""
        require_name(actor)
        owner, before = owner.strip(), before.strip()
        stop = self._there(stop_id)
        if stop.state is not StopState.OPEN:
            raise _overtaken(stop)
        if owner == before:
            raise RefusedAction(f"{owner} has it already." if owner else "Nobody has it. Say whose it is from now on.")
        command = AssignStop(stop_id=stop_id, owner=owner, before=before, actor=actor, at=self._now())
        self._submit(stop, command)

    def note(self, stop_id: int, *, text: str, actor: Actor) -> None:
        """Keep a note in a stop's history; after its end too. Two people's notes are both kept."""
        require_name(actor)
        if not text.strip():
            raise RefusedAction("Write the note: it is kept in the history.")
        self._submit(self._there(stop_id), NoteStop(stop_id=stop_id, text=text.strip(), actor=actor, at=self._now()))

    # --- what every action asks first

    def _open(self, stop_id: int, actor: Actor, reason: str) -> StopRow:
        require_name(actor)
        require_reason(reason)
        stop = self._there(stop_id)
        if stop.state is not StopState.OPEN:
            raise _overtaken(stop)
        return stop

    def _there(self, stop_id: int) -> StopRow:
        stop = self._store.stop(stop_id)
        if stop is None:
            raise RefusedAction("There is no such row.")
        return stop

    def _strip(self, stop: StopRow) -> StripRow:
        strip = self._store.strip(stop.strip_id) if stop.strip_id is not None else None
        if strip is None or strip.outcome == "unreadable":
            raise RefusedAction(
                "No strip could be read here, so it has no patient ID to correct. Read it again, or run the strip again."
            )
        return strip

    def _ended(self, stop: StopRow, end: StopEnd, actor: Actor, reason: str) -> CloseStop:
        return CloseStop(stop_id=stop.stop_id, end=end, actor=actor, reason=reason.strip(), at=self._now())

    def _submit(self, stop: StopRow, command: CloseStop | AssignStop | NoteStop) -> None:
        try:
            self._store.submit(command).result()
        except Overtaken as overtaken:  # between our look and the commit: say by whom, as _open does
            now = self._store.stop(stop.stop_id)
            raise (_overtaken(now) if now and now.state is StopState.CLOSED else overtaken) from overtaken


def _overtaken(stop: StopRow) -> Overtaken:
    return Overtaken(f"{stop.closed_by} has dealt with this already: {stop.closed_how}.")


def compare(second_identifier: str, strip: StripRow) -> None:
    """Compare what the person reads off the label or slip with what the strip carries besides its patient ID."""
    carried = [text.strip() for text in (strip.specimen_id, strip.number) if text.strip()]
    given = second_identifier.strip()
    if not given:
        raise RefusedAction("Give a second identifier: the specimen ID, or the strip's number as printed on the slip.")
    if not carried:
        raise RefusedAction(
            "This strip carries neither specimen ID nor number to compare with. Run the strip again under the right patient ID."
        )
    same = {text.casefold() for text in carried} | {text.lstrip("0").casefold() for text in carried}
    if given.casefold() not in same and given.lstrip("0").casefold() not in same:
        raise RefusedAction("The second identifier does not belong to this strip. Check that you have the right slip in hand.")
