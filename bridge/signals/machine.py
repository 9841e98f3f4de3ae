"""The life of a signal: one table of states, and one function that looks at a kind's causes and says what is to be said now.

A cause must stand for a while before it opens a signal, and be gone for a while before it ends one, so that what comes and goes is said once.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from enum import StrEnum

from bridge.signals.kinds import Cause, Kind


class SignalState(StrEnum):
    """``rising``: seen, and not told yet. ``easing``: the causes are gone, perhaps for a moment only."""

    RISING = "rising"
    OPEN = "open"
    ACKNOWLEDGED = "acknowledged"
    EASING = "easing"
    EASING_ACKNOWLEDGED = "easing_acknowledged"
    ENDED = "ended"


class SignalEvent(StrEnum):
    """What happens to a signal. ``lapse``: an acknowledgement is over while the causes still stand; ``news``: a further subject has come."""

    SETTLE = "settle"
    NEWS = "news"
    ACKNOWLEDGE = "acknowledge"
    LAPSE = "lapse"
    GONE = "gone"
    BACK = "back"
    EASE = "ease"


_S, _E = SignalState, SignalEvent
SIGNAL_STEPS: Mapping[tuple[SignalState, SignalEvent], SignalState] = {
    (_S.RISING, _E.SETTLE): _S.OPEN,
    (_S.RISING, _E.GONE): _S.ENDED,
    (_S.OPEN, _E.ACKNOWLEDGE): _S.ACKNOWLEDGED,
    (_S.OPEN, _E.GONE): _S.EASING,
    (_S.ACKNOWLEDGED, _E.NEWS): _S.OPEN,
    (_S.ACKNOWLEDGED, _E.LAPSE): _S.OPEN,
    (_S.ACKNOWLEDGED, _E.GONE): _S.EASING_ACKNOWLEDGED,
    (_S.EASING, _E.ACKNOWLEDGE): _S.EASING_ACKNOWLEDGED,
    (_S.EASING, _E.BACK): _S.OPEN,
    (_S.EASING, _E.EASE): _S.ENDED,
    (_S.EASING_ACKNOWLEDGED, _E.BACK): _S.ACKNOWLEDGED,
    (_S.EASING_ACKNOWLEDGED, _E.EASE): _S.ENDED,
}
EASINGS = frozenset({SignalState.EASING, SignalState.EASING_ACKNOWLEDGED})
MAY_ACKNOWLEDGE = frozenset(state for state, event in SIGNAL_STEPS if event is SignalEvent.ACKNOWLEDGE)


class What(StrEnum):
    """What is said of a signal."""

    OPENED = "opened"
    NEWS = "news"
    REPEATED = "repeated"
    ENDED = "ended"


@dataclass(frozen=True, kw_only=True, slots=True)
class Signal:
    """A kind's causes as people are told of them. ``signal_id`` 0: not kept yet.

    ``since`` is when it came into its state. ``known`` are the subjects that people were told of or acknowledged, sorted. ``said_at`` None:
    nothing was said. ``version`` counts its changes, so that nobody writes over what another has just changed. Times are aware, UTC.
    """

    kind: Kind
    state: SignalState
    causes: tuple[Cause, ...]
    since: datetime
    opened_at: datetime
    known: tuple[str, ...] = ()
    said_at: datetime | None = None
    acknowledged_by: str = ""
    acknowledged_at: datetime | None = None
    signal_id: int = 0
    version: int = 0

    @property
    def subjects(self) -> frozenset[str]:
        """Give what it is of."""
        return frozenset(cause.subject for cause in self.causes)

    @property
    def rings(self) -> bool:
        """Say whether it stands and nobody has acknowledged it."""
        return self.state is SignalState.OPEN


@dataclass(frozen=True, kw_only=True, slots=True)
class Rule:
    """How patient a kind's signals are. ``repeat`` None: never said again. ``lapse``: how long an acknowledgement holds."""

    settle: timedelta
    ease: timedelta
    repeat: timedelta | None
    lapse: timedelta
    news_gap: timedelta


def step(state: SignalState, event: SignalEvent) -> SignalState:
    """Give the next state. Raises ValueError for what cannot happen in ``state``."""
    try:
        return SIGNAL_STEPS[state, event]
    except KeyError:
        raise ValueError(f"a signal that is {state} knows no {event}") from None


def look(
    signal: Signal | None, kind: Kind, causes: tuple[Cause, ...], rule: Rule, *, now: datetime, is_muted: bool
) -> tuple[Signal | None, What | None]:
    """Look at a kind's causes as they are ``now``: give its signal, and what is to be said of it; None where there is nothing.

    A muted kind moves as any other, and nothing is said of it.
    """
    if signal is None:
        if not causes:
            return None, None
        signal = Signal(kind=kind, state=SignalState.RISING, causes=causes, since=now, opened_at=now)
    signal = replace(signal, causes=causes or signal.causes)
    last: SignalEvent | None = None
    while (event := _event(signal, rule, stands=bool(causes), now=now)) is not None:
        last = event
        signal = replace(signal, state=step(signal.state, event), since=now)
        if event in {SignalEvent.NEWS, SignalEvent.LAPSE}:
            signal = replace(signal, acknowledged_by="", acknowledged_at=None)
    what = None if is_muted else _what(signal, rule, last, now)
    if what in {None, What.ENDED}:
        return signal, what
    return replace(signal, said_at=now, known=_with(signal)), what


def acknowledged(signal: Signal, *, by: str, at: datetime) -> Signal:
    """Give the signal with a person's acknowledgement. Raises ValueError where it is acknowledged or ended already."""
    after = step(signal.state, SignalEvent.ACKNOWLEDGE)
    return replace(signal, state=after, since=at, acknowledged_by=by, acknowledged_at=at, known=_with(signal))


def _with(signal: Signal) -> tuple[str, ...]:
    return tuple(sorted(signal.subjects.union(signal.known)))


def _event(signal: Signal, rule: Rule, *, stands: bool, now: datetime) -> SignalEvent | None:
    match signal.state:
        case SignalState.EASING | SignalState.EASING_ACKNOWLEDGED:
            if stands:
                return SignalEvent.BACK
            return SignalEvent.EASE if _is_over(signal.since, rule.ease, now) else None
        case SignalState.ENDED:
            return None
    if not stands:
        return SignalEvent.GONE
    if signal.state is SignalState.RISING:
        return SignalEvent.SETTLE if _is_over(signal.since, rule.settle, now) else None
    if signal.state is SignalState.ACKNOWLEDGED:
        if signal.subjects.difference(signal.known):
            return SignalEvent.NEWS
        assert signal.acknowledged_at is not None
        return SignalEvent.LAPSE if _is_over(signal.acknowledged_at, rule.lapse, now) else None
    return None


def _what(signal: Signal, rule: Rule, last: SignalEvent | None, now: datetime) -> What | None:
    if signal.state is SignalState.ENDED:
        return What.ENDED if signal.said_at is not None else None
    if not signal.rings:
        return None
    if signal.said_at is None:
        return What.OPENED
    if signal.subjects.difference(signal.known) and (last is SignalEvent.NEWS or _is_over(signal.said_at, rule.news_gap, now)):
        return What.NEWS
    is_due = rule.repeat is not None and _is_over(signal.said_at, rule.repeat, now)
    return What.REPEATED if last is SignalEvent.LAPSE or is_due else None


def _is_over(then: datetime, span: timedelta, now: datetime) -> bool:
    """Say whether a span has passed; a clock that was set back by as much counts too, or nothing would be said until it has caught up."""
    return abs(now - then) >= span
