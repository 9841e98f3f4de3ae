"""What a person may say of missing numbers, and the signature of a day's sheet."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from bridge.bench.answered import GapAnswer, GapEnd
from bridge.bench.gaps import Gap, gaps_before
from bridge.desk.who import named, require_name, require_reason
from bridge.errors import RefusedAction
from bridge.model import Actor
from bridge.store.api import Store
from bridge.store.commands import AnswerGap, SignDay
from bridge.tables.types import NumberScheme

LISTED = timedelta(days=31)  # ours: a month's gaps are still asked about when the month is reviewed


def missing_numbers(store: Store, schemes: Mapping[str, NumberScheme], *, now: datetime) -> tuple[Gap, ...]:
    """Give the numbers that were passed over in the last month, whatever was said of them; ``schemes`` is keyed by analyzer."""
    return gaps_before(store.number_runs(since=now - LISTED), schemes)


class NumberDesk:
    """The actions on missing numbers and day sheets. Raises RefusedAction or Overtaken with a sentence for the technician."""

    def __init__(self, store: Store, schemes: Mapping[str, NumberScheme], zone: ZoneInfo, now: Callable[[], datetime]) -> None:
        self._store = store
        self._schemes = schemes
        self._zone = zone
        self._now = now

    def answer(self, numbers: Gap, end: GapEnd, *, reason: str, actor: Actor) -> None:
        """Say what became of missing numbers, or whether they were jumped over by hand. Only of numbers that are missing now."""
        require_name(actor)
        require_reason(reason)
        found = missing_numbers(self._store, self._schemes, now=self._now())
        if not any(_holds(gap, numbers) for gap in found):
            raise RefusedAction("These numbers are not missing any more, or never were. Look at the list again.")
        answer = GapAnswer(gap=numbers, end=end, by=named(actor), reason=reason.strip(), at=self._now())
        self._store.submit(AnswerGap(answer=answer)).result()

    def sign(self, day: date, *, content: str, left: tuple[str, ...], remark: str, actor: Actor, is_empty: bool = False) -> None:
        """Sign a day's sheet as it stands (``content``). What is ``left`` to do on it, in words, asks for a remark; so does a day of which nothing is here."""
        require_name(actor)
        if day > self._now().astimezone(self._zone).date():
            raise RefusedAction("This day has not begun. Sign it when its strips are in.")
        if left and not remark.strip():
            raise RefusedAction(
                f"Not everything of this day is settled: {'; '.join(left)}. Settle it first, or write in a remark why it stays so."
            )
        if is_empty and not remark.strip():
            raise RefusedAction(
                "Nothing arrived on this day. Write in a remark why it is signed, for example that the laboratory was shut."
            )
        command = SignDay(day=day, content=content, actor=named(actor), remark=remark.strip(), at=self._now())
        self._store.submit(command).result()


def _holds(gap: Gap, numbers: Gap) -> bool:
    is_same = (gap.analyzer, gap.mode, gap.series) == (numbers.analyzer, numbers.mode, numbers.series)
    return is_same and gap.first <= numbers.first <= numbers.last <= gap.last
