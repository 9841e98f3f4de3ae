"""How rows are put in words: unseen characters, times, counts, reasons."""

from __future__ import annotations

import html
import re
import unicodedata
from datetime import UTC, datetime, timedelta
from html.parser import HTMLParser
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.lifecycle.states import DestinationState, SpecimenNext, StopGroup
from bridge.model import DeliveryState, Flag, Purpose
from bridge.pages import words
from bridge.tables.flag_table import CriticalRule, FlagTable

ROOT = Path(__file__).parents[2]
LISBON = ZoneInfo("Europe/Lisbon")
NOW = datetime(2026, 11, 25, 12, 0, tzinfo=UTC)

# Unicode Standard Annex #9 (version 16), section 2: every explicit directional formatting character.
BIDI = "\u061c\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069"


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("4470", "4470"),
        ("", ""),
        ("<script>alert(1)</script>", "&lt;script&gt;alert(1)&lt;/script&gt;"),
        ("\"'&", "&#34;&#39;&amp;"),
        ("a\x00b", 'a<span class="unseen">NUL</span>b'),
        ("\x1b[2J", '<span class="unseen">ESC</span>[2J'),
        ("\r\n", '<span class="unseen">CR</span><span class="unseen">LF</span>'),
        ("\x7f\x85", '<span class="unseen">DEL</span><span class="unseen">U+0085</span>'),
        ("44\u202e07", '44<span class="unseen">U+202E</span>07'),
        ("a\u200bb", 'a<span class="unseen">U+200B</span>b'),
        ("\ufeff", '<span class="unseen">U+FEFF</span>'),
        ("\u2028", '<span class="unseen">U+2028</span>'),
        ("\ud800", '<span class="unseen">U+D800</span>'),
        ("עלון 7", "<bdi>עלון 7</bdi>"),
        (447, "447"),
    ],
)
def test_text_from_outside_is_text(text: object, expected: str) -> None:
    """Markup is shown, and a character that cannot be seen stands as a boxed word."""
    assert str(words.shown(text)) == expected


@pytest.mark.parametrize("char", BIDI)
def test_every_directional_character_is_made_visible(char: str) -> None:
    """One of these can make 1234 read 4321 on the page (UTS #39 names it a spoof)."""
    point = f"U+{ord(char):04X}"
    assert str(words.shown(f"1{char}2")) == f'1<span class="unseen">{point}</span>2'
    assert words.plain(f"1{char}2") == f"1[{point}]2"


def test_every_c0_control_has_its_standard_name() -> None:
    """The abbreviations of ISO/IEC 646, checked against Unicode's own control pictures (U+2400 to U+241F, names in the standard)."""
    pictures = [unicodedata.name(chr(0x2400 + n)).removeprefix("SYMBOL FOR ") for n in range(32)]
    named = {
        "NULL": "NUL", "START OF HEADING": "SOH", "START OF TEXT": "STX", "END OF TEXT": "ETX", "END OF TRANSMISSION": "EOT",
        "ENQUIRY": "ENQ", "ACKNOWLEDGE": "ACK", "BELL": "BEL", "BACKSPACE": "BS", "HORIZONTAL TABULATION": "HT", "LINE FEED": "LF",
        "VERTICAL TABULATION": "VT", "FORM FEED": "FF", "CARRIAGE RETURN": "CR", "SHIFT OUT": "SO", "SHIFT IN": "SI",
        "DATA LINK ESCAPE": "DLE", "DEVICE CONTROL ONE": "DC1", "DEVICE CONTROL TWO": "DC2", "DEVICE CONTROL THREE": "DC3",
        "DEVICE CONTROL FOUR": "DC4", "NEGATIVE ACKNOWLEDGE": "NAK", "SYNCHRONOUS IDLE": "SYN", "END OF TRANSMISSION BLOCK": "ETB",
        "CANCEL": "CAN", "END OF MEDIUM": "EM", "SUBSTITUTE": "SUB", "ESCAPE": "ESC", "FILE SEPARATOR": "FS", "GROUP SEPARATOR": "GS",
        "RECORD SEPARATOR": "RS", "UNIT SEPARATOR": "US",
    }  # fmt: skip
    assert [named[picture] for picture in pictures] == words.CONTROL_WORDS
    assert [words.code_point(chr(n)) for n in range(32)] == words.CONTROL_WORDS


class _Text(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.tags: set[str] = set()
        self.text = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.add(tag)

    def handle_data(self, data: str) -> None:
        self.text += data


@given(st.text())
def test_no_text_becomes_structure_or_hides(text: str) -> None:
    """Whatever comes, only our own two elements stand there, nothing unseen is left, and what can be seen is all there."""
    page = _Text()
    page.feed(str(words.shown(text)))
    page.close()
    assert page.tags <= {"span", "bdi"}
    assert not any(unicodedata.category(char) in words.UNSEEN for char in page.text)
    assert page.text == "".join(piece for piece, _ in words.pieces(text))
    assert "".join(piece for piece, unseen in words.pieces(text) if not unseen) == "".join(
        char for char in text if unicodedata.category(char) not in words.UNSEEN
    )


@given(st.text())
def test_plain_text_has_nothing_unseen(text: str) -> None:
    """Titles and attributes hold the same words in brackets."""
    assert not any(unicodedata.category(char) in words.UNSEEN for char in words.plain(text))


def test_html_escaping_agrees_with_the_standard_library() -> None:
    """The independent check: the standard library reads back what was shown."""
    text = "<img src=x onerror=\"alert('&amp;')\">"
    assert html.unescape(str(words.shown(text))) == text


@pytest.mark.parametrize(
    ("length", "expected"),
    [
        (timedelta(seconds=-5), "0 s"),
        (timedelta(seconds=59.9), "59 s"),
        (timedelta(seconds=60), "1 min"),
        (timedelta(minutes=59, seconds=59), "59 min"),
        (timedelta(hours=1), "1 h"),
        (timedelta(hours=3, minutes=48), "3 h 48 min"),
        (timedelta(hours=47, minutes=59), "47 h 59 min"),
        (timedelta(hours=48), "2 days"),
        (timedelta(days=1234), "1\u202f234 days"),
    ],
)
def test_a_length_of_time_is_rounded_down_and_hours_have_their_minutes(length: timedelta, expected: str) -> None:
    """Rounded down: what is said to be 3 minutes old is that old at least."""
    assert words.span(length) == expected


@pytest.mark.parametrize(
    ("then", "expected"),
    [
        (NOW, "12:00, just now"),
        (NOW - timedelta(seconds=59), "11:59, just now"),
        (NOW - timedelta(minutes=3), "11:57, 3 min ago"),
        (NOW - timedelta(hours=13), "24 Nov 23:00, 13 h ago"),
        (datetime(2026, 7, 1, 7, 42, tzinfo=UTC), "1 Jul 08:42, 147 days ago"),  # summer time in Lisbon
        (datetime(2025, 12, 31, 23, 59, tzinfo=UTC), "31 Dec 2025 23:59, 328 days ago"),
        (NOW + timedelta(minutes=5), "12:05, in 5 min"),
    ],
)
def test_a_time_is_said_twice(then: datetime, expected: str) -> None:
    """As the clock on the wall shows it, and how long ago."""
    assert words.when(then, now=NOW, zone=LISBON) == expected


@pytest.mark.parametrize(
    ("mode", "series", "expected"),
    [
        ("all", "2026-11-25", "2026-11-25"),
        ("stat", "2026-11-25", "stat 2026-11-25"),
        ("all", "2026-11-25T08:00:00Z", "from 08:00"),
        ("routine", "2026-07-01T08:00:00Z", "routine from 1 Jul 09:00"),
        ("all", "", ""),
        ("stat", "", "stat"),
        ("all", "batch 7", "batch 7"),
    ],
)
def test_a_series_is_said_as_people_know_it(mode: str, series: str, expected: str) -> None:
    """The mode only where an analyzer counts each apart, and times as the clock on the wall showed them."""
    assert words.series_words(mode, series, now=NOW, zone=LISBON) == expected


def test_counts_have_thin_separators_and_their_noun() -> None:
    """U+202F, which no line breaks at."""
    assert [words.number(n) for n in (0, 999, 1_000, 1_234_567)] == ["0", "999", "1\u202f000", "1\u202f234\u202f567"]
    assert [words.counted(n, "strip") for n in (0, 1, 2)] == ["0 strips", "1 strip", "2 strips"]
    assert words.counted(2, "copy", "copies") == "2 copies"


def test_every_rule_of_the_documentation_has_a_short_name() -> None:
    """And no name is left over: docs/rejections.md and the page's words name the same rules."""
    page = (ROOT / "docs" / "rejections.md").read_text(encoding="utf-8")
    assert set(re.findall(r"^\| `([a-z_]+\.[a-z_]+)`", page, re.MULTILINE)) == set(words.REASON_WORDS)


def test_every_state_has_words() -> None:
    """A value that a later change adds without its words fails here, not on the technician's screen."""
    assert set(words.GROUP_WORDS) == set(words.GROUP_MARKS) == set(StopGroup)
    assert set(words.DELIVERY_WORDS) == set(DeliveryState)
    assert set(words.DESTINATION_WORDS) == set(DestinationState)
    assert set(words.PURPOSE_WORDS) == set(Purpose)
    assert set(words.SPECIMEN_WORDS) == set(SpecimenNext)
    assert set(words.FLAG_WORDS) == set(Flag)


def test_critical_rules_are_named_or_plainly_absent() -> None:
    """Nobody may believe that Padpost watches for what it does not, or that it calls somebody."""
    assert words.critical_words(FlagTable()).startswith("No critical rules are switched on: Padpost calls nothing critical. ")
    rules = tuple(CriticalRule(rule=rule, when=(), text="t") for rule in ("one", "two"))
    assert words.critical_words(FlagTable(critical=rules)) == (
        "Switched on by the laboratory: one, two. Padpost flags what meets them, keeps a task of telling, and tells nobody: follow your procedure for critical results."
    )


def test_a_rule_without_words_is_named_by_its_parts() -> None:
    """Never an empty label."""
    assert [words.reason(rule) for rule in ("patient.missing", "deliver.refused", "lot.out_of_date")] == [
        "no patient ID",
        "turned away",
        "lot: out of date",
    ]


def test_a_heading_begins_large_and_keeps_its_own_capitals() -> None:
    """ID is not Id."""
    assert [words.begin(phrase) for phrase in ("patient ID fails", "ID", "")] == ["Patient ID fails", "ID", ""]
