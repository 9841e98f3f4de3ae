"""The monthly review of controls: corrective actions beside failures, and the signature of a named person."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime

from bridge.bench.month import Review, content_of, digest_of, things_left
from bridge.desk.who import named, require_name
from bridge.errors import RefusedAction
from bridge.model import Actor
from bridge.store.api import Store
from bridge.store.commands import NoteAction, SignMonth

STATEMENT = (
    "I have reviewed the controls of this analyzer and strip type for this month: the sets that were due and done, the failures and what "
    "followed them, the pads that lie off, the emergency releases, and the results that were looked at again."
)


class MonthDesk:
    """The actions on a month. Raises RefusedAction with a sentence for the technician."""

    def __init__(self, store: Store, now: Callable[[], datetime]) -> None:
        self._store = store
        self._now = now

    def note_action(self, line_id: int, *, text: str, actor: Actor) -> None:
        """Keep what was done about a control that failed, beside it."""
        require_name(actor)
        if not text.strip():
            raise RefusedAction("Write what was done about this failure: it is kept with it.")
        self._store.submit(NoteAction(line_id=line_id, text=text.strip(), actor=named(actor), at=self._now())).result()

    def sign(self, review: Review, *, remark: str, actor: Actor) -> int:
        """Sign a month as it stands; give the signature's id. What is left to do in it asks for a remark."""
        require_name(actor)
        month, now = review.month, self._now()
        if now < month.ends:
            raise RefusedAction("This month is not over. Review it when its last control day has ended.")
        left = things_left(review)
        if left and not remark.strip():
            raise RefusedAction(
                f"Not everything of this month is settled: {'; '.join(left)}. Settle it first, or write in a remark why it stays so."
            )
        content = content_of(review)
        command = SignMonth(
            analyzer=month.analyzer,
            strip_type=month.strip_type,
            month=month.first,
            content=content,
            digest=digest_of(content),
            statement=STATEMENT,
            remark=remark.strip(),
            actor=named(actor),
            at=now,
        )
        signed: int = self._store.submit(command).result()
        return signed
