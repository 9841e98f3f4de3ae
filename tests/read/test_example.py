"""The worked examples: each shipped one is right, and a wrong one is told."""

from __future__ import annotations

from dataclasses import replace

import pytest

from bridge.read import check_example
from bridge.tables.types import ProfileExample
from tests.read.captures import NAMES, profile
from tests.tables.shipped_tables import tables


@pytest.mark.parametrize("name", NAMES)
def test_shipped_examples(name: str) -> None:
    """What each profile file says of its own example is what is read."""
    assert check_example(profile(name), tables()) == ""


def spoilt(name: str, old: bytes, new: bytes) -> str:
    """Give what is said of an example with its payload changed."""
    made = profile(name)
    assert old in made.example.payload
    return check_example(
        replace(made, example=replace(made.example, payload=made.example.payload.replace(old, new, 1))), tables()
    )


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        (b"40718823", b"40718824", "tern: strip 1 of the example: patient_id is '40718824', and expect says '40718823'."),
        (b";Controlo;", b";;", "tern: strip 0 of the example: purpose is None, and expect says 'Controlo'."),
        (b";2,5;6,1;", b";2,5;x<y;", "'glucose': '?x<y'"),
        (b"25.11.2026;08:12", b"25.11.2026", "tern: strip 2 of the example: copy_mark is None, and expect says '2.ª via'."),
        (b"2.\xaa via", b"", "tern: strip 2 of the example: copy_mark is None, and expect says '2.ª via'."),
        (b";3;Doze;", b";3;Zwei;", "tern: strip 0 of the example: pads is"),
    ],
)
def test_a_difference_is_named(old: bytes, new: bytes, said: str) -> None:
    """The first difference is told with strip, field and both sides."""
    assert said in spoilt("tern", old, new)


def test_a_missing_strip_is_named() -> None:
    """An example that gives another number of strips is wrong too."""
    made = profile("moss")
    twice = ProfileExample(payload=made.example.payload * 2, expect=made.example.expect)
    assert check_example(replace(made, example=twice), tables()) == "moss: the example gives 2 strips, and expect lists 1."


def test_a_unit_that_is_not_the_profiles_is_unknown() -> None:
    """A value of the ladder with another unit beside it is not understood."""
    assert "'blood': '?1+ 0.08 mg/L'" in spoilt("alder", b"0.08 mg/dL", b"0.08 mg/L")
