"""Puts what a run came to into a page, between two markers: the figures there are a command's, never typed."""

from __future__ import annotations

import platform
import sqlite3
import subprocess
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from bridge import clock
from tests.faults.menu import Fault

ROOT = Path(__file__).parents[2]


def put(page: Path, name: str, text: str) -> None:
    """Replace what stands between the markers ``name`` of ``page``. Raises ValueError where they are not there."""
    begin, end = f"<!-- {name}: begin -->\n", f"<!-- {name}: end -->\n"
    whole = page.read_text(encoding="utf-8")
    before, found, rest = whole.partition(begin)
    _, closed, after = rest.partition(end)
    if not (found and closed):
        raise ValueError(f"{page} has no place called {name}")
    page.write_text(f"{before}{begin}{text}{end}{after}", encoding="utf-8")


def commit() -> str:
    """Give the commit of this checkout."""
    said = subprocess.run(["git", "rev-parse", "--short", "HEAD"], cwd=ROOT, capture_output=True, text=True, check=True)
    return said.stdout.strip()


def run_words(minutes: float, commits: Mapping[str, int]) -> str:
    """Say when and on what a run ended, and how many of its rounds were on which commit: a run may be gone on with on a newer one."""
    python = ".".join(platform.python_version_tuple()[:2])
    on = ", ".join(f"{count} rounds on commit {name}" for name, count in commits.items())
    return f"Run that ended on {clock.now():%Y-%m-%d}, Python {python}, SQLite {sqlite3.sqlite_version}: {on}; {minutes:.0f} minutes.\n\n"


def together(several: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
    """Give the figures of campaigns that ran beside each other as those of one: counts added, what was measured laid together."""
    whole: dict[str, Any] = {}
    for found in several:
        for what, figure in found.items():
            whole[what] = _added(what, whole[what], figure) if what in whole else figure
    return whole


def _added(what: str, one: Any, other: Any) -> Any:
    match one, other:
        case dict(), dict():
            return {
                key: _added(key, one[key], other[key]) if key in one and key in other else {**one, **other}[key]
                for key in {**one, **other}
            }
        case list(), list():
            return sorted(one + other)
        case str(), str():
            return one if one == other else f"{one}; {other}"
        case _:
            return max(one, other) if what.startswith("slowest") else one + other


def campaign_table(found: Mapping[str, Any], breaches: Sequence[str]) -> str:
    """Give a campaign's figures as Markdown: the sums, then a row a fault."""
    rows = [
        ("rounds", found["rounds"]),
        ("strips brought", f"{found['strips brought']}, of them {found['strips acknowledged']} acknowledged in the end"),
        ("messages that came to the receivers", found["messages received"]),
        ("of them sent again, byte for byte under the same control ID", found["of them sent again"]),
        ("of them not kept by the receiver", found["of them not kept by the receiver"]),
        ("slowest start until ready", f"{found['slowest start until ready, s']} s"),
        *((f"STAT at {name}", _urgency(counts)) for name, counts in found["STAT beside other patients' routine"].items()),
        *((name, _spread(each)) for name, each in found["measured"].items()),
        ("integrity of the long-lived store", found["integrity of the store"]),
        ("**breaches of a promise**", f"**{len(breaches)}**"),
    ]
    faults = [
        (
            fault.value,
            found["faults"].get(fault, 0),
            found["faults that did not come"].get(fault, 0),
            found["not run"].get(fault, ""),
        )
        for fault in Fault
    ]
    return "\n".join(
        [*_table(("figure", "value"), rows), "", *_table(("fault", "rounds", "did not come", "not run, because"), faults), ""]
    )


def _spread(measured: Sequence[float]) -> str:
    """Give the middle and the most of what was measured, in seconds or as a count, as its name says."""
    ordered = sorted(measured)
    return f"{ordered[len(ordered) // 2]:g} in the middle, {ordered[-1]:g} at most, of {len(ordered)}"


def _urgency(counts: Mapping[str, int]) -> str:
    return f"overtook {counts['overtook']} routine strips of other patients, was overtaken by {counts['overtaken']}"


def simulation_table(found: Mapping[str, Any], breaches: Sequence[str]) -> str:
    """Give a simulation's figures as Markdown."""
    sums = [
        (name, found[name])
        for name in ("rounds", "strips", "messages received", "of them sent again", "before a person", "rounds a second")
    ]
    faults = [(f"fault: {name}", count) for name, count in found["faults"].items()]
    return "\n".join([*_table(("figure", "value"), [*sums, *faults, ("**breaches of a promise**", f"**{len(breaches)}**")]), ""])


def _table(heads: Sequence[str], rows: Sequence[Sequence[object]]) -> list[str]:
    lines = [heads, ["---"] * len(heads), *rows]
    return [f"| {' | '.join(map(str, line))} |" for line in lines]
