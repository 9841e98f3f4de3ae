"""Values become columns and come back the same."""

from __future__ import annotations

import json
import zlib
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone
from decimal import Decimal
from pathlib import Path

import pytest
import zstandard
from hypothesis import given
from hypothesis import strategies as st
from pydantic import TypeAdapter

from bridge.model import Code, CodedGrade, CodedPad, CodedWord, Flag, Property, Quantity, StripContent, UnitSystem, ValueForm
from bridge.store import codec
from tests.render.test_sorrel import first
from tests.store import strips as s

ZONES = st.integers(-14 * 60, 14 * 60).map(lambda minutes: timezone(timedelta(minutes=minutes)))
MOMENTS = st.datetimes(datetime(1, 1, 3), datetime(9999, 12, 29), timezones=ZONES)
TEXTS = st.text(st.characters(codec="utf-8"))


@given(st.binary(max_size=2_000))
def test_a_payload_comes_back_byte_for_byte(payload: bytes) -> None:
    """What arrived and what was sent is kept compressed and never altered."""
    assert codec.unpacked(codec.packed(payload)) == payload


def test_damaged_bytes_are_noticed() -> None:
    """The stored form carries a checksum (Zstandard, RFC 8878, section 3.1.1): a stored payload that changed is an error, never another payload."""
    stored = bytearray(codec.packed(b"PID|1||4711" * 20))
    stored[-1] ^= 1
    with pytest.raises(zlib.error):
        codec.unpacked(bytes(stored))


ENDINGS = st.binary(max_size=3_000)


@given(st.sampled_from([b"MSH|", b'{"resourceType":"Bundle"', b'{"result_id":', b""]), ENDINGS)
def test_each_kind_comes_back_by_its_dictionary(start: bytes, rest: bytes) -> None:
    """Whatever follows the beginning by which its kind is told: the dictionary only makes it smaller."""
    assert codec.unpacked(codec.packed(start + rest)) == start + rest


def test_what_was_packed_without_a_dictionary_is_still_read() -> None:
    """Stores of earlier versions hold plain zlib streams (RFC 1950 without FDICT)."""
    for payload in (b"", b"MSH|^~\\&|A\r", b'{"resourceType":"Bundle","type":"transaction"}'):
        assert codec.unpacked(zlib.compress(payload, 6)) == payload


@pytest.mark.parametrize("name", ["hl7-1.zdict", "fhir-1.zdict", "result-1.zdict"])
def test_what_an_earlier_version_packed_by_a_dictionary_is_still_read(name: str) -> None:
    """They used zlib (RFC 1950, section 2.2, FDICT), and a store is never packed anew."""
    shared = (Path(codec.__file__).parent / "dictionaries" / name).read_bytes()
    payload = shared[100:1500] + b"4711"
    packer = zlib.compressobj(3, zdict=shared)
    stored = packer.compress(payload) + packer.flush()
    assert len(stored) < 100
    assert codec.unpacked(stored) == payload
    for harmed in (stored[:-5], stored + b"x", stored[:-1] + bytes([stored[-1] ^ 1])):
        with pytest.raises(zlib.error):
            codec.unpacked(harmed)
    with pytest.raises(KeyError):
        codec.unpacked(stored[:2] + bytes([stored[2] ^ 1]) + stored[3:])


def test_what_is_packed_is_read_by_the_format_s_own_program_rules() -> None:
    """RFC 8878: a frame behind its magic number 28 B5 2F FD is read by any decoder that has the dictionary; here the library's, without our settings."""
    payload = b"MSH|^~\\&|PADPOST|LAB\r" * 20
    stored = codec.packed(payload)
    shared = zstandard.ZstdCompressionDict(codec._BYTES["hl7-1.zdict"], dict_type=zstandard.DICT_TYPE_RAWCONTENT)
    frame = bytes.fromhex("28b52ffd") + stored[1:]
    assert stored[0] == 1
    assert zstandard.frame_content_size(frame) == len(payload)
    assert zstandard.get_frame_parameters(frame).has_checksum
    assert zstandard.ZstdDecompressor(dict_data=shared).decompress(frame) == payload


def test_threads_pack_side_by_side() -> None:
    """The writer packs while readers unpack: each thread has its own packers."""
    payloads = [b'{"result_id":"R%d"}' % number * 50 for number in range(200)]
    with ThreadPoolExecutor(4) as threads:
        assert list(threads.map(lambda payload: codec.unpacked(codec.packed(payload)), payloads)) == payloads


@pytest.mark.parametrize("stored", [b"", b"\x02", b"\x00\xff\xff", b"\x03" + bytes(40)])
def test_what_is_no_payload_is_told(stored: bytes) -> None:
    """An error that says what it is, whatever stands in the column."""
    with pytest.raises(zlib.error):
        codec.unpacked(stored)


def test_a_shipped_dictionary_never_changes() -> None:
    """RFC 1950, section 2.2: a stream names its dictionary by Adler-32. One that changes makes every message packed by it unreadable."""
    folder = Path(codec.__file__).parent / "dictionaries"
    found = {path.name: f"{zlib.adler32(path.read_bytes()):08x}" for path in sorted(folder.iterdir())}
    assert found == {
        "fhir-1.zdict": "ebc542a3",
        "hl7-1.zdict": "8d81b49e",
        "result-1.zdict": "ce66aa7d",
        "strip-1.zdict": "730a0163",
    }
    assert {key.hex() for key in codec._OLD_DICTIONARIES} == set(found.values()) - {found["strip-1.zdict"]}
    assert codec._MARKS == {"": 0, "hl7-1.zdict": 1, "fhir-1.zdict": 2, "result-1.zdict": 3, "strip-1.zdict": 4}


@given(st.lists(st.tuples(TEXTS, TEXTS, TEXTS, st.one_of(st.none(), st.booleans()))))
def test_a_strip_s_column_comes_back(pads: list[tuple[str, str, str, bool | None]]) -> None:
    """Packed, and as earlier versions wrote it: JSON that stands there plainly."""
    written = codec.json_bytes(pads)
    assert codec.unpacked_column(codec.packed_column(written)) == written
    assert codec.unpacked_column(written) == written
    assert [tuple(pad) for pad in codec.json_of(written)] == pads  # type: ignore[arg-type]  # JSON holds what was written


def test_a_strip_s_columns_are_small() -> None:
    """The labels and steps of shipped profiles stand in the dictionary."""
    columns = codec.json_bytes(
        [("GLU", "neg", "", False), ("PRO", "neg", "", False), ("NIT", "neg", "", False), ("LEU", "neg", "", False)]
    )
    assert len(codec.packed_column(columns)) < len(columns) / 2


@pytest.mark.parametrize("harm", ["cut", "more", "changed", "other dictionary"])
def test_damage_to_what_a_dictionary_packed_is_noticed(harm: str) -> None:
    """Never another payload, and never a shorter one."""
    stored = bytearray(codec.packed(b'{"resourceType":"Bundle","type":"transaction","entry":[]}' * 5))
    match harm:
        case "cut":
            del stored[-5:]
        case "more":
            stored += b"x"
        case "changed":
            stored[-1] ^= 1
        case _:
            stored[2] ^= 1
    with pytest.raises((zlib.error, KeyError)):
        codec.unpacked(bytes(stored))


@given(MOMENTS, MOMENTS)
def test_moments_come_back_and_sort_as_they_passed(one: datetime, other: datetime) -> None:
    """Stored times are compared as text by every query: their order must be the order in time, whatever the zone."""
    left, right = codec.when(one), codec.when(other)
    assert left is not None
    assert right is not None
    assert codec.moment(left) == one
    assert codec.moment(left).tzinfo == UTC
    assert (left < right, left == right) == (one < other, one == other)
    assert len(left) == 27


def test_a_moment_is_written_in_utc_with_microseconds() -> None:
    """ISO 8601, one width for all."""
    assert codec.when(datetime(2026, 11, 25, 1, 30, tzinfo=timezone(timedelta(hours=2)))) == "2026-11-24T23:30:00.000000Z"
    assert codec.when(None) is None
    assert codec.moment_or_none(None) is None
    assert codec.moment_or_none("2026-11-24T23:30:00.000000Z") == datetime(2026, 11, 24, 23, 30, tzinfo=UTC)


def test_a_result_of_an_earlier_version_is_still_read() -> None:
    """Results used to be written by pydantic: the same members, so rows of both kinds are read alike."""
    result = first("heron").result
    written = TypeAdapter(type(result)).dump_json(result)
    assert codec.result_of(codec.packed(written)) == result == codec.result_of(codec.result_bytes(result))
    assert json.loads(codec.unpacked(codec.result_bytes(result))).keys() == json.loads(written).keys()


def test_a_pad_that_was_written_before_is_written_alike() -> None:
    """The JSON of a pad is kept by its identity: equal bytes for the same object, an equal one, and after the memory was emptied."""
    result = first("heron").result
    twin = replace(result, pads=tuple(replace(pad) for pad in result.pads))
    other = replace(result, pads=tuple(replace(pad, printed="999") for pad in result.pads))
    written = codec.plain_result(result)
    assert codec.plain_result(result) == codec.plain_result(twin) == written
    assert {pad.printed for pad in codec.result_of(codec.result_bytes(other)).pads} == {"999"}
    codec._PADS.clear()
    assert codec.plain_result(result) == written


def test_what_is_kept_of_pads_is_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    """An analyzer that prints ever new texts cannot fill the memory."""
    monkeypatch.setattr(codec, "MOST_PADS", 3)
    result = first("heron").result
    for number in range(5):
        again = replace(result, pads=tuple(replace(pad, printed=str(number)) for pad in result.pads))
        assert {pad.printed for pad in codec.result_of(codec.result_bytes(again)).pads} == {str(number)}
        assert len(codec._PADS) <= 3


def test_a_value_that_no_result_has_is_refused() -> None:
    """Nothing is written in a form that could not be read back."""
    with pytest.raises(TypeError, match="object"):
        codec.result_bytes(replace(first("heron").result, comments=(object(),)))  # type: ignore[arg-type]  # what must not be


def test_a_result_keeps_its_trailing_zeros() -> None:
    """A specific gravity of 1.010 is not 1.01: the digits say how finely it was read."""
    form = ValueForm(
        system=UnitSystem.ARBITRARY,
        prop=Property.GRAVITY,
        code=Code(code="53326-5", text="Specific gravity of Urine by Automated test strip", system="LN"),
        value=Quantity(value=Decimal("1.010"), unit="{Rel'density}", comparator=">="),
    )
    pad = CodedPad(
        pad="gravity",
        name="Specific gravity",
        local=Code(code="SG", text="Specific gravity", system="L"),
        forms=(form,),
        flag=Flag.NORMAL,
        printed="1.010",
        expected="",
    )
    kept = replace(s.result("R1"), pads=(pad,), comments=("“ä”", ""))
    back = codec.result_of(codec.result_bytes(kept))
    assert back == kept
    assert isinstance(back.pads[0].forms[0].value, Quantity)
    assert str(back.pads[0].forms[0].value.value) == "1.010"


@given(TEXTS, TEXTS, st.lists(st.tuples(TEXTS, st.integers(-1, 9))))
def test_a_strips_content_comes_back(patient: str, operator: str, pads: list[tuple[str, int]]) -> None:
    """Copies are told by this content; what is read from the store must equal what was judged."""
    content = StripContent(patient_id=patient, operator=operator, strip_type="t", strip_lot="", pads=tuple(pads))
    assert codec.content_of(codec.unpacked_column(codec.packed_column(codec.content_bytes(content)))) == content


@given(st.lists(TEXTS | st.none() | st.booleans()))
def test_small_lists_come_back(values: list[object]) -> None:
    """Findings and pads of a strip are such lists."""
    assert codec.json_of(codec.json_text(values)) == values


def test_words_and_computed_ratios_come_back() -> None:
    """A colour stays a word and never becomes a grade; a ratio still says what it was computed from."""
    result = first("wren").result
    assert {type(form.value) for pad in result.pads for form in pad.forms} == {CodedGrade, CodedWord, Quantity}
    assert [pad.computed_from for pad in result.pads if pad.computed_from] == [
        ("albumin", "creatinine"),
        ("protein", "creatinine"),
    ]
    assert codec.result_of(codec.result_bytes(result)) == result
