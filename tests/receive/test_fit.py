"""What keeps a site's sources from working, or would make two strips of one, is said before anything listens."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from pydantic import TypeAdapter

from bridge.receive.fit import counting, key_faults, source_faults
from bridge.settings import Source
from bridge.tables.types import SeriesRule
from tests.credentials.papers import papers
from tests.tables.shipped_tables import tables

PROFILES = tables().profiles


def source(name: str, kind: str, profile: str, analyzer: str = "bench-a", **more: Any) -> Any:
    needs: dict[str, Any] = {
        "folder": {"path": "x"},
        "mllp": {"port": 0},
        "http": {"key": {"env": f"KEY_{name.upper()}"}},
        "by_eye": {},
    }
    return TypeAdapter(Source).validate_python(
        {"name": name, "kind": kind, "analyzer": analyzer, "profile": profile, **needs[kind], **more}
    )


def test_profiles_that_are_there_and_fit() -> None:
    """One analyzer by three layouts that number its strips alike."""
    sources = [source("a", "folder", "brook-file"), source("b", "mllp", "dipper"), source("c", "http", "lark")]
    assert list(source_faults(sources, PROFILES)) == []


def test_a_profile_that_is_nowhere() -> None:
    """The key of the source is named."""
    (fault,) = source_faults([source("a", "folder", "brok")], PROFILES)
    assert (fault.path, fault.sentence) == (("sources", 0, "profile"), "No profile is called 'brok'.")


def test_mllp_needs_a_profile_that_reads_hl7() -> None:
    """A listener that could not tell a result message would answer AA to anything."""
    (fault,) = source_faults([source("a", "mllp", "tern")], PROFILES)
    assert (fault.path, fault.sentence) == (("sources", 0, "profile"), "The profile 'tern' reads no HL7 messages.")
    assert fault.remedy.endswith("layout hl7: dipper.")


def test_two_layouts_of_one_analyzer_must_count_alike() -> None:
    """Else the same strip by two ways would have two identities, and be filed twice."""
    (fault,) = source_faults([source("a", "folder", "brook-file"), source("b", "folder", "tern")], PROFILES)
    assert fault.path == ("sources", 1, "profile")
    assert fault.sentence == "The profiles 'brook-file' and 'tern' of the analyzer 'bench-a' number its strips differently."
    assert list(source_faults([source("a", "folder", "brook-file"), source("b", "folder", "tern", "bench-b")], PROFILES)) == []


@pytest.mark.parametrize("change", [{"first": 0}, {"shared": False}, {"modes": {}}])
def test_what_counting_alike_means(change: dict[str, Any]) -> None:
    """Where the numbers begin, whether modes share them, and what the modes are; not how they are written."""
    scheme = PROFILES["dipper"].numbers
    assert counting(scheme) == counting(PROFILES["lark"].numbers) == counting(PROFILES["brook"].numbers)
    assert counting(replace(scheme, **change)) != counting(scheme)


def test_keys(monkeypatch: pytest.MonkeyPatch) -> None:
    """A key that is not set, too short, or two sources' at once is no key."""
    sources = [source(name, "http", "lark") for name in ("a", "b", "c", "d")]
    monkeypatch.setenv("KEY_A", "k" * 24)
    monkeypatch.setenv("KEY_B", "k" * 24)
    monkeypatch.setenv("KEY_C", "k" * 23)
    monkeypatch.delenv("KEY_D", raising=False)
    found = [(fault.path, fault.sentence) for fault in key_faults([*sources, source("e", "folder", "tern")])]
    assert found == [
        (("sources", 1, "key", "env"), "The sources a and b have the same key."),
        (("sources", 2, "key", "env"), "The key of c is shorter than 24 characters."),
        (("sources", 3, "key", "env"), "The secret KEY_D is not set."),
    ]


def test_tls_files_that_cannot_be_used(tmp_path: Path) -> None:
    """Told before anything listens: no certificate, or a file that is none."""
    own = papers(tmp_path).issue("own", "localhost")
    assert own.certificate is not None
    good = source("a", "mllp", "dipper", tls=own.model_dump())
    bare = source("b", "mllp", "dipper", tls={})
    assert list(key_faults([good])) == []
    (fault,) = key_faults([good, bare])
    assert (fault.path, fault.sentence) == (
        ("sources", 1, "tls", "certificate"),
        "A source that is called by TLS has no certificate.",
    )
    own.certificate.write_text("no certificate", encoding="ascii")
    (fault,) = key_faults([good])
    assert fault.path == ("sources", 0, "tls", "key")


def test_sources_of_one_analyzer_expect_one_processing_id() -> None:
    """Judging asks by analyzer: two answers would make the order of the file decide what is live. HZ-H11."""
    sources = [source("a", "folder", "brook-file"), source("b", "mllp", "dipper", processing_id="T")]
    (fault,) = source_faults(sources, PROFILES)
    assert fault.path == ("sources", 1, "processing_id")
    assert fault.sentence == "The sources a and b of the analyzer 'bench-a' expect different processing IDs."


def test_tests_and_a_live_record_do_not_go_together() -> None:
    """A source that takes tests for results beside a destination that files them would put a test into a patient's record. HZ-H11."""
    bench = [source("a", "mllp", "dipper", processing_id="T")]
    (fault,) = source_faults(bench, PROFILES, live=("records",))
    assert fault.path == ("sources", 0, "processing_id")
    assert fault.sentence == "a takes test messages for results, and records is live: they would go to patients' records."
    assert list(source_faults(bench, PROFILES)) == []


def test_strips_read_by_eye_need_a_profile_and_a_name_of_their_own() -> None:
    """Its codes are of another method, and Padpost alone counts its entries."""
    assert list(source_faults([source("a", "folder", "brook"), source("b", "by_eye", "heron", "ward-4")], PROFILES)) == []
    faults = list(source_faults([source("a", "folder", "heron", "ward-4"), source("b", "by_eye", "heron", "ward-4")], PROFILES))
    assert [(each.path, each.sentence) for each in faults] == [
        (("sources", 1, "analyzer"), "'ward-4' is another source's too, and b counts its entries by itself.")
    ]
    (fault,) = source_faults([source("b", "by_eye", "tern", "ward-4")], PROFILES)
    assert (fault.path, fault.sentence) == (("sources", 0, "profile"), "The profile 'tern' is of strips that an analyzer reads.")
    assert fault.remedy.endswith("reading: visual: heron.")
    (fault,) = source_faults([source("b", "by_eye", "none", "ward-4")], PROFILES)
    assert fault.sentence == "No profile is called 'none'."


@pytest.mark.parametrize(
    "change", [{"series": SeriesRule.FALL}, {"shared": False}, {"pattern": "(?P<mode>[A-Z])(?P<number>[0-9]+)"}]
)
def test_entries_are_counted_by_the_day_in_plain_numbers(change: dict[str, Any]) -> None:
    """Two entries with one number would stop each other."""
    heron = PROFILES["heron"]
    profiles = {**PROFILES, "heron": replace(heron, numbers=replace(heron.numbers, **change))}
    (fault,) = source_faults([source("b", "by_eye", "heron", "ward-4")], profiles)
    assert fault.path == ("sources", 0, "profile")
    assert fault.remedy == "Set series: daily and shared: true, and a pattern that takes digits alone."
