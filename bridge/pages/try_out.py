"""The page Try out: a captured transmission, what each strip becomes, and where each value comes from. Nothing is kept, sent or logged."""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import datetime
from typing import Annotated, Any

from fastapi import APIRouter, File, Form, HTTPException, Request
from fastapi.responses import Response

from bridge.model import LIVE, Capture, Place, Reading, Way
from bridge.pages import capture_view, message_view
from bridge.pages.forms import RequiresToken, ShowsPage
from bridge.pages.language import _
from bridge.pages.site import Bench
from bridge.pages.words import CONTROL_WORDS
from bridge.trial import Trial, try_out

LONGEST = 60_000  # ours: about fifty strips; a whole day's file is for padpost convert
CALLED = "TRYOUT"
_WORD = re.compile("<(" + "|".join(re.escape(word) for word in CONTROL_WORDS) + ")>")
_BYTES = {word: bytes([place]) for place, word in enumerate(CONTROL_WORDS)}


def pasted(text: str, charset: str) -> bytes:
    """Give the bytes of a pasted transmission.

    Where control characters stand as words (``<STX>``), line breaks are of the paste and not of the transmission; otherwise they
    are its own, as CR LF. Raises UnicodeEncodeError for a character that ``charset`` lacks.
    """
    if not _WORD.search(text):
        return "\r\n".join(text.splitlines()).encode(charset) + (b"\r\n" if text.endswith("\n") else b"")
    pieces = _WORD.split("".join(text.splitlines()))
    return b"".join(_BYTES[piece] if place % 2 else piece.encode(charset) for place, piece in enumerate(pieces))


class TryOut:
    """Makes the two routes of the page."""

    def __init__(self, bench: Bench, show: ShowsPage, require_token: RequiresToken, now: Callable[[], datetime]) -> None:
        self._bench = bench
        self._show = show
        self._require_token = require_token
        self._now = now

    def add_to(self, routes: APIRouter) -> None:
        """Add the routes."""
        routes.add_api_route("/try-out", self.form, methods=["GET"], response_model=None)
        routes.add_api_route("/try-out", self.tried, methods=["POST"], response_model=None)

    def form(self, request: Request) -> Response:
        """Show the empty form."""
        return self._page(request, profile="", destination="", text="")

    def tried(
        self,
        request: Request,
        token: Annotated[str, Form(max_length=500)] = "",
        profile: Annotated[str, Form(max_length=100)] = "",
        destination: Annotated[str, Form(max_length=100)] = "",
        text: Annotated[str, Form(max_length=LONGEST)] = "",
        file: Annotated[bytes, File(max_length=LONGEST)] = b"",
    ) -> Response:
        """Try the uploaded file, else the pasted text."""
        self._require_token(request, token)
        chosen = self._bench.tables.profiles.get(profile)
        if chosen is None:
            raise HTTPException(422, _("Choose the analyzer profile that the transmission is read by."))
        try:
            payload = file or pasted(text, chosen.charset)
        except UnicodeEncodeError as error:
            lacking = error.object[error.start]
            return self._page(
                request, profile=profile, destination=destination, text=text,
                said=_(
                "The profile's character set {charset} has no {lacking}. Upload the file instead: its bytes are read as they are.",
                charset=chosen.charset,
                lacking=repr(lacking),
            ),
            )  # fmt: skip
        terms = [each for each in self._bench.terms if destination in ("", each.name)]
        capture = Capture(source=CALLED.lower(), way=Way.FOLDER, arrived_at=self._now(), payload=payload, name="", live=False)
        expects = self._bench.expects.get(profile, LIVE)
        trials = try_out(capture, chosen, terms, self._bench.tables, called=CALLED, expects=expects)
        return self._page(
            request, profile=profile, destination=destination, text="" if file else text,
            strips=[_strip(trial, payload) for trial in trials], size=len(payload),
        )  # fmt: skip

    def _page(self, request: Request, **values: Any) -> Response:
        shown = {"profiles": sorted(self._bench.tables.profiles), "destinations": [each.name for each in self._bench.terms]}
        return self._show(request, "try_out.html", {"said": "", "strips": None, "size": 0, **shown, **values})


def _strip(trial: Trial, payload: bytes) -> dict[str, Any]:
    """Give what the page shows of one strip."""
    reading = trial.reading
    finding = trial.findings[0] if trial.findings else None
    begin = reading.place.start
    wrong = finding.place if finding else None
    return {
        "number": reading.index + 1,
        "place": reading.place,
        "outcome": trial.word,
        "printed": reading if isinstance(reading, Reading) else None,
        "findings": trial.findings,
        "view": capture_view.view(
            payload[begin : reading.place.end], Place(start=wrong.start - begin, end=wrong.end - begin) if wrong else None
        ),
        "messages": [(each, message_view.lines(each.message) if each.message else ()) for each in trial.messages],
    }
