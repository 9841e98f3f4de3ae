"""What the in-memory twin tells of stops, strips, results and their way."""

from __future__ import annotations

from datetime import date, datetime
from zoneinfo import ZoneInfo

from bridge.lifecycle.states import STOPPED_DELIVERY, DestinationState
from bridge.model import DeliveryState, Format, Message, Purpose
from bridge.store import rows
from bridge.store.apply_audit import ASKED, SEEN
from bridge.store.memory_rows import Sent, State


class ShownInMemory:
    """The reads of the pages that the contract asks for; mixed into the twin, which has the state."""

    _state: State

    # --- strips and results

    def strip(self, strip_id: int) -> rows.StripRow | None:
        """Give one judged strip."""
        strip = self._state.strips.get(strip_id)
        return strip.row if strip else None

    def capture_strips(self, capture_id: int) -> tuple[rows.StripRow, ...]:
        """Give the newest interpretation of every strip of a capture, by index; superseded ones left out."""
        found = [strip.row for strip in self._state.strips.values() if strip.row.capture_id == capture_id and strip.is_newest]
        return tuple(sorted(found, key=lambda row: row.index))

    def strips(self, *, outcome: str = "", before: int | None = None, limit: int = 50) -> tuple[rows.StripRow, ...]:
        """Give judged strips, newest first, superseded ones left out unless asked for by ``outcome``."""
        found = [
            strip.row
            for strip in reversed(self._state.strips.values())
            if (strip.row.outcome == outcome if outcome else strip.row.outcome != "superseded")
            and (before is None or strip.row.strip_id < before)
        ]
        return tuple(found[:limit])

    def results(
        self,
        *,
        before: int | None = None,
        limit: int = 50,
        search: str = "",
        day: tuple[date, ZoneInfo] | None = None,
        states: frozenset[DeliveryState] = frozenset(),
    ) -> tuple[rows.ResultRow, ...]:
        """Give results, newest first; ``search`` and the others as api.Store has them."""
        found = []
        for (result_id, version), result in self._state.results.items():
            strip = self._state.strips[result.strip_id].row
            ways = [s.row for s in self._state.sent.values() if (s.row.result_id, s.row.version) == (result_id, version)]
            is_shown = strip.outcome in ("coded", "withdrawn", "non_patient") and (before is None or strip.strip_id < before)
            is_of_day = day is None or strip.arrived_at.astimezone(day[1]).date() == day[0]
            is_there = not states or any(row.state in states for row in ways)
            if is_shown and is_of_day and is_there and (not search or self._is_searched(strip, search)):
                found.append(_result_row(strip, version, ways, self._corrected_at(strip)))
        return tuple(sorted(found, key=lambda row: -row.strip_id)[:limit])

    def _corrected_at(self, strip: rows.StripRow) -> datetime | None:
        place = (strip.capture_id, strip.index, strip.record_digest)
        given = [each.decisions.analyzed_at for each in self._state.decided if each.place == place]
        return next((at for at in reversed(given) if at), None)

    def _is_searched(self, strip: rows.StripRow, search: str) -> bool:
        is_patient = strip.patient_id == search and strip.purpose is Purpose.PATIENT
        has_number = any(s.row.control_id == search and s.row.result_id == strip.result_id for s in self._state.sent.values())
        return is_patient or search in (strip.number, strip.specimen_id) or has_number

    def result(self, result_id: str) -> rows.ResultDetail | None:
        """Give one result's newest version with its whole way."""
        versions = [version for name, version in self._state.results if name == result_id]
        if not versions:
            return None
        newest = self._state.results[result_id, max(versions)]
        return rows.ResultDetail(
            strip=self._state.strips[newest.strip_id].row,
            version=max(versions),
            result=newest.content,
            deliveries=tuple(
                (sent.row, _message(sent), self._tries(sent.row.delivery_id))
                for sent in self._state.sent.values()
                if sent.row.result_id == result_id
            ),
        )

    def _tries(self, delivery_id: int) -> tuple[rows.AttemptRow, ...]:
        return tuple(tried.row for tried in self._state.tried.values() if tried.delivery_id == delivery_id)

    def deliveries(self, result_id: str) -> tuple[rows.DeliveryRow, ...]:
        """Give a result's deliveries of all versions, oldest first."""
        return tuple(sent.row for sent in self._state.sent.values() if sent.row.result_id == result_id)

    def events(self, subject: str) -> tuple[rows.EventRow, ...]:
        """Give the history of ``stop:ID``, ``strip:ID``, ``delivery:ID`` or ``destination:NAME``, oldest first."""
        return tuple(event for event in self._state.events if event.subject == subject and event.what not in {SEEN, ASKED})

    # --- destinations

    def destinations(self, *, since: datetime | None = None) -> tuple[rows.DestinationRow, ...]:
        """Give every destination that was ever named, by name; ``accepted`` counts what was made since then, without it all."""
        names = self._state.doors.keys() | {sent.row.destination for sent in self._state.sent.values()}
        return tuple(self._destination(name, since) for name in sorted(names))

    def _destination(self, name: str, since: datetime | None) -> rows.DestinationRow:
        door = self._state.doors.get(name)
        sent = [sent for sent in self._state.sent.values() if sent.row.destination == name]
        waiting: list[datetime] = [each.row.born_at for each in sent if each.is_open]
        return rows.DestinationRow(
            name=name,
            state=door.state if door else DestinationState.OPEN,
            reason=door.reason if door else "",
            since=door.since if door else None,
            waiting=len(waiting),
            oldest=min(waiting, default=None),
            accepted=sum(
                each.row.state is DeliveryState.ACCEPTED and (since is None or each.row.born_at >= since) for each in sent
            ),
            refused=sum(each.row.state in STOPPED_DELIVERY for each in sent),
        )


def _result_row(
    strip: rows.StripRow, version: int, ways: list[rows.DeliveryRow], corrected_at: datetime | None
) -> rows.ResultRow:
    return rows.ResultRow(
        strip_id=strip.strip_id,
        result_id=strip.result_id,
        version=version,
        analyzer=strip.analyzer,
        number=strip.number,
        patient_id=strip.patient_id if strip.purpose is Purpose.PATIENT else "",
        purpose=strip.purpose,
        priority=strip.priority,
        analyzed_at=corrected_at or strip.analyzed_at or strip.arrived_at,
        judged_at=strip.judged_at,
        abnormal=sum(bool(pad[3]) for pad in strip.pads),
        states=tuple((row.destination, row.state) for row in ways),
        is_withdrawn=strip.outcome == "withdrawn",
    )


def _message(sent: Sent) -> Message:
    """Give a delivery's message; an unborn one has no bytes yet."""
    row = sent.row
    return sent.message or Message(
        destination=row.destination, format=Format.ORU_R01, control_id="", payload=b"", result_id=row.result_id,
        version=row.version, lane=row.lane, priority=row.priority,
    )  # fmt: skip
