"""The pages of control lots: a form that shows the scales, a lot as it was typed, and the second person's signature."""

from __future__ import annotations

import asyncio
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from fastapi import APIRouter, HTTPException, Request
from fastapi.responses import RedirectResponse, Response
from starlette.datastructures import FormData

from bridge.desk.lots import LotDesk, TypedLot, typed_lots
from bridge.errors import RefusedAction
from bridge.model import UnitSystem
from bridge.pages.forms import SEE_OTHER, RequiresToken, RowId, ShowsPage, Text, typed_actor
from bridge.pages.language import _
from bridge.pages.site import Bench
from bridge.store.api import Store
from bridge.tables.expected import step_text
from bridge.tables.types import StripPad


@dataclass(frozen=True, kw_only=True, slots=True)
class PadRow:
    """One pad of the form: its key and name, its scale in the unit system of the insert, and what was typed."""

    pad: str
    name: str
    steps: tuple[str, ...]
    is_words: bool
    low: str = ""
    high: str = ""
    words: tuple[str, ...] = ()
    claimed: bool = True


@dataclass(frozen=True, kw_only=True, slots=True)
class PadSaid:
    """One pad of a lot that was typed: what stands on the insert, and the steps of the scale that it allows."""

    name: str
    typed: str
    steps: str


class ControlLots:
    """Makes the routes."""

    def __init__(self, store: Store, desk: LotDesk, bench: Bench, show: ShowsPage, require_token: RequiresToken) -> None:
        self._store = store
        self._desk = desk
        self._tables = bench.tables
        self._show = show
        self._require_token = require_token

    def add_to(self, routes: APIRouter) -> None:
        """Add the routes."""
        routes.add_api_route("/controls/lots/new", self.form, methods=["GET"], response_model=None)
        routes.add_api_route("/controls/lots/new", self.enter, methods=["POST"], response_model=None)
        routes.add_api_route("/controls/lots/{lot_id}", self.lot, methods=["GET"], response_model=None)
        routes.add_api_route("/controls/lots/{lot_id}/sign", self.sign, methods=["POST"], response_model=None)
        routes.add_api_route("/controls/lots/{lot_id}/close", self.close, methods=["POST"], response_model=None)

    def form(self, request: Request, strip_type: str = "", unit_system: UnitSystem = UnitSystem.CONVENTIONAL) -> Response:
        """Show the form: first which strip type and unit system, then every pad with its scale."""
        return self._form(request, {"strip_type": strip_type, "unit_system": unit_system.value})

    def _form(self, request: Request, typed: dict[str, Any], *, said: str = "") -> Response:
        strip = self._tables.strip_types.get(typed["strip_type"])
        return self._show(
            request,
            "control_lot_form.html",
            {
                "table": self._tables.controls,
                "strip_types": tuple(self._tables.strip_types.values()),
                "systems": tuple(UnitSystem),
                "typed": typed,
                "pads": tuple(self._pad_rows(strip.pads, typed)) if strip else (),
                "said": said,
            },
            status=409 if said else 200,
        )

    def _pad_rows(self, pads: tuple[StripPad, ...], typed: dict[str, Any]) -> Iterator[PadRow]:
        rows = {row["pad"]: row for row in typed.get("expected", ())}
        for pad in pads:
            row = rows.get(pad.pad, {})
            yield PadRow(
                pad=pad.pad,
                name=self._tables.catalogue.pads[pad.pad].name,
                steps=tuple(step_text(step, UnitSystem(typed["unit_system"])) for step in pad.ladder),
                is_words=any(step.word for step in pad.ladder),
                low=row.get("low") or "",
                high=row.get("high") or "",
                words=tuple(row.get("words", ())),
                claimed=row.get("claimed", True),
            )

    async def enter(self, request: Request) -> Response:
        """Keep a lot; on a refusal show the form again with all that was typed."""
        form = (
            await request.form()
        )  # its fields follow the strip type; what comes of them waits for a commit, which the loop must not
        return await asyncio.to_thread(self._entered, request, form)

    def _entered(self, request: Request, form: FormData) -> Response:
        self._require_token(request, str(form.get("token", "")))
        typed = self._typed(form)
        try:
            lot_id = self._desk.enter(typed, actor=typed_actor(str(form.get("name", ""))))
        except RefusedAction as error:
            return self._form(request, typed, said=str(error))
        return RedirectResponse(f"/controls/lots/{lot_id}", status_code=SEE_OTHER)

    def _typed(self, form: FormData) -> dict[str, Any]:
        """Give what was typed as the keys of a LotRow. Raises HTTPException for a strip type or unit system that the form does not offer."""
        strip = self._tables.strip_types.get(str(form.get("strip_type", "")))
        unit_system = str(form.get("unit_system", ""))
        if strip is None or unit_system not in set(UnitSystem):
            raise HTTPException(422, _("Choose the strip type and the insert's units first."))
        material, _blank, level = str(form.get("material", "")).partition(" ")
        labels = (text.strip() for text in str(form.get("labels", "")).split(","))
        return {
            "material": material,
            "level": level,
            "lot": str(form.get("lot", "")).strip(),
            "labels": [text for text in labels if text],
            "expires": str(form.get("expires", "")),
            "strip_type": strip.name,
            "unit_system": unit_system,
            "expected": [_expected(form, pad.pad) for pad in strip.pads],
        }

    def lot(self, request: Request, lot_id: RowId) -> Response:
        """Show a lot as it was typed, beside the scale, for who compares it with the insert."""
        return self._lot(request, lot_id)

    def _lot(self, request: Request, lot_id: int, *, said: str = "") -> Response:
        found = next((each for each in typed_lots(self._store, self._tables) if each.shown.lot_id == lot_id), None)
        if found is None:
            raise HTTPException(409 if said else 404, said or _("There is no such lot in use."))
        values = {"lot": found, "pads": tuple(self._said(found)), "table": self._tables.controls, "said": said}
        return self._show(request, "control_lot.html", values, status=409 if said else 200)

    def _said(self, found: TypedLot) -> Iterator[PadSaid]:
        strip = self._tables.strip_types.get(found.row.strip_type)
        ladders = {pad.pad: pad.ladder for pad in strip.pads} if strip else {}
        allowed = {each.pad: each.ranks for each in found.lot.expected} if found.lot else {}
        for row in found.row.expected:
            pad = self._tables.catalogue.pads.get(row.pad)
            typed = (
                ", ".join(row.words)
                if row.words
                else _("{low} to {high}", low=row.low, high=row.high)
                if row.high
                else row.low or _("nothing")
            )
            steps = (step_text(ladders[row.pad][rank], found.row.unit_system) for rank in allowed.get(row.pad, ()))
            yield PadSaid(name=pad.name if pad else row.pad, typed=typed, steps=", ".join(steps) or _("not compared"))

    def sign(self, request: Request, lot_id: RowId, token: Text = "", name: Text = "") -> Response:
        """Keep the second person's signature."""
        self._require_token(request, token)
        try:
            self._desk.sign(lot_id, actor=typed_actor(name))
        except RefusedAction as error:
            return self._lot(request, lot_id, said=str(error))
        return RedirectResponse("/controls", status_code=SEE_OTHER)

    def close(self, request: Request, lot_id: RowId, token: Text = "", name: Text = "", reason: Text = "") -> Response:
        """Take a lot out of use."""
        self._require_token(request, token)
        try:
            self._desk.close(lot_id, reason=reason, actor=typed_actor(name))
        except RefusedAction as error:
            return self._lot(request, lot_id, said=str(error))
        return RedirectResponse("/controls", status_code=SEE_OTHER)


def _expected(form: FormData, pad: str) -> dict[str, Any]:
    if form.get(f"silent:{pad}"):
        return {"pad": pad, "claimed": False}
    words = [str(word) for word in form.getlist(f"words:{pad}")]
    low, high = (str(form.get(f"{end}:{pad}", "")).strip() for end in ("low", "high"))
    return {"pad": pad, "low": low or None, "high": high or None, "words": words}
