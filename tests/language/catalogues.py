"""Catalogues as files: read, brought up to date with what the pages say, and written the same way each time."""

from __future__ import annotations

import io
from pathlib import Path

from babel.messages.catalog import Catalog
from babel.messages.pofile import read_po, write_po

from bridge.pages.language import SENTENCE
from tests.language.texts import Texts, collect

WIDE = 140


def read(path: Path) -> Catalog:
    """Read a catalogue; its language is its folder's."""
    with path.open("rb") as file:
        return read_po(file, locale=path.parent.parent.name)


def updated(old: Catalog, found: Texts | None = None) -> Catalog:
    """Give a catalogue with exactly what the pages say, in the order of its English; what was translated stays."""
    found = found or collect()
    made = Catalog(locale=old.locale, fuzzy=False, header_comment="")
    made.mime_headers = [
        (name, value) for name, value in old.mime_headers if name in {"Language", "Plural-Forms", "MIME-Version", "Content-Type"}
    ]
    for text in sorted(found.single):
        kept = old.get(text)
        made.add(text, kept.string if kept and isinstance(kept.string, str) else "")
    for one, many in sorted(found.several):
        kept = old.get(one)
        made.add((one, many), kept.string if kept and isinstance(kept.string, tuple) else ("",) * made.num_plurals)
    for each in old:
        if each.context and each.id in (found.elsewhere if each.context == SENTENCE else found.of_page.get(each.context, ())):
            made.add(each.id, each.string, context=each.context)
    return made


def text_of(catalogue: Catalog) -> str:
    """Give a catalogue as it is written: its head holds what a reader of it needs, and no time of making."""
    file = io.BytesIO()
    write_po(file, catalogue, width=WIDE, omit_header=True, no_location=True)
    head = {
        "Language": str(catalogue.locale),
        "Content-Type": "text/plain; charset=utf-8",
        "Plural-Forms": f"nplurals={catalogue.num_plurals}; plural={catalogue.plural_expr};",
    }
    lines = "".join(f'"{name}: {value}\\n"\n' for name, value in head.items())
    return f'msgid ""\nmsgstr ""\n{lines}\n{file.getvalue().decode().strip()}\n'
