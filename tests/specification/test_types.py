"""Plain cells of typed rows, and texts that cannot be seen."""

from __future__ import annotations

from bridge.specification.types import Block, Fact, Facts, Record, RecordRow, lacking_sentence, shown, table_of


def test_a_table_has_every_member_of_its_rows() -> None:
    """No form of the document can leave a column out."""
    table = table_of(Record(title="Cases", rows=(RecordRow(case="a", send="b", expected="c"),)))
    assert table.columns == ("case", "send", "expected", "received", "who", "when")
    assert table.rows == (("a", "b", "c", "", "", ""),)
    assert table_of(Facts(title="Who", rows=(Fact(name="site", says="x"),))).columns == ("name", "set to")


def test_lacking_is_a_sentence() -> None:
    """It says what to do, and nothing where nothing lacks."""
    assert (
        lacking_sentence(Block(letter="A", title="t", parts=(), lacking=("x", "y")))
        == "Not set: x, y. Settle this before go-live."
    )
    assert lacking_sentence(Block(letter="A", title="t", parts=())) == ""


def test_what_cannot_be_seen_is_named() -> None:
    """A sign that turns the line round (U+202E) could make a code look like another."""
    assert shown("a\u202eb\x07c\nZoë 尿") == "a(U+202E)b(U+0007)c\nZoë 尿"
