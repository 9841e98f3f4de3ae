"""Strips that a person enters: read by eye, or typed in from a slip. What was entered is kept as bytes first, and judged like any other reading."""

from __future__ import annotations

import hashlib
import re
import unicodedata
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta

from bridge.bench.entry import Ladder, document, ladders, printed_ladders, says_the_same
from bridge.check.understanding import SHARED_MODE
from bridge.desk.actions import ID_FAULTS, SAME_MINUTE
from bridge.desk.who import named, require_name
from bridge.errors import RefusedAction
from bridge.identity.patient_id import id_fault
from bridge.model import Actor, Capture, Purpose, Way
from bridge.store.api import Store
from bridge.store.commands import KeepCapture
from bridge.tables.types import Profile, Tables

MOST_TRIES = 200  # ours: numbers tried for one entry; no bench reads as many strips by eye in a day
SENT_AGAIN = timedelta(minutes=2)  # ours: a form that is sent twice is so at once; the same strip read anew takes longer
OLDEST = timedelta(days=2)  # ours: what was read before that is not entered as read by eye, since nobody remembers a colour


@dataclass(frozen=True, kw_only=True, slots=True)
class EntryPlace:
    """Where strips are entered: a source, the analyzer that it is kept under, and the profile that knows its texts."""

    source: str
    analyzer: str
    profile: Profile


@dataclass(frozen=True, kw_only=True, slots=True)
class EyeEntry:
    """A strip read by eye, as the form gives it.

    ``number`` is the one that the form was opened with; ``strip_type`` and ``purpose`` are the profile's texts; IDs come twice, as scanned or
    keyed. ``read_at`` is a local date and time in ISO form, "" for now. ``ranks`` are the chosen steps by pad.
    """

    number: int
    strip_type: str
    purpose: str
    strip_lot: str
    operator: str
    patient_id: str = ""
    patient_again: str = ""
    specimen_id: str = ""
    specimen_again: str = ""
    read_at: str = ""
    ranks: Mapping[str, int] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True, slots=True)
class SlipEntry:
    """A slip that is typed in, as the form gives it: everything as printed, but for the time, which is a local one in ISO form.

    ``purpose`` is the word beside the number, where the analyzer prints one; ``values`` are the printed texts by pad. IDs come twice.
    """

    number: str
    purpose: str
    strip_type: str
    printed_at: str
    operator: str
    strip_lot: str
    patient_id: str = ""
    patient_again: str = ""
    specimen_id: str = ""
    specimen_again: str = ""
    values: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True, slots=True)
class Entered:
    """What was kept: its capture, and the number that it bears."""

    capture_id: int
    number: int


class EntryDesk:
    """The actions of the page Enter a strip. Raises RefusedAction with a sentence for the technician; nothing is kept then."""

    def __init__(
        self,
        store: Store,
        tables: Tables,
        eyes: Iterable[EntryPlace] = (),
        *,
        slips: Iterable[EntryPlace] = (),
        now: Callable[[], datetime],
        require_room: Callable[[], None] = lambda: None,
    ) -> None:
        """Take the parts; ``eyes`` are the places where strips are read by eye, ``slips`` the analyzers whose slips may be typed in. ``require_room`` raises StoreFull where no strip is to be taken in."""
        self._store = store
        self._tables = tables
        self._now = now
        self._require_room = require_room
        self.eyes = {place.source: place for place in eyes}
        self.slips = {place.source: place for place in slips}

    def next_number(self, place: EntryPlace) -> int:
        """Give the number that the next strip of today would bear."""
        series = self._now().astimezone(place.profile.zone).date().isoformat()
        newest = self._store.series(place.analyzer, SHARED_MODE)
        return newest.last_number + 1 if newest is not None and newest.series == series else place.profile.numbers.first

    def by_eye(self, place: EntryPlace, entry: EyeEntry, actor: Actor) -> Entered:
        """Keep a strip that was read by eye. The same form sent twice is kept once."""
        require_name(actor)
        self._require_person(place, entry)
        chosen = _chosen(self._ladders(place, entry.strip_type), entry.ranks)
        at = self._read_at(place, entry.read_at)
        fields = _fields(entry, actor, at, place.profile)
        series, is_now = at.date().isoformat(), not entry.read_at.strip()
        for number in range(entry.number, entry.number + MOST_TRIES):  # one by one: a form that is sent again finds its own
            payload = document({"number": str(number), **fields}, chosen)
            kept = self._kept(place, payload, actor, key=f"{series}\0{number}", is_now=is_now)
            if kept is not None:
                return Entered(capture_id=kept, number=number)
        raise RefusedAction("No number is free for this strip. Tell your coordinator, and use your procedure for failures.")

    def _ladders(self, place: EntryPlace, strip_type: str) -> tuple[Ladder, ...]:
        if strip_type not in place.profile.strip_types:
            raise RefusedAction("Choose the strip type that stands on the container.")
        return ladders(place.profile, strip_type, self._tables)

    def _require_person(self, place: EntryPlace, entry: EyeEntry) -> None:
        mode = place.profile.numbers.modes.get(entry.purpose)
        if mode is None:
            raise RefusedAction("Say what the strip was read for.")
        if not entry.strip_lot.strip():
            raise RefusedAction("Give the lot that stands on the container.")
        self._require_ids(entry, is_patient=mode.purpose is Purpose.PATIENT)

    def _require_ids(self, entry: EyeEntry | SlipEntry, *, is_patient: bool) -> None:
        for what, first, second in (
            ("patient ID", entry.patient_id, entry.patient_again),
            ("specimen ID", entry.specimen_id, entry.specimen_again),
        ):
            if first.strip() != second.strip():
                raise RefusedAction(f"The two entries of the {what} differ. Scan or key it twice again.")
        if is_patient:
            never = frozenset({entry.strip_lot.strip(), entry.operator.strip()} - {""})
            fault = id_fault(entry.patient_id.strip(), self._tables.policy.patient_id, also_denied=never)
            if fault:
                raise RefusedAction(ID_FAULTS[fault])

    def slip(self, place: EntryPlace, entry: SlipEntry, actor: Actor) -> Entered:
        """Keep what was typed in from a slip. The same form sent twice is kept once."""
        require_name(actor)
        number = self._numbered(place, entry)
        if entry.strip_type not in place.profile.strip_types:
            raise RefusedAction("Choose the strip type that the slip names.")
        self._require_ids(entry, is_patient=True)
        chosen = _as_printed(printed_ladders(place.profile, entry.strip_type, self._tables), entry.values)
        at = self._printed_at(place, entry)
        fields = {"number": entry.number.strip(), **_fields(entry, actor, at, place.profile)}
        payload = document(fields, chosen)
        kept = self._kept(place, payload, actor, key=hashlib.sha256(payload).hexdigest())
        assert kept is not None  # only the same bytes have this key
        return Entered(capture_id=kept, number=number)

    def _numbered(self, place: EntryPlace, entry: SlipEntry) -> int:
        """Give the number of a slip, where it is one of a patient's strip."""
        scheme = place.profile.numbers
        match = re.fullmatch(scheme.pattern, entry.number.strip())
        if match is None or not match["number"]:
            raise RefusedAction(
                "This is not how the analyzer prints a number. Copy it from the slip, with its letter if it has one."
            )
        mode = scheme.modes.get((match.groupdict().get("mode") or entry.purpose).strip())
        if mode is None:
            raise RefusedAction("Say what the strip was read for, as the slip says.")
        if mode.purpose is not Purpose.PATIENT:
            raise RefusedAction("Only patients' strips are typed in. Run the control again once the analyzer is connected.")
        return int(match["number"])

    def _printed_at(self, place: EntryPlace, entry: SlipEntry) -> datetime:
        try:
            at = datetime.fromisoformat(entry.printed_at.strip()).replace(tzinfo=place.profile.zone)
        except ValueError as error:
            raise RefusedAction("Give date and time as the slip prints them.") from error
        if at > self._now() + SAME_MINUTE:
            raise RefusedAction("This time has not come yet. Look at the slip again.")
        return at

    def _read_at(self, place: EntryPlace, text: str) -> datetime:
        """Give when a strip was read, in the profile's zone."""
        now = self._now().astimezone(place.profile.zone)
        if not text.strip():
            return now
        try:
            at = datetime.fromisoformat(text.strip()).replace(tzinfo=place.profile.zone)
        except ValueError as error:
            raise RefusedAction("Give the time of reading as date and time, or leave it empty for now.") from error
        if at > now + SAME_MINUTE:
            raise RefusedAction("This time of reading has not come yet. Leave it empty for now.")
        if at < now - OLDEST:
            raise RefusedAction("This strip was read too long ago to be entered as read by eye. Run the specimen again.")
        return at

    def _kept(self, place: EntryPlace, payload: bytes, actor: Actor, *, key: str, is_now: bool = False) -> int | None:
        """Keep bytes under a key that is given once for ever; None where other bytes have it already.

        ``is_now``: the time in the bytes is that of keeping, so a form that is sent twice may bear two.
        """
        self._require_room()
        capture = Capture(source=place.source, way=Way.FORM, arrived_at=self._now(), payload=payload, live=False)
        origin = hashlib.sha256(f"form\0{place.source}\0{key}".encode()).hexdigest()
        command = KeepCapture(
            capture=capture, analyzer=place.analyzer, profile=place.profile.name, origin=origin, entered_by=named(actor)
        )
        capture_id: int = self._store.submit(command).result()
        state = self._store.capture_state(capture_id)
        is_same = state is not None and (state.digest == capture.digest or (is_now and self._is_sent_again(capture_id, capture)))
        return capture_id if is_same else None

    def _is_sent_again(self, capture_id: int, capture: Capture) -> bool:
        kept = self._store.capture(capture_id).capture
        return capture.arrived_at - kept.arrived_at <= SENT_AGAIN and says_the_same(kept.payload, capture.payload)


def _fields(entry: EyeEntry | SlipEntry, actor: Actor, at: datetime, profile: Profile) -> dict[str, str]:
    """Give what is kept of either form besides number and pads, in the profile's texts. Raises RefusedAction for a sign that is no text."""
    fields = {
        "entered_by": named(actor).name,
        "patient_id": entry.patient_id.strip(),
        "specimen_id": entry.specimen_id.strip(),
        "operator": entry.operator.strip(),
        "strip_type": entry.strip_type,
        "strip_lot": entry.strip_lot.strip(),
        "purpose": entry.purpose,
        **_printed(at, profile),
    }
    _require_plain(fields.values())
    return fields


def _chosen(pads: Iterable[Ladder], ranks: Mapping[str, int]) -> tuple[tuple[str, str, str], ...]:
    """Give the chosen steps in the profile's texts; every pad needs one, since a pad that was left out is no negative one."""
    chosen = []
    for pad in pads:
        choice = next((each for each in pad.choices if each.rank == ranks.get(pad.pad)), None)
        if choice is None:
            raise RefusedAction(f"Choose the step of {pad.name}. If it cannot be read, run a new strip.")
        chosen.append((pad.label, choice.text, choice.unit))
    return tuple(chosen)


def _as_printed(pads: Iterable[Ladder], values: Mapping[str, str]) -> tuple[tuple[str, str, str], ...]:
    """Give the values as printed, each one that the analyzer prints for a step; every pad needs one."""
    typed = []
    for pad in pads:
        choice = next((each for each in pad.choices if each.text == values.get(pad.pad)), None)
        if choice is None:
            raise RefusedAction(
                f"Choose what the slip prints for {pad.name}. A slip that prints none, or an error, is not typed in: run the strip again."
            )
        typed.append((pad.label, choice.text, choice.unit))
    return tuple(typed)


def _printed(at: datetime, profile: Profile) -> dict[str, str]:
    """Give date and time as the profile reads them."""
    time = {"printed_time": at.strftime(profile.time_format)} if profile.time_format else {}
    return {"printed_date": at.strftime(profile.date_format), **time}


def _require_plain(texts: Iterable[str]) -> None:
    """Refuse control characters, which a scanner set up wrongly sends: they would stop the strip."""
    if any(unicodedata.category(sign) == "Cc" for text in texts for sign in text):
        raise RefusedAction(
            "A field holds a sign that cannot be printed. Scan or key it again; if it comes again, tell your coordinator."
        )
