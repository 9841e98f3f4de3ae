"""What a person added to a result, coded: pads that were seen, and the type of the specimen. No other pad changes."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace

from bridge.added import Addable, Addition
from bridge.coding.steps import code_step
from bridge.model import CodedPad, CodedResult, ReadBy
from bridge.tables.addition_table import Choice
from bridge.tables.types import StripPad, Tables

SEEN = (Addable.COLOUR, Addable.CLARITY)  # these are pads; a specimen type is none


def with_additions(result: CodedResult, additions: Iterable[Addition], tables: Tables) -> CodedResult:
    """Give the result with what was added behind its own pads. What it has already, and a word that the site does not have any more, is left out."""
    for each in additions:
        if any(each.what is known.what for known in result.additions) or any(pad.pad == each.what for pad in result.pads):
            continue
        choice = tables.additions.choice(each.what, each.word)
        if each.word and choice is None:
            continue
        result = replace(result, additions=(*result.additions, each))
        if choice is None:
            continue
        if each.what in SEEN:
            result = replace(result, pads=(*result.pads, coded_choice(each.what, choice, tables)))
        else:
            result = replace(result, specimen_type=choice.code)
    return result


def without_additions(result: CodedResult) -> CodedResult:
    """Give the result as it was before anything was added."""
    if not result.additions:
        return result
    added = {each.what.value for each in result.additions}
    pads = tuple(pad for pad in result.pads if pad.pad not in added)
    return replace(result, pads=pads, specimen_type=None, additions=())


def coded_choice(what: Addable, choice: Choice, tables: Tables) -> CodedPad:
    """Give the coded pad of a colour or a clarity: seen by a person, whoever read the strip."""
    assert choice.step is not None  # tables/additions.py gives every one its step
    pad = StripPad(pad=what.value, ladder=(choice.step,), conventional_property=None, si_property=None)
    return code_step(
        tables.catalogue.pads[what.value], pad, choice.step, tables.catalogue.answers, printed=choice.text, read_by=ReadBy.EYE
    )


def every_addition(tables: Tables) -> Iterator[tuple[Addable, tuple[CodedPad, ...]]]:
    """Give the pads that may be added, each with every value that it can have."""
    for what in SEEN:
        choices = tables.additions.choices.get(what, ())
        if choices:
            yield what, tuple(coded_choice(what, choice, tables) for choice in choices)
