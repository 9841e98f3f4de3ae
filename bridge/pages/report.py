"""Reports: a template without navigation as a printable page, and the same as PDF."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import datetime
from pathlib import Path
from typing import Any, Protocol
from zoneinfo import ZoneInfo

from fastapi import HTTPException, Request
from fastapi.responses import Response

from bridge.pages.pdf import PdfError, pdf_of

STYLE = Path(__file__).parent / "static" / "report.css"


class ShowsReport(Protocol):
    """Makes a report's page or PDF from a template's name and values."""

    def __call__(self, request: Request, name: str, values: dict[str, Any], *, file_name: str = "") -> Response:
        """Give the page; the PDF as a file where ``file_name`` is given."""


class Reports:
    """Makes reports. ``write`` gives a template's text; every report says when it was printed, by the site's clock."""

    def __init__(self, write: Callable[[str, Mapping[str, Any]], str], zone: ZoneInfo, now: Callable[[], datetime]) -> None:
        self._write = write
        self._zone = zone
        self._now = now

    def __call__(self, request: Request, name: str, values: dict[str, Any], *, file_name: str = "") -> Response:
        """Give a report as a page, or as the PDF ``file_name``; 503 with what to do where no PDF can be made."""
        shown = {**values, "request": request, "printed": printed(self._now(), self._zone), "is_pdf": bool(file_name)}
        html = self._write(name, shown)
        if not file_name:
            return Response(html, media_type="text/html; charset=utf-8")
        try:
            content = pdf_of(html, STYLE.read_text(encoding="utf-8"))
        except PdfError as fault:
            raise HTTPException(503, str(fault)) from fault
        # as a file: a browser's own viewer is a plug-in, which our pages forbid
        return Response(
            content, media_type="application/pdf", headers={"content-disposition": f'attachment; filename="{file_name}"'}
        )


def printed(now: datetime, zone: ZoneInfo) -> str:
    """Give a time as it stands on paper, with date and zone: ``2026-11-25 14:05 WET``."""
    return f"{now.astimezone(zone):%Y-%m-%d %H:%M %Z}"
