"""The pages on which a person enters a strip: read by eye, or typed in from a slip."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Annotated, Any

import pydantic
from fastapi import APIRouter, Form, HTTPException, Request
from fastapi.responses import RedirectResponse, Response
from pydantic import BaseModel, ConfigDict

from bridge.bench.entry import ladders, printed_ladders
from bridge.desk.entries import EntryDesk, EntryPlace, EyeEntry, SlipEntry
from bridge.errors import RefusedAction
from bridge.model import Priority, Purpose
from bridge.pages.forms import SEE_OTHER, Field, RequiresToken, RowId, ShowsPage, typed_actor
from bridge.pages.language import _
from bridge.pages.site import PagesSite
from bridge.pages.words import PURPOSE_WORDS
from bridge.store.api import Store
from bridge.tables.types import NumberScheme

LARGEST = 10**9  # ours: more digits than any day needs
PAD = "pad."  # before a pad's key, in the name of its field
_RANK = re.compile("[0-9]{1,3}")


class EntryForm(BaseModel):
    """What both forms send; the values come in fields of their own, ``pad.glucose`` and the like."""

    model_config = ConfigDict(extra="allow")

    strip_type: Field = ""
    purpose: Field = ""
    strip_lot: Field = ""
    operator: Field = ""
    patient_id: Field = ""
    patient_again: Field = ""
    specimen_id: Field = ""
    specimen_again: Field = ""
    name: Field = ""
    token: Field = ""

    @property
    def chosen(self) -> dict[str, str]:
        """Give what was chosen, by pad."""
        extra: Mapping[str, object] = self.model_extra or {}
        return {name.removeprefix(PAD): str(value) for name, value in extra.items() if name.startswith(PAD)}


class EyeForm(EntryForm):
    """A strip read by eye as the page's form sends it: a step's rank for each pad."""

    number: Annotated[int, pydantic.Field(ge=0, le=LARGEST)]
    read_at: Field = ""

    @property
    def ranks(self) -> dict[str, int]:
        """Give the chosen steps by pad; what is no step is left out."""
        return {pad: int(rank) for pad, rank in self.chosen.items() if _RANK.fullmatch(rank)}


class SlipForm(EntryForm):
    """A slip as the page's form sends it: the printed text for each pad."""

    number: Field = ""
    printed_at: Field = ""


class Entries:
    """Makes the routes of the pages."""

    def __init__(self, store: Store, desk: EntryDesk, site: PagesSite, show: ShowsPage, require_token: RequiresToken) -> None:
        self._store = store
        self._desk = desk
        self._site = site
        self._show = show
        self._require_token = require_token

    def add_to(self, routes: APIRouter) -> None:
        """Add the routes."""
        routes.add_api_route("/enter", self.page, methods=["GET"], response_model=None)
        routes.add_api_route("/enter/eye/{source}", self.eye, methods=["GET"], response_model=None)
        routes.add_api_route("/enter/eye/{source}", self.keep_eye, methods=["POST"], response_model=None)
        routes.add_api_route("/enter/slip/{source}", self.slip, methods=["GET"], response_model=None)
        routes.add_api_route("/enter/slip/{source}", self.keep_slip, methods=["POST"], response_model=None)
        routes.add_api_route("/enter/kept/{capture_id}", self.kept, methods=["GET"], response_model=None)

    def page(self, request: Request) -> Response:
        """Show what can be entered, and where."""
        eyes = tuple((place, self._types(place)) for place in self._desk.eyes.values())
        return self._show(request, "enter.html", {"eyes": eyes, "slips": tuple(self._desk.slips.values())})

    # --- read by eye

    def eye(self, request: Request, source: str, strip_type: str = "") -> Response:
        """Show the ladders of a strip type to choose from."""
        place = self._eye(source)
        types = self._types(place)
        if not strip_type and len(types) == 1:
            (strip_type,) = types
        return self._eye_page(request, place, EyeForm(number=self._desk.next_number(place), strip_type=strip_type))

    def keep_eye(self, request: Request, source: str, form: Annotated[EyeForm, Form()]) -> Response:
        """Keep a strip read by eye; on a refusal show the form again as it was filled in."""
        self._require_token(request, form.token)
        place = self._eye(source)
        given = form.model_dump(include=set(EyeEntry.__dataclass_fields__) - {"ranks"})
        try:
            entered = self._desk.by_eye(place, EyeEntry(**given, ranks=form.ranks), typed_actor(form.name))
        except RefusedAction as error:
            return self._eye_page(request, place, form, said=str(error))
        return RedirectResponse(f"/enter/kept/{entered.capture_id}", status_code=SEE_OTHER)

    def _eye_page(self, request: Request, place: EntryPlace, form: EyeForm, *, said: str = "") -> Response:
        tables, types = self._site.bench.tables, self._types(place)
        chosen = form.strip_type if form.strip_type in types else ""
        lots = [
            row.container.strip_lot
            for row in self._store.containers()
            if chosen and row.strip_type == place.profile.strip_types[chosen] and row.container.closed_at is None
        ]
        shown: dict[str, Any] = {
            "place": place,
            "types": types,
            "form": form,
            "ladders": ladders(place.profile, chosen, tables) if chosen else (),
            "lots": tuple(dict.fromkeys(lots)),
            "purposes": purposes(place.profile.numbers),
            "two_persons": place.analyzer not in tables.policy.one_person,
            "said": said,
        }
        return self._show(request, "by_eye.html", shown, status=409 if said else 200)

    # --- typed in from a slip

    def slip(self, request: Request, source: str, strip_type: str | None = None) -> Response:
        """Show what an analyzer prints for each pad of a strip type, to choose from."""
        place = self._slip(source)
        types = self._types(place)
        chosen = next(iter(types)) if len(types) == 1 else strip_type
        return self._slip_page(request, place, SlipForm(strip_type=chosen or ""), is_chosen=chosen in types)

    def keep_slip(self, request: Request, source: str, form: Annotated[SlipForm, Form()]) -> Response:
        """Keep what was typed in from a slip; on a refusal show the form again as it was filled in."""
        self._require_token(request, form.token)
        place = self._slip(source)
        given = form.model_dump(include=set(SlipEntry.__dataclass_fields__) - {"values"})
        try:
            entered = self._desk.slip(place, SlipEntry(**given, values=form.chosen), typed_actor(form.name))
        except RefusedAction as error:
            return self._slip_page(request, place, form, is_chosen=form.strip_type in self._types(place), said=str(error))
        return RedirectResponse(f"/enter/kept/{entered.capture_id}", status_code=SEE_OTHER)

    def _slip_page(self, request: Request, place: EntryPlace, form: SlipForm, *, is_chosen: bool, said: str = "") -> Response:
        shown: dict[str, Any] = {
            "place": place,
            "types": self._types(place),
            "form": form,
            "is_chosen": is_chosen,
            "ladders": printed_ladders(place.profile, form.strip_type, self._site.bench.tables) if is_chosen else (),
            "words": words_of_patients(place.profile.numbers),
            "asks_time": bool(place.profile.date_format),
            "said": said,
        }
        return self._show(request, "slip.html", shown, status=409 if said else 200)

    # --- what was kept

    def kept(self, request: Request, capture_id: RowId) -> Response:
        """Say that a strip was kept, and what became of it so far; nothing here names the patient."""
        state = self._store.capture_state(capture_id)
        if state is None:
            raise HTTPException(404, _("Nothing was kept under this number."))
        strips = self._store.capture_strips(capture_id)
        return self._show(request, "entered.html", {"state": state, "strip": strips[0] if strips else None, "told": state.strips})

    def _eye(self, source: str) -> EntryPlace:
        if source not in self._desk.eyes:
            raise HTTPException(404, _("No strips are read by eye under this name."))
        return self._desk.eyes[source]

    def _slip(self, source: str) -> EntryPlace:
        if source not in self._desk.slips:
            raise HTTPException(404, _("No analyzer's slips are typed in under this name."))
        return self._desk.slips[source]

    def _types(self, place: EntryPlace) -> dict[str, str]:
        known = self._site.bench.tables.strip_types
        return {printed: known[name].title for printed, name in place.profile.strip_types.items()}


def purposes(scheme: NumberScheme) -> tuple[tuple[str, str], ...]:
    """Give for what a strip may be read, in the scheme's order: the profile's word, and ours."""
    return tuple(
        (mode.word, f"{PURPOSE_WORDS[mode.purpose]}{', STAT' if mode.priority is Priority.STAT else ''}")
        for mode in scheme.modes.values()
    )


def words_of_patients(scheme: NumberScheme) -> tuple[tuple[str, str], ...]:
    """Give the words that an analyzer prints beside the number of a patient's strip, and ours; none where it prints them inside the number."""
    if "mode" in re.compile(scheme.pattern).groupindex:
        return ()
    patients = (mode for mode in scheme.modes.values() if mode.purpose is Purpose.PATIENT)
    return tuple((mode.word, "STAT" if mode.priority is Priority.STAT else _("routine")) for mode in patients)
