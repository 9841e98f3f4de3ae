"""Compiles what people may add to strips, and explains what of it cannot stand."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import asdict, replace
from types import MappingProxyType

from bridge.added import Addable
from bridge.errors import TableError
from bridge.model import Code, Step
from bridge.tables.addition_table import AdditionTable, Choice
from bridge.tables.additions_document import AdditionsDocument, SeenRow, SpecimenTypeRow
from bridge.tables.types import CataloguePad, Tables

ADDITIONS_FILE = "additions.yaml"
URINE_TYPES = frozenset(
    {"UR", "URC", "URT"}
)  # HL7 table 0487 as 2.5.1 has it: urine, clean catch, catheter; the rules of messages know no other


def with_additions(tables: Tables, document: AdditionsDocument) -> Tables:
    """Give the tables with what may be added, which is part of what is signed. Raises TableError whose path begins with the file's name.

    Tables of a site where no source asks for anything are the ones they were before there was anything to add, digest and all.
    """
    terms = tables.policy.additions
    if not terms:
        return tables
    table = AdditionTable(terms=terms, choices=MappingProxyType(_choices(document, tables.catalogue.pads)))
    said = {analyzer: asdict(each) for analyzer, each in sorted(terms.items())}
    plain = json.loads(tables.canonical) | {"additions": {**document.model_dump(mode="json"), "sources": said}}
    canonical = json.dumps(plain, sort_keys=True, separators=(",", ":")).encode()
    return replace(tables, additions=table, canonical=canonical, digest=hashlib.sha256(canonical).hexdigest())


def _choices(document: AdditionsDocument, pads: Mapping[str, CataloguePad]) -> dict[Addable, tuple[Choice, ...]]:
    return {
        Addable.COLOUR: _seen(Addable.COLOUR, document.colour, pads),
        Addable.CLARITY: _seen(Addable.CLARITY, document.clarity, pads),
        Addable.SPECIMEN_TYPE: _types(document.specimen_type),
    }


def _seen(what: Addable, rows: tuple[SeenRow, ...], pads: Mapping[str, CataloguePad]) -> tuple[Choice, ...]:
    path = (ADDITIONS_FILE, what.value)
    words = pads[what.value].words if what.value in pads else {}
    if not words:
        raise TableError(
            f"The catalogue has no pad {what.value!r} with words, so nothing of it can be added.",
            remedy="Give the pad its words back in catalogue.yaml.",
            path=path,
        )
    choices: list[Choice] = []
    for rank, row in enumerate(rows):
        if row.word not in words or row.word in {each.word for each in choices}:
            said = "stands twice" if row.word in words else "is not one of the catalogue's"
            raise TableError(
                f"The word {row.word!r} of {what.value} {said}.",
                remedy=f"Use each of these once: {', '.join(words)}.",
                path=(*path, rank, "word"),
            )
        step = Step(rank=rank, grade=None, conventional=None, si=None, abnormal=row.abnormal, word=row.word)
        choices.append(Choice(word=row.word, text=words[row.word].text, step=step))
    return tuple(choices)


def _types(rows: tuple[SpecimenTypeRow, ...]) -> tuple[Choice, ...]:
    choices: list[Choice] = []
    for number, row in enumerate(rows):
        path = (ADDITIONS_FILE, Addable.SPECIMEN_TYPE.value, number)
        if row.code not in URINE_TYPES:
            raise TableError(
                f"{row.code!r} is not a type of urine that Padpost's messages know.",
                remedy=f"Use one of {', '.join(sorted(URINE_TYPES))} (HL7 table 0487).",
                path=(*path, "code"),
            )
        if any(row.key == each.word or (each.code and row.code == each.code.code) for each in choices):
            raise TableError(f"The specimen type {row.key!r} stands twice.", remedy="Keep one.", path=(*path, "key"))
        choices.append(Choice(word=row.key, text=row.text, code=Code(code=row.code, text=row.text, system="HL70487")))
    return tuple(choices)
