"""A specification as Markdown (CommonMark with GitHub's tables); every text of it is text, never markup."""

from __future__ import annotations

import re
from collections.abc import Iterator

from bridge.specification.types import (
    FILL_IN,
    Block,
    Part,
    Sample,
    Specification,
    Table,
    Words,
    lacking_sentence,
    shown,
    table_of,
)

TO_FILL = "\\_\\_\\_\\_\\_\\_\\_\\_"
# CommonMark 0.31 section 2.4 lets a backslash escape any ASCII punctuation. These can be markup inside a line (the last three:
# GitHub's own links and mentions), or at its beginning.
_MARKS = re.compile(r"[\\`*_\[\]<>|~&$@]|:(?=//)|(?<=www)\.", re.IGNORECASE)
_START = re.compile(r"^(\d{1,9}(?=[.)](?: |$)))?([#+\-=.)])")


def as_markdown(specification: Specification) -> str:
    """Give the whole document."""
    return "\n".join(_lines(specification))


def plain(text: str) -> str:
    """Give ``text`` on one line with every character that could be markup escaped."""
    return _START.sub(r"\1\\\2", _MARKS.sub(r"\\\g<0>", " ".join(shown(text).split())))


def _lines(specification: Specification) -> Iterator[str]:
    yield f"# Interface specification: {plain(specification.site)} to {plain(specification.destination)}\n"
    yield f"Made {plain(specification.made_at.isoformat(timespec='seconds'))} by Padpost {plain(specification.version)}. Digest {specification.digest}.\n"
    lacking = [block for block in specification.blocks if block.lacking]
    if lacking:
        yield (
            "**Not ready for go-live.** Something is not set in: "
            + plain(", ".join(f"{b.letter} {b.title}" for b in lacking))
            + "\n"
        )
    for block in specification.blocks:
        yield from _block(block)


def _block(block: Block) -> Iterator[str]:
    yield f"## {block.letter}. {plain(block.title)}\n"
    if block.lacking:
        yield f"**{plain(lacking_sentence(block))}**\n"
    for part in block.parts:
        yield from _part(part)


def _part(part: Part) -> Iterator[str]:
    match part:
        case Words():
            yield f"{plain(part.text)}\n"
        case Sample():
            yield f"### Sample. {plain(part.name)}\n"
            yield f"{plain(part.says)}\n"
            if part.message:
                fence = "`" * (1 + max([2, *map(len, re.findall("`+", part.message))]))
                yield f"{fence}text\n{shown(part.message)}\n{fence}\n"
        case _:
            yield from _table(table_of(part))


def _table(table: Table) -> Iterator[str]:
    yield f"### {plain(table.title)}\n"
    yield f"| {' | '.join(map(plain, table.columns))} |\n| {' | '.join('---' for _ in table.columns)} |"
    for row in table.rows:
        cells = (TO_FILL if column in FILL_IN else plain(cell) for column, cell in zip(table.columns, row, strict=True))
        yield f"| {' | '.join(cells)} |"
    yield ""
