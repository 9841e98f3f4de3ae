"""Every text that the pages show: what a catalogue must hold. From the templates' trees and from the modules' own."""

from __future__ import annotations

import ast
import re
from collections import defaultdict
from collections.abc import Iterable, Iterator
from enum import StrEnum
from pathlib import Path

from jinja2 import Environment, nodes

from bridge.accounts.people import Role
from bridge.accounts.policy import CODE_LASTS_WORDS
from bridge.bench.analyzer_life import LifeEvent
from bridge.bench.answered import GapEnd
from bridge.bench.containers import ContainerEnd
from bridge.bench.controls import Fit, Flaw, RunVerdict, Unmatched
from bridge.bench.corrections import Kind, Unit
from bridge.bench.day_log import ITEM_WORDS, Found
from bridge.bench.feed import Setting
from bridge.bench.gate import Cause
from bridge.bench.indicators import INDICATORS, NOT_COUNTED, Among
from bridge.bench.look_back import Verdict
from bridge.bench.month import LATER, LEFT
from bridge.bench.month_due import BY_CLOCK, BY_COUNT, BY_REPAIR, FIRST_USE
from bridge.bench.shift import CAUSES
from bridge.bench.spread import METHOD
from bridge.bench.telling import Means, TellingStep
from bridge.bench.turnaround import By, Stage
from bridge.desk.months import STATEMENT
from bridge.lifecycle.ageing import Age
from bridge.lifecycle.states import SpecimenNext, StopEnd
from bridge.pages.container_board import Standing
from bridge.pages.sentences import MARK, texts_of
from bridge.signals.words import KIND_WORDS, SUBJECTS
from bridge.store.review import RESTORED
from bridge.store.rows import FoundBy

ROOT = Path(__file__).parents[2]
PAGES = ROOT / "bridge" / "pages"
TEMPLATES = PAGES / "templates"
# Where sentences are made that a page shows as they were made, or as they were kept
BRIDGE = ROOT / "bridge"
OF_PROCESSES = frozenset({"apply.py", "apply_lease.py"})  # what these refuse, they refuse to our own loops: it goes to the log
SENTENCES = sorted(
    [
        *BRIDGE.glob("check/*.py"),
        *BRIDGE.glob("desk/*.py"),
        *(path for path in BRIDGE.glob("store/apply*.py") if path.name not in OF_PROCESSES),
        *(BRIDGE / "store" / name for name in ("chains.py", "review.py")),
        *(BRIDGE / "accounts" / name for name in ("policy.py", "quick.py")),
        *(BRIDGE / "bench" / name for name in ("corrections.py", "feed.py", "hand_over.py", "registered.py")),
    ]
)
MARKS = frozenset({MARK, "later"})
COUNTED = frozenset({"counted", "ngettext", "several"})
# Enumerations whose members are shown as they are called
CALLED: tuple[type[StrEnum], ...] = (
    Role, LifeEvent, GapEnd, ContainerEnd, Fit, Flaw, RunVerdict, Unmatched, Kind, Unit, Found, Setting, Among, Verdict, TellingStep, Means, Stage, By, Age,
    StopEnd, SpecimenNext, Standing, FoundBy,
)  # fmt: skip
VERIFIED = (
    "unverified",
    "service",
    "console",
    "key",
    "one-time code",
    "password",
    "directory",
    "emergency envelope",
)  # how an actor's name was checked: Actor.verified
FIELDS = (
    "order number",
    "specimen number",
    "collection time",
    "comment",
    "patient ID",
)  # what a correction changes: Correction.fields
WHY_DUE = (BY_CLOCK, BY_COUNT, BY_REPAIR, FIRST_USE, *(each.value for each in Cause), RESTORED)  # controls, in a gate's history
STATEMENT_OF_SQL = re.compile(r"[=<>]=? \?|[A-Z]{4,} ")
LETTERS = re.compile(r"[^\W\d_]{2}")

Place = tuple[str, int]  # file and line


class Texts:
    """What was found: each text with the places where it stands, each text with a count by its singular, and the texts of each template."""

    def __init__(self) -> None:
        self.single: dict[str, list[Place]] = defaultdict(list)
        self.several: dict[tuple[str, str], list[Place]] = defaultdict(list)
        self.of_page: dict[str, set[str]] = defaultdict(set)
        self.elsewhere: set[str] = set()


def environment() -> Environment:
    """Give an environment that reads the templates as the pages do."""
    return Environment(autoescape=True, trim_blocks=True, lstrip_blocks=True)


def collect() -> Texts:
    """Find every text."""
    found = Texts()
    for path in sorted(TEMPLATES.glob("*.html")):
        texts, several = texts_of(path.read_text(encoding="utf-8"), environment())
        for text, line in texts:
            found.single[text].append((f"templates/{path.name}", line))
            found.of_page[path.name].add(text)
        for one, many, line in several:
            found.several[one, many].append((f"templates/{path.name}", line))
    for path in sorted(PAGES.glob("*.py")):
        of_module(ast.parse(path.read_text(encoding="utf-8")), path.name, found)
    for path in SENTENCES:
        found.elsewhere |= sentences_of(ast.parse(path.read_text(encoding="utf-8")))
    found.elsewhere |= {*CAUSES, *WHY_DUE}
    for one, many in (*LEFT, *LATER):
        found.several[one, many].append(("other rooms", 0))
    for text in from_other_rooms():
        found.single[text].append(("other rooms", 0))
    return found


def from_other_rooms() -> Iterator[str]:
    """Give the texts of other rooms that pages put into a language as they show them: those rooms speak English alone."""
    yield from (each.value for kind in CALLED for each in kind)
    yield from ITEM_WORDS.values()
    yield from (*VERIFIED, *FIELDS, *SUBJECTS.values())
    yield from (text for each in INDICATORS for text in (each.title, each.counts))
    yield from (text for pair in NOT_COUNTED for text in pair)
    yield from (METHOD, STATEMENT, CODE_LASTS_WORDS)
    yield from (text for words in KIND_WORDS.values() for text in (words.name, words.one, words.many, words.todo))


def of_module(tree: ast.Module, name: str, found: Texts) -> None:
    """Find what a module marks: by `_()`, `later()`, `several()` and the like, in a table of words, and in the heads of a table."""
    for call in calls(tree):
        called, texts = name_of(call), [each for each in map(text_of, call.args) if each is not None]
        if called in MARKS and texts:
            found.single[texts[0]].append((name, call.lineno))
        elif called in COUNTED and texts:
            found.several[texts[0], texts[1] if len(texts) > 1 else f"{texts[0]}s"].append((name, call.lineno))
        elif called == "Words":
            for text in of_table(call):
                found.single[text].append((name, call.lineno))
        elif called == "heads":
            for text in of_heads(call):
                found.single[text].append((name, call.lineno))


def calls(tree: ast.AST) -> Iterator[ast.Call]:
    """Give every call."""
    return (node for node in ast.walk(tree) if isinstance(node, ast.Call))


def name_of(call: ast.Call) -> str:
    """Give the name of what is called; `Words[int](...)` is `Words`."""
    called = call.func.value if isinstance(call.func, ast.Subscript) else call.func
    return called.id if isinstance(called, ast.Name) else called.attr if isinstance(called, ast.Attribute) else ""


def text_of(node: ast.expr) -> str | None:
    """Give a text that stands there; None for anything else."""
    return node.value if isinstance(node, ast.Constant) and isinstance(node.value, str) else None


def of_table(call: ast.Call) -> Iterable[str]:
    """Give the words of a table of words."""
    table = call.args[0] if call.args else None
    return [text for text in map(text_of, table.values) if text] if isinstance(table, ast.Dict) else []


def of_heads(call: ast.Call) -> Iterable[str]:
    """Give the headings of a report's table, as they are shown."""
    first = [each.elts[0] if isinstance(each, ast.Tuple) else each for each in call.args]
    return [text for text in map(text_of, first) if text and LETTERS.search(text)]


# --- sentences of other rooms


def sentences_of(tree: ast.Module) -> set[str]:
    """Give the sentences that a module makes: whole ones, and none of its docstrings."""
    aside = {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Expr)}
    aside |= {
        id(part) for node in ast.walk(tree) if isinstance(node, ast.JoinedStr) for part in ast.walk(node) if part is not node
    }
    return {text for node in ast.walk(tree) if id(node) not in aside and (text := sentence_of(node))}


def sentence_of(node: ast.AST) -> str:
    """Give a sentence that a module makes, with the names of what it puts in; "" for anything else."""
    if isinstance(node, ast.JoinedStr):
        names: list[str] = []
        said = ""
        for part in node.values:
            if isinstance(part, ast.FormattedValue):
                name = _put_in(part.value)
                names.append(name if name not in names else f"{name}{len(names) + 1}")
            said += f"{{{names[-1]}}}" if isinstance(part, ast.FormattedValue) else text_of(part) or ""
    else:
        said = (text_of(node) if isinstance(node, ast.expr) else "") or ""
    is_said = said.count(" ") >= 2 and said[-1] in ".?!" and not STATEMENT_OF_SQL.match(said) and not said.endswith(" ?")
    return said if is_said else ""


def _put_in(node: ast.expr) -> str:
    if isinstance(node, ast.Call):
        return _put_in(node.args[0] if node.args else node.func)
    if isinstance(node, ast.Attribute):
        return _put_in(node.value) if node.attr == "value" else node.attr
    if isinstance(node, ast.Subscript):
        return _put_in(node.value)
    return node.id if isinstance(node, ast.Name) else "it"


# --- what is left unmarked


def unmarked_in_template(source: str) -> list[tuple[str, int]]:
    """Give texts in a template's expressions that no catalogue would be asked for, with their lines."""
    tree = environment().parse(source)
    texts, several = texts_of(source, environment())
    known = {text for text, _ in texts} | {word for one, many, _ in several for word in (one, many)}
    aside = {
        id(const) for node in tree.find_all((nodes.Compare, nodes.Test, nodes.Getitem)) for const in node.find_all(nodes.Const)
    } | {id(const) for node in tree.find_all(nodes.Filter) for each in node.args for const in each.find_all(nodes.Const)}
    return [
        (const.value, const.lineno)
        for const in tree.find_all(nodes.Const)
        if isinstance(const.value, str)
        and id(const) not in aside
        and const.value.strip() not in known
        and looks_said(const.value)
    ]


def looks_said(text: str) -> bool:
    """Say whether a text looks like one that people read: a capital at its head, or a blank between words, and no address or query."""
    return bool(LETTERS.search(text)) and bool(re.match(r"[^\W\d_a-z]", text) or re.search(r"\w \w", text)) and "/" not in text


def unmarked_in_module(tree: ast.Module) -> Iterator[tuple[str, int]]:
    """Give texts in a module that no catalogue would be asked for, with their lines; docstrings apart."""
    aside = {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Expr)}
    for call in calls(tree):
        if name_of(call) in MARKS | COUNTED | {"Words", "heads"}:
            aside |= {id(each) for each in ast.walk(call)}
    for node in ast.walk(tree):
        if id(node) in aside or not isinstance(node, ast.expr):
            continue
        if isinstance(node, ast.JoinedStr):
            aside |= {id(each) for each in ast.walk(node)}
            said = " ".join(str(each.value) for each in node.values if isinstance(each, ast.Constant))
        else:
            said = text_of(node) or ""
        if looks_said(said):
            yield said, node.lineno
