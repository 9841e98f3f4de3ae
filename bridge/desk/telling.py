"""What a person writes down of telling somebody of a critical result, and on which terms a task is closed."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from bridge.bench.telling import Means, Said, TellingStep
from bridge.desk.typed_time import typed_time
from bridge.desk.who import require_name, require_other, require_reason
from bridge.errors import Overtaken, RefusedAction
from bridge.model import Actor
from bridge.store.api import Store
from bridge.store.commands import SayOfTelling
from bridge.store.rows import TellingShown

BEFORE_ARRIVAL = timedelta(days=1)  # ours: somebody may be told from the slip, before the strip came in with a batch
TOLD_STEPS = frozenset({TellingStep.TOLD, TellingStep.NOT_READ_BACK, TellingStep.NOT_REACHED})
GONE = "There is no such task."


@dataclass(frozen=True, kw_only=True, slots=True)
class Call:
    """What was done, as a person writes it down: whom, what they are, how, when, and what came of it.

    ``day``, ``clock`` and ``which`` are as typed, by the clock on the wall (``typed_time``); without ``clock`` it was now, without ``day`` today.
    """

    step: TellingStep
    name: str
    role: str
    means: Means | None
    day: str = ""
    clock: str = ""
    which: str = ""
    remark: str = ""


class TellingDesk:
    """The actions on a task. ``steps`` is how much of its history the person saw.

    Each raises RefusedAction with a sentence for the technician, or Overtaken where somebody else was quicker.
    """

    def __init__(self, store: Store, zone: ZoneInfo, now: Callable[[], datetime]) -> None:
        self._store = store
        self._zone = zone
        self._now = now

    def write(self, telling_id: int, call: Call, *, steps: int, actor: Actor) -> None:
        """Keep whom somebody told, or tried to tell. Nothing of it may be left out but the remark."""
        require_name(actor)
        shown = self._shown(telling_id)
        if call.step not in TOLD_STEPS:
            raise RefusedAction("Say whether it was told and read back, told and not read back, or whether nobody was reached.")
        if not call.name.strip() or (call.step is not TellingStep.NOT_REACHED and not call.role.strip()):
            raise RefusedAction("Give the name of whom you told, and what they are: nurse, doctor, midwife.")
        if call.means is None:
            raise RefusedAction("Say how: by telephone, in person or by message.")
        said = Said(
            step=call.step,
            name=call.name.strip(),
            role=call.role.strip(),
            means=call.means,
            done_at=self._done_at(shown, call),
            reason=call.remark.strip(),
        )
        self._say(telling_id, said, steps=steps, actor=actor)

    def close(self, telling_id: int, *, steps: int, actor: Actor) -> None:
        """Close a task that somebody was told of and read back."""
        require_name(actor)
        if self._shown(telling_id).task.told_at is None:
            raise RefusedAction("Nobody has read this back yet. Tell somebody, or close it without telling, with a reason.")
        self._say(telling_id, Said(step=TellingStep.CLOSED), steps=steps, actor=actor)

    def close_untold(self, telling_id: int, *, steps: int, agreed_by: str, reason: str, actor: Actor) -> None:
        """Close a task without telling anybody: with a reason, and a second person who agrees."""
        require_name(actor)
        self._shown(telling_id)
        require_reason(reason)
        if not agreed_by.strip():
            raise RefusedAction("Give the name of a second person who agrees that nobody is to be told.")
        require_other(agreed_by, actor)
        said = Said(step=TellingStep.CLOSED_UNTOLD, name=agreed_by.strip(), reason=reason.strip())
        self._say(telling_id, said, steps=steps, actor=actor)

    def _shown(self, telling_id: int) -> TellingShown:
        shown = self._store.telling(telling_id)
        if shown is None:
            raise RefusedAction(GONE)
        return shown

    def _done_at(self, shown: TellingShown, call: Call) -> datetime | None:
        """Give when it was done, None for now. A time before the task opened again was of something else."""
        if not call.clock.strip():
            if call.day.strip():
                raise RefusedAction("Give the time too, or leave the date empty if it was now.")
            return None
        now = self._now()
        day = call.day.strip() or now.astimezone(self._zone).date().isoformat()
        at = typed_time(day, call.clock, which=call.which, zone=self._zone).astimezone(UTC)
        is_again = any(each.said.step is TellingStep.REOPENED for each in shown.history)
        first = shown.task.since if is_again else shown.strip.arrived_at - BEFORE_ARRIVAL
        # a wall clock shows whole minutes: of the very minute in which the task opened, it may say one that lies before
        if at > now or at < first.replace(second=0, microsecond=0):
            raise RefusedAction(
                "At this time it cannot have been: it lies ahead, or before there was this to tell. Look at the date and time."
            )
        return at

    def _say(self, telling_id: int, said: Said, *, steps: int, actor: Actor) -> None:
        who = Actor(name=actor.name.strip(), verified=actor.verified)
        command = SayOfTelling(telling_id=telling_id, steps=steps, said=said, actor=who, at=self._now())
        try:
            self._store.submit(command).result()
        except Overtaken as overtaken:
            last = self._shown(telling_id).history[-1]
            raise Overtaken(f"{last.actor} has written down meanwhile: {last.said.step.value}. Look at it again.") from overtaken
