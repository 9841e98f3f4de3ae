r"""Our ORU^R01 as an independent decoder reads it: PyPI ``hl7`` (python-hl7) 0.4.5.

It cuts the text by the separators that MSH declares and undoes the escapes of HL7 chapter 2 by its own code. Texts are
cut first and unescaped last: python-hl7 turns ``\X0D\`` into a real CR (wire reference, fact 10).
"""

from __future__ import annotations

from functools import lru_cache

import hl7

# MSH-18 (table 0211) -> the codec that a receiver would pick; written here apart from the product's table.
ENCODINGS = {"UNICODE UTF-8": "utf-8", "8859/1": "latin-1", "8859/15": "iso8859-15", "ASCII": "ascii"}


@lru_cache(maxsize=16)
def decoded(payload: bytes) -> hl7.Message:
    """Parse one message in the character set that it declares. Only to be read: the same message is given again."""
    declared = payload.split(b"\r")[0].split(b"|")[17].decode("ascii")
    return hl7.parse(payload.decode(ENCODINGS[declared]))


def fields(payload: bytes, segment: str) -> list[list[str]]:
    """Give the fields of every such segment, still escaped, [n] being field n (MSH too)."""
    return [[str(field) for field in each] for each in decoded(payload) if str(each[0]) == segment]


def components(payload: bytes, segment: str) -> list[list[list[str]]]:
    """Give the components of every field of every such segment, unescaped; a field that repeats fails."""
    message = decoded(payload)
    return [
        [_components(message, field, literal=number < 3 and segment == "MSH") for number, field in enumerate(each)]
        for each in message
        if str(each[0]) == segment
    ]


def parts(payload: bytes) -> list[tuple[str, list[list[list[str]]]]]:
    """Give every segment in order: its name, and of each field the repetitions' components, unescaped."""
    message = decoded(payload)
    return [(str(each[0]), [_repetitions(message, field) for field in each]) for each in message]


def _repetitions(message: hl7.Message, field: object) -> list[list[str]]:
    if not isinstance(field, hl7.Field):
        return [[str(field)]]
    return [_components(message, hl7.Field(field.separator, [each]), literal=False) for each in field]


def _components(message: hl7.Message, field: object, *, literal: bool) -> list[str]:
    if literal or not isinstance(field, hl7.Field):
        return [str(field)]
    assert len(field) <= 1, f"{field} repeats"
    if not field or not isinstance(field[0], hl7.Repetition):
        return [message.unescape(str(field))]
    assert all(len(component) <= 1 for component in field[0]), f"{field} has sub-components"
    return [message.unescape(str(component)) for component in field[0]]
