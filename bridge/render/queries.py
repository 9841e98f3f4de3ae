"""Search queries that name a resource by its identifier, and how to read one back."""

from __future__ import annotations

import re

# RFC 3986 section 2.3: everything but these is percent-encoded, so no server can take part of an identifier for structure.
_RESERVED = re.compile(rb"[^A-Za-z0-9._~-]")
_PLAIN = re.compile(r"[A-Za-z0-9._~-]*")
_ENCODED = re.compile(rb"%([0-9A-F]{2})")
# FHIR R4 search, "Escaping Search Parameters": $ , | and \ inside a value are escaped with \.
_SPECIAL = re.compile(r"([\\$,|])")
_ESCAPED = re.compile(r"\\(.)", re.DOTALL)
_TOKEN = re.compile(r"((?:\\.|[^\\$,|])*)\|((?:\\.|[^\\$,|])*)", re.DOTALL)


def identifier_query(system: str, value: str) -> str:
    """Give ``identifier=system|value`` as a query string, percent-encoded (``|`` is %7C)."""
    return "identifier=" + percent_encoded("|".join(_SPECIAL.sub(r"\\\1", part) for part in (system, value)))


def tag_query(system: str, code: str) -> str:
    """Give ``_tag=system|code`` (R4 search, parameters for all resources), for what has no identifier."""
    return identifier_query(system, code).replace("identifier=", "_tag=", 1)


def tag_of(query: str) -> tuple[str, str] | None:
    """Give system and code of a query that ``tag_query`` made, or None if it is not one."""
    name, _, text = query.partition("=")
    return identifier_of(f"identifier={text}") if name == "_tag" else None


def identifier_of(query: str) -> tuple[str, str] | None:
    """Give system and value of a query that ``identifier_query`` made, or None if it is not one."""
    name, _, text = query.partition("=")
    if name != "identifier" or _RESERVED.search(text.replace("%", "").encode()):
        return None
    parts = _TOKEN.fullmatch(percent_decoded(text))
    return (_ESCAPED.sub(r"\1", parts[1]), _ESCAPED.sub(r"\1", parts[2])) if parts else None


def percent_encoded(text: str) -> str:
    """Give ``text`` as UTF-8 with everything but unreserved characters percent-encoded."""
    if _PLAIN.fullmatch(text):
        return text
    return _RESERVED.sub(lambda match: b"%%%02X" % match[0][0], text.encode("utf-8", "surrogatepass")).decode()


def percent_decoded(text: str) -> str:
    """Undo ``percent_encoded``; bytes that are no UTF-8 become U+FFFD."""
    return _ENCODED.sub(lambda match: bytes([int(match[1], 16)]), text.encode()).decode(errors="replace")
