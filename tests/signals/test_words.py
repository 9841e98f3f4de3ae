"""What a signal says: plain counts, our own numbers, and nothing of what was printed."""

from __future__ import annotations

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest

from bridge.signals.kinds import Cause, Kind
from bridge.signals.words import KIND_WORDS, MOST_LINES, headline, line, place, subject_words, text

NOW = datetime(2026, 11, 27, 8, 0, tzinfo=UTC)


def cause(kind: Kind, subject: str = "", count: int = 1) -> Cause:
    """Give a cause since NOW."""
    return Cause(kind=kind, subject=subject, since=NOW, count=count)


@pytest.mark.parametrize("kind", Kind)
def test_every_kind_has_its_words(kind: Kind) -> None:
    """One and many read as sentences, and each says what to do."""
    words = KIND_WORDS[kind]
    assert headline(kind, (cause(kind),)) == words.one
    assert "{}" not in headline(kind, (cause(kind, "a"), cause(kind, "b")))
    assert words.todo.endswith(".")


def test_counts_are_of_what_waits_or_of_subjects() -> None:
    """Two receivers with nine messages are two receivers that are down, and nine messages that wait."""
    two = (cause(Kind.RECEIVER, "a", 4), cause(Kind.RECEIVER, "b", 5))
    assert headline(Kind.RECEIVER, two) == "2 receivers take nothing"
    assert headline(Kind.WAITING, two) == "9 messages wait, the oldest for too long"


def test_a_cause_is_a_line_with_a_place() -> None:
    """Numbers are ours, times the reader's; a name loses what cannot be seen, and leads to a page."""
    for given, words, leads in (
        (cause(Kind.STAT, "stop:12"), "rejected message 12, since 08:00", "/rejected/12"),
        (cause(Kind.STAT, "strip:9"), "strip 9, since 08:00", "/strips/9"),
        (cause(Kind.TELLING, "telling:3"), "task 3, since 08:00", "/telling#t3"),
        (cause(Kind.CONTROLS, "bench\x07-\u202ea", 3), "bench-a, 3 waiting, since 08:00", "/controls"),
        (cause(Kind.REJECTED, "", 2), "2 waiting, since 08:00", "/rejected"),
        (cause(Kind.SILENT, "bench-a"), "bench-a, since 08:00", "/analyzers"),
        (cause(Kind.EMERGENCY, "envelope:2"), "envelope 2, since 08:00", "/envelopes#e2"),
        (cause(Kind.ENVELOPE), "since 08:00", "/envelopes"),
        (cause(Kind.RECEIVER, "records"), "records, since 08:00", "/"),
    ):
        assert line(given, lambda each: f"{each.since:%H:%M}") == words
        assert place(given) == leads
    assert subject_words(cause(Kind.SILENT, "clinic:2")) == "clinic:2"


def test_a_text_has_a_line_a_cause_and_what_to_do() -> None:
    """In the site's own time; a hundred causes do not make a mail of a hundred lines."""
    zone = ZoneInfo("America/New_York")
    assert text(Kind.STAT, (cause(Kind.STAT, "stop:12"), cause(Kind.STAT, "strip:9")), zone).splitlines() == [
        "- rejected message 12, since 2026-11-27 03:00",
        "- strip 9, since 2026-11-27 03:00",
        "",
        KIND_WORDS[Kind.STAT].todo,
    ]
    many = tuple(cause(Kind.STAT, f"strip:{number}") for number in range(100))
    lines = text(Kind.STAT, many, zone).splitlines()
    assert len(lines) == MOST_LINES + 3
    assert lines[MOST_LINES] == "- and 80 more"
