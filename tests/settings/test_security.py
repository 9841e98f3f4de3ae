"""TLS and sign-in in the site's file: what would show a secret, or check nobody, is an error at load."""

from __future__ import annotations

from pathlib import Path

import pytest

from bridge import settings
from bridge.errors import SettingsError
from bridge.settings.security import is_loopback, keeps_secrets
from tests.settings.site_files import FHIR_SITE, GOOD, write

FHIR_HTTPS = FHIR_SITE.replace("http://127.0.0.1:9/r4", "https://fhir.example/r4")
FHIR_HTTP = FHIR_SITE.replace("http://127.0.0.1:9/r4", "http://fhir.example/r4")
HOOK = (
    GOOD[: GOOD.index("destinations:")]
    + """\
destinations:
  - name: hook
    kind: hook
    url: https://hook.example/in
    signing: {keys: hook-keys}
"""
)


@pytest.mark.parametrize(
    ("address", "kept"),
    [
        ("https://fhir.example/r4", True),
        ("HTTPS://fhir.example/r4", True),
        ("http://fhir.example/r4", False),
        ("http://127.0.0.1:9/r4", True),
        ("http://127.8.0.1/", True),
        ("http://[::1]:9/", True),
        ("http://localhost/", True),
        ("http://127.0.0.1.example/", False),
        ("http://localhost.example/", False),
        ("http://127.0.0.1@fhir.example/", False),
        ("http://[::1/", False),
    ],
)
def test_secrets_go_by_https_or_stay_on_this_machine(address: str, kept: bool) -> None:
    """RFC 6750 5.3 and RFC 7617 4: TLS for a token and for a password; loopback alone is excepted."""
    assert keeps_secrets(address) is kept


def test_loopback_is_an_address_of_this_machine() -> None:
    """Not a name that looks like one."""
    assert [is_loopback(host) for host in ("127.0.0.1", "::1", "LOCALHOST", "10.0.0.1", "localhost.example", "")] == [
        True,
        True,
        True,
        False,
        False,
        False,
    ]


OAUTH = "    oauth: {client_id: padpost, keys: keys"


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (FHIR_HTTP + "    bearer: {env: T}\n", "the address is plain http, and bearer would be read by anybody on the way"),
        (FHIR_HTTP + "    basic: {user: u, password: {env: T}}\n", "plain http, and basic would be read"),
        (FHIR_HTTP + f"{OAUTH}}}\n", "plain http, and oauth would be read"),
        (FHIR_HTTPS + f"{OAUTH}, token_url: 'http://token.example/'}}\n", "oauth.token_url is plain http"),
        (FHIR_HTTPS + f"    bearer: {{env: T}}\n{OAUTH}}}\n", "bearer and oauth are two ways to sign in: keep one"),
        (FHIR_HTTP + "    tls: {ca: ca.pem}\n", "tls needs an address that begins with https:"),
        (FHIR_HTTPS + "    tls: {certificate: own.pem}\n", "tls.certificate and tls.key go together"),
        (FHIR_HTTPS + "    tls: {key_password: {env: T}}\n", "tls.key_password needs tls.key"),
        (FHIR_HTTPS + "    tls: {minimum: 1.1}\n", "Input should be '1.2' or '1.3'"),
        (FHIR_HTTPS + "    tls: {verify: false}\n", "The key 'verify' is unknown here."),
        (FHIR_HTTPS + "    basic: {user: 'a:b', password: {env: T}}\n", "String should match pattern"),
        (HOOK.replace("https:", "http:"), "url is plain http: a signature tells who sent a result, and hides nothing"),
        (HOOK.replace("    signing: {keys: hook-keys}\n", ""), "The key 'signing' is missing."),
        (HOOK + "    controls: true\n", "controls: true needs format: oul_r22"),
    ],
)
def test_what_would_show_a_secret_is_an_error_at_load(tmp_path: Path, text: str, words: str) -> None:
    """Before anything is sent; and there is no key that switches a check off."""
    with pytest.raises(SettingsError) as caught:
        settings.read_settings(write(tmp_path, text))
    assert words in str(caught.value)
    assert "site.yaml:" in str(caught.value)


def test_files_stand_beside_the_configuration(tmp_path: Path) -> None:
    """Every path in it, however deep; a number for the version is taken as it looks."""
    text = GOOD + "    tls: {ca: tls/ca.pem, certificate: tls/own.pem, key: /etc/own.key, minimum: 1.3, server_name: records}\n"
    (destination,) = settings.read_settings(write(tmp_path, text)).destinations
    assert isinstance(destination, settings.MllpDestination)
    assert destination.tls == settings.Tls(
        ca=tmp_path / "tls/ca.pem",
        certificate=tmp_path / "tls/own.pem",
        key=Path("/etc/own.key"),
        minimum="1.3",
        server_name="records",
    )
    (hook,) = settings.read_settings(write(tmp_path, HOOK)).destinations
    assert isinstance(hook, settings.HookDestination)
    assert (hook.signing.keys, hook.format, hook.address()) == (tmp_path / "hook-keys", "fhir", "https://hook.example/in")


def test_no_secret_stands_in_the_settings(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """They name where a secret is, so that neither a trace nor a repr can hold one."""
    monkeypatch.setenv("T", "tell-nobody")
    (destination,) = settings.read_settings(
        write(tmp_path, FHIR_HTTPS + "    basic: {user: u, password: {env: T}}\n")
    ).destinations
    assert isinstance(destination, settings.FhirDestination)
    assert destination.basic is not None
    assert destination.basic.password.value() == "tell-nobody"
    assert "tell-nobody" not in repr(destination)


@pytest.mark.parametrize(
    ("page", "kind"), [("secure-a-destination", "MllpDestination"), ("send-to-a-web-hook", "HookDestination")]
)
def test_the_how_tos_destinations_are_read(tmp_path: Path, page: str, kind: str) -> None:
    """What a site copies from a page must work as it stands; a part that is shown alone goes under the destination before it."""
    text = (Path(__file__).parents[2] / f"docs/how-to/{page}.md").read_text(encoding="utf-8")
    example = text.partition("```yaml\n")[2].partition("```")[0]
    (destination,) = settings.read_settings(write(tmp_path, GOOD[: GOOD.index("destinations:")] + example)).destinations
    assert type(destination).__name__ == kind
    parts = [each.partition("```")[0] for each in text.split("```yaml\n")[2:]]
    for part in parts:
        base = FHIR_HTTPS + part
        assert settings.read_settings(write(tmp_path, base)).destinations[0].name == "record"
    assert len(parts) == (2 if page == "secure-a-destination" else 0)


@pytest.mark.parametrize(
    ("site", "old", "key"),
    [
        (FHIR_HTTPS, "https://fhir.example/r4", "base_url"),
        (HOOK, "https://hook.example/in", "url"),
        (
            FHIR_HTTPS + "    oauth: {client_id: p, keys: keys, token_url: https://token.example/t}\n",
            "https://token.example/t",
            "oauth.token_url",
        ),
    ],
)
@pytest.mark.parametrize("who", ["pad:s3cret@", "s3cret@"])
def test_a_password_in_an_address_is_refused_and_not_repeated(tmp_path: Path, site: str, old: str, key: str, who: str) -> None:
    """RFC 3986 3.2.1: whoever reads the file, a page or the specification would read it."""
    with pytest.raises(SettingsError, match="a user or a password stands in the address") as told:
        settings.read_settings(write(tmp_path, site.replace(old, old.replace("https://", f"https://{who}"))))
    assert told.value.spot is not None
    assert told.value.spot.key == f"destinations[0].{key}"
    assert "s3cret" not in str(told.value)
