"""What a person adds to a strip that waits for it: a colour, a clarity, the type of the specimen. Never a pad that was read."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import UTC, datetime

from bridge.added import Addable, Addition
from bridge.check.additions import MISSING
from bridge.coding import with_additions
from bridge.desk.who import named, require_name
from bridge.errors import Overtaken, RefusedAction, RejectError
from bridge.lifecycle.states import StopState
from bridge.model import Actor, CodedResult
from bridge.store.addition_commands import AddToHeld, AddToResult
from bridge.store.api import Store
from bridge.store.apply_additions import OVER_WORDS, ended_words
from bridge.store.reads_additions import OPEN
from bridge.store.rows import AwaitedRow, StopRow
from bridge.tables.addition_table import Choice
from bridge.tables.types import Tables

LEFT_OUT = "-"  # ours: what a form sends for "not said"; no word of a table is a hyphen


class AdditionDesk:
    """The actions of the page To be added. Raises RefusedAction or Overtaken with a sentence for the technician."""

    def __init__(self, store: Store, tables: Tables, now: Callable[[], datetime], *, says: Callable[[CodedResult], None]) -> None:
        """``says`` raises RejectError where a result cannot be said as it is at some destination: it is tried before anything is kept."""
        self._store = store
        self._tables = tables
        self._now = now
        self._says = says

    @property
    def is_asked(self) -> bool:
        """Say whether any source of the site asks for additions."""
        return bool(self._tables.additions.terms)

    def choices(self, what: Addable) -> tuple[Choice, ...]:
        """Give what may be chosen, in the site's order."""
        return self._tables.additions.choices.get(what, ())

    def asked_of(self, stop: StopRow) -> tuple[Addable, ...]:
        """Give what may be added to a held strip; nothing where that is not what it lacks."""
        if MISSING not in stop.rules or stop.state is not StopState.OPEN:
            return ()
        terms = self._tables.additions.terms.get(stop.analyzer)
        return terms.asks if terms else ()

    def add(self, awaited_id: int, given: Mapping[Addable, str], *, actor: Actor) -> None:
        """Add to a result that waits, and let it go. ``given`` has a word of the site's table, or LEFT_OUT, for each that is asked."""
        require_name(actor)
        row = self._store.awaited_one(awaited_id)
        if row is None:
            raise RefusedAction("There is no such strip. Look at the list again.")
        additions = self._additions(row.asks, given, actor)
        detail = self._store.result(row.result_id)
        if detail is None or detail.result is None or detail.version != row.version:
            raise Overtaken(OVER_WORDS)
        made = with_additions(detail.result, additions, self._tables)
        self._require_sayable(made)
        command = AddToResult(awaited_id=awaited_id, additions=additions, made=made, actor=named(actor), at=self._now())
        self._store.submit(command).result()

    def add_to_held(self, stop: StopRow, given: Mapping[Addable, str], *, actor: Actor) -> None:
        """Add to a strip that is held for want of it; it is judged again."""
        require_name(actor)
        additions = self._additions(self.asked_of(stop), given, actor)
        if not additions:
            raise RefusedAction("Nothing is to be added to this strip. " + stop.remedy)
        self._store.submit(AddToHeld(stop_id=stop.stop_id, additions=additions, actor=named(actor), at=self._now())).result()

    def _additions(self, asks: tuple[Addable, ...], given: Mapping[Addable, str], actor: Actor) -> tuple[Addition, ...]:
        at, by = self._now().astimezone(UTC), named(actor).name
        additions = []
        for what in asks:
            word = given.get(what, "")
            if word != LEFT_OUT and self._tables.additions.choice(what, word) is None:
                raise RefusedAction("Choose one for each, or say that it is left out.")
            additions.append(Addition(what=what, word="" if word == LEFT_OUT else word, by=by, at=at))
        return tuple(additions)

    def _require_sayable(self, made: CodedResult) -> None:
        try:
            self._says(made)
        except RejectError as reject:
            raise RefusedAction(f"{reject.sentence} {reject.remedy}") from reject


def standing(row: AwaitedRow) -> str:
    """Say why nothing can be added to a row any more; "" while something can."""
    return "" if row.state == OPEN else ended_words(row.state, row.added_by)
