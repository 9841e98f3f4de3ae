"""An outgoing message made readable: HL7 segments on lines with their fields named, FHIR as indented JSON."""

from __future__ import annotations

import re
from dataclasses import dataclass

from bridge.model import Message
from bridge.wire import er7

INDENT = "  "
_TOKEN = re.compile(r'"(?:[^"\\]|\\.)*"|[\[\]{},:]|[^\s\[\]{},:"]+')  # RFC 8259 section 2: the tokens of JSON


@dataclass(frozen=True, kw_only=True, slots=True)
class Segment:
    """One HL7 segment: its name, and its fields as (``PID-3``, text as sent), empty ones too."""

    name: str
    fields: tuple[tuple[str, str], ...]


def text(message: Message) -> str:
    """Give a message as text: in its own declared character set; a byte that is not in it stands as an escape."""
    if message.format.is_fhir:
        return message.payload.decode("utf-8", "backslashreplace")
    return message.payload.decode(er7.declared_codec(message.payload), "backslashreplace")


def lines(message: Message) -> tuple[str, ...]:
    """Give a message in lines, HL7 by segment and FHIR indented; none while it is not made."""
    if message.format.is_fhir:
        return tuple(pretty_json(message).splitlines())
    return tuple(line for line in text(message).split("\r") if line)


def segments(message: Message) -> tuple[Segment, ...]:
    """Give an HL7 message's segments in order."""
    return tuple(
        Segment(
            name=fields[0],
            fields=tuple((f"{fields[0]}-{place}", field) for place, field in enumerate(fields[1:], 1)),
        )
        for fields in er7.split(message.payload, er7.declared_codec(message.payload))
    )


def pretty_json(message: Message) -> str:
    """Give a FHIR message indented, part by part: numbers stay as they were sent (1.010 keeps its zero)."""
    depth, out = 0, ""
    for part in _TOKEN.findall(text(message)):
        if part in "]}":
            depth -= 1
            out = out.rstrip() if out.rstrip()[-1:] in ("[", "{") else f"{out}\n{INDENT * depth}"
            out += part
        elif part in "[{":
            depth += 1
            out += f"{part}\n{INDENT * depth}"
        elif part == ",":
            out += f",\n{INDENT * depth}"
        else:
            out += ": " if part == ":" else part
    return out
