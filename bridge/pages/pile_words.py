"""A pile of what waits, in a line: its sign, its cause in words, and where it is dealt with."""

from __future__ import annotations

from dataclasses import dataclass
from urllib.parse import quote, urlencode

from bridge.desk.waits import Awaits, Pile
from bridge.lifecycle.states import StopGroup
from bridge.pages.language import _
from bridge.pages.words import Mark, reason


@dataclass(frozen=True, kw_only=True, slots=True)
class PileWords:
    """How a pile is shown; ``href`` is the list narrowed to it, or the place of what it waits for."""

    mark: Mark
    words: str
    href: str


_GROUPS = {
    Awaits.DECISION: (StopGroup.HELD, Mark.DECIDE),
    Awaits.REMEDY: (StopGroup.REJECTED, Mark.CANNOT),
    Awaits.RECEIVER_SAID_NO: (StopGroup.REFUSED, Mark.TURNED),
}


def pile_words(pile: Pile) -> PileWords:
    """Give the line of a pile."""
    if pile.awaits in _GROUPS:
        group, mark = _GROUPS[pile.awaits]
        narrowed = {"group": group.value, "rule": pile.rule, "receiver": pile.of}
        asked = urlencode({name: value for name, value in narrowed.items() if value})
        return PileWords(mark=mark, words=_stopped(pile), href=f"/rejected?{asked}")
    if pile.awaits is Awaits.CONTROLS:
        return PileWords(mark=Mark.WAIT, words=_("waiting for controls of {analyzer}", analyzer=pile.of), href="/controls")
    return PileWords(mark=Mark.WAIT, words=_queued(pile), href=f"/receivers#receiver-{quote(pile.of)}")


def _stopped(pile: Pile) -> str:
    why = reason(pile.rule)
    match pile.awaits:
        case Awaits.DECISION:
            return _("waiting for your decision: {reason}", reason=", ".join(filter(None, (why, pile.of))))
        case Awaits.REMEDY:
            return _("cannot be sent: {reason}", reason=why)
    return f"{pile.of}: {why}"


def _queued(pile: Pile) -> str:
    match pile.awaits:
        case Awaits.CLOSED:
            return _("waiting for {receiver}, which takes nothing now", receiver=pile.of)
        case Awaits.PAUSED:
            return _("waiting for {receiver}, which is paused", receiver=pile.of)
    return _("on the way to {receiver}", receiver=pile.of)
