"""The ways in: what does not fit together is an error at load."""

from __future__ import annotations

from pathlib import Path

import pytest
from pydantic import TypeAdapter, ValidationError

from bridge import settings
from bridge.errors import SettingsError
from tests.settings.site_files import GOOD, write


@pytest.mark.parametrize(
    ("change", "line", "key", "words"),
    [
        (("    link: lis01", "    link: stream"), 10, "sources[0]", "link: stream needs cut"),
    ],
)
def test_wrong_file_names_line_key_and_remedy(tmp_path: Path, change: tuple[str, str], line: int, key: str, words: str) -> None:
    """An admin finds the place without searching."""
    assert change[0] in GOOD
    path = write(tmp_path, GOOD.replace(*change, 1))
    with pytest.raises(SettingsError) as caught:
        settings.read_settings(path)
    assert caught.value.spot is not None
    assert (caught.value.spot.line, caught.value.spot.key) == (line, key)
    assert words in str(caught.value)
    assert str(path) in str(caught.value)


NAMED = {"name": "net", "analyzer": "bench-a", "profile": "dipper"}


def test_an_mllp_source_takes_live_messages_unless_told() -> None:
    """MSH-11 P by default: a test message must be asked for; the port must be said."""
    made = TypeAdapter(settings.Source).validate_python({**NAMED, "kind": "mllp", "port": 2575})
    assert isinstance(made, settings.MllpSource)
    assert (made.processing_id, made.host, made.most_connections) == ("P", "127.0.0.1", 8)
    with pytest.raises(ValidationError, match="port"):
        TypeAdapter(settings.Source).validate_python({**NAMED, "kind": "mllp"})


def test_an_http_source_needs_a_key_that_the_file_only_names() -> None:
    """No key in the file, and an Idempotency-Key asked for unless the site says otherwise."""
    made = TypeAdapter(settings.Source).validate_python({**NAMED, "kind": "http", "key": {"env": "BENCH_KEY"}})
    assert isinstance(made, settings.HttpSource)
    assert (made.idempotency, made.content_types) == ("required", ("application/octet-stream", "text/plain"))
    for wrong in ({}, {"key": "the key itself"}):
        with pytest.raises(ValidationError, match="key"):
            TypeAdapter(settings.Source).validate_python({**NAMED, "kind": "http", **wrong})


def test_a_content_type_has_no_case() -> None:
    """RFC 9110 8.3.1: what the site writes is what a sender may write otherwise."""
    source = {"kind": "http", "name": "p", "analyzer": "a", "profile": "p", "key": {"env": "K"}, "content_types": ["Text/Plain"]}
    assert settings.HttpSource.model_validate(source).content_types == ("text/plain",)
