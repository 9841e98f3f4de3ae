"""What the pages ask of missing numbers and of signed days. Each query is named for what it answers."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from datetime import date

from bridge.bench.answered import GapAnswer, GapEnd
from bridge.bench.gaps import Gap
from bridge.model import Actor
from bridge.store.codec import moment
from bridge.store.database import Db
from bridge.store.rows import DaySignature
from bridge.store.snapshots import one_snapshot

_ANSWERS = (
    "SELECT first_number, last_number, what, actor, verified, at, reason FROM gap_answers"
    " WHERE analyzer = ? AND mode = ? AND series = ? ORDER BY id"
)
_SIGNED = "SELECT id, day, content, actor, verified, at, remark FROM day_signatures WHERE day >= ? AND day <= ? ORDER BY day DESC, id DESC"


class NumberReads:
    """The reads of missing numbers and signed days; mixed into the store, which gives the connection."""

    _db: Callable[[], Db]

    @one_snapshot
    def gap_answers(self, gaps: Iterable[Gap]) -> tuple[GapAnswer, ...]:
        """Give what people said of numbers of the series that these gaps are in, oldest first within a series."""
        wanted = dict.fromkeys((gap.analyzer, gap.mode, gap.series) for gap in gaps)
        return tuple(each for series in wanted for each in self._answers_of(*series))

    def _answers_of(self, analyzer: str, mode: str, series: str) -> tuple[GapAnswer, ...]:
        return tuple(
            GapAnswer(
                gap=Gap(analyzer=analyzer, mode=mode, series=series, first=first, last=last),
                end=GapEnd(what),
                by=Actor(name=actor, verified=verified),
                reason=reason,
                at=moment(at),
            )
            for first, last, what, actor, verified, at, reason in self._db().execute(_ANSWERS, (analyzer, mode, series))
        )

    def day_signatures(self, *, since: date, until: date) -> tuple[DaySignature, ...]:
        """Give the signatures of the days from ``since`` to ``until``: by day, newest first, and of one day the latest first."""
        return tuple(
            DaySignature(
                signature_id=signature_id, day=date.fromisoformat(day), content=content, by=actor, verified=verified, at=moment(at), remark=remark
            )
            for signature_id, day, content, actor, verified, at, remark in self._db().execute(_SIGNED, (since.isoformat(), until.isoformat()))
        )  # fmt: skip
