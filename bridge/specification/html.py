"""A specification as one printable HTML page: no script, nothing loaded from anywhere, every text escaped."""

from __future__ import annotations

from collections.abc import Iterator
from html import escape

from bridge.specification.types import (
    FILL_IN,
    NOT_SET,
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

# Below this width a table becomes one card a row, each cell behind its column's name: nothing scrolls sideways.
STYLE = """
:root { --paper: #fbf9f5; --sheet: #ffffff; --ink: #1b2130; --soft: #535b6e; --rule: #d9d4c8; --accent: #3f3a8c; --decide: #7a5200; color-scheme: light dark; }
@media screen and (prefers-color-scheme: dark) {
  :root { --paper: #14171f; --sheet: #1b1f2a; --ink: #ece8df; --soft: #a9b0c0; --rule: #343a49; --accent: #aba6ff; --decide: #e8b75c; }
}
* { box-sizing: border-box; }
body { margin: 0; background: var(--paper); color: var(--ink); font: 16px/1.5 system-ui, sans-serif; font-variant-numeric: tabular-nums; overflow-wrap: anywhere; }
header, main { max-width: 1216px; margin: 0 auto; padding: 8px 16px; }
h1 { font-size: 28px; line-height: 1.2; margin: 16px 0 8px; text-wrap: balance; }
h2 { font-size: 20px; line-height: 1.3; margin: 48px 0 8px; padding-top: 8px; border-top: 1px solid var(--rule); }
h3 { font-size: 16px; margin: 24px 0 4px; }
p { max-width: 75ch; margin: 8px 0; }
a { color: var(--accent); }
:focus-visible { outline: 3px solid var(--accent); outline-offset: 2px; }
.soft { color: var(--soft); font-size: 14px; }
.lacks { color: var(--decide); font-weight: 600; }
p.lacks { border-left: 4px solid; padding-left: 12px; }
ul.contents { list-style: none; padding: 0; columns: 3; max-width: 960px; }
table { width: 100%; border-collapse: collapse; background: var(--sheet); font-size: 14px; line-height: 1.4; }
th, td { text-align: left; vertical-align: top; padding: 6px 12px 6px 8px; border-bottom: 1px solid var(--rule); }
th { color: var(--soft); font-weight: 600; overflow-wrap: normal; }
table.facts td:first-child { width: 40%; }
table.facts td { white-space: pre-line; }
@media not screen, (min-width: 801px) {
  td { overflow-wrap: break-word; }
  td[data-column="example"], td[data-column="set to"], td[data-column="expected"] { overflow-wrap: anywhere; }
  td[data-column="LOINC"], td[data-column="unit"] { white-space: nowrap; }
  table.fields { table-layout: fixed; }
  table.fields td { overflow-wrap: anywhere; }
  table.fields th:nth-child(1) { width: 15%; } table.fields th:nth-child(2) { width: 12%; } table.fields th:nth-child(3) { width: 9%; }
  table.fields th:nth-child(4) { width: 4%; } table.fields th:nth-child(5) { width: 8%; } table.fields th:nth-child(6) { width: 10%; }
  table.fields th:nth-child(7) { width: 24%; } table.fields th:nth-child(8) { width: 18%; }
}
table.record td { border: 1px solid var(--rule); }
td.fill { min-width: 88px; }
pre { background: var(--sheet); border: 1px solid var(--rule); border-radius: 6px; padding: 8px 12px; margin: 8px 0; font: 14px/1.5 ui-monospace, monospace; white-space: pre-wrap; overflow-wrap: anywhere; }
@media screen and (max-width: 800px) {
  ul.contents { columns: 1; }
  ul.contents a { display: inline-block; padding: 4px 0; }
  thead { display: none; }
  table, tbody, tr, td { display: block; }
  tr { padding: 8px 0; border-bottom: 1px solid var(--soft); }
  td, table.record td { border: 0; padding: 2px 12px; }
  td::before { content: attr(data-column) ": "; color: var(--soft); }
  td.fill { border-bottom: 1px dotted var(--soft); margin-right: 12px; }
}
@media print {
  @page { size: A4 landscape; margin: 12mm; }
  body { background: #fff; color: #000; font-size: 10pt; }
  table, pre { font-size: 8pt; background: #fff; }
  tr { break-inside: avoid; }
  thead { display: table-header-group; }
  h2, h3 { break-after: avoid; }
  table.record td { height: 9mm; }
}
"""


def as_html(specification: Specification) -> str:
    """Give the whole page."""
    return "\n".join(_lines(specification)) + "\n"


def _text(text: str) -> str:
    return escape(shown(text))


def _lines(specification: Specification) -> Iterator[str]:
    title = _text(f"Interface specification: {specification.site} to {specification.destination}")
    yield '<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">'
    yield "<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'unsafe-inline'; img-src data:\">"
    yield '<meta name="viewport" content="width=device-width, initial-scale=1">\n<link rel="icon" href="data:,">'
    yield f"<title>{title}</title>\n<style>{STYLE}</style>\n</head>\n<body>\n<header>\n<h1>{title}</h1>"
    made = _text(f"Made {specification.made_at.isoformat(timespec='minutes')} by Padpost {specification.version}.")
    yield f'<p class="soft">{made} Digest {_text(specification.digest)}.</p>'
    lacking = [block for block in specification.blocks if block.lacking]
    if lacking:
        names = ", ".join(f'<a href="#{_text(b.letter)}">{_text(b.letter)} {_text(b.title)}</a>' for b in lacking)
        yield f'<p class="lacks">Not ready for go-live. Something is not set in {names}.</p>'
    yield '<nav aria-label="Blocks"><ul class="contents">'
    yield from (f'<li><a href="#{_text(b.letter)}">{_text(b.letter)}. {_text(b.title)}</a></li>' for b in specification.blocks)
    yield "</ul></nav>\n</header>\n<main>"
    for block in specification.blocks:
        yield from _block(block)
    yield "</main>\n</body>\n</html>"


def _block(block: Block) -> Iterator[str]:
    yield f'<section aria-labelledby="{_text(block.letter)}">\n<h2 id="{_text(block.letter)}">{_text(block.letter)}. {_text(block.title)}</h2>'
    if block.lacking:
        yield f'<p class="lacks">{_text(lacking_sentence(block))}</p>'
    for part in block.parts:
        yield from _part(part)
    yield "</section>"


def _part(part: Part) -> Iterator[str]:
    match part:
        case Words():
            yield f"<p>{_text(part.text)}</p>"
        case Sample():
            yield f"<h3>Sample. {_text(part.name)}</h3>\n<p>{_text(part.says)}</p>"
            if part.message:
                yield f"<pre>{_text(part.message)}</pre>"
        case _:
            yield from _table(table_of(part), part.kind)


def _table(table: Table, look: str) -> Iterator[str]:
    yield f'<h3>{_text(table.title)}</h3>\n<table class="{look}">'
    heads = "".join(f'<th scope="col">{_text(column)}</th>' for column in table.columns)
    yield f"<thead><tr>{heads}</tr></thead>\n<tbody>"
    for row in table.rows:
        yield f"<tr>{''.join(_cell(column, text) for column, text in zip(table.columns, row, strict=True))}</tr>"
    yield "</tbody></table>"


def _cell(column: str, text: str) -> str:
    look = ' class="fill"' if column in FILL_IN else ' class="lacks"' if text == NOT_SET else ""
    return f'<td{look} data-column="{_text(column)}">{_text(text)}</td>'
