"""What a destination needs: each thing that cannot be used by its key, and what runs out."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from bridge.credentials.destination import faults, warnings
from bridge.credentials.keys import make_key
from bridge.settings import FhirDestination, FolderDestination, HookDestination, MailWay, MllpDestination, MllpSource, NoticeWay
from tests.credentials.papers import papers

NOW = datetime(2026, 11, 26, tzinfo=UTC)


def fhir(**more: Any) -> FhirDestination:
    """Give a destination."""
    given = {"kind": "fhir", "name": "record", "base_url": "https://fhir.example/r4", "result_system": "urn:t:result"}
    return FhirDestination.model_validate({**given, **more})


@pytest.mark.parametrize(
    ("more", "key", "words"),
    [
        ({"bearer": {"env": "PADPOST_NONE"}}, ("bearer", "env"), "The secret PADPOST_NONE is not set."),
        ({"basic": {"user": "u", "password": {"env": "PADPOST_NONE"}}}, ("basic", "password", "env"), "is not set."),
        ({"oauth": {"client_id": "c", "keys": "/absent"}}, ("oauth", "keys"), "The folder /absent cannot be read"),
        ({"tls": {"ca": "/absent.pem"}}, ("tls", "ca"), "The file /absent.pem cannot be read"),
        (
            {"tls": {"certificate": "/a.pem", "key": "/a.key", "key_password": {"env": "PADPOST_NONE"}}},
            ("tls", "key_password", "env"),
            "The secret PADPOST_NONE is not set.",
        ),
    ],
)
def test_what_cannot_be_used_is_named_by_its_key(more: dict[str, Any], key: tuple[str, ...], words: str) -> None:
    """Place, cause and remedy; `padpost check` and the page show the first."""
    first = next(faults(fhir(**more), now=NOW))
    assert first.path == key
    assert words in first.sentence
    assert first.remedy


def test_a_hook_needs_a_key_and_a_folder_nothing(tmp_path: Path) -> None:
    """A key for tokens is none for a hook."""
    make_key(tmp_path, "ES384", starts=NOW, ends=NOW + timedelta(days=365), name="k")
    hook = HookDestination.model_validate(
        {"kind": "hook", "name": "h", "url": "https://hook.example/", "signing": {"keys": str(tmp_path)}}
    )
    (fault,) = faults(hook, now=NOW)
    assert (fault.path, "is valid now for ES256 or HS256" in fault.sentence) == (("signing", "keys"), True)
    make_key(tmp_path, "ES256", starts=NOW, ends=NOW + timedelta(days=365), name="h")
    assert list(faults(hook, now=NOW)) == []
    assert list(warnings(hook, now=NOW)) == []
    folder = FolderDestination.model_validate({"kind": "folder", "name": "f", "path": str(tmp_path)})
    assert list(faults(folder, now=NOW)) == []
    assert list(warnings(folder, now=NOW)) == []


def test_what_runs_out_is_told_thirty_days_before(tmp_path: Path) -> None:
    """A certificate of MLLP, and the last key of a folder; a key that everybody can read is told too. HZ-H10."""
    own = papers(tmp_path / "tls").issue("own", "padpost", ends=NOW + timedelta(days=29))
    mllp = MllpDestination.model_validate({"kind": "mllp", "name": "m", "host": "h", "port": 1, "tls": own})
    assert list(faults(mllp, now=NOW)) == []
    assert list(warnings(mllp, now=NOW)) == [
        "Padpost's certificate (own.pem) runs out on 2026-12-25, in 29 days: renew it; no restart is needed"
    ]
    source = MllpSource.model_validate({"kind": "mllp", "name": "s", "analyzer": "a", "profile": "p", "port": 0, "tls": own})
    assert list(warnings(source, now=NOW)) == list(warnings(mllp, now=NOW))
    assert own.key is not None
    own.key.chmod(0o644)
    assert list(warnings(source, now=NOW))[1:] == [
        "the key own.key can be read by every user of this machine: take that right away (chmod o-rwx)"
    ]
    keys = tmp_path / "keys"
    path = make_key(keys, "ES384", starts=NOW, ends=NOW + timedelta(days=30), name="k")
    oauth = fhir(oauth={"client_id": "c", "keys": str(keys)})
    assert list(warnings(oauth, now=NOW)) == [
        "the last key in keys signs until 2026-12-26: make the next one now, so that the other side knows it in time"
    ]
    make_key(keys, "RS384", starts=NOW + timedelta(days=7), ends=NOW + timedelta(days=365), name="next")
    path.chmod(0o644)
    assert list(warnings(oauth, now=NOW)) == [
        "a key in keys can be read by every user of this machine: take that right away (chmod o-rwx)"
    ]


def test_what_is_a_fault_is_no_warning(tmp_path: Path) -> None:
    """It is told once."""
    (tmp_path / "ca.pem").write_text("nothing")
    broken = fhir(tls={"ca": str(tmp_path / "ca.pem")}, oauth={"client_id": "c", "keys": str(tmp_path / "absent")})
    assert len(list(faults(broken, now=NOW))) == 2
    assert list(warnings(broken, now=NOW)) == []
    assert list(warnings(fhir(oauth={"client_id": "c", "keys": str(tmp_path / "absent")}), now=NOW)) == []


def test_what_a_receiver_meets_where_it_calls_us(tmp_path: Path) -> None:
    """The port for late answers has files of its own: looked at like all others, and named by their key."""
    own = papers(tmp_path).issue("own", "localhost", ends=NOW - timedelta(days=1))
    given = {"kind": "mllp", "name": "r", "host": "h", "port": 1, "acknowledgement": "enhanced"}
    made = MllpDestination.model_validate({**given, "answers_on": {"port": 0, "tls": own.model_copy(update={"ca": None})}})
    assert list(faults(made, now=NOW)) == []
    assert list(warnings(made, now=NOW)) == [
        f"Padpost's certificate (own.pem) ran out on {NOW - timedelta(days=1):%Y-%m-%d}: put a new one in its place"
    ]
    (tmp_path / "own.pem").write_bytes(b"rubbish")
    (fault,) = faults(made, now=NOW)
    assert fault.path == ("answers_on", "tls", "key")


def test_ways_of_signals_need_their_secrets_and_keys(tmp_path: Path) -> None:
    """A password that is not there, a CA that cannot be read, a hook without a key: each by its key in the site's file."""
    given = {"kind": "mail", "name": "m", "host": "mail.example", "sender": "p@x.example", "to": ["a@x.example"]}
    mail = MailWay.model_validate({**given, "user": "u", "password": {"env": "PADPOST_NONE"}, "tls": {"ca": "/absent.pem"}})
    assert [fault.path for fault in faults(mail, now=NOW)] == [("tls", "ca"), ("password", "env")]
    assert list(faults(MailWay.model_validate(given), now=NOW)) == []
    hook = NoticeWay.model_validate(
        {"kind": "hook", "name": "h", "url": "https://x.example/", "signing": {"keys": str(tmp_path)}}
    )
    assert [fault.path for fault in faults(hook, now=NOW)] == [("signing", "keys")]
    make_key(tmp_path, "ES256", starts=NOW, ends=NOW + timedelta(days=9), name="k")
    assert list(faults(hook, now=NOW)) == []
    (words,) = warnings(hook, now=NOW)
    assert "signs until 2026-12-05" in words
