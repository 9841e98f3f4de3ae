"""An analyzer's life: what a person may say of it, and on which terms."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from bridge.bench.analyzer_life import RUNS, TELLS_SERIAL, Happened, LifeEvent
from bridge.desk.day_log import moment_of
from bridge.desk.typed_time import typed_time
from bridge.desk.who import require_name, require_other, require_reason
from bridge.errors import RefusedAction
from bridge.model import Actor
from bridge.store.api import Store
from bridge.store.life_commands import NoteLife
from bridge.tables.types import Tables

WITH_REASON = frozenset({LifeEvent.OUT, LifeEvent.REPLACED, LifeEvent.FAILED})
LONGEST_RUN = timedelta(hours=8)  # ours: a shift; whoever forgets to end it leaves it to nobody of the next one
LONGEST_TEXT = 40  # ours: characters; codes and serial numbers are shorter


class LifeDesk:
    """The actions on analyzers' lives. ``zone`` is the site's. Raises RefusedAction or Overtaken with a sentence for the technician."""

    def __init__(self, store: Store, tables: Tables, zone: ZoneInfo, now: Callable[[], datetime]) -> None:
        self._store = store
        self._tables = tables
        self._zone = zone
        self._now = now

    def say(self, analyzer: str, what: LifeEvent, *, text: str = "", reason: str = "", done: str = "", actor: Actor) -> int:
        """Keep what happened to an analyzer, at ``done`` (the site's clock, as 2026-11-25T09:00; "" for now). Give its id.

        After a return, and where another device stands in its place, controls come due by the gate's policy.
        """
        require_name(actor)
        if not analyzer.strip():
            raise RefusedAction("Choose the analyzer.")
        if what in RUNS:
            raise RefusedAction("Declare it with its end, and with a second person.")
        if what in WITH_REASON:
            require_reason(reason)
        self._require_text(what, text.strip())
        now = self._now()
        happened = Happened(
            analyzer=analyzer.strip(), what=what, at=moment_of(done, self._zone, now), text=text.strip(), reason=reason.strip()
        )
        command = NoteLife(happened=happened, policy=self._tables.controls.policy, actor=actor, at=now)
        made: int = self._store.submit(command).result()
        return made

    def declare(self, analyzer: str, run: LifeEvent, *, until: str, reason: str, second: str, actor: Actor) -> int:
        """Declare that an analyzer runs something else than patients from now on, ``until`` then (the site's clock, as 2026-11-25T12:00). Give its id.

        It ends by itself. Two persons are needed, as for a registered identifier: strips of that time go to nobody's record.
        """
        require_name(actor)
        if not analyzer.strip():
            raise RefusedAction("Choose the analyzer.")
        if run not in RUNS:
            raise RefusedAction("Choose training, proficiency or comparison.")
        require_reason(reason)
        if not second.strip():
            raise RefusedAction("A second person has to agree: strips of that time go to nobody's record.")
        require_other(second, actor)
        now = self._now()
        day, _, clock = until.strip().partition("T")
        if not day or not clock:
            raise RefusedAction("Give the day and time at which it ends by itself.")
        end = typed_time(day, clock, which="first", zone=self._zone).astimezone(UTC)
        if not timedelta() < end - now <= LONGEST_RUN:
            hours = LONGEST_RUN // timedelta(hours=1)
            raise RefusedAction(f"Give an end that is to come, at most {hours} hours from now. It can be declared again.")
        said = f"{reason.strip()} (agreed by {second.strip()})"
        happened = Happened(analyzer=analyzer.strip(), what=run, at=now, text=end.isoformat(), reason=said)
        command = NoteLife(happened=happened, policy=self._tables.controls.policy, actor=actor, at=now, second=second.strip())
        made: int = self._store.submit(command).result()
        return made

    def _require_text(self, what: LifeEvent, text: str) -> None:
        if len(text) > LONGEST_TEXT or (text and not text.isprintable()):
            raise RefusedAction(f"Give the code or number as it is shown, at most {LONGEST_TEXT} characters.")
        if what is LifeEvent.STRIP_TYPE and text not in self._tables.strip_types:
            raise RefusedAction("Choose the strip type that is set on the analyzer.")
        if what is LifeEvent.ERROR and not text:
            raise RefusedAction("Give the error code as the analyzer shows it.")
        if what is LifeEvent.SERIAL and not text:
            raise RefusedAction("Give the serial number as the analyzer prints or sends it.")
        if text and what not in {*TELLS_SERIAL, LifeEvent.STRIP_TYPE, LifeEvent.ERROR}:
            raise RefusedAction(
                "Only an error code, a strip type or a serial number is given here. Put everything else in the reason."
            )
