"""The texts of a signature, by the worked examples of RFC 9421 appendix B and RFC 9530 appendix B."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from bridge.lifecycle.signature import byte_sequence, content_digest, parameters, signature_base, text

AT = datetime.fromtimestamp(1618884473, UTC)  # RFC 9421 B.2


def test_the_base_of_the_rfcs_example() -> None:
    """B.2.5, byte for byte; our parameters add `alg`, which the RFC's example leaves out."""
    components = {"date": "Tue, 20 Apr 2021 02:07:55 GMT", "@authority": "example.com", "content-type": "application/json"}
    params = '("date" "@authority" "content-type");created=1618884473;keyid="test-shared-secret"'
    assert signature_base(components, params) == (
        b'"date": Tue, 20 Apr 2021 02:07:55 GMT\n'
        b'"@authority": example.com\n'
        b'"content-type": application/json\n'
        b'"@signature-params": ("date" "@authority" "content-type");created=1618884473;keyid="test-shared-secret"'
    )
    made = parameters(tuple(components), created=AT, key_id="test-shared-secret", algorithm="hmac-sha256")
    assert made == f'{params};alg="hmac-sha256"'


def test_the_digest_of_the_rfcs_example() -> None:
    """RFC 9530 appendix B.1: the body of a resource, with its line end."""
    assert content_digest(b'{"hello": "world"}\n') == "sha-256=:RK/0qy18MlBSVnWgjwz6lZEWjP/lF5HF9bvEF8FabDg=:"


def test_texts_of_structured_fields() -> None:
    """RFC 9651 3.3.3 and 3.3.5: quotes and backslashes escaped, nothing outside ASCII."""
    assert text('a "b" \\c') == '"a \\"b\\" \\\\c"'
    assert byte_sequence(b"\x00\xff") == ":AP8=:"
    for wrong in ("größe", "a\nb", "\x7f"):
        with pytest.raises(ValueError, match="only printable ASCII"):
            text(wrong)
