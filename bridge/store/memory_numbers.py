"""Missing numbers and signed days on the in-memory twin."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date

from bridge.bench.answered import GapAnswer, GapEnd
from bridge.bench.gaps import Gap
from bridge.errors import Overtaken
from bridge.store import commands as c
from bridge.store import rows
from bridge.store.apply_numbers import ANSWERED
from bridge.store.memory_rows import State
from bridge.store.statements import Change


def answer_gap(state: State, command: c.AnswerGap) -> None:
    """Keep a person's word on missing numbers. Raises Overtaken where any of them is accounted for, or the same was said."""
    answer, gap = command.answer, command.answer.gap
    numbers = set(range(gap.first, gap.last + 1))
    for known in state.gap_answers:
        meets = _series(known.gap) == _series(gap) and numbers & set(range(known.gap.first, known.gap.last + 1))
        if meets and (known.end is not GapEnd.NOT_SET or answer.end is GapEnd.NOT_SET):
            raise Overtaken(ANSWERED)
    state.gap_answers.append(answer)
    subject = f"gap:{len(state.gap_answers)}"
    state.note(answer.at, answer.by, "gap.answered", subject, Change(after=answer.end, reason=answer.reason))


def sign_day(state: State, command: c.SignDay) -> int:
    """Keep a signature; give its id."""
    signature_id = len(state.signed) + 1
    state.signed.append(
        rows.DaySignature(
            signature_id=signature_id, day=command.day, content=command.content, by=command.actor.name, verified=command.actor.verified,
            at=command.at, remark=command.remark,
        )
    )  # fmt: skip
    change = Change(after="signed", reason=command.remark)
    state.note(command.at, command.actor, "day.signed", f"day:{signature_id}", change)
    return signature_id


def _series(gap: Gap) -> tuple[str, str, str]:
    return gap.analyzer, gap.mode, gap.series


class NumbersInMemory:
    """The reads of missing numbers and signed days; mixed into the twin."""

    _state: State

    def gap_answers(self, gaps: Iterable[Gap]) -> tuple[GapAnswer, ...]:
        """Give what people said of numbers of the series that these gaps are in, oldest first within a series."""
        wanted = dict.fromkeys(_series(gap) for gap in gaps)
        return tuple(each for series in wanted for each in self._state.gap_answers if _series(each.gap) == series)

    def day_signatures(self, *, since: date, until: date) -> tuple[rows.DaySignature, ...]:
        """Give the signatures of the days from ``since`` to ``until``: by day, newest first, and of one day the latest first."""
        found = [each for each in self._state.signed if since <= each.day <= until]
        return tuple(sorted(found, key=lambda each: (each.day, each.signature_id), reverse=True))
