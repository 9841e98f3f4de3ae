"""Look-backs on the in-memory twin: what is decided, and what is asked."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from bridge.bench.gate import Seat
from bridge.bench.look_back import Verdict
from bridge.errors import Overtaken
from bridge.lifecycle.states import OVER_DELIVERY
from bridge.model import DeliveryState
from bridge.store.apply_look_back import DECIDED, VERDICTS
from bridge.store.commands import CorrectResult, LetStand
from bridge.store.memory_rows import Doubted, State
from bridge.store.rows import LookBackShown
from bridge.store.statements import Change


def let_stand(state: State, command: LetStand) -> None:
    """Keep that a result stands. Raises Overtaken where somebody decided before."""
    doubted = state.doubted.get(command.row_id)
    if doubted is None or doubted.verdict is not None:
        raise Overtaken(DECIDED)
    state.doubted[command.row_id] = replace(
        doubted, verdict=Verdict.STANDS, actor=command.actor, decided_at=command.at, reason=command.reason
    )
    change = Change(after=Verdict.STANDS, reason=command.reason)
    state.note(command.at, command.actor, "look_back.decided", f"look_back:{command.row_id}", change)


def is_decided(state: State, command: CorrectResult, seat: Seat) -> bool:
    """Say whether the row that a correction names is none of its strip's, or was decided about."""
    doubted = state.doubted.get(command.look_back or 0)
    is_open = doubted is not None and doubted.seat == seat and doubted.verdict is None
    return command.look_back is not None and (not is_open or command.correction.kind not in VERDICTS)


def settle_look_back(state: State, command: CorrectResult, seat: Seat, correction_id: int) -> None:
    """Tie a correction to the look-back of its strip; a withdrawal decides a row that is open."""
    of = command.correction
    verdict = VERDICTS.get(of.kind)
    row_id = next((number for number, each in state.doubted.items() if each.seat == seat), None)
    if row_id is None or verdict is None or state.doubted[row_id].correction_id is not None:
        return
    doubted = state.doubted[row_id]
    if doubted.verdict is None and (command.look_back is not None or verdict is Verdict.WITHDRAWN):
        state.doubted[row_id] = replace(
            doubted, verdict=verdict, actor=of.by, decided_at=of.at, reason=of.reason, correction_id=correction_id
        )
        state.note(of.at, of.by, "look_back.decided", f"look_back:{row_id}", Change(after=verdict, reason=of.reason))


class LookBacksInMemory:
    """The reads of look-backs; mixed into the twin."""

    _state: State

    def look_backs(self, *, is_open: bool, limit: int = 500) -> tuple[LookBackShown, ...]:
        """Give results that left before a control failed: those that nobody has decided about, as they were read, or the others, latest first."""
        if is_open:
            rows = sorted((each.seat, number) for number, each in self._state.doubted.items() if each.verdict is None)
            return self._doubted_shown(number for _, number in rows[:limit])
        return self._doubted_shown(self._decided()[:limit])

    def look_backs_under_way(self, *, limit: int = 500) -> tuple[LookBackShown, ...]:
        """Give those decided to be corrected or withdrawn of which some receiver has not heard, latest first."""
        acted = [number for number in self._decided() if self._state.doubted[number].verdict is not Verdict.STANDS]
        return tuple(
            row for row in self._doubted_shown(acted) if any(state not in OVER_DELIVERY for _, state in row.standing)
        )[:limit]  # fmt: skip

    def _decided(self) -> list[int]:
        found = ((each.decided_at, number) for number, each in self._state.doubted.items() if each.decided_at is not None)
        return [number for _, number in sorted(found, reverse=True)]

    def _doubted_shown(self, numbers: Iterable[int]) -> tuple[LookBackShown, ...]:
        newest = {(strip.row.capture_id, strip.row.index): strip.row for strip in self._state.strips.values() if strip.is_newest}
        shown = []
        for number in numbers:
            each = self._state.doubted[number]
            strip = newest[each.seat]
            shown.append(
                LookBackShown(
                    row_id=number, strip=strip, failed_capture_id=each.failed_by[0], failed_index=each.failed_by[1], verdict=each.verdict,
                    actor=each.actor.name if each.actor else "", verified=each.actor.verified if each.actor else "",
                    decided_at=each.decided_at, reason=each.reason,
                    version=max((version for result_id, version in self._state.results if result_id == strip.result_id), default=0),
                    correction=self._state.corrections[each.correction_id].correction if each.correction_id else None,
                    standing=self._standing(each),
                )
            )  # fmt: skip
        return tuple(shown)

    def _standing(self, doubted: Doubted) -> tuple[tuple[str, DeliveryState], ...]:
        if doubted.correction_id is None:
            return ()
        kept = self._state.corrections[doubted.correction_id]
        of = (kept.correction.result_id, kept.withdrawn_version or kept.correction.new_version)
        rows = (sent.row for sent in self._state.sent.values())
        return tuple((row.destination, row.state) for row in rows if (row.result_id, row.version) == of)
