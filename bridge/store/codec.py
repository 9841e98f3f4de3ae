"""How values become columns and come back the same."""

from __future__ import annotations

import zlib
from dataclasses import fields
from datetime import UTC, datetime
from decimal import Decimal
from operator import attrgetter
from pathlib import Path

import orjson
from pydantic import TypeAdapter

from bridge.model import CodedPad, CodedResult, StripContent

_RESULT = TypeAdapter(CodedResult)
_MEMBERS = tuple(member.name for member in fields(CodedResult))
_VALUES = attrgetter(*_MEMBERS)
_PADS: dict[int, tuple[CodedPad, orjson.Fragment]] = {}  # by the pad's identity, which it keeps from being another's
MOST_PADS = 20_000  # ours: as many as a table set keeps (tables.memo); above it the usual ones are written anew once
LEVEL = 3  # ours: see docs/explanation/size.md
# Which dictionary a payload is packed with, by how it begins. A file here never changes: what it packed could not be read any more.
_SHIPPED = {b"MSH|": "hl7-1.zdict", b'{"resourceType":"Bundle"': "fhir-1.zdict", b'{"result_id":': "result-1.zdict"}
_READ = {start: (Path(__file__).parent / "dictionaries" / name).read_bytes() for start, name in _SHIPPED.items()}
_DICTIONARIES = {zlib.adler32(content).to_bytes(4, "big"): content for content in _READ.values()}
_PRIMED = [
    (start, zlib.compressobj(LEVEL, zdict=content)) for start, content in _READ.items()
]  # copied for each payload, which is far cheaper
_HAS_DICTIONARY = 0x20  # RFC 1950, section 2.2: bit 5 of the second byte
_DICTIONARY_ID = slice(2, 6)  # as above
_WITHOUT_OFFSET = 26  # characters of YYYY-MM-DDThh:mm:ss.ffffff


def packed(payload: bytes) -> bytes:
    """Compress a payload, by the dictionary of its kind where there is one; ``unpacked`` gives the same bytes back."""
    primed = next((packer for start, packer in _PRIMED if payload.startswith(start)), None)
    if primed is None:
        return zlib.compress(payload, LEVEL)
    packer = primed.copy()
    return packer.compress(payload) + packer.flush()


def unpacked(stored: bytes) -> bytes:
    """Give a payload as it was packed. Raises zlib.error if the stored bytes are damaged, KeyError if their dictionary is not shipped.

    A stream says itself whether it needs a dictionary, and which one, by its Adler-32 (RFC 1950, section 2.2: FDICT and DICTID).
    """
    if len(stored) > _DICTIONARY_ID.stop and stored[1] & _HAS_DICTIONARY:
        unpacker = zlib.decompressobj(zdict=_DICTIONARIES[stored[_DICTIONARY_ID]])
        payload = unpacker.decompress(stored)
        if not unpacker.eof or unpacker.unused_data:
            raise zlib.error("the stored bytes end too early or too late")
        return payload
    return zlib.decompress(stored)


def when(moment: datetime | None) -> str | None:
    """Write an aware moment as text that sorts: ISO 8601, UTC, microseconds."""
    if moment is None:
        return None
    # isoformat, not strftime: on Linux its %Y writes the year 26 of a faulty clock as "26", which neither sorts nor reads back
    text = (moment if moment.tzinfo is UTC else moment.astimezone(UTC)).isoformat(timespec="microseconds")
    return text[:_WITHOUT_OFFSET] + "Z"


def moment(text: str) -> datetime:
    """Read what ``when`` wrote; aware, UTC."""
    return datetime.fromisoformat(text)


def moment_or_none(text: str | None) -> datetime | None:
    """Read what ``when`` wrote, or None."""
    return None if text is None else datetime.fromisoformat(text)


def result_bytes(result: CodedResult) -> bytes:
    """Write a result; decimals as text, so that 1.010 stays 1.010."""
    return packed(plain_result(result))


def plain_result(result: CodedResult) -> bytes:
    """Give a result as JSON, not yet packed; it begins with ``{"result_id":``.

    Coding makes a pad with a value once and uses it for every strip that shows the same: its JSON is kept beside it.
    """
    members = dict(zip(_MEMBERS, _VALUES(result), strict=True))
    members["pads"] = [_of_pad(pad) for pad in result.pads]
    return orjson.dumps(members, default=_text_of_decimal)


def _of_pad(pad: CodedPad) -> orjson.Fragment:
    known = _PADS.get(id(pad))
    if known is not None:
        return known[1]
    if len(_PADS) >= MOST_PADS:
        _PADS.clear()
    made = orjson.Fragment(orjson.dumps(pad, default=_text_of_decimal))
    _PADS[id(pad)] = (pad, made)
    return made


def _text_of_decimal(value: object) -> str:
    if not isinstance(value, Decimal):
        raise TypeError(f"a result holds no {type(value).__name__}")
    return str(value)


def result_of(stored: bytes) -> CodedResult:
    """Read a result that ``result_bytes`` wrote."""
    return _RESULT.validate_json(unpacked(stored))


def content_text(content: StripContent) -> str:
    """Write what makes two records the same strip."""
    parts = [content.patient_id, content.operator, content.strip_type, content.strip_lot, content.pads]
    return orjson.dumps([*parts, content.digest] if content.digest else parts).decode()


def content_of(text: str) -> StripContent:
    """Read what ``content_text`` wrote."""
    patient_id, operator, strip_type, strip_lot, pads, *digest = orjson.loads(text)
    return StripContent(
        patient_id=patient_id,
        operator=operator,
        strip_type=strip_type,
        strip_lot=strip_lot,
        pads=tuple((pad, rank) for pad, rank in pads),
        digest="".join(digest),
    )


def json_text(value: object) -> str:
    """Write a small list of plain values."""
    return orjson.dumps(value).decode()


def json_of(text: str) -> list[object]:
    """Read what ``json_text`` wrote."""
    value: list[object] = orjson.loads(text)
    return value
