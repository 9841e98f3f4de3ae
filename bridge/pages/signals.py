"""The page Signals: what stands and who has it in hand, what was said of it, what is muted, and what is over."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Annotated

from fastapi import APIRouter, Form, HTTPException, Request
from fastapi.responses import RedirectResponse, Response
from pydantic import BaseModel

from bridge.desk.signals import MUTE_HOURS, SignalDesk
from bridge.errors import RefusedAction
from bridge.pages.forms import SEE_OTHER, Field, RequiresToken, RowId, ShowsPage, typed_actor
from bridge.pages.language import Words, _
from bridge.pages.site import PagesSite
from bridge.pages.words import Mark
from bridge.signals.kinds import KEPT, URGENT, WITHOUT_DELAY, Cause, Kind
from bridge.signals.machine import EASINGS, MAY_ACKNOWLEDGE, Signal, SignalState
from bridge.signals.words import KIND_WORDS, place, subject_words
from bridge.store.api import Store
from bridge.store.rows import EventRow, MuteRow, SayRow, SayState

ENDED_SHOWN = 20  # ours: a week of an ordinary site
SAYS_SHOWN = 15  # ours: a day of an ordinary site
LOOKED_AT = 200  # ours: among which the last word of each way is found; a small row each
SHOWN_CAUSES = 12  # ours: what a person reads at a glance; the pages behind the links list all

STATE_WORDS = Words[SignalState](
    {
        SignalState.OPEN: "open, nobody has it in hand",
        SignalState.ACKNOWLEDGED: "in hand",
        SignalState.EASING: "gone just now, perhaps for a moment",
        SignalState.EASING_ACKNOWLEDGED: "in hand; gone just now, perhaps for a moment",
        SignalState.ENDED: "over",
    }
)
SAY_WORDS = Words[SayState](
    {
        SayState.DUE: "to be said",
        SayState.SAID: "said",
        SayState.GIVEN_UP: "not said",
        SayState.DROPPED: "not needed any more",
    }
)
SAY_MARKS: Mapping[SayState, Mark] = {
    SayState.DUE: Mark.WAIT,
    SayState.SAID: Mark.DONE,
    SayState.GIVEN_UP: Mark.CANNOT,
    SayState.DROPPED: Mark.END,
}
EVENT_WORDS = Words[str]({"signal.moved": "now", "signal.acknowledged": "acknowledged", "signal.noted": "note"})


class SignalForm(BaseModel):
    """What the page's forms send."""

    token: Field = ""
    name: Field = ""
    note: Field = ""


class MuteForm(BaseModel):
    """A kind to mute, for how many hours and why; 0 hours: to be heard again."""

    kind: Kind
    hours: int
    token: Field = ""
    name: Field = ""
    reason: Field = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class ShownCause:
    """A cause as a page shows it: in words, with where it is worked on."""

    words: str
    count: int
    since: datetime
    place: str


@dataclass(frozen=True, kw_only=True, slots=True)
class ShownSignal:
    """A signal as a page shows it."""

    signal: Signal
    headline: str
    todo: str
    state: str
    mark: Mark
    causes: tuple[ShownCause, ...]
    more: int
    muted: MuteRow | None = None
    events: tuple[EventRow, ...] = ()
    says: tuple[SayRow, ...] = ()

    @property
    def may_acknowledge(self) -> bool:
        """Say whether a person can take it in hand."""
        return self.signal.state in MAY_ACKNOWLEDGE and self.signal.kind not in WITHOUT_DELAY


def standing(store: Store, *, now: datetime, whole: bool = False) -> tuple[ShownSignal, ...]:
    """Give the signals that stand, the most urgent kind first; ``whole`` with their history."""
    muted = {row.kind: row for row in store.muted_kinds(now=now)}
    order = list(Kind)
    found = sorted(store.standing_signals(), key=lambda each: order.index(each.kind))
    shown = (shown_signal(each, muted.get(each.kind)) for each in found)
    return tuple(_whole(store, each) for each in shown) if whole else tuple(shown)


def _whole(store: Store, shown: ShownSignal) -> ShownSignal:
    number = shown.signal.signal_id
    return replace(shown, events=store.events(f"signal:{number}"), says=store.says_of(number))


def shown_signal(signal: Signal, muted: MuteRow | None = None) -> ShownSignal:
    """Give a signal in words."""
    return ShownSignal(
        signal=signal,
        headline=_headline(signal),
        todo=_(KIND_WORDS[signal.kind].todo),
        state=STATE_WORDS[signal.state],
        mark=_mark(signal),
        causes=tuple(map(_cause, signal.causes[:SHOWN_CAUSES])),
        more=len(signal.causes[SHOWN_CAUSES:]),
        muted=muted,
    )


def _headline(signal: Signal) -> str:
    """Say in one line what stands, as mail does, in the language of the request."""
    words = KIND_WORDS[signal.kind]
    count = sum(cause.count for cause in signal.causes) if words.counts else len(signal.causes)
    return _(words.one) if count == 1 else _(words.many).format(count)


def _mark(signal: Signal) -> Mark:
    if signal.state is SignalState.ENDED:
        return Mark.DONE
    if signal.state in EASINGS or not signal.rings:
        return Mark.WAIT
    return Mark.CANNOT if signal.kind in URGENT else Mark.DECIDE


def _cause(cause: Cause) -> ShownCause:
    counted = cause.count if KIND_WORDS[cause.kind].counts else 0
    return ShownCause(words=subject_words(cause, _), count=counted, since=cause.since, place=place(cause))


class SignalsPage:
    """Makes the routes of the page."""

    def __init__(
        self,
        store: Store,
        desk: SignalDesk,
        site: PagesSite,
        show: ShowsPage,
        require_token: RequiresToken,
        now: Callable[[], datetime],
    ) -> None:
        self._store = store
        self._desk = desk
        self._site = site
        self._show = show
        self._require_token = require_token
        self._now = now

    def add_to(self, routes: APIRouter) -> None:
        """Add the routes."""
        routes.add_api_route("/signals", self.page, methods=["GET"], response_model=None)
        routes.add_api_route("/signals/ringing", self.ringing, methods=["GET"], response_model=None)
        routes.add_api_route("/signals/test", self.test, methods=["POST"], response_model=None)
        routes.add_api_route("/signals/digest", self.test_digest, methods=["POST"], response_model=None)
        routes.add_api_route("/signals/mute", self.mute, methods=["POST"], response_model=None)
        routes.add_api_route("/signals/{signal_id}/acknowledge", self.acknowledge, methods=["POST"], response_model=None)
        routes.add_api_route("/signals/{signal_id}/note", self.note, methods=["POST"], response_model=None)

    def page(self, request: Request) -> Response:
        """Show what stands, what is muted, and what is over."""
        return self._page(request)

    def _page(self, request: Request, *, said: str = "", tested: tuple[tuple[str, str], ...] = ()) -> Response:
        now, says = self._now(), self._store.newest_says(limit=LOOKED_AT)
        return self._show(
            request,
            "signals.html",
            {
                "standing": standing(self._store, now=now, whole=True),
                "ended": tuple(shown_signal(each) for each in self._store.ended_signals(limit=ENDED_SHOWN)),
                "mutes": self._store.muted_kinds(now=now),
                "kinds": KIND_WORDS,
                "may_mute": tuple(kind for kind in KEPT if kind not in WITHOUT_DELAY),
                "mute_hours": MUTE_HOURS,
                "state_words": STATE_WORDS,
                "event_words": EVENT_WORDS,
                "said": said,
                "own": tuple(map(shown_signal, self._site.own_signals())),
                "tested": tested,
                "ways": self._site.ways,
                "digest": self._site.digest,
                "way_notes": self._site.way_notes() if self._site.ways else {},
                "last": _last(says),
                "says": says[:SAYS_SHOWN],
                "say_words": SAY_WORDS,
                "say_marks": SAY_MARKS,
            },
            status=409 if said else 200,
        )

    def ringing(self) -> dict[str, int]:
        """Give how many signals ring: open, of no muted kind, and in nobody's hand. For the sound of a page, which a person switched on."""
        muted = {row.kind for row in self._store.muted_kinds(now=self._now())}
        rings = [each for each in self._store.standing_signals() if each.rings and each.kind not in muted]
        return {"ringing": len(rings) + len(self._site.own_signals())}

    async def test_digest(self, request: Request, form: Annotated[SignalForm, Form()]) -> Response:
        """Say the digest of this moment by each of its ways, as a test; show what came of each."""
        self._require_token(request, form.token)
        if self._site.digest is None:
            raise HTTPException(404, _("This site has no digest: its file can name times under signals, digest."))
        if not form.name.strip():
            return await asyncio.to_thread(self._page, request, said=_("Say who you are: the name is kept with what you do."))
        tested = await self._site.digest.test(typed_actor(form.name))
        return await asyncio.to_thread(self._page, request, tested=tested)

    async def test(self, request: Request, form: Annotated[SignalForm, Form()]) -> Response:
        """Say a test by every way; show what came of each."""
        self._require_token(request, form.token)
        if not form.name.strip():
            return await asyncio.to_thread(self._page, request, said=_("Say who you are: the name is kept with what you do."))
        tested = await self._site.test_ways(typed_actor(form.name))
        return await asyncio.to_thread(self._page, request, tested=tested)

    def acknowledge(self, request: Request, signal_id: RowId, form: Annotated[SignalForm, Form()]) -> Response:
        """Take a signal in hand."""
        return self._done(
            request, form.token, lambda: self._desk.acknowledge(signal_id, note=form.note, actor=typed_actor(form.name))
        )

    def note(self, request: Request, signal_id: RowId, form: Annotated[SignalForm, Form()]) -> Response:
        """Keep a note on a signal."""
        return self._done(request, form.token, lambda: self._desk.note(signal_id, text=form.note, actor=typed_actor(form.name)))

    def mute(self, request: Request, form: Annotated[MuteForm, Form()]) -> Response:
        """Mute a kind for some hours, or let it be heard again."""
        return self._done(
            request,
            form.token,
            lambda: self._desk.mute(form.kind, hours=form.hours, reason=form.reason, actor=typed_actor(form.name)),
        )

    def _done(self, request: Request, token: str, act: Callable[[], None]) -> Response:
        self._require_token(request, token)
        try:
            act()
        except RefusedAction as error:
            return self._page(request, said=str(error))
        return RedirectResponse("/signals", status_code=SEE_OTHER)


def _last(says: tuple[SayRow, ...]) -> Mapping[str, SayRow]:
    """Give the last word of each way that was tried; ``says`` are the newest first."""
    return {row.way: row for row in reversed(says) if row.tries}
