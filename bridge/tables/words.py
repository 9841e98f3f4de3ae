"""Nominal pads (colour, clarity): their words in the catalogue, on a ladder and as an analyzer prints them."""

from __future__ import annotations

from collections.abc import Collection, Mapping

from bridge.errors import TableError
from bridge.model import Property, Step
from bridge.tables.documents import LadderRow, PadRow, ProfileDocument
from bridge.tables.types import StripType

Path = tuple[str | int, ...]


def check_word_rows(name: str, pad: PadRow, path: Path) -> None:
    """Refuse words without a nominal code, a nominal code without words, and two words of one text. ``path`` leads to the pad. Raises TableError."""
    if bool(pad.words) != any(code.property is Property.TYPE for code in pad.codes):
        said, remedy = (
            ("words, but no code of the property Type", "Add the code, or remove the words.")
            if pad.words
            else (
                "a code of the property Type, but no words",
                "Add words: each value that it may have, with its code, text and source.",
            )
        )
        raise TableError(f"{name} has {said}.", remedy=remedy, path=(*path, "words" if pad.words else "codes"))
    seen: dict[str, str] = {}
    for word, row in pad.words.items():
        if row.text in seen:
            raise TableError(
                f"Two words have the text {row.text!r}: {seen[row.text]} and {word}.",
                remedy="A receiver could not tell them apart; give each a text of its own.",
                path=(*path, "words", word, "text"),
            )
        seen[row.text] = word


def check_words(steps: tuple[Step, ...], row: LadderRow, words: Collection[str], path: Path) -> None:
    """Refuse steps with and without a word on one ladder, and words that the catalogue has not, or that stand twice.

    ``words`` are the catalogue's of this pad, ``path`` leads to the pad's row. Raises TableError.
    """
    used: set[str] = set()
    for step in steps:
        here = (*path, "ladder", step.rank)
        if bool(step.word) != bool(words) or (step.word and (step.grade or step.conventional)):
            raise TableError(
                f"The values of {row.pad} are {'words' if words else 'grades or numbers, not words'}.",
                remedy=f"Write word: with one of {', '.join(words)}, and no grade or number." if words else "Remove the word.",
                path=here,
            )
        if step.word and (step.word not in words or step.word in used):
            said = "stands twice" if step.word in used else "is not one of the catalogue's"
            raise TableError(
                f"The word {step.word!r} of {row.pad} {said}.",
                remedy=f"Use each of these once: {', '.join(words)}.",
                path=(*here, "word"),
            )
        used.add(step.word)


def check_word_texts(document: ProfileDocument, types: Mapping[str, StripType], path: Path) -> None:
    """Refuse printed texts for a word that none of the profile's strip types has: they would never be looked at. Raises TableError."""
    known: dict[str, set[str]] = {}
    for name in document.strip_types.values():
        for pad in types[name].pads:
            known.setdefault(pad.pad, set()).update(step.word for step in pad.ladder if step.word)
    for key, texts in document.word_texts.items():
        for word in texts:
            if word not in known.get(key, ()):
                words = ", ".join(sorted(known.get(key, ())))
                raise TableError(
                    f"No strip type of this profile has {key} with the word {word!r}.",
                    remedy=f"Use one of: {words}." if words else f"Remove {key}: its values are no words, or it is on no strip.",
                    path=(*path, "word_texts", key, word),
                )
