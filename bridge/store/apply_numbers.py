"""What people say of missing numbers, and the days that they sign."""

from __future__ import annotations

from bridge.bench.answered import GapEnd
from bridge.errors import Overtaken
from bridge.store.codec import when
from bridge.store.commands import AnswerGap, SignDay
from bridge.store.database import Db
from bridge.store.statements import Change, first_said, note

ANSWERED = "Somebody has said of these numbers already what became of them. Look at the list again."


def answer_gap(db: Db, command: AnswerGap) -> None:
    """Keep a person's word on missing numbers. Raises Overtaken where any of them is accounted for, or the same was said."""
    answer, gap = command.answer, command.answer.gap
    db.hold(f"numbers:{gap.analyzer}")
    found = db.execute(
        "SELECT what, actor FROM gap_answers WHERE analyzer = ? AND mode = ? AND series = ? AND first_number <= ? AND last_number >= ?",
        (gap.analyzer, gap.mode, gap.series, gap.last, gap.first),
    )
    first = next((actor for what, actor in found.fetchall() if is_over(GapEnd(what), answer.end)), None)
    if first is not None:
        raise Overtaken(first_said(first, ANSWERED))
    new = db.insert(
        "INSERT INTO gap_answers (analyzer, mode, series, first_number, last_number, what, actor, verified, at, reason)"
        " VALUES (?,?,?,?,?,?,?,?,?,?)",
        (
            gap.analyzer, gap.mode, gap.series, gap.first, gap.last, str(answer.end), answer.by.name, answer.by.verified, when(answer.at),
            answer.reason,
        ),
    )  # fmt: skip
    note(db, answer.at, answer.by, "gap.answered", f"gap:{int(new)}", Change(after=answer.end, reason=answer.reason))


def is_over(known: GapEnd, now: GapEnd) -> bool:
    """Say whether what is known of a number leaves nothing to say: it is accounted for, or the same was said."""
    return known.closes or known is now


def sign_day(db: Db, command: SignDay) -> int:
    """Keep a signature; give its id."""
    new = db.insert(
        "INSERT INTO day_signatures (day, content, actor, verified, at, remark) VALUES (?,?,?,?,?,?)",
        (
            command.day.isoformat(),
            command.content,
            command.actor.name,
            command.actor.verified,
            when(command.at),
            command.remark,
        ),
    )
    signature_id = int(new)
    note(db, command.at, command.actor, "day.signed", f"day:{signature_id}", Change(after="signed", reason=command.remark))
    return signature_id
