"""docs/hazards.md: each row of the hazard table, what Padpost does about it, and the tests that show it."""

from __future__ import annotations

import ast
import csv
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Any

import yaml

HERE = Path(__file__).parent
ROOT = HERE.parents[1]
PAGE = ROOT / "docs/hazards.md"
ROW_ID = re.compile(r"HZ-[A-Z][0-9]{2}")
RULE_ROW = re.compile(r"^\| `([a-z_]+\.[a-z_0-9]+)` \|", re.MULTILINE)

HEAD = """# Hazards

Every row of the project's hazard table (106, with the published rates that are known, in `tests/hazards/hazards.csv`), what Padpost does about it, and the tests that show it. This page is
made from that table, from `tests/hazards/answers.yaml` and from the tests, whose docstrings name the rows that they show: `python -m tests.hazards`. A test compares it, and fails on a
row that says nothing.

**Caution.** A rule here makes a hazard rarer or visible; none makes it impossible. What a laboratory must do besides is its own procedure's to say, and whether the risk that is left can be borne is its own to judge.

"""


@dataclass(frozen=True, kw_only=True, slots=True)
class Hazard:
    """One row of the table: its id, the stage in words, and the hazard."""

    row: str
    stage: str
    hazard: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Answer:
    """What is done about a row. ``later`` is by capability; ``in_work`` is what another piece of work brings, "" in what is released."""

    here: str = ""
    rules: tuple[str, ...] = ()
    later: Mapping[str, str] = field(default_factory=dict)
    never: str = ""
    in_work: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class Shown:
    """Something that must be shown and is no row of the table, with the tests that show it."""

    claim: str
    tests: tuple[str, ...]


@cache
def hazards() -> tuple[Hazard, ...]:
    """Give the rows of the table in their order."""
    with (HERE / "hazards.csv").open(encoding="utf-8", newline="") as file:
        return tuple(Hazard(row=row["id"], stage=row["stage"], hazard=row["hazard"]) for row in csv.DictReader(file))


@cache
def _document() -> dict[str, Any]:
    loaded: dict[str, Any] = yaml.safe_load((HERE / "answers.yaml").read_text(encoding="utf-8"))
    return loaded


def capabilities() -> dict[str, str]:
    """Give the capabilities that rows may wait for, each with what it is."""
    found: dict[str, str] = _document()["capabilities"]
    return found


def answers() -> dict[str, Answer]:
    """Give what is done about each row, by its id."""
    return {row: Answer(**{**said, "rules": tuple(said.get("rules", ()))}) for row, said in _document()["rows"].items()}


def shown() -> tuple[Shown, ...]:
    """Give what must be shown besides."""
    return tuple(Shown(claim=each["claim"], tests=tuple(each["tests"])) for each in _document()["shown"])


def rules() -> frozenset[str]:
    """Give every rule that docs/rejections.md explains."""
    return frozenset(RULE_ROW.findall((ROOT / "docs/rejections.md").read_text(encoding="utf-8")))


@cache
def every_test() -> Mapping[str, str]:
    """Give the docstring of every test of the repository, by ``file::name``; of contracts too, which the stores' own files run."""
    found: dict[str, str] = {}
    for path in sorted((ROOT / "tests").rglob("*.py")):
        text = path.read_text(encoding="utf-8")
        if "def test_" not in text:
            continue
        for node in ast.walk(ast.parse(text)):
            if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef) and node.name.startswith("test_"):
                found[f"{path.relative_to(ROOT).as_posix()}::{node.name}"] = ast.get_docstring(node) or ""
    return found


def naming() -> dict[str, list[str]]:
    """Give the tests that name each row."""
    found: dict[str, list[str]] = {}
    for test, said in every_test().items():
        for row in dict.fromkeys(ROW_ID.findall(said)):
            found.setdefault(row, []).append(test)
    return found


def faults(said: Mapping[str, Answer]) -> Iterator[str]:
    """Give what is wrong with the answers ``said``, each in a sentence; nothing where every row has one that can be shown."""
    rows, named = {each.row for each in hazards()}, naming()
    yield from (f"{row} is no row of the table." for row in sorted((set(said) | set(named)) - rows))
    for row in sorted(rows):
        answer = said.get(row, Answer())
        if not (answer.here or answer.later or answer.never or answer.in_work):
            yield f"{row} has no answer."
        if answer.here and row not in named:
            yield f"{row} is answered here, and no test names it."
        if named.get(row) and not answer.here and not answer.in_work:
            yield f"{row} is named by {named[row][0]}, and nothing is said of what is done here."
        if answer.never and (answer.here or answer.later):
            yield f"{row} cannot be computed, and is: one of the two."
        yield from (f"{row}: {rule} is no rule of docs/rejections.md." for rule in answer.rules if rule not in rules())
        yield from (f"{row}: {each} is no capability." for each in answer.later if each not in capabilities())


def lost(claims: tuple[Shown, ...]) -> Iterator[str]:
    """Give the tests that a claim names and that are not there."""
    yield from (test for each in claims for test in each.tests if test not in every_test())


def page() -> str:
    """Give the whole page."""
    said, named = answers(), naming()
    parts = [HEAD, *_sums(said)]
    for stage in dict.fromkeys(each.stage for each in hazards()):
        of_stage = [each for each in hazards() if each.stage == stage]
        parts.append(f"## {stage}\n\n| row | hazard | what Padpost does | rules |\n| --- | --- | --- | --- |\n")
        parts += [_line(each, said[each.row]) for each in of_stage]
        parts.append("\nShown by:\n\n")
        parts += [f"- {each.row}: {_tests(named[each.row])}\n" for each in of_stage if each.row in named]
        parts.append("\n")
    parts.append("## What must be shown besides\n\n")
    parts += [f"- {each.claim}: {_tests(each.tests)}\n" for each in shown()]
    return "".join(parts)


def _sums(said: Mapping[str, Answer]) -> Iterator[str]:
    here = [row for row, answer in said.items() if answer.here]
    partly = [row for row in here if said[row].later or said[row].in_work]
    later = [row for row, answer in said.items() if answer.later and not answer.here]
    yield f"Of {len(said)} rows {len(here)} are answered here, {len(partly)} of them in part; {len(later)} wait for a later capability; "
    yield f"{sum(bool(answer.never) for answer in said.values())} cannot be computed by the bridge at all"
    work = sum(bool(answer.in_work and not answer.here) for answer in said.values())
    yield f"; {work} are in work.\n\n" if work else ".\n\n"
    yield "The later capabilities:\n\n"
    yield from (f"- *{name}*: {what}\n" for name, what in capabilities().items())
    yield "\n"


def _line(hazard: Hazard, answer: Answer) -> str:
    parts = [answer.here] if answer.here else []
    parts += [f"*Later ({name})*: {what}." for name, what in answer.later.items()]
    parts += [f"*Not computable*: {answer.never}"] if answer.never else []
    parts += [f"*In work*: {answer.in_work}."] if answer.in_work else []
    cells = (hazard.row, hazard.hazard, " ".join(parts), ", ".join(f"`{rule}`" for rule in answer.rules))
    return "| " + " | ".join(cells) + " |\n"


def _tests(found: Iterator[str] | list[str] | tuple[str, ...]) -> str:
    return ", ".join(f"`{each.removeprefix('tests/')}`" for each in found)
