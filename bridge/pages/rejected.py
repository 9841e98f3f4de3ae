"""The page Rejected messages: everything stopped, in its three groups; each with what can be done, by one or by many at once."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from typing import Annotated, Literal

import pydantic
from fastapi import APIRouter, Form, HTTPException, Query, Request
from fastapi.responses import RedirectResponse, Response

from bridge.check import copies
from bridge.check.rulebook import OF_TIME
from bridge.desk.conflicts import others_of_number
from bridge.desk.together import By, Seen, Together
from bridge.errors import AnotherStrip, RefusedAction
from bridge.lifecycle.ageing import edges
from bridge.lifecycle.states import StopGroup, StopState
from bridge.pages import capture_view, way
from bridge.pages.api import ACTIONS, Act, do
from bridge.pages.forms import LONGEST_ID, SEE_OTHER, Field, RequiresToken, RowId, ShowsPage, Text, typed_actor
from bridge.pages.language import _, ngettext, several
from bridge.pages.narrowed import Narrowed, count_of, facets
from bridge.pages.site import Desks, PagesSite
from bridge.pages.way import Way
from bridge.pages.words import counted, number
from bridge.pages.words import reason as reason_words
from bridge.store.api import Store
from bridge.store.rows import CaptureRow, RefusedFileRow, StopCount, StopRow, StripRow

SECTION = 50  # ours: rows of one group on one page
LONGEST_LIST = 3 * SECTION * (len(str(LONGEST_ID)) + 1)  # the rows of all groups on one page
NEWEST = 3  # ours: what fits over the foot of a telephone's page and hides no more than half of it


@dataclass(frozen=True, kw_only=True, slots=True)
class Section:
    """One group of the rejected messages: how many there are, the most urgent of them, and the last row where more follow."""

    group: StopGroup
    count: int
    rows: tuple[tuple[StopRow, Way], ...]
    more_after: int | None


class ActForm(Act):
    """An action as a page's form sends it: with the form's token, and "" for a field that was left empty."""

    token: Field = ""
    name: Field = ""
    reason: Field = ""
    first: Field = ""
    second: Field = ""
    second_identifier: Field = ""
    same_person: Field = ""
    day: Field = ""
    clock: Field = ""
    which: Field = ""
    second_person: Field = ""
    specimen: Field = ""
    owner: Field = ""
    before: Field = ""
    note: Field = ""


class TogetherForm(pydantic.BaseModel):
    """A decision about all of one reason: what the person saw, who decides and why."""

    rule: Field
    expected: int
    newest: int
    token: Field = ""
    name: Field = ""
    reason: Field = ""
    second_person: Field = ""
    specimen: Field = ""


class Rejected:
    """Makes the page's routes."""

    def __init__(
        self,
        store: Store,
        desks: Desks,
        site: PagesSite,
        show: ShowsPage,
        require_token: RequiresToken,
        now: Callable[[], datetime],
    ) -> None:
        self._store = store
        self._desk = desks.stops
        self._together = Together(store, desks.stops, desks.gates)
        self._site = site
        self._show = show
        self._require_token = require_token
        self._now = now

    def add_to(self, routes: APIRouter) -> None:
        """Add the routes."""
        routes.add_api_route("/rejected", self.rejected, methods=["GET"], response_model=None)
        routes.add_api_route("/api/news/rejected", self.newest, methods=["GET"], response_model=None)
        routes.add_api_route("/api/news/rejected/rows", self.turned, methods=["GET"], response_model=None)
        routes.add_api_route("/rejected/{stop_id}", self.stop, methods=["GET"], response_model=None)
        routes.add_api_route("/rejected/read-again", self.read_all_again, methods=["POST"], response_model=None)
        routes.add_api_route("/rejected/all/{action}", self.act_on_all, methods=["POST"], response_model=None)
        routes.add_api_route("/rejected/{stop_id}/{action}", self.act, methods=["POST"], response_model=None)

    # --- the list

    def rejected(self, request: Request, narrowed: Annotated[Narrowed, Query()]) -> Response:
        """Show what is stopped in its three groups, the most urgent of all first; or one group from behind ``after``."""
        counts = self._store.stop_counts(edges(self._now()))
        rule = narrowed.rule
        return self._show(
            request,
            "rejected.html",
            {
                "sections": [self._section(each, narrowed, counts) for each in StopGroup if narrowed.group in {None, each}],
                "narrowed": narrowed,
                "facets": tuple(facets(counts, narrowed)),
                "rule": rule,
                "is_empty": not counts,
                "preview": self._desk.preview_read_again(rule) if rule else (),
                "may_release": self._together.may_release(rule) if rule else None,
                "may_discard": self._together.may_discard(rule) if rule else None,
            },
        )

    def _section(self, group: StopGroup, narrowed: Narrowed, counts: tuple[StopCount, ...]) -> Section:
        search = narrowed.model_copy(update={"group": group}).search(now=self._now())
        found = self._store.urgent_stops(search, after=narrowed.after, limit=SECTION + 1)
        shown = found[:SECTION]
        return Section(
            group=group,
            count=count_of(counts, narrowed, group),
            rows=tuple((stop, way.way_of_stop(stop)) for stop in shown),
            more_after=shown[-1].stop_id if len(found) > SECTION else None,
        )

    def newest(self, request: Request, narrowed: Annotated[Narrowed, Query()]) -> Response:
        """Show what came behind the row ``after``, as a piece of a page that stays open."""
        found = self._store.newer_stops(narrowed.search(now=self._now()), after=narrowed.after or 0, limit=NEWEST + 1)
        shown = {"rows": found[:NEWEST], "has_more": len(found) > NEWEST, "narrowed": narrowed}
        return self._show(request, "rejected_new.html", shown)

    def turned(
        self, request: Request, narrowed: Annotated[Narrowed, Query()], stops: Annotated[str, Query(max_length=LONGEST_LIST)] = ""
    ) -> Response:
        """Say how rows that an open page shows stand by now, and how many there are: pieces of a page, which name no patient."""
        asked = dict.fromkeys(
            int(each) for each in stops.split(",") if each.isascii() and each.isdecimal() and int(each) <= LONGEST_ID
        )
        found = (self._store.stop(stop_id) for stop_id in asked)
        counts = self._store.stop_counts(edges(self._now()))
        shown = {
            "rows": tuple(stop for stop in found if stop is not None),
            "counts": {group: count_of(counts, narrowed.model_copy(update={"group": None}), group) for group in StopGroup},
        }
        return self._show(request, "rejected_rows.html", shown)

    # --- one of them

    def stop(self, request: Request, stop_id: RowId, start: int | None = None) -> Response:
        """Show one stopped strip or message: the bytes beside what was understood, and what can be done."""
        return self._stop(request, stop_id, start=start)

    def refused(self, request: Request, stop_id: int, why: RefusedAction, given: Act) -> Response:
        """Show a stop with why something was not done, and what the person had given."""
        return self._stop(request, stop_id, refused=(why, given))

    def _stop(
        self, request: Request, stop_id: int, *, start: int | None = None, refused: tuple[RefusedAction, Act] | None = None
    ) -> Response:
        """Show a stop; ``refused`` is why an action was not done, and what the person had given."""
        row = self._store.stop(stop_id)
        if row is None:
            raise HTTPException(404, _("There is no such row."))
        kept = self._store.capture(row.capture_id) if row.capture_id is not None else None
        strip = self._store.strip(row.strip_id) if row.strip_id is not None else None
        file = self._store.refused_file(stop_id)
        place = row.place or (strip.place if strip else None)
        is_fault = row.place is not None or strip is None or strip.outcome == "unreadable"
        payload = _received(kept, file)
        said, given = refused or (None, Act(name="", reason=""))
        return self._show(
            request,
            "stop.html",
            {
                "stop": row,
                "strip": strip,
                "kept": kept,
                "view": None if payload is None else capture_view.view(payload, place, start=start, is_fault=is_fault),
                "file": file,
                "way": way.way_of_stop(row),
                "events": self._store.stop_events(stop_id),
                "steps": self._site.send_again.get(row.analyzer, ()),
                "said": str(said or ""),
                "asks_same_person": isinstance(said, AnotherStrip),
                "not_corrected": self._desk.why_not_corrected(row)
                if row.delivery_id is not None and row.state is StopState.OPEN
                else "",
                "unit_in_doubt": any(rule.startswith("unit.") for rule in row.rules),
                "of_file": self._of_file(row, strip),
                "most_of_file": SECTION,
                "given": given,
                "others": others_of_number(self._store, strip) if strip and copies.CONFLICT in row.rules else (),
                "groups": StopGroup,
                "foresees": self._site.foresees is not None,
                "of_time": bool(OF_TIME & set(row.rules)),
                "terms": self._desk.terms(row),
                "has_specimen": self._desk.has_specimen(row),
            },
            status=409 if refused else 200,
        )

    def _of_file(self, stop: StopRow, strip: StripRow | None) -> tuple[StripRow, ...]:
        """Give the other strips that came with one that could not be read: what of the file is safe, and what is not."""
        if stop.capture_id is None or (strip is not None and strip.outcome != "unreadable"):
            return ()
        return tuple(
            each for each in self._store.capture_strips(stop.capture_id) if strip is None or each.strip_id != strip.strip_id
        )

    # --- actions

    def act(self, request: Request, stop_id: RowId, action: str, form: Annotated[ActForm, Form()]) -> Response:
        """Do one action; on a refusal show the page again with the reason."""
        self._require_token(request, form.token)
        if action not in ACTIONS:
            raise HTTPException(404, _("There is no such action."))
        try:
            do(self._desk, stop_id, action, form)
        except RefusedAction as error:
            return self._stop(request, stop_id, refused=(error, form))
        return RedirectResponse(f"/rejected/{stop_id}", status_code=SEE_OTHER)

    def read_all_again(
        self, request: Request, rule: Text, expected: Annotated[int, Form()], token: Text = "", name: Text = "", reason: Text = ""
    ) -> Response:
        """Read all of one reason again, if there are still as many as the person saw."""
        self._require_token(request, token)
        try:
            done = self._desk.read_again_all(rule, expected=expected, reason=reason, actor=typed_actor(name))
        except RefusedAction as error:
            return self._show(
                request, "message.html", {"title": _("Not read again"), "sentence": str(error), "back": "/rejected"}, status=409
            )
        sentence = _(
            "{rows} of the reason “{rule}” are being read again with the current profile.",
            rows=counted(done, "row"),
            rule=reason_words(rule),
        )
        return self._show(request, "message.html", {"title": _("Being read again"), "sentence": sentence, "back": "/rejected"})

    def act_on_all(
        self, request: Request, action: Literal["release", "discard"], form: Annotated[TogetherForm, Form()]
    ) -> Response:
        """Release or discard all of one reason that may be decided about together, if they are those that the person saw."""
        self._require_token(request, form.token)
        by = By(
            actor=typed_actor(form.name),
            reason=form.reason,
            second=form.second_person,
            specimen=form.specimen,
        )
        act = self._together.release if action == "release" else self._together.discard
        try:
            done = act(form.rule, seen=Seen(count=form.expected, newest=form.newest), by=by)
        except RefusedAction as error:
            return self._show(
                request, "message.html", {"title": _("Not done"), "sentence": str(error), "back": "/rejected"}, status=409
            )
        rows, rule = number(done), reason_words(form.rule)
        if action == "release":
            title, sentence = _("Released"), ngettext(*RELEASED, done, rows=rows, rule=rule)
        else:
            title, sentence = _("Discarded"), ngettext(*DISCARDED, done, rows=rows, rule=rule)
        return self._show(request, "message.html", {"title": title, "sentence": sentence, "back": "/rejected"})


RELEASED = several("{rows} row of the reason “{rule}” was released.", "{rows} rows of the reason “{rule}” were released.")
DISCARDED = several("{rows} row of the reason “{rule}” was discarded.", "{rows} rows of the reason “{rule}” were discarded.")


def _received(kept: CaptureRow | None, file: RefusedFileRow | None) -> bytes | None:
    """Give the bytes that a stop is about: a capture, or the beginning of a file that was not taken; None where there are none."""
    if kept is not None:
        return kept.capture.payload
    return file.beginning if file is not None else None
