"""When certificates begin and end, and the words of it."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from bridge.credentials.validity import Validity, expiry_words, validities
from bridge.errors import SettingsError
from bridge.settings import Tls
from tests.credentials.papers import papers

START = datetime(2026, 1, 1, tzinfo=UTC)
END = datetime(2026, 12, 31, 12, tzinfo=UTC)
OWN = Validity(file=Path("/etc/padpost/own.pem"), use="Padpost's certificate", starts=START, ends=END)


def test_what_is_named_is_read_from_the_files(tmp_path: Path) -> None:
    """Of a chain what ends first, of trusted CAs what ends last: another CA of the bundle may take over."""
    ours, theirs = papers(tmp_path), papers(tmp_path, "other")
    own = ours.issue("own", "localhost", starts=START, ends=END)
    with ours.ca.open("ab") as bundle:
        bundle.write(theirs.ca.read_bytes())
    found = {each.use: each for each in validities(own)}
    assert (found["Padpost's certificate"].starts, found["Padpost's certificate"].ends) == (START, END)
    assert found["the trusted certificate"].ends.year > 2026
    assert list(validities(Tls())) == []


def test_a_file_without_a_certificate_is_named(tmp_path: Path) -> None:
    """Key and remedy."""
    (tmp_path / "ca.pem").write_text("nothing\n")
    with pytest.raises(SettingsError, match=r"tls\.ca: The file .*ca\.pem holds no certificate"):
        list(validities(Tls(ca=tmp_path / "ca.pem")))


@pytest.mark.parametrize(
    ("now", "words"),
    [
        (END - timedelta(days=31), ""),
        (END - timedelta(days=30), "runs out on 2026-12-31, in 30 days: renew it; no restart is needed"),
        (END - timedelta(days=1), "runs out on 2026-12-31, in 1 day: renew it; no restart is needed"),
        (END - timedelta(hours=3), "runs out on 2026-12-31, in less than a day: renew it; no restart is needed"),
        (END, "ran out on 2026-12-31: put a new one in its place"),
        (START - timedelta(seconds=1), "is valid from 2026-01-01 00:00 UTC only: check the clock of this machine"),
    ],
)
def test_the_words_begin_thirty_days_before(now: datetime, words: str) -> None:
    """The file is named without its folder: the words stand on the page."""
    assert expiry_words(OWN, now=now) == (f"Padpost's certificate (own.pem) {words}" if words else "")
