"""The page To be added: results that wait for a colour, a clarity or the type of the specimen, and the form for one of them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Any

from fastapi import APIRouter, Form, HTTPException, Query, Request
from fastapi.responses import RedirectResponse, Response
from pydantic import BaseModel, ConfigDict

from bridge.added import Addable
from bridge.desk.additions import LEFT_OUT, AdditionDesk, standing
from bridge.errors import Overtaken, RefusedAction
from bridge.pages.forms import LONGEST_ID, SEE_OTHER, Behind, Field, RequiresToken, RowId, ShowsPage, Text, typed_actor
from bridge.pages.language import Words, _
from bridge.store.api import Store
from bridge.store.rows import StopRow, StripRow
from bridge.tables.addition_table import Choice

PAGE = 50  # ours: rows of one page; a bench has some dozens that wait
ADDABLE_WORDS = Words[Addable]({Addable.COLOUR: "colour", Addable.CLARITY: "clarity", Addable.SPECIMEN_TYPE: "specimen type"})


class AddForm(BaseModel):
    """What the form sends: a word, or LEFT_OUT, for each that is asked."""

    model_config = ConfigDict(extra="forbid")

    colour: Field = ""
    clarity: Field = ""
    specimen_type: Field = ""
    name: Field = ""
    token: Field = ""

    @property
    def given(self) -> dict[Addable, str]:
        """Give what was chosen."""
        return {what: getattr(self, what.value) for what in Addable}


@dataclass(frozen=True, kw_only=True, slots=True)
class Asked:
    """One question of the form: what, its words, and the choices."""

    key: str
    name: str
    choices: tuple[Choice, ...]


class AdditionPages:
    """The routes of the page To be added."""

    def __init__(self, store: Store, desk: AdditionDesk, show: ShowsPage, require_token: RequiresToken) -> None:
        self._store = store
        self._desk = desk
        self._show = show
        self._require_token = require_token

    def add_to(self, routes: APIRouter) -> None:
        """Add the routes."""
        for path, view in (("/to-add", self.waiting), ("/to-add/{awaited_id}", self.one), ("/to-add/held/{stop_id}", self.held)):
            routes.add_api_route(path, view, methods=["GET"], response_model=None)
        for path, act in (
            ("/to-add/find", self.find),
            ("/to-add/{awaited_id}", self.add),
            ("/to-add/held/{stop_id}", self.add_to_held),
        ):
            routes.add_api_route(path, act, methods=["POST"], response_model=None)

    def waiting(
        self,
        request: Request,
        after: Behind = None,
        done: Annotated[int | None, Query(ge=0, le=LONGEST_ID)] = None,
    ) -> Response:
        """Show what waits, the oldest first; ``done`` is the row that something was just added to."""
        kept = self._store.awaited_one(done) if done else None
        return self._list(request, {**self._section(after), "kept": kept, "said": "", "found": None})

    def _section(self, after: int | None = None) -> dict[str, Any]:
        rows = self._store.awaited(after=after, limit=PAGE + 1)
        return {"rows": rows[:PAGE], "more": rows[PAGE - 1].awaited_id if len(rows) > PAGE else None}

    def find(self, request: Request, text: Text = "", token: Text = "") -> Response:
        """Go to the strip with a scanned or keyed number, specimen ID or patient ID; of several, show them."""
        self._require_token(request, token)
        found = self._store.awaited_named(text.strip()) if text.strip() else ()
        if len(found) == 1:
            return RedirectResponse(f"/to-add/{found[0].awaited_id}", status_code=SEE_OTHER)
        said = (
            ""
            if found
            else _("No strip with this number, specimen ID or patient ID waits here. Look where it is on the page Today.")
        )
        shown = {"rows": found, "more": None} if found else self._section()
        return self._list(request, {**shown, "kept": None, "said": said, "found": text if found else None})

    def _list(self, request: Request, shown: dict[str, Any]) -> Response:
        status = 404 if shown["said"] else 200
        return self._show(
            request, "to_add.html", {**shown, "names": ADDABLE_WORDS, "is_asked": self._desk.is_asked}, status=status
        )

    # --- one that waits

    def one(self, request: Request, awaited_id: RowId) -> Response:
        """Show the form of one that waits."""
        return self._one(request, awaited_id, AddForm())

    def add(self, request: Request, awaited_id: RowId, form: Annotated[AddForm, Form()]) -> Response:
        """Add to one that waits; on a refusal show the form again as it was filled in."""
        self._require_token(request, form.token)
        try:
            self._desk.add(awaited_id, form.given, actor=typed_actor(form.name))
        except (RefusedAction, Overtaken) as refused:
            return self._one(request, awaited_id, form, said=str(refused))
        return RedirectResponse(f"/to-add?done={awaited_id}", status_code=SEE_OTHER)

    def _one(self, request: Request, awaited_id: int, form: AddForm, *, said: str = "") -> Response:
        row = self._store.awaited_one(awaited_id)
        if row is None:
            raise HTTPException(404, _("There is no such strip."))
        asked = self._asked(row.asks) if not standing(row) else ()
        shown = {"due_at": row.due_at, "holds": row.holds, "result_id": row.result_id, "over": standing(row)}
        return self._form(request, row.strip, asked, form, {**shown, "action": f"/to-add/{awaited_id}"}, said=said)

    # --- one that is held for want of it

    def held(self, request: Request, stop_id: RowId) -> Response:
        """Show the form of one that is held."""
        return self._held(request, self._stop(stop_id), AddForm())

    def add_to_held(self, request: Request, stop_id: RowId, form: Annotated[AddForm, Form()]) -> Response:
        """Add to one that is held; it is judged again."""
        self._require_token(request, form.token)
        stop = self._stop(stop_id)
        try:
            self._desk.add_to_held(stop, form.given, actor=typed_actor(form.name))
        except (RefusedAction, Overtaken) as refused:
            return self._held(request, self._stop(stop_id), form, said=str(refused))
        return RedirectResponse(f"/rejected/{stop_id}", status_code=SEE_OTHER)

    def _held(self, request: Request, stop: StopRow, form: AddForm, *, said: str = "") -> Response:
        strip = self._store.strip(stop.strip_id) if stop.strip_id is not None else None
        if strip is None:
            raise HTTPException(404, _("Nothing can be added to this row: it is no strip."))
        whats = self._desk.asked_of(stop)
        over = "" if whats else _("Nothing is to be added to this strip any more.")
        if stop.closed_by:
            over = _("{who} has dealt with this already: {how}.", who=stop.closed_by, how=_(stop.closed_how))
        shown = {"due_at": None, "holds": True, "result_id": "", "over": over, "action": f"/to-add/held/{stop.stop_id}"}
        return self._form(request, strip, self._asked(whats), form, shown, said=said)

    def _stop(self, stop_id: int) -> StopRow:
        stop = self._store.stop(stop_id)
        if stop is None:
            raise HTTPException(404, _("There is no such row."))
        return stop

    # --- the form

    def _asked(self, whats: tuple[Addable, ...]) -> tuple[Asked, ...]:
        return tuple(Asked(key=what.value, name=ADDABLE_WORDS[what], choices=self._desk.choices(what)) for what in whats)

    def _form(
        self, request: Request, strip: StripRow, asked: tuple[Asked, ...], form: AddForm, shown: dict[str, Any], *, said: str
    ) -> Response:
        values = {"strip": strip, "asked": asked, "given": form.model_dump(), "left_out": LEFT_OUT, "said": said, **shown}
        return self._show(request, "add.html", values, status=409 if said else 200)
