"""What the pages are told of the site, and where they may listen."""

from __future__ import annotations

from dataclasses import FrozenInstanceError
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from bridge import settings
from bridge.errors import SettingsError
from bridge.pages.site import Bench, PagesSite
from tests.tables.shipped_tables import tables

SITE = """\
site: {{name: Test Clinic, zone: Europe/Lisbon, data: store}}
pages: {pages}
patient_ids: {{pattern: '\\d{{8}}', authority: TEST, system: "urn:example:test"}}
"""


def test_a_site_says_nothing_that_it_was_not_told() -> None:
    """Without more a site answers to loopback alone and finds nothing wrong with itself."""
    site = PagesSite(
        name="Test Clinic", zone=ZoneInfo("UTC"), port=8765, secret=b"s" * 32, bench=Bench(tables=tables(), terms=())
    )
    assert (site.host_names, site.destinations, site.not_ready()) == ((), (), ())
    assert (dict(site.send_again), dict(site.schemes), site.largest_body) == ({}, {}, 65_536)
    with pytest.raises(FrozenInstanceError):
        site.port = 1  # type: ignore[misc]  # that it cannot be done is the test


@pytest.mark.parametrize("host", ["0.0.0.0", "::", "192.168.1.20", "bench.example"])
@pytest.mark.parametrize("more", ["", ", allow_other_hosts: true", ", host_names: [bench.example]"])
def test_listening_beyond_loopback_is_refused_unless_it_is_meant(tmp_path: Path, host: str, more: str) -> None:
    """It is said twice that other machines may come. Both the switch and the names are needed."""
    path = tmp_path / "site.yaml"
    path.write_text(SITE.format(pages=f'{{host: "{host}"{more}}}'), encoding="utf-8")
    with pytest.raises(SettingsError) as refused:
        settings.read_settings(path)
    assert refused.value.sentence.startswith(
        f"pages would listen on {host}, where other machines reach them; "
        "set allow_other_hosts: true and host_names: [...] if that is meant"
    )
    assert refused.value.spot is not None
    assert (refused.value.spot.line, refused.value.spot.key) == (2, "pages")


@pytest.mark.parametrize("host", ["127.0.0.1", "::1", "localhost"])
def test_loopback_needs_no_more(tmp_path: Path, host: str) -> None:
    """The usual case needs no setting."""
    path = tmp_path / "site.yaml"
    path.write_text(SITE.format(pages=f'{{host: "{host}"}}'), encoding="utf-8")
    assert settings.read_settings(path).pages.host == host


def test_listening_elsewhere_is_possible_where_it_is_meant(tmp_path: Path) -> None:
    """With the switch and the names it listens, and answers to those names."""
    path = tmp_path / "site.yaml"
    path.write_text(
        SITE.format(pages='{host: "0.0.0.0", allow_other_hosts: true, host_names: [bench.example]}'), encoding="utf-8"
    )
    pages = settings.read_settings(path).pages
    assert (pages.host, pages.host_names) == ("0.0.0.0", ("bench.example",))
