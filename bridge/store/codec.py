"""How values become columns and come back the same."""

from __future__ import annotations

import zlib
from datetime import UTC, datetime
from decimal import Decimal

import orjson
from pydantic import TypeAdapter

from bridge.model import CodedResult, StripContent

_RESULT = TypeAdapter(CodedResult)


def packed(payload: bytes) -> bytes:
    """Compress a payload; ``unpacked`` gives the same bytes back."""
    return zlib.compress(payload, 6)


def unpacked(stored: bytes) -> bytes:
    """Give a payload as it was packed. Raises zlib.error if the stored bytes are damaged."""
    return zlib.decompress(stored)


def when(moment: datetime | None) -> str | None:
    """Write an aware moment as text that sorts: ISO 8601, UTC, microseconds."""
    # isoformat, not strftime: on Linux its %Y writes the year 26 of a faulty clock as "26", which neither sorts nor reads back
    return None if moment is None else moment.astimezone(UTC).replace(tzinfo=None).isoformat(timespec="microseconds") + "Z"


def moment(text: str) -> datetime:
    """Read what ``when`` wrote; aware, UTC."""
    return datetime.fromisoformat(text)


def moment_or_none(text: str | None) -> datetime | None:
    """Read what ``when`` wrote, or None."""
    return None if text is None else datetime.fromisoformat(text)


def result_bytes(result: CodedResult) -> bytes:
    """Write a result; decimals as text, so that 1.010 stays 1.010."""
    return packed(orjson.dumps(result, default=_text_of_decimal))


def _text_of_decimal(value: object) -> str:
    if not isinstance(value, Decimal):
        raise TypeError(f"a result holds no {type(value).__name__}")
    return str(value)


def result_of(stored: bytes) -> CodedResult:
    """Read a result that ``result_bytes`` wrote."""
    return _RESULT.validate_json(unpacked(stored))


def content_text(content: StripContent) -> str:
    """Write what makes two records the same strip."""
    return orjson.dumps([content.patient_id, content.operator, content.strip_type, content.strip_lot, content.pads]).decode()


def content_of(text: str) -> StripContent:
    """Read what ``content_text`` wrote."""
    patient_id, operator, strip_type, strip_lot, pads = orjson.loads(text)
    return StripContent(
        patient_id=patient_id,
        operator=operator,
        strip_type=strip_type,
        strip_lot=strip_lot,
        pads=tuple((pad, rank) for pad, rank in pads),
    )


def json_text(value: object) -> str:
    """Write a small list of plain values."""
    return orjson.dumps(value).decode()


def json_of(text: str) -> list[object]:
    """Read what ``json_text`` wrote."""
    value: list[object] = orjson.loads(text)
    return value
