"""A lot as a table for a spreadsheet, read back by Python's own csv module."""

from __future__ import annotations

import csv
from datetime import UTC, datetime
from io import StringIO

from bridge.bench.lots import LotUse
from bridge.model import DeliveryState, Purpose
from bridge.pages.lot_export import HEADING, lot_csv
from tests.tables.shipped_tables import ZONE

SENT = LotUse(
    strip_id=7,
    analyzer="bench-a",
    number="0041",
    purpose=Purpose.PATIENT,
    outcome="coded",
    patient_id="40718801",
    specimen_id='U26, "late"',
    read_at=datetime(2026, 7, 1, 8, 30, tzinfo=UTC),
    result_id="ABCDER7",
    ways=(("chart", DeliveryState.QUEUED), ("records", DeliveryState.ACCEPTED)),
)


def test_a_line_a_strip_and_receiver() -> None:
    """RFC 4180: CRLF, and quotes doubled; the site's own clock with its offset (Lisbon in summer is an hour ahead of UTC)."""
    text = lot_csv([SENT], ZONE)
    assert text.split("\r\n")[0] == "strip,analyzer,number,read at,purpose,outcome,patient ID,specimen,result,receiver,its state"
    heading, first, second = csv.reader(StringIO(text, newline=""))
    assert tuple(heading) == HEADING
    own = [
        "7",
        "bench-a",
        "0041",
        "2026-07-01T09:30:00+01:00",
        "patient",
        "became a result",
        "40718801",
        'U26, "late"',
        "ABCDER7",
    ]
    assert first == [*own, "chart", "waiting to be sent"]
    assert second == [*own, "records", "received"]


def test_a_strip_that_went_nowhere_is_not_left_out() -> None:
    """A recall is about every strip."""
    held = LotUse(
        strip_id=8, analyzer="bench-a", number="0042", purpose=Purpose.CONTROL, outcome="held", patient_id="", specimen_id="", read_at=SENT.read_at,
        result_id="", ways=(),
    )  # fmt: skip
    rows = list(csv.reader(StringIO(lot_csv([held, SENT], ZONE), newline="")))
    assert [row[0] for row in rows[1:]] == ["8", "7", "7"]
    assert rows[1][-2:] == ["", ""]


def test_what_a_spreadsheet_would_compute_is_only_shown() -> None:
    """OWASP, CSV Injection: a patient ID is what a scanner sent, and may be anything."""
    for text in ("=1+1", "+1", "-1", "@SUM(A1)", "\t=1"):
        use = LotUse(
            strip_id=1, analyzer="a", number="1", purpose=Purpose.PATIENT, outcome="held", patient_id=text, specimen_id="", read_at=SENT.read_at,
            result_id="", ways=(),
        )  # fmt: skip
        (_, row) = csv.reader(StringIO(lot_csv([use], ZONE), newline=""))
        assert row[6] == f"'{text}"
