"""What would happen if: shown before anything is done to something stopped, with the message that would go beside the last one that went."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from typing import Annotated, Literal

from fastapi import APIRouter, Form, HTTPException, Request
from fastapi.responses import Response

from bridge.desk.actions import Desk
from bridge.desk.foresight import Foreseen, Foresight, intended
from bridge.errors import RefusedAction
from bridge.lifecycle.states import SpecimenNext
from bridge.model import Message
from bridge.pages import message_view
from bridge.pages.api import do
from bridge.pages.difference import Difference, differences
from bridge.pages.forms import RequiresToken, RowId, ShowsPage
from bridge.pages.language import _
from bridge.pages.rejected import ActForm, Rejected
from bridge.pages.site import PagesSite
from bridge.store.api import Store
from bridge.store.rows import StripRow

Foreseeable = Literal["correct", "correct-time", "release", "discard", "send-again", "read-again"]
# What stands in for what a person has not given yet: what would happen does not hang on it
_NOT_GIVEN = {
    "name": "somebody",
    "reason": "not given yet",
    "second_person": "somebody else",
    "specimen": SpecimenNext.NONE.value,
}


@dataclass(frozen=True, kw_only=True, slots=True)
class Going:
    """One message that would go, in lines, and where it differs from the last one of this strip that went there; None: none ever did.

    ``is_of_other_format``: the last one was of another format, so the two are not held side by side.
    """

    destination: str
    lines: tuple[str, ...]
    is_made: bool
    changed: tuple[Difference, ...] | None
    is_of_other_format: bool = False


class WhatIfPage:
    """Makes the route."""

    def __init__(
        self, store: Store, desk: Desk, site: PagesSite, rejected: Rejected, show: ShowsPage, require_token: RequiresToken
    ) -> None:
        self._store = store
        self._desk = desk
        self._site = site
        self._rejected = rejected
        self._show = show
        self._require_token = require_token

    def add_to(self, routes: APIRouter) -> None:
        """Add the route. By POST: what is typed may be a patient ID, and stands in no address."""
        routes.add_api_route("/rejected/{stop_id}/what-if/{action}", self.shown, methods=["POST"], response_model=None)

    def shown(self, request: Request, stop_id: RowId, action: Foreseeable, form: Annotated[ActForm, Form()]) -> Response:
        """Show what the act would do; nothing is stored. Where the desk would refuse it, show the row again and why."""
        self._require_token(request, form.token)
        stop = self._store.stop(stop_id)
        if stop is None or self._site.foresees is None:
            raise HTTPException(404, _("There is no such row."))
        given = form.model_copy(update={name: text for name, text in _NOT_GIVEN.items() if not getattr(form, name).strip()})
        try:
            command = intended(self._store, self._desk, partial(do, stop_id=stop_id, action=action, act=given))
            seen = self._site.foresees(stop, command)
        except RefusedAction as error:
            return self._rejected.refused(request, stop_id, error, form)
        strip = self._store.strip(stop.strip_id) if stop.strip_id is not None else None
        shown = {
            "stop": stop, "strip": strip, "action": action, "given": form, "command": command, "future": seen,
            "going": self._going(seen, strip), "terms": self._desk.terms(stop), "has_specimen": self._desk.has_specimen(stop),
        }  # fmt: skip
        return self._show(request, "what_if.html", shown)

    def _going(self, seen: Foresight, strip: StripRow | None) -> tuple[Going, ...]:
        last = self._last_sent(strip)
        own = (_going(each, last.get(each.destination)) for each in seen.messages)
        return (*own, *(_going(each, None) for other in seen.others for each in other.messages))

    def _last_sent(self, strip: StripRow | None) -> dict[str, Message]:
        """Give the last message of this strip that was tried at each destination; of a copy, those of the strip that it copies."""
        original = self._store.strip(strip.copy_of) if strip is not None and strip.copy_of is not None else None
        found: dict[str, Message] = {}
        for each in (original, strip):
            detail = self._store.result(each.result_id) if each is not None and each.result_id else None
            for delivery, message, _tries in detail.deliveries if detail is not None else ():
                if delivery.attempts and message.payload:
                    found[delivery.destination] = message
        return found


def _going(foreseen: Foreseen, last: Message | None) -> Going:
    message = foreseen.message
    if message is None:
        return Going(destination=foreseen.destination, lines=(), is_made=False, changed=None)
    return Going(
        destination=foreseen.destination,
        lines=message_view.lines(message),
        is_made=True,
        changed=None if last is None else differences(last, message),
        is_of_other_format=last is not None and last.format.is_fhir is not message.format.is_fhir,
    )
