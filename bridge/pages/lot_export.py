"""Every strip of a lot as a table for a spreadsheet: comma-separated values with a heading (RFC 4180)."""

from __future__ import annotations

import csv
from collections.abc import Iterable
from io import StringIO
from zoneinfo import ZoneInfo

from bridge.bench.lots import LotUse
from bridge.pages.words import DELIVERY_WORDS, OUTCOME_WORDS, PURPOSE_WORDS

HEADING = (
    "strip",
    "analyzer",
    "number",
    "read at",
    "purpose",
    "outcome",
    "patient ID",
    "specimen",
    "result",
    "receiver",
    "its state",
)
FORMULA = ("=", "+", "-", "@", "\t", "\r")  # OWASP, CSV Injection: what a spreadsheet would compute in place of showing it


def lot_csv(uses: Iterable[LotUse], zone: ZoneInfo) -> str:
    """Give a line a strip and receiver, in the order given; a strip that went nowhere has one line with no receiver. Times are the site's.

    What a spreadsheet would take for a formula has an apostrophe before it, which spreadsheets do not show.
    """
    text = StringIO()
    writer = csv.writer(text)
    writer.writerow(HEADING)
    for use in uses:
        own = (
            str(use.strip_id),
            use.analyzer,
            use.number,
            use.read_at.astimezone(zone).isoformat(timespec="seconds"),
            PURPOSE_WORDS[use.purpose],
            OUTCOME_WORDS.get(use.outcome, use.outcome),
            use.patient_id,
            use.specimen_id,
            use.result_id,
        )
        ways = [(destination, DELIVERY_WORDS[state]) for destination, state in use.ways] or [("", "")]
        writer.writerows([disarmed(cell) for cell in (*own, *way)] for way in ways)
    return text.getvalue()


def disarmed(cell: str) -> str:
    """Give a cell that a spreadsheet shows and does not compute."""
    return f"'{cell}" if cell.startswith(FORMULA) else cell
