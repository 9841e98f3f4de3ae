"""Patterns from mapping files: what is refused, and that what is let through stays quick."""

from __future__ import annotations

import pytest

from bridge.errors import TableError
from bridge.settings import Document, shipped_mappings
from bridge.tables.patterns import LONGEST_PATTERN, pattern

WHERE = ("profiles/x.yaml", "slip", "begin")


@pytest.mark.parametrize(
    "text",
    ["(a+)+", "(a*)*b", "(a+){2,}", "((a+)b)*", "(?:a|b+)+", "([0-9]{1,3})+", "(?P<x>.*)*", r"(\)+)+", "([^)]+)+", "([]a]+)+"],
)
def test_endless_patterns_are_refused(text: str) -> None:
    """A repeated repetition takes years on a line made for it: such a profile could stop the service."""
    with pytest.raises(TableError, match="repeats a group that holds a repetition") as caught:
        pattern(text, WHERE)
    assert caught.value.path == WHERE


@pytest.mark.parametrize(
    "text", ["a+b*", "(ab)+", "(a+)?", r"(\+)+", "([+*])+", "(a{1,3}) (b+)", "(?P<n>[0-9]{1,4})[a-z]", "[(]a+[)]+", r"\(a+\)+"]
)
def test_plain_patterns_are_taken(text: str) -> None:
    """A class or an escape that holds a sign of repetition repeats nothing."""
    assert pattern(text, WHERE).pattern == text


def test_what_does_not_compile() -> None:
    """The error repeats the pattern and says what is wrong with it."""
    with pytest.raises(TableError, match="is not a regular expression: missing \\), unterminated subpattern at position 0"):
        pattern("(a", WHERE)


def test_a_missing_group_is_named() -> None:
    """The remedy shows how a group is named."""
    with pytest.raises(TableError, match="The pattern has no group 'number'") as caught:
        pattern("(?P<mode>a)", WHERE, needs=frozenset({"number"}))
    assert caught.value.remedy == "Name it: (?P<number>...)."


def test_the_longest_pattern() -> None:
    """The limit itself is allowed; one more is not."""
    assert pattern("a" * LONGEST_PATTERN, WHERE).pattern == "a" * 400
    with pytest.raises(TableError, match="longer than 400 characters"):
        pattern("a" * (LONGEST_PATTERN + 1), WHERE)


def test_shipped_patterns_never_repeat_without_limit() -> None:
    """Our own profiles bound every repetition, as the how-to advises: no + and no * outside a class or an escape."""
    seen = 0
    for name in ("alder", "moss"):
        slip = Document(shipped_mappings() / "profiles" / f"{name}.yaml").values["slip"]
        for text in [slip["begin"], slip.get("end", ""), slip["ignore"], *(line["pattern"] for line in slip["lines"])]:
            seen += 1
            assert "+" not in text
            assert "*" not in text.replace(r"\*", "").replace("[*", "")
    assert seen == 21
