"""The page Rules tried: the critical rules of the tables in use, those that are off too, over stored strips, a stretch at a time. It only reads."""

from __future__ import annotations

from fastapi import APIRouter, Request
from fastapi.responses import Response

from bridge.pages.forms import Behind, ShowsPage
from bridge.pages.site import PagesSite
from bridge.rehearsal import Kept, Rehearsal
from bridge.store.api import Store

STRETCH = 300  # ours: captures read for one look; some tenths of a second, which strips that come meanwhile can bear


class RulesTried:
    """Makes the route of the page."""

    def __init__(self, store: Store, site: PagesSite, show: ShowsPage) -> None:
        self._store = store
        self._site = site
        self._show = show

    def add_to(self, routes: APIRouter) -> None:
        """Add the route."""
        routes.add_api_route("/telling/rules", self.page, methods=["GET"], response_model=None)

    def page(self, request: Request, before: Behind = None) -> Response:
        """Show how many strips of one stretch meet each rule."""
        flags = self._site.bench.tables.flags
        has_rules = bool(flags.critical or flags.off)
        kept = self._store.kept_before(before, limit=STRETCH) if has_rules else ()
        trial = Rehearsal(self._site.bench.tables, signed=(), profiles={})
        for each in kept:
            trial.add(each)
        shown = {
            "rules": trial.rules(),
            "trial": trial,
            "first": kept[-1].capture.arrived_at if kept else None,
            "last": kept[0].capture.arrived_at if kept else None,
            "earlier": _earlier(kept),
        }
        return self._show(request, "rules_tried.html", shown)


def _earlier(kept: tuple[Kept, ...]) -> int | None:
    """Give the capture before which the next stretch begins; None where this one was not full."""
    return kept[-1].capture_id if len(kept) == STRETCH else None
