"""Queries by identifier."""

from __future__ import annotations

from urllib.parse import parse_qs, quote, unquote

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.render.queries import identifier_of, identifier_query, percent_decoded, percent_encoded

TEXTS = st.text(st.characters(exclude_categories=["Cs"]))


def test_the_bar_is_encoded() -> None:
    """RFC 3986 does not allow a bare ``|`` in a query; strict servers refuse it."""
    assert identifier_query("urn:padpost:result", "A1R7-glucose") == "identifier=urn%3Apadpost%3Aresult%7CA1R7-glucose"


def test_search_escapes_keep_the_parts_apart() -> None:
    """FHIR R4 search, Escaping Search Parameters: $ , | and the backslash are escaped inside a value."""
    query = identifier_query("urn:a|b", "x,y$z\\")
    assert query == "identifier=urn%3Aa%5C%7Cb%7Cx%5C%2Cy%5C%24z%5C%5C"
    assert identifier_of(query) == ("urn:a|b", "x,y$z\\")


@given(text=TEXTS)
def test_encoding_agrees_with_the_standard_library(text: str) -> None:
    """Independent oracle: urllib.parse, which the pure rooms may not import."""
    assert percent_encoded(text) == quote(text, safe="")
    assert percent_decoded(quote(text, safe="")) == unquote(quote(text, safe="")) == text


@given(system=TEXTS, value=TEXTS)
def test_every_identifier_comes_back(system: str, value: str) -> None:
    """Whatever stands in an identifier, the query names that identifier and no other, and is one parameter."""
    query = identifier_query(system, value)
    assert identifier_of(query) == (system, value)
    assert list(parse_qs(query)) == ["identifier"]


@pytest.mark.parametrize(
    "query", ["", "identifier=", "identifier=a", "name=a%7Cb", "identifier=a|b", "identifier=a%7Cb&x=y", "identifier=a%7Cb%7Cc"]
)
def test_other_queries_are_not_taken_for_ours(query: str) -> None:
    """Missing bar, bare bar, second parameter, two bars."""
    assert identifier_of(query) is None
