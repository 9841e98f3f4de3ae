"""Lists that are paged by key: the rejected messages, the most urgent first."""

from __future__ import annotations

import re
import secrets
from collections import OrderedDict
from dataclasses import dataclass
from threading import Lock

from bridge.lifecycle.states import StopGroup
from bridge.model import Priority
from bridge.store.api import Store
from bridge.store.rows import StopRow

PAGE = 50  # ours: about three screens; the newest and most urgent stand on the first
_CURSOR = re.compile(r"([sr])([0-9]{1,18})")
_LETTERS = {"s": Priority.STAT, "r": Priority.ROUTINE}


@dataclass(frozen=True, kw_only=True, slots=True)
class StopPage:
    """One page of a group. ``next_cursor`` is the key of the next page, empty on the last."""

    group: StopGroup
    count: int
    stops: tuple[StopRow, ...]
    next_cursor: str


def stop_page(store: Store, group: StopGroup, *, rule: str = "", cursor: str = "", limit: int = PAGE) -> StopPage:
    """Give open stops of one group: STAT first, then routine, the newest first in each.

    ``cursor`` is the key that the page before gave; any other text begins at the beginning.
    """
    found = _CURSOR.fullmatch(cursor)
    begin = _LETTERS[found[1]] if found else Priority.STAT
    before = int(found[2]) if found else None
    stops: list[StopRow] = []
    for letter, priority in _LETTERS.items():
        if priority is Priority.STAT and begin is Priority.ROUTINE:
            continue
        room = limit + 1 - len(stops)
        if room > 0:
            key = before if priority is begin else None
            stops.extend(store.stops(group=group, rule=rule, priority=priority, before=key, limit=room))
        if len(stops) > limit:
            last = stops[limit - 1]
            letter = "s" if last.priority is Priority.STAT else "r"
            return StopPage(
                group=group, count=_count(store, group, rule), stops=tuple(stops[:limit]), next_cursor=f"{letter}{last.stop_id}"
            )
    return StopPage(group=group, count=_count(store, group, rule), stops=tuple(stops), next_cursor="")


def _count(store: Store, group: StopGroup, rule: str) -> int:
    return sum(count for of, each, count in store.open_reasons() if of is group and rule in ("", each))


class Searches:
    """Search texts of the last hours, kept in memory under a random key: a text may be a patient's identifier,

    and those never stand in a URL.
    """

    def __init__(self, most: int = 200) -> None:
        self._texts: OrderedDict[str, str] = OrderedDict()
        self._most = most
        self._turn = Lock()

    def keep(self, text: str) -> str:
        """Keep ``text``; give its key. The oldest is forgotten when there are too many."""
        key = secrets.token_urlsafe(12)
        with self._turn:
            self._texts[key] = text
            while len(self._texts) > self._most:
                self._texts.popitem(last=False)
        return key

    def text(self, key: str) -> str | None:
        """Give the text kept under ``key``; None if it is forgotten."""
        with self._turn:
            return self._texts.get(key)
