"""The monthly review on the in-memory twin: corrective actions, signatures, and what is known of a month."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, datetime

from bridge.bench.controls import RunVerdict
from bridge.bench.gate import Seat
from bridge.bench.month import Action, Facts, Month, Opened, Release, Reviewed, Window
from bridge.bench.month_due import Use
from bridge.errors import RefusedAction
from bridge.lifecycle.states import StopEnd
from bridge.model import Purpose
from bridge.store import commands as c
from bridge.store import rows
from bridge.store.apply_month import NO_FAILURE
from bridge.store.memory_rows import State
from bridge.store.reads_month import happened
from bridge.store.statements import Change


def note_action(state: State, command: c.NoteAction) -> None:
    """Keep a corrective action. Raises RefusedAction where the line is no failure."""
    found = {row.event_id: row.what for row, _ in state.gate_events}
    if found.get(command.line_id) != RunVerdict.FAILED:
        raise RefusedAction(NO_FAILURE)
    state.actions.append(Action(line_id=command.line_id, text=command.text, by=command.actor, at=command.at))
    state.note(command.at, command.actor, "control.action", f"control:{command.line_id}", Change(reason=command.text))


def sign_month(state: State, command: c.SignMonth) -> int:
    """Keep a signature; give its id."""
    signature_id = len(state.signed_months) + 1
    state.signed_months.append(
        rows.MonthSignature(
            signature_id=signature_id, analyzer=command.analyzer, strip_type=command.strip_type, month=command.month, content=command.content,
            digest=command.digest, statement=command.statement, remark=command.remark, by=command.actor.name, verified=command.actor.verified,
            at=command.at,
        )
    )  # fmt: skip
    change = Change(after="signed", reason=command.remark)
    state.note(command.at, command.actor, "month.signed", f"month:{signature_id}", change)
    return signature_id


class MonthsInMemory:
    """The reads of the monthly review; mixed into the twin, which has the state."""

    _state: State

    def month_facts(self, month: Month, window: Window) -> Facts:
        """Give all that is known of a month of controls."""
        of = (month.analyzer, month.strip_type)
        events = sorted(
            (row for row, _ in self._state.gate_events if (row.key.analyzer, row.key.strip_type) == of),
            key=lambda row: (row.at, row.capture_id, row.index, row.event_id),
        )
        inside = {row.event_id: row for row in events if month.begins <= row.at < month.ends}
        return Facts(
            history=tuple(happened(row) for row in events if window.since <= row.at < window.until),
            uses=tuple(self._uses(month)),
            stood={row.key.strip_lot: row.after for row in events if row.at < window.since},
            actions=tuple(each for each in self._state.actions if each.line_id in inside),
            releases=tuple(self._releases(month)),
            reviewed=tuple(
                self._reviewed({(row.capture_id, row.index): row for row in inside.values() if row.what == RunVerdict.FAILED})
            ),
            containers=tuple(self._opened(month)),
        )

    def _newest(self) -> dict[Seat, rows.StripRow]:
        return {(strip.row.capture_id, strip.row.index): strip.row for strip in self._state.strips.values() if strip.is_newest}

    def _uses(self, month: Month) -> Iterator[Use]:
        minutes: dict[tuple[str, datetime], list[rows.StripRow]] = {}
        for row in self._newest().values():
            is_of = (row.analyzer, row.strip_type, row.purpose) == (month.analyzer, month.strip_type, Purpose.PATIENT)
            if is_of and row.outcome != "copy" and month.begins <= row.arrived_at < month.ends:
                minutes.setdefault((row.strip_lot, row.arrived_at.replace(second=0, microsecond=0)), []).append(row)
        found = (
            Use(
                strip_lot=lot,
                at=min(row.arrived_at for row in read),
                strips=len(read),
                noted=sum(
                    row.outcome == "coded" and any(rule.startswith("controls.") for rule, _, _ in row.findings) for row in read
                ),
            )
            for (lot, _), read in minutes.items()
        )
        yield from sorted(found, key=lambda use: (use.at, use.strip_lot))

    def _releases(self, month: Month) -> Iterator[Release]:
        newest = self._newest()
        for place, decisions, at in ((each.place, each.decisions, each.at) for each in self._state.decided):
            row = newest.get(place[:2])
            by = next((actor for rule, actor in decisions.accepted_by.items() if rule.startswith("controls.")), None)
            if row is None or by is None:
                continue
            if (row.analyzer, row.strip_type) == (month.analyzer, month.strip_type) and month.begins <= at < month.ends:
                yield Release(
                    strip_id=row.strip_id,
                    number=row.number,
                    strip_lot=row.strip_lot,
                    by=by,
                    at=at,
                    reason=self._why(place[:2], at),
                )

    def _why(self, seat: Seat, at: datetime) -> str:
        """Give the reason that stands in the history of a strip that waited, or with the stop of one that was held."""
        ids = {strip.row.strip_id for strip in self._state.strips.values() if (strip.row.capture_id, strip.row.index) == seat}
        subjects = {f"strip:{strip_id}" for strip_id in ids}
        said = [each.reason for each in self._state.events if each.what == "strip.released" and each.subject in subjects]
        stops = [
            stop.closed_reason
            for stop in self._state.stops.values()
            if stop.strip_id in ids and stop.closed_how == StopEnd.RELEASED and stop.closed_at == at
        ]
        return next(iter((*said, *stops)), "")

    def _reviewed(self, failed: dict[Seat, rows.GateEventRow]) -> Iterator[Reviewed]:
        newest = self._newest()
        for each in sorted(self._state.doubted.values(), key=lambda each: each.seat):
            if each.failed_by in failed:
                row = newest[each.seat]
                yield Reviewed(
                    strip_id=row.strip_id, number=row.number, strip_lot=row.strip_lot, failed_at=failed[each.failed_by].at, verdict=each.verdict,
                    by=each.actor, at=each.decided_at, reason=each.reason,
                )  # fmt: skip

    def _opened(self, month: Month) -> Iterator[Opened]:
        found = sorted(self._state.containers.values(), key=lambda row: (row.container.opened_at, row.container.container_id))
        for row in found:
            box = row.container
            is_of = (row.analyzer, row.strip_type) == (month.analyzer, month.strip_type) and not row.is_mistake
            if is_of and box.opened_at < month.ends and (box.closed_at is None or box.closed_at >= month.begins):
                yield Opened(strip_lot=box.strip_lot, opened_at=box.opened_at, expires=box.expires)

    def control_spans(self) -> tuple[rows.ControlledSpan, ...]:
        """Give each analyzer and strip type that a gate's history is of, by name."""
        times: dict[tuple[str, str], list[datetime]] = {}
        for row, _ in self._state.gate_events:
            times.setdefault((row.key.analyzer, row.key.strip_type), []).append(row.at)
        return tuple(
            rows.ControlledSpan(analyzer=analyzer, strip_type=strip_type, first_at=min(found), last_at=max(found))
            for (analyzer, strip_type), found in sorted(times.items())
        )

    def month_signatures(self, *, since: date, until: date, of: tuple[str, str] | None = None) -> tuple[rows.MonthSignature, ...]:
        """Give the signatures of the months (first days) from ``since`` to ``until``, of one analyzer and strip type or all; the latest first."""
        found = (each for each in self._state.signed_months if since <= each.month <= until)
        chosen = (each for each in found if of is None or (each.analyzer, each.strip_type) == of)
        return tuple(sorted(chosen, key=lambda each: (each.month, each.signature_id), reverse=True))
