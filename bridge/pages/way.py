"""The way line: how far a strip came, station by station, and where it stopped."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from bridge.lifecycle.states import OPEN_DELIVERY, STOPPED_DELIVERY, StopGroup, StopState
from bridge.model import DeliveryState
from bridge.pages.language import _, later, spoken
from bridge.pages.words import GROUP_MARKS, OUTCOME_WORDS, Mark, reason
from bridge.store.rows import AttemptRow, DeliveryRow, StopRow, StripRow

STATIONS = (later("received"), later("read"), later("checked"), later("coded"), later("sent"), later("acknowledged"))


@dataclass(frozen=True, kw_only=True, slots=True)
class Station:
    """One station of the line. ``word`` says at the station where the strip stands why it goes no further."""

    name: str
    mark: Mark
    word: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class Way:
    """All six stations in order, and the same in a sentence for those who do not see the line."""

    stations: tuple[Station, ...]
    sentence: str


_AT_BY_RULE = {"read": "read", "code": "coded", "render": "sent"}  # by the first part of a rule's id; all else: checked
_ENDS = {"copy", "non_patient", "discarded", "superseded"}


def way_of_stop(stop: StopRow) -> Way:
    """Give the way of what stands behind a stop, up to the station where it stopped."""
    at = _station_of_stop(stop)
    mark = GROUP_MARKS[stop.group] if stop.state is StopState.OPEN else Mark.END
    return _way(
        at,
        mark,
        _("stopped at {station}: {sentence}", station=_(at), sentence=spoken().sentences.said(stop.sentence)),
        word=reason(stop.rule),
    )


def way_of_strip(strip: StripRow, states: Sequence[DeliveryState]) -> Way:
    """Give the way of a judged strip; ``states`` are those of its newest deliveries, of a withdrawn one those of its withdrawal."""
    words = OUTCOME_WORDS.get(strip.outcome, strip.outcome)
    first_rule = strip.findings[0][0] if strip.findings else ""
    if strip.outcome == "withdrawn":
        return way_of_withdrawn(states)
    if strip.has_gone:
        return way_of_result(states)
    if strip.outcome == "waiting":
        return _way("checked", Mark.WAIT, _("checked, {outcome}", outcome=words), word=words)
    if strip.outcome in _ENDS:
        return _way("checked", Mark.END, _("ended at checked: {outcome}", outcome=words), word=words)
    at = "read" if strip.outcome == "unreadable" else _AT_BY_RULE.get(first_rule.partition(".")[0], "checked")
    mark = Mark.DECIDE if strip.outcome == "held" else Mark.CANNOT
    return _way(
        at,
        mark,
        _("stopped at {station}: {sentence}", station=_(at), sentence=words),
        word=reason(first_rule) if first_rule else words,
    )


def way_of_result(states: Sequence[DeliveryState]) -> Way:
    """Give the way of a result by the states of its newest deliveries: it is acknowledged once no receiver's answer is outstanding."""
    going = frozenset(states) - {DeliveryState.SUPERSEDED}
    stopped = going & STOPPED_DELIVERY
    if stopped and stopped <= {DeliveryState.UNSURE, DeliveryState.UNMADE}:
        words = _("may have been sent")
        return _way(
            "acknowledged", Mark.DECIDE, _("stopped at acknowledged: may have been sent; waiting for your decision"), word=words
        )
    if stopped:
        return _way("acknowledged", Mark.TURNED, _("stopped at acknowledged: turned away by a receiver"), word=_("turned away"))
    if going & OPEN_DELIVERY:
        tried = bool(going & {DeliveryState.SENDING, DeliveryState.RETRYING, DeliveryState.COMMITTED})
        at = "acknowledged" if tried else "sent"
        return _way(
            at, Mark.WAIT, _("sent, waiting to be acknowledged") if tried else _("coded, waiting to be sent"), word=_("waiting")
        )
    if DeliveryState.ACCEPTED in going:
        return _way("acknowledged", Mark.DONE, _("acknowledged: received by every receiver"))
    return _way("coded", Mark.END, _("ended at coded: not sent to any receiver"), word=_("not sent"))


def way_of_withdrawn(states: Sequence[DeliveryState]) -> Way:
    """Give the way of a result that was taken back; ``states`` are those of its withdrawal, none where no receiver had it."""
    going = frozenset(states) - {DeliveryState.SUPERSEDED}
    if going <= {DeliveryState.ACCEPTED}:
        said = _("its withdrawal was received by every receiver") if going else _("no receiver has it")
        return _way("acknowledged" if going else "coded", Mark.END, _("withdrawn; {said}", said=said), word=_("withdrawn"))
    mark = Mark.WAIT if going <= OPEN_DELIVERY | {DeliveryState.ACCEPTED} else Mark.TURNED
    return _way("acknowledged", mark, _("withdrawn; a receiver may still show it"), word=_("withdrawn, not everywhere"))


def newest_of(deliveries: Sequence[DeliveryRow]) -> tuple[DeliveryRow, ...]:
    """Give the deliveries of a result's newest version: an earlier one says no more where the result stands."""
    newest = max((each.version for each in deliveries), default=0)
    return tuple(each for each in deliveries if each.version == newest)


def times_of(strip: StripRow, deliveries: Sequence[tuple[DeliveryRow, Sequence[AttemptRow]]] = ()) -> Mapping[str, datetime]:
    """Give by station when a strip came there. ``deliveries`` are those of its result's newest version, with their tries.

    Reading, checking and coding are one step; it was sent with the first try at any receiver, and acknowledged with the last receiver's yes.
    """
    times = {"received": strip.arrived_at, "read": strip.judged_at, "checked": strip.judged_at}
    if strip.result_id:
        times["coded"] = strip.judged_at
    if tried := [attempt.started_at for _, tries in deliveries for attempt in tries]:
        times["sent"] = min(tried)
    accepted = [each.accepted_at for each, _ in deliveries if each.state is not DeliveryState.SUPERSEDED]
    known = [at for at in accepted if at is not None]
    if known and len(known) == len(accepted):
        times["acknowledged"] = max(known)
    return times


def _station_of_stop(stop: StopRow) -> str:
    if stop.group is StopGroup.REFUSED or stop.delivery_id is not None:
        return "acknowledged"
    if stop.capture_id is None:
        return "received"
    return _AT_BY_RULE.get(stop.rule.partition(".")[0], "checked")


def _way(at: str, mark: Mark, sentence: str, *, word: str = "") -> Way:
    reached = STATIONS.index(at)
    return Way(
        stations=tuple(
            Station(
                name=name,
                mark=Mark.DONE if place < reached else mark if place == reached else Mark.AHEAD,
                word=word if place == reached else "",
            )
            for place, name in enumerate(STATIONS)
        ),
        sentence=sentence,
    )
