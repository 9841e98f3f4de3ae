"""The text of a FHIR note: printed texts and comments written so that Markdown leaves them as they are.

Annotation.text is of R4's type markdown, "in the GFM extension of CommonMark" (datatypes), and whether a receiver renders it
is left open. So as little as possible is escaped: what Markdown would take for itself, by the backslash that CommonMark 0.31
section 2.4 allows before ASCII punctuation. A receiver that renders shows the text; one that does not shows a backslash more.
"""

from __future__ import annotations

import re

# Markup inside a line: the escape itself, code, emphasis, links, tags and entities (not ``<10`` or ``a & b``: neither begins with a
# letter), and GFM's strikethrough, mentions and links of its own.
_INLINE = re.compile(r"[\\`*_\[\]~@]|<(?=[a-z/!?])|&(?=[a-z#])|:(?=//)|(?<=www)\.", re.IGNORECASE)
# Markup at the beginning of a line: headings, quotes, lists, rules, underlined headings, delimiter rows of tables.
_START = re.compile(r"([ \t]*)([#>+=:|-])")
_NUMBERED = re.compile(r"([ \t]*[0-9]{1,9})([.)])(?=[ \t]|$)")
_LINE_END = re.compile(r"\r\n|\r|\n")
_ESCAPED = re.compile(r"\\([!-/:-@\[-`{-~]|\r\n|\r|\n)")


def as_markdown(text: str, *, after: str = "") -> str:
    """Give ``text`` as Markdown that means itself, behind ``after``, a fixed sentence that needs no escape.

    A line's end becomes a hard break (a backslash before it). ``from_markdown`` gives the text back sign for sign.
    """
    parts: list[str] = []
    begins, opens = 0, not after
    for end in _LINE_END.finditer(text):
        parts += [_line(text[begins : end.start()], opens=opens), "\\", end[0]]
        begins, opens = end.end(), True
    return "".join([after, *parts, _line(text[begins:], opens=opens)])


def from_markdown(text: str) -> str:
    """Undo ``as_markdown``: take away each backslash that escapes punctuation or a line's end."""
    return _ESCAPED.sub(r"\1", text)


def _line(text: str, *, opens: bool) -> str:
    escaped = _INLINE.sub(r"\\\g<0>", text)
    if not opens:
        return escaped
    if found := _START.match(escaped) or _NUMBERED.match(escaped):
        return f"{found[1]}\\{escaped[found.start(2) :]}"
    return escaped
