"""HL7 v2 escapes and the split of answers."""

import pytest
from hl7apy.base_datatypes import ST  # independent: hl7apy 1.3.5
from hypothesis import given
from hypothesis import strategies as st

from bridge.wire import er7


def test_delimiters_come_out_as_an_independent_library_escapes_them() -> None:
    """hl7apy's ST writes the same escapes (our notes, wire.md fact 9): a delimiter in an ID never becomes structure. HZ-F11."""
    text = "a|b^c&d~e\\f"
    assert er7.escape(text) == ST(text).to_er7() == r"a\F\b\S\c\T\d\R\e\E\f"


def test_control_characters_become_hexadecimal() -> None:
    """A CR in a comment must not begin a segment (HL7 2.5.1 section 2.7.4)."""
    assert er7.escape("a\rb\nc\x00d\x7fü") == r"a\X0D\b\X0A\c\X00\d\X7F\ü"


@pytest.mark.parametrize(
    ("escaped", "text"),
    [
        (r"a\F\b\S\c\T\d\R\e\E\f", "a|b^c&d~e\\f"),
        (r"x\X0D0A\y", "x\r\ny"),
        (r"\H\bold\N\ \.br\next", "bold \nnext"),
        (r"\XC3BC\ and \Q\ and \X0\ stay", r"\XC3BC\ and \Q\ and \X0\ stay"),
        ("a lone \\ stays", "a lone \\ stays"),
    ],
)
def test_unescape(escaped: str, text: str) -> None:
    """Known escapes are read; what cannot be said for certain stays visible as it came."""
    assert er7.unescape(escaped) == text


@given(st.text())
def test_escape_and_back(text: str) -> None:
    """Any text survives, and its escaped form holds neither delimiter nor control character."""
    escaped = er7.escape(text)
    assert er7.unescape(escaped) == text
    assert not set("|^&~\r\n\x00") & set(escaped)


def test_an_answer_is_split_by_field_number() -> None:
    """Index n is field n, in MSH too, whose field 1 is the separator itself."""
    segments = er7.split(
        b"MSH|^~\\&|LIS||PADPOST||20261125||ACK^R01^ACK|9|P|2.5.1\rMSA|AA|Q1M1\n\rERR|||207^x|E\r", "UNICODE UTF-8"
    )
    assert [s[0] for s in segments] == ["MSH", "MSA", "ERR"]
    assert segments[0][1:4] == ["|", "^~\\&", "LIS"]
    assert segments[0][12] == "2.5.1"
    assert segments[1] == ["MSA", "AA", "Q1M1"]
    assert segments[2][3] == "207^x"


def test_another_field_separator_is_taken_from_the_header() -> None:
    """MSH-1 says what separates fields (HL7 2.5.1 section 2.15.9.1)."""
    assert er7.split(b"MSH#^~\\&#A\rMSA#AE#1\r", "ASCII")[1] == ["MSA", "AE", "1"]


def test_an_undecodable_byte_does_not_hide_the_code() -> None:
    """A receiver's umlaut in the wrong charset must not turn its AA into a failure."""
    assert er7.split(b"MSH|^~\\&|\rMSA|AA|1|\xfc\r", "UNICODE UTF-8")[1] == ["MSA", "AA", "1", "�"]
    assert er7.split(b"MSH|^~\\&|\rMSA|AA|1|\xfc\r", "8859/1")[1][3] == "ü"


@pytest.mark.parametrize(
    ("charset", "name"),
    [
        ("UNICODE UTF-8", "utf-8"),
        ("8859/1", "iso8859-1"),
        ("8859/15", "iso8859-15"),
        ("ASCII", "ascii"),
        ("", "ascii"),
        ("utf-8", "utf-8"),
    ],
)
def test_charsets_by_the_names_of_table_0211(charset: str, name: str) -> None:
    """HL7 table 0211 names and Python's own are both known."""
    assert er7.codec(charset) == name


def test_an_unknown_charset_is_an_error() -> None:
    """A charset is never guessed."""
    with pytest.raises(LookupError):
        er7.codec("EBCDIC?")


@given(st.binary(max_size=60))
def test_any_bytes_split_without_error(message: bytes) -> None:
    """A hostile answer never raises."""
    assert all(fields for fields in er7.split(message, "ASCII"))


@pytest.mark.parametrize(
    ("declared", "codec"), [("UNICODE UTF-8", "utf-8"), ("8859/15", "iso8859-15"), ("", "ascii"), ("no such set", "ascii")]
)
def test_a_messages_character_set_is_what_it_declares(declared: str, codec: str) -> None:
    """MSH-18 (HL7 2.5.1 section 2.14.9.18); nothing declared, and nothing known, is ASCII."""
    assert er7.declared_codec(f"MSH|^~\\&|A|B|||{'|' * 11}{declared}\rPID|1\r".encode()) == codec
    assert er7.declared_codec(b"") == "ascii"


def test_the_separators_that_a_message_declares() -> None:
    """Five different signs, as many as are declared; the standard's for the rest (HL7 2.5.1 sections 2.14.9.1 and 2.14.9.2)."""
    assert er7.signs_of(b"MSH|^~\\&|A") == er7.STANDARD
    assert er7.signs_of(b"MSH#*!?%#A") == er7.Signs("#", "*", "!", "?", "%")
    assert er7.signs_of(b"MSH|^~\\&#|A") == er7.STANDARD  # the truncation character of v2.7
    assert er7.signs_of(b"MSH|^~|A") == er7.STANDARD


@pytest.mark.parametrize("header", [b"", b"MSH", b"MSH|", b"MSH||", b"MSHA^~\\&", b"MSH|^^\\&|", b"MSA|^~\\&|", b"MSH|\xe9~\\&|"])
def test_a_header_without_separators(header: bytes) -> None:
    """Two that are one sign, a letter, a byte beyond ASCII: no field of such a message is certain."""
    assert er7.signs_of(header) is None


def test_escapes_of_another_escape_sign() -> None:
    """The letters stand for the message's own separators."""
    signs = er7.Signs("#", "*", "!", "?", "%")
    assert er7.unescape("a?F?b?S?c?T?d?R?e?E?f?X41?\\F\\", signs) == "a#b*c%d!e?fA\\F\\"


@pytest.mark.parametrize(
    ("name", "codec"), [("", "latin-1"), ("ASCII", "ascii"), ("8859/15", "iso8859-15"), ("UNICODE UTF-8", "utf-8")]
)
def test_a_character_set_in_which_structure_shows(name: str, codec: str) -> None:
    """HL7 table 0211; the default stands where nothing is declared."""
    assert er7.readable_codec(name, default="latin-1") == codec


@pytest.mark.parametrize("name", ["GB 18030-2000", "ISO IR87", "utf-8", "UNICODE", "8859/99"])
def test_a_character_set_in_which_structure_may_not_show(name: str) -> None:
    """What the table has not, or may hide a separator in a character's second byte, is refused."""
    with pytest.raises(LookupError):
        er7.readable_codec(name, default="ascii")
