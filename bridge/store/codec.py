"""How values become columns and come back the same."""

from __future__ import annotations

import hashlib
import threading
import zlib
from dataclasses import fields
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from operator import attrgetter
from pathlib import Path

import orjson
import zstandard
from pydantic import TypeAdapter

from bridge.model import CodedPad, CodedResult, StripContent

_RESULT = TypeAdapter(CodedResult)
_MEMBERS = tuple(member.name for member in fields(CodedResult))
_VALUES = attrgetter(*_MEMBERS)
_PADS: dict[int, tuple[CodedPad, orjson.Fragment]] = {}  # by the pad's identity, which it keeps from being another's
MOST_PADS = 20_000  # ours: as many as a table set keeps (tables.memo); above it the usual ones are written anew once
_FOLDER = Path(__file__).parent / "dictionaries"
# How a payload begins, and by which dictionary its kind is packed. A file here never changes: what it packed could not be read any more.
_KINDS = {b"MSH|": "hl7-1.zdict", b'{"resourceType":"Bundle"': "fhir-1.zdict", b'{"result_id":': "result-1.zdict"}
STRIP = "strip-1.zdict"  # of the columns of a strip's row, which are packed by ``packed_column``
_BYTES = {name: (_FOLDER / name).read_bytes() for name in (*_KINDS.values(), STRIP)}
# The first byte of what is stored names the dictionary; none is the first byte of a zlib stream, whose low half is 8 (RFC 1950, section 2.2)
_MARKS = {"": 0, "hl7-1.zdict": 1, "fhir-1.zdict": 2, "result-1.zdict": 3, STRIP: 4}
_LEVELS = {"": 3, "hl7-1.zdict": 3, "fhir-1.zdict": 3, "result-1.zdict": 3, STRIP: 3}  # ours: see docs/explanation/size.md
# What earlier versions packed with zlib and a dictionary, which a stream names by its Adler-32
_OLD_DICTIONARIES = {zlib.adler32(content).to_bytes(4, "big"): content for name, content in _BYTES.items() if name != STRIP}
_HAS_DICTIONARY = 0x20  # RFC 1950, section 2.2: bit 5 of the second byte
_DICTIONARY_ID = slice(2, 6)  # as above
RECORD_KEY_BYTES = 6  # ours: 48 bits find a record among millions, and the whole digest decides
# Strips of the same bytes; the values are ``of_record``'s. || keeps a database from going by the analyzer's own index, where all strips of years are.
SAME_RECORD = "record_key = ? AND record_digest = ? AND analyzer || '' = ?"
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_DAY_S, _SECOND_US = 86_400, 1_000_000
_WITHOUT_OFFSET = 26  # characters of YYYY-MM-DDThh:mm:ss.ffffff


class _Packers(threading.local):
    """What packs and unpacks, by dictionary; each thread has its own, since none of them may be used by two at once."""

    def __init__(self) -> None:
        self.packers = {name: _packer(name) for name in _MARKS}
        self.unpackers = {_MARKS[name]: _unpacker(name) for name in _MARKS}


def _shared(name: str) -> zstandard.ZstdCompressionDict | None:
    """Give a dictionary, prepared once for all threads."""
    if not name:
        return None
    made = zstandard.ZstdCompressionDict(_BYTES[name], dict_type=zstandard.DICT_TYPE_RAWCONTENT)
    made.precompute_compress(level=_LEVELS[name])
    return made


_SHARED = {name: _shared(name) for name in _MARKS}


def _packer(name: str) -> zstandard.ZstdCompressor:
    how = zstandard.ZstdCompressionParameters.from_level(
        _LEVELS[name],
        format=zstandard.FORMAT_ZSTD1_MAGICLESS,
        write_content_size=True,
        write_checksum=name != STRIP,  # a column is small, and an index or a page of the file has none either
        write_dict_id=False,
    )
    return zstandard.ZstdCompressor(dict_data=_SHARED[name], compression_params=how)


def _unpacker(name: str) -> zstandard.ZstdDecompressor:
    return zstandard.ZstdDecompressor(dict_data=_SHARED[name], format=zstandard.FORMAT_ZSTD1_MAGICLESS)


_MINE = _Packers()


def packed(payload: bytes) -> bytes:
    """Compress a payload, by the dictionary of its kind where there is one; ``unpacked`` gives the same bytes back.

    A byte that names the dictionary, then a Zstandard frame (RFC 8878) without its magic number, with content size and checksum.
    """
    name = next((kind for start, kind in _KINDS.items() if payload.startswith(start)), "")
    return _MARKS[name].to_bytes(1, "big") + _MINE.packers[name].compress(payload)


def packed_column(written: bytes) -> bytes:
    """Compress what a column of a strip's row says in JSON; ``unpacked_column`` gives it back."""
    return _MARKS[STRIP].to_bytes(1, "big") + _MINE.packers[STRIP].compress(written)


def unpacked_column(stored: bytes) -> bytes:
    """Give what ``packed_column`` packed, or JSON that stands there plainly, as earlier versions wrote it. Raises as ``unpacked``."""
    return stored if stored[:1] == b"[" else unpacked(stored)


def unpacked(stored: bytes) -> bytes:
    """Give a payload as it was packed, by this or an earlier version.

    Raises zlib.error if the stored bytes are damaged, KeyError if their dictionary is not shipped.
    """
    unpacker = _MINE.unpackers.get(stored[0]) if stored else None
    if unpacker is None:
        return _inflated(stored)
    try:
        return unpacker.decompress(memoryview(stored)[1:], allow_extra_data=False)
    except (zstandard.ZstdError, MemoryError) as error:  # a damaged size may ask for more memory than there is
        raise zlib.error(f"the stored bytes are damaged: {error}") from error


def _inflated(stored: bytes) -> bytes:
    """Give what an earlier version packed. A stream says itself whether it needs a dictionary, and which (RFC 1950, section 2.2: FDICT and DICTID)."""
    if len(stored) > _DICTIONARY_ID.stop and stored[1] & _HAS_DICTIONARY:
        unpacker = zlib.decompressobj(zdict=_OLD_DICTIONARIES[stored[_DICTIONARY_ID]])
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


def microseconds(moment: datetime) -> int:
    """Write an aware moment as whole microseconds since 1970 in UTC; before it they are negative."""
    since = moment - _EPOCH
    return (since.days * _DAY_S + since.seconds) * _SECOND_US + since.microseconds


def moment_of(microseconds: int) -> datetime:
    """Read what ``microseconds`` wrote; aware, UTC."""
    return _EPOCH + timedelta(microseconds=microseconds)


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


def content_bytes(content: StripContent) -> bytes:
    """Write what makes two records the same strip, not yet packed."""
    parts = [content.patient_id, content.operator, content.strip_type, content.strip_lot, content.pads]
    return orjson.dumps([*parts, content.digest] if content.digest else parts)


def content_of(written: bytes) -> StripContent:
    """Read what ``content_bytes`` wrote."""
    patient_id, operator, strip_type, strip_lot, pads, *digest = orjson.loads(written)
    return StripContent(
        patient_id=patient_id,
        operator=operator,
        strip_type=strip_type,
        strip_lot=strip_lot,
        pads=tuple((pad, rank) for pad, rank in pads),
        digest="".join(digest),
    )


def json_bytes(value: object) -> bytes:
    """Write a list of plain values, not yet packed."""
    return orjson.dumps(value)


def json_text(value: object) -> str:
    """Write a small list of plain values."""
    return orjson.dumps(value).decode()


def json_of(text: str | bytes) -> list[object]:
    """Read what ``json_text`` or ``json_bytes`` wrote."""
    value: list[object] = orjson.loads(text)
    return value


def record_key(record_digest: str) -> int:
    """Give the short number under which an index finds a record's digest: the first bytes of the digest's SHA-256, big-endian."""
    return int.from_bytes(hashlib.sha256(record_digest.encode()).digest()[:RECORD_KEY_BYTES], "big")


def of_record(analyzer: str, record_digest: str) -> tuple[int, str, str]:
    """Give the values of ``SAME_RECORD``."""
    return record_key(record_digest), record_digest, analyzer
