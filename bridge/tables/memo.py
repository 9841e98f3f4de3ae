"""What was worked out from one table set, kept with it: pads, steps and words are a closed set, and strips ask the same few thousand questions."""

from __future__ import annotations

from collections.abc import Callable, Hashable
from typing import Any, TypeVar

MOST = 20_000  # ours: answers kept; those of some dozen strip types fit, and odd texts of an analyzer cannot fill the memory

T = TypeVar("T")


class Memo:
    """Answers by question. It belongs to one table set, or to what is compiled from one: a set with something replaced begins with an empty one."""

    def __init__(self, *, most: int = MOST) -> None:
        """Keep ``most`` answers at a time."""
        self._most = most
        self._known: dict[Hashable, tuple[object, Any]] = {}

    def once(self, question: Hashable, of: object, make: Callable[[], T]) -> T:
        """Give the answer, made the first time. It holds for the very object ``of``: for another one it is made anew.

        A question may therefore name ``of`` by its ``id``: it is kept alive here, so no other object gets the same.
        """
        known = self._known.get(question)
        if known is not None and known[0] is of:
            answer: T = known[1]
            return answer
        made = make()
        if len(self._known) >= self._most:
            self._known.clear()  # the usual questions come back at once
        self._known[question] = (of, made)
        return made
