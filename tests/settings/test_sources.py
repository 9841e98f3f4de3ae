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


@pytest.mark.parametrize("peers", [["10.1.2.3/24"], ["bench-7"], ["10.1.2.0/33"], [""]])
def test_peers_are_addresses_or_networks(peers: list[str]) -> None:
    """A mask with something behind it is most likely a slip: a whole network would be let in for one machine."""
    with pytest.raises(ValidationError, match=r"is no address and no network: write 192\.0\.2\.7, or 192\.0\.2\.0/24"):
        TypeAdapter(settings.Source).validate_python({**NAMED, "kind": "mllp", "port": 2575, "peers": peers})
    made = TypeAdapter(settings.Source).validate_python(
        {**NAMED, "kind": "mllp", "port": 2575, "peers": ["10.1.2.3", "fd00::/8"]}
    )
    assert isinstance(made, settings.MllpSource)
    assert made.peers == ("10.1.2.3/32", "fd00::/8")


def test_whom_we_call_is_no_peer() -> None:
    """With ``role: call`` the list would guard nothing, and look as if it did."""
    with pytest.raises(ValidationError, match=r"peers is for role: listen"):
        TypeAdapter(settings.Source).validate_python(
            {**NAMED, "kind": "tcp", "role": "call", "port": 1, "link": "lis01", "peers": ["10.1.2.3"]}
        )


def test_a_strip_read_by_eye_is_seen_by_two_unless_the_site_says_otherwise() -> None:
    """The cautious way needs no word; its controls are asked for by name."""
    made = TypeAdapter(settings.Source).validate_python({**NAMED, "kind": "by_eye"})
    assert isinstance(made, settings.ByEyeSource)
    assert (made.second_person, made.controls) == (True, False)
