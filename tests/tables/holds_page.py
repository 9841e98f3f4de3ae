"""The parts of docs/holds.md that are made from the shipped mappings/holds.yaml.

Write the page again: ``python -m tests.tables.holds_page``.
"""

from __future__ import annotations

from pathlib import Path

from bridge.settings import Document, shipped_mappings
from bridge.tables.holds import HOLDS_FILE
from bridge.tables.holds_document import HoldRow, HoldsDocument, PadConditionRow, Shows

PAGE = Path(__file__).parents[2] / "docs" / "holds.md"
BEGIN, END = "<!-- made from the table: begin -->", "<!-- made from the table: end -->"
HOLDS = Document(shipped_mappings() / HOLDS_FILE).shaped(HoldsDocument)
SHOWS = {
    Shows.NEGATIVE: "negative",
    Shows.FOUND: "found",
    Shows.LOWEST: "at its lowest step",
    Shows.HIGHEST: "at its highest step",
}


def listed() -> str:
    """Give every shipped rule, and every row of terms, as two tables."""
    head = "| rule | asks for | when | it says | persons | together | source |\n| --- | --- | --- | --- | --- | --- | --- |"
    rules = [
        f"| `{row.id}` | {_asks(row)} | {_when(row)} | {row.message} | {_terms(row)} | {row.source} |" for row in HOLDS.rules
    ]
    own = "| rule of Padpost's own | persons | together | source |\n| --- | --- | --- | --- |"
    terms = [f"| `{row.rule}` | {row.persons} | {_yes(row.bulk)} | {row.source} |" for row in HOLDS.policies]
    return "\n".join([head, *rules, "", own, *terms])


def _asks(row: HoldRow) -> str:
    return row.severity.value if row.switched_on else f"{row.severity.value}, switched off"


def _terms(row: HoldRow) -> str:
    return f"{row.release.persons} | {_yes(row.release.bulk)}" if row.release else " | "


def _yes(is_so: bool) -> str:
    return "yes" if is_so else "no"


def _when(row: HoldRow) -> str:
    control, previous = row.when.like_control, row.when.like_previous
    if control:
        return f"{control.abnormal_pads} abnormal pads or more, every pad within {control.steps} step of a control lot in use"
    if previous:
        return f"{previous.abnormal_pads} abnormal pads or more, every pad as on the strip before, another patient's"
    return "; ".join([*map(_condition, row.when.pads), *(["nothing else found"] if row.when.others else [])])


def _condition(row: PadConditionRow) -> str:
    pads = " or ".join(pad.replace("_", " ") for pad in (row.any_of or (row.pad or "",)))
    if row.shows:
        return f"{pads} {SHOWS[row.shows]}"
    unit = "" if row.unit in {"", "[pH]"} else f" {row.unit}"
    if row.words:
        return f"{pads} {' or '.join(row.words)}"
    return f"{pads} at least {row.at_least}{unit}" if row.at_least else f"{pads} at most {row.at_most}{unit}"


def with_list(page: str) -> str:
    """Give the page with its made part made anew."""
    before, rest = page.split(BEGIN)
    return f"{before}{BEGIN}\n\n{listed()}\n\n{END}{rest.split(END)[1]}"


if __name__ == "__main__":
    PAGE.write_text(with_list(PAGE.read_text(encoding="utf-8")), encoding="utf-8")
