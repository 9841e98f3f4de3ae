"""docs/rejections.md and the source name the same rules, both ways."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from bridge.check.rulebook import RULES
from bridge.model import Severity
from bridge.tables.holds import HOLDS_FILE
from bridge.tables.holds_document import HoldRow
from tests.tables.holds_page import HOLDS

ROOT = Path(__file__).parents[2]
PAGE = (ROOT / "docs" / "rejections.md").read_text(encoding="utf-8")
ROW = re.compile(
    r"^\| `(?P<rule>[a-z_]+\.[a-z_]+)` \| (?P<asks>\w+) \| (?P<release>\w+) \| (?P<means>.+) \| (?P<do>.+) \|$", re.MULTILINE
)
ROWS = {row["rule"]: row for row in ROW.finditer(PAGE)}
RULE_ID = re.compile(r"[a-z_]+\.[a-z_]+")
# The rooms that may say that something cannot go on, and the families of ids that are theirs alone; a string of
# such a family is a rule wherever it stands. Elsewhere only what is passed as `rule` or to RejectError counts.
FAMILIES = {rule.partition(".")[0] for rule in RULES} | {"read", "code", "render"}
ROOMS = ("check", "read", "coding", "render")


def _constants(node: ast.AST | None) -> Iterator[str]:
    if node is not None:
        for each in ast.walk(node):
            if isinstance(each, ast.Constant) and isinstance(each.value, str) and RULE_ID.fullmatch(each.value):
                yield each.value


def rules_in(source: str, *, is_room: bool) -> set[str]:
    """Give the rule ids that a module's source names."""
    found: set[str] = set()
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.keyword) and node.arg in ("rule", "rules"):
            found |= set(_constants(node.value))
        elif isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "RejectError" and node.args:
            found |= set(_constants(node.args[0]))
        elif isinstance(node, ast.Dict):
            pairs = zip(node.keys, node.values, strict=True)
            found |= {
                each
                for key, value in pairs
                if isinstance(key, ast.Constant) and key.value == "rule"
                for each in _constants(value)
            }
        elif is_room and isinstance(node, ast.Constant):
            found |= {each for each in _constants(node) if each.partition(".")[0] in FAMILIES}
    return found


def _in_source() -> dict[str, set[str]]:
    """Give each rule id with the modules that name it, or the shipped file that declares it."""
    where: dict[str, set[str]] = {each.id: {HOLDS_FILE} for each in HOLDS.rules}
    for path in sorted((ROOT / "bridge").rglob("*.py")):
        inside = path.relative_to(ROOT / "bridge")
        for rule in rules_in(path.read_text(encoding="utf-8"), is_room=inside.parts[0] in ROOMS):
            where.setdefault(rule, set()).add(str(inside))
    return where


def test_every_rule_of_the_source_is_explained() -> None:
    """A technician who meets a rule finds its meaning and remedy; a new one brings its row."""
    missing = {rule: where for rule, where in _in_source().items() if rule not in ROWS}
    assert missing == {}


def test_every_explained_rule_is_in_the_source() -> None:
    """The page explains nothing that cannot happen, and each rule once."""
    assert sorted(set(ROWS) - set(_in_source())) == []
    assert len(ROWS) == len(ROW.findall(PAGE))
    assert len(ROWS) == len(re.findall(r"^\| `", PAGE, re.MULTILINE))  # no row is laid out so that it would not count


@pytest.mark.parametrize("rule", sorted(RULES))
def test_the_page_says_what_the_rulebook_says(rule: str) -> None:
    """What a rule asks for, and whether it can be released, is the same in both places."""
    row, book = ROWS[rule], RULES[rule]
    assert row["asks"] == book.severity.value
    expected = "sometimes" if rule == "copy.conflict" else ("yes" if book.releasable else "no")
    assert row["release"] == expected


@pytest.mark.parametrize("declared", HOLDS.rules, ids=lambda each: each.id)
def test_the_page_says_what_the_shipped_file_declares(declared: HoldRow) -> None:
    """A declared rule is explained as one of Padpost's own is; a hold can be released by somebody."""
    row = ROWS[declared.id]
    assert (row["asks"], row["release"]) == (declared.severity.value, "yes" if declared.severity is Severity.HOLD else "no")


def test_every_rule_of_the_book_is_used() -> None:
    """A rule that no function gives is a promise that nobody keeps."""
    used = {
        rule
        for path in (ROOT / "bridge" / "check").glob("*.py")
        if path.name != "rulebook.py"
        for rule in rules_in(path.read_text(encoding="utf-8"), is_room=True)
    }
    assert set(RULES) - used == set()


def test_the_scan_finds_what_it_should() -> None:
    """The scan itself: named arguments, RejectError, rows as dicts, and a family's strings in its own rooms only."""
    source = 'f(rule="a.b"); raise RejectError("c.d", "x"); row = {"rule": "e.f"}; log("copy.made"); name = "g.h"'
    assert rules_in(source, is_room=False) == {"a.b", "c.d", "e.f"}
    assert rules_in(source, is_room=True) == {"a.b", "c.d", "e.f", "copy.made"}
