"""Signing keys in a folder: made, read, chosen by time, and their public parts; checked against PyJWT."""

from __future__ import annotations

import json
import stat
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import jwt
import pytest
from cryptography.hazmat.primitives.asymmetric import ec, rsa
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from bridge.credentials.keys import (
    FOR_HOOKS,
    FOR_TOKENS,
    KeyFolder,
    SigningKey,
    any_is_open_to_others,
    key_set,
    make_key,
    read_keys,
)
from bridge.errors import SettingsError, SetupError

NOW = datetime(2026, 11, 26, tzinfo=UTC)
YEAR = timedelta(days=365)


def made(folder: Path, name: str, alg: str = "ES384", *, starts: datetime = NOW, ends: datetime = NOW + YEAR) -> Path:
    """Make one key."""
    return make_key(folder, alg, starts=starts, ends=ends, name=name)


@pytest.mark.parametrize(("alg", "kind"), [("ES384", "P-384"), ("ES256", "P-256"), ("RS384", "3072")])
def test_a_key_is_made_for_its_owner_alone_and_its_public_part_is_one(tmp_path: Path, alg: str, kind: str) -> None:
    """PyJWT, which shares no code, reads the public set; nothing of the private key stands in it (RFC 7517, 9.2)."""
    path = made(tmp_path / "keys", "k1", alg)
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert not any_is_open_to_others(path.parent)
    public = key_set(read_keys(path.parent), now=NOW)
    (key,) = jwt.PyJWKSet.from_dict(public).keys
    assert (key.key_id, key.public_key_use, public["keys"][0]["alg"]) == ("k1", "sig", alg)
    assert set(public["keys"][0]) <= {"kty", "crv", "x", "y", "n", "e", "kid", "alg", "use"}
    if isinstance(key.key, ec.EllipticCurvePublicKey):
        assert key.key.curve.name == {"P-384": "secp384r1", "P-256": "secp256r1"}[kind]
    else:
        assert isinstance(key.key, rsa.RSAPublicKey)
        assert str(key.key.key_size) == kind


def test_the_newest_valid_key_signs(tmp_path: Path) -> None:
    """A new key is known to the other side before it signs, and an old one stops by itself."""
    made(tmp_path, "old", starts=NOW - YEAR, ends=NOW + timedelta(days=10))
    folder = KeyFolder(tmp_path, FOR_TOKENS, ("oauth", "keys"))
    assert folder.signing(NOW).kid == "old"
    made(tmp_path, "next", "RS384", starts=NOW + timedelta(days=7))
    assert folder.signing(NOW).kid == "old"
    assert folder.signing(NOW + timedelta(days=7)).kid == "next"
    assert [key["kid"] for key in key_set(folder.keys(), now=NOW)["keys"]] == ["old", "next"]
    assert [key["kid"] for key in key_set(folder.keys(), now=NOW + timedelta(days=10))["keys"]] == ["next"]


def test_no_valid_key_says_what_to_do(tmp_path: Path) -> None:
    """Expired, of another kind, or none at all."""
    made(tmp_path, "over", starts=NOW - YEAR, ends=NOW)
    made(tmp_path, "hook", "ES256")
    with pytest.raises(SettingsError) as caught:
        KeyFolder(tmp_path, FOR_TOKENS, ("oauth", "keys")).signing(NOW)
    assert str(caught.value) == (
        f"oauth.keys: No key in {tmp_path} is valid now for ES384 or RS384. Make one: padpost make-key {tmp_path} --alg ES384"
    )
    with pytest.raises(SettingsError, match="cannot be read: No such file or directory"):
        KeyFolder(tmp_path / "away", FOR_HOOKS, ("signing", "keys")).signing(NOW)


def test_a_shared_secret_is_never_shown(tmp_path: Path) -> None:
    """It has no public part, and neither its words nor its value leave by accident."""
    path = made(tmp_path, "shared", "HS256")
    (key,) = read_keys(tmp_path)
    with pytest.raises(SetupError, match="is a shared secret and has no public part"):
        key.public()
    assert json.loads(path.read_text())["k"] not in repr(key)


def test_what_is_no_key_of_ours_is_named_without_its_content(tmp_path: Path) -> None:
    """Each fault names the file; none of them shows a part of it."""
    good: dict[str, Any] = json.loads(made(tmp_path, "good").read_text())
    path = tmp_path / "bad.jwk"
    for spoilt in (
        "nothing",
        json.dumps([good]),
        *(json.dumps({name: value for name, value in good.items() if name != left_out}) for left_out in ("kid", "exp", "d", "x")),
        *(json.dumps({**good, **change}) for change in ({"alg": "ES256"}, {"alg": "none"}, {"kid": ""}, {"nbf": 10**30})),
        json.dumps({"kty": "oct", "k": "dHdlbnR5LWJ5dGVzLWluLWhlcmU", "kid": "s", "alg": "HS256", "nbf": 1, "exp": 2}),
    ):
        path.write_text(spoilt)
        with pytest.raises(SettingsError) as caught:
            read_keys(tmp_path)
        assert f"The file {path} is no signing key of Padpost." in str(caught.value)
        assert good["d"] not in str(caught.value)


def test_a_key_is_never_written_over(tmp_path: Path) -> None:
    """The other side knows it."""
    before = made(tmp_path, "k1").read_bytes()
    with pytest.raises(SetupError, match=r"k1\.jwk cannot be written: File exists"):
        made(tmp_path, "k1")
    assert (tmp_path / "k1.jwk").read_bytes() == before


def test_a_key_that_others_may_read_is_noticed(tmp_path: Path) -> None:
    """Who reads it can sign in our name."""
    made(tmp_path, "k1").chmod(0o644)
    assert any_is_open_to_others(tmp_path)


def test_a_broken_file_beside_good_keys_is_told(tmp_path: Path) -> None:
    """Silence would let the rotation fail on the day the old key ends."""
    made(tmp_path, "k1")
    folder = KeyFolder(tmp_path, FOR_TOKENS, ("oauth", "keys"))
    assert isinstance(folder.signing(NOW), SigningKey)
    (tmp_path / "k2.jwk").write_text("{}")
    with pytest.raises(SettingsError, match=r"k2\.jwk is no signing key"):
        folder.signing(NOW)


MEMBERS = st.sampled_from(["kty", "crv", "x", "y", "d", "n", "e", "p", "k", "kid", "alg", "use", "key_ops", "nbf", "exp"])
VALUES = st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8) | st.lists(st.text(max_size=3), max_size=2)


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    alg=st.sampled_from(["ES384", "ES256", "HS256"]),
    change=st.dictionaries(MEMBERS, VALUES | st.sampled_from(["EC", "oct"]), min_size=1),
)
def test_no_file_raises_anything_else(tmp_path: Path, alg: str, change: dict[str, Any]) -> None:
    """Whatever stands in it: a key that can be used, or an error that names the file."""
    path = tmp_path / "k1.jwk"
    path.unlink(missing_ok=True)
    good = json.loads(made(tmp_path, "k1", alg).read_text())
    path.write_text(json.dumps({**good, **change}))
    try:
        found = read_keys(tmp_path)
    except SettingsError as error:
        fault = str(error)
    else:
        fault = str(path)
        assert [key.alg in {"ES384", "ES256", "HS256"} and key.starts.tzinfo is not None for key in found] == [True]
    assert str(path) in fault


def test_a_bottomless_file_is_told(tmp_path: Path) -> None:
    """Nested beyond what a reader follows."""
    (tmp_path / "k1.jwk").write_text("[" * 100_000)
    with pytest.raises(SettingsError, match="is no signing key"):
        read_keys(tmp_path)
