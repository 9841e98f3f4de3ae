"""Cells as they are read and as they stand in a file."""

from __future__ import annotations

import csv
from io import StringIO

import pytest

from bridge.pages.report_table import Cell, Table, count, heads, length, length_words, share, table_csv, words

TABLE = Table(
    name="t", title="T", says=(), nothing="",
    heads=heads("Name", ("Took", "took (s)")),
    rows=((words("=1+1"), length(150.5)), (words('a,\n"b'), length(None))),
)  # fmt: skip


@pytest.mark.parametrize(
    ("seconds", "said"),
    [
        (0, "0 s"), (0.4, "0.4 s"), (9.95, "9.9 s"), (12, "12 s"), (59.4, "59 s"), (59.6, "1 min 00 s"), (185, "3 min 05 s"),
        (3_599.6, "1 h 00 min"), (25_500, "7 h 05 min"), (86_399, "1 d 0 h"), (86_400 * 2 + 3 * 3_600, "2 d 3 h"),
    ],
)  # fmt: skip
def test_a_length_in_words(seconds: float, said: str) -> None:
    assert length_words(seconds) == said


def test_cells() -> None:
    """On the page with its unit, in the file as a number; nothing is a dash there and empty here."""
    assert length(185) == Cell("3\u00a0min\u00a005\u00a0s", "185")
    assert length(None) == Cell("–", "")
    assert count(12_345) == Cell("12\u202f345", "12345")
    assert share(1, 8) == Cell("12.5%", "0.1250")
    assert share(0, 0) == Cell("–", "")


def test_a_file_that_a_spreadsheet_reads_and_does_not_compute() -> None:
    """OWASP, CSV Injection; quotes and line ends as RFC 4180 has them, read back by the standard library."""
    text = table_csv(TABLE, [("site", "+Clinic"), ("period", "2026-11")])
    assert list(csv.reader(StringIO(text, newline=""))) == [
        ["site", "period", "Name", "took (s)"],
        ["'+Clinic", "2026-11", "'=1+1", "150.5"],
        ["'+Clinic", "2026-11", 'a,\n"b', ""],
    ]
    assert text.endswith("\r\n")
