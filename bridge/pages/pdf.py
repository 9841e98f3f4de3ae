"""A report as PDF, laid out by a child process that ends with it; the service itself never loads the layout library."""

from __future__ import annotations

import json
import subprocess
import sys
import threading
from importlib.util import find_spec

import structlog

from bridge.errors import PadpostError
from bridge.pages.language import _, later

log = structlog.get_logger()

LAYOUT_S = 60.0  # ours: a month's report takes a second or two on a small machine
TURN_S = 20.0  # ours: how long a reader waits for another's report to be finished
NOT_INSTALLED = 3  # the child's status for a missing library (bridge/cli/pdf.py)
MISSING = later(
    "PDF is not installed on this server. Your administrator adds it with the extra `pdf` (pip install 'padpost[pdf]') and the system's "
    "Pango. Until then print the report from the browser: it is the same."
)

_turn = threading.BoundedSemaphore(1)  # one at a time: a child takes up to 100 MB


class PdfError(PadpostError):
    """A PDF could not be made; says why, and what to do."""


def is_installed() -> bool:
    """Say whether the layout library is there, without loading it."""
    return find_spec("weasyprint") is not None


def pdf_of(html: str, css: str) -> bytes:
    """Lay out a whole HTML document with one style sheet. Blocks, for a second or two. Raises PdfError."""
    if not is_installed():
        raise PdfError(_(MISSING))
    if not _turn.acquire(timeout=TURN_S):
        raise PdfError(_("Another report is being made. Try again in a minute."))
    try:
        made = subprocess.run(
            [sys.executable, "-m", "bridge.cli.pdf"],
            input=json.dumps({"html": html, "css": css}).encode(),
            capture_output=True,
            timeout=LAYOUT_S,
            check=False,
        )
    except subprocess.TimeoutExpired as error:
        raise PdfError(
            _("The report was not ready after {seconds} s. Print it from the browser: it is the same.", seconds=f"{LAYOUT_S:.0f}")
        ) from error
    finally:
        _turn.release()
    if made.returncode == NOT_INSTALLED:
        log.warning("pdf.not_installed")
        raise PdfError(_(MISSING))
    if made.returncode or not made.stdout.startswith(b"%PDF-"):
        log.error("pdf.failed", status=made.returncode)  # what the child said may quote the report
        raise PdfError(
            _("The report could not be laid out. Print it from the browser: it is the same, and tell your administrator.")
        )
    return made.stdout
