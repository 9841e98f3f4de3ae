"""What a site's file means: every setting reaches what it is for, and a slip is told with file, line and key."""

from __future__ import annotations

import asyncio
import json
import shutil
from dataclasses import replace
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from bridge import settings
from bridge.app import assemble
from bridge.errors import SettingsError, TableError
from bridge.model import Code, Format, Grade, UnitSystem
from bridge.receive.fit import source_faults
from bridge.site import default_policy, grade_faults, load_tables, policy_of, tables_for, terms_of
from bridge.tables.differences import differences
from bridge.tables.specimen_rule import SpecimenRule
from bridge.tables.telling_terms import TellingTerms, ToTell
from bridge.tables.types import DestinationTerms, Laboratory, Orders, Pointing, Provider, Tables
from tests.site_for_tests import site


def test_every_setting_of_a_destination_reaches_its_renderer(tmp_path: Path) -> None:
    """A setting that is read and then forgotten would be believed by whoever wrote it."""
    config = site(tmp_path)
    records, chart, outbox, plain = (terms_of(config, destination) for destination in config.destinations)
    assert records == DestinationTerms(
        name="records", format=Format.OUL_R22, value_forms=(UnitSystem.SI,), sending_application="APP", sending_facility="WARD",
        receiving_application="REC", receiving_facility="HOME", processing_id="T", charset="8859/1", zone=ZoneInfo("UTC"),
        patient_authority="TEST", patient_type="PI", patient_system="urn:example:test", result_system="", observed_at="empty",
        local_codes=False, equipment=False, operator=False, unit_texts={"/uL": "cells/uL"}, orders=Orders.SINGLE, order_authority="WARDS",
        message_profile="agreed", non_patient=True, provider=Provider(number="7", family="Able", given="", authority=""),
        laboratory=Laboratory(name="Lab", number="", authority="", street="", city="Town", state="", postal_code="", country="", director=""),
    )  # fmt: skip
    assert (chart.patient_pointing, chart.order_pointing) == (Pointing.CONDITIONAL, Pointing.LITERAL)
    assert chart.order_system == "urn:example:orders"
    assert (chart.format, chart.result_system, chart.zone) == (Format.FHIR_US, "urn:example:results", ZoneInfo("Europe/Lisbon"))
    assert chart.value_forms == (UnitSystem.ARBITRARY, UnitSystem.CONVENTIONAL, UnitSystem.SI)
    assert (outbox.format, outbox.result_system) == (Format.FHIR, "urn:padpost:result")
    assert plain.format is Format.ORU_R01
    assert [(terms.processing_id, terms.is_live) for terms in (records, chart, plain)] == [
        ("T", False),
        ("D", False),
        ("T", False),
    ]


GRADES = "name: plain, kind: folder, path: out"


# a table that lacks a grade of tern's strips on purpose: 2+
TABLE = (
    ", grades: [local, loinc], grade_table: {system: 99TST, uri: urn:oid:2.999.9, codes: {negative: {code: N, text: none},"
    " normal: {code: M, text: usual}, trace: {code: T, text: trace}, 1+: {code: A, text: one}, 3+: {code: C, text: three},"
    " 4+: {code: D, text: four}, positive: {code: P, text: found}}}"
)


def test_the_sites_own_grade_codes_reach_the_renderer(tmp_path: Path) -> None:
    """Name, URI, code and words, and the order of systems."""
    config = site(tmp_path, GRADES, GRADES + TABLE)
    plain = terms_of(config, config.destinations[3])
    assert plain.grades == ("local", "loinc")
    assert plain.grade_table is not None
    assert plain.grade_table.uri == "urn:oid:2.999.9"
    assert plain.grade_table.codes[Grade.PLUS_1] == Code(code="A", text="one", system="99TST")
    assert terms_of(config, config.destinations[0]).grade_table is None


def test_a_grade_that_a_receiver_cannot_be_told_stops_the_start(tmp_path: Path) -> None:
    """The place is the destination's own key; a strip type that no source reads asks for nothing."""
    config = site(tmp_path, GRADES, GRADES + TABLE)
    (fault,) = grade_faults(config, tables(None))
    assert fault.path == ("destinations", 3, "grade_table", "codes")
    assert fault.sentence == (
        "plain takes the site's own codes of grades, but its grade_table has none for '2+', which albumin may have."
    )
    with pytest.raises(SettingsError, match=r"has none for '2[+]', which albumin may have"):
        asyncio.run(assemble(config))
    assert not (tmp_path / "store").exists()
    whole = site(tmp_path, GRADES, GRADES + TABLE.replace(" 3+:", " 2+: {code: B, text: two}, 3+:"))
    assert list(grade_faults(whole, tables(None))) == []
    assert list(grade_faults(site(tmp_path, GRADES, GRADES + ", grades: [snomed]"), tables(None))) == []


def test_every_setting_of_the_checks_reaches_the_policy(tmp_path: Path) -> None:
    """As above, for what decides whether a strip may go on."""
    policy = policy_of(site(tmp_path))
    ids = policy.patient_id
    assert (ids.pattern, ids.check_digit, ids.denied, ids.denied_patterns) == (
        r"\d{8}", "luhn", frozenset({"00000000"}), ("9+",),
    )  # fmt: skip
    assert (policy.rerun_window_minutes, policy.future_tolerance_minutes, policy.oldest_days) == (7, 3, 11)
    assert (policy.processing_ids, policy.test_messages) == ({}, "stop")
    test = policy_of(site(tmp_path, "analyzer: bench-b,", "analyzer: bench-b, processing_id: T,"))
    assert test.processing_ids == {"bench-b": "T"}
    assert policy_of(site(tmp_path, "oldest_days: 11", "oldest_days: 11, test_messages: training")).test_messages == "training"


def test_where_strips_are_read_by_eye_reaches_the_policy_and_what_is_signed(tmp_path: Path) -> None:
    """Whether two persons look decides whether a strip goes: the laboratory signs it. A site without such a place signs what it signed before."""
    plain = policy_of(site(tmp_path))
    assert (plain.one_person, plain.ungated) == (frozenset(), frozenset())
    line = "sources:\n  - {name: eyes, kind: by_eye, analyzer: ward-4, profile: heron, second_person: SECOND, controls: CONTROLS}"
    alone = site(tmp_path, "sources:", line.replace("SECOND", "false").replace("CONTROLS", "false"))
    assert (policy_of(alone).one_person, policy_of(alone).ungated) == (frozenset({"ward-4"}), frozenset({"ward-4"}))
    strict = site(tmp_path, "sources:", line.replace("SECOND", "true").replace("CONTROLS", "true"))
    assert policy_of(strict) == plain
    said = json.loads(tables_for(alone).canonical)["policy"]
    assert (said["one_person"], said["ungated"]) == (["ward-4"], ["ward-4"])
    assert {"one_person", "ungated"} & json.loads(tables_for(strict).canonical)["policy"].keys() == set()


def test_a_specimen_run_again_and_a_withdrawal_are_the_sites_to_set(tmp_path: Path) -> None:
    """Held unless the site says otherwise (HZ-I04); W unless a receiver asks for D."""
    assert policy_of(site(tmp_path)).run_again == "hold"
    apart = site(tmp_path, "oldest_days: 11", "oldest_days: 11, run_again: nothing")
    assert policy_of(apart).run_again == "nothing"
    assert json.loads(tables_for(apart).canonical)["policy"]["run_again"] == "nothing"
    config = site(tmp_path)
    assert "run_again" not in json.loads(tables_for(config).canonical)["policy"], "who signed before keeps the signed set"
    first = config.destinations[0]
    assert terms_of(config, first).withdrawal == "W"
    assert terms_of(config, first.model_copy(update={"withdrawal": "D"})).withdrawal == "D"


def test_how_old_a_specimen_may_be_reaches_the_policy(tmp_path: Path) -> None:
    """For all, and for a strip type by its name; a name that is none stops the start, since its limit would never be asked."""
    assert policy_of(site(tmp_path)).specimen is None
    asked = "oldest_days: 11, specimen: {older: note, strip_types: [{strip_type: NAME, limit_minutes: 60}]}"
    config = site(tmp_path, "oldest_days: 11", asked.replace("NAME", "quill-10"))
    assert policy_of(config).specimen == SpecimenRule(limit_minutes=120, stops=False, by_strip_type={"quill-10": 60})
    assert tables_for(config).policy.specimen is not None
    with pytest.raises(SettingsError, match="There is no strip type 'quill-11'") as caught:
        tables_for(site(tmp_path, "oldest_days: 11", asked.replace("NAME", "quill-11")))
    assert caught.value.path == ("checks", "specimen", "strip_types", 0, "strip_type")


def test_whom_to_tell_reaches_the_policy_and_changes_no_signature(tmp_path: Path) -> None:
    """The list changes with the people of the house; no result depends on it, so a set that was signed stays signed."""
    asked = "telling: {overdue_minutes: 20, repeat_hours: 4, people: [{name: Ward 3, role: nurse, contact: ext. 44}]}\n"
    policy = policy_of(site(tmp_path, "checks: {", f"{asked}checks: {{"))
    people = (ToTell(name="Ward 3", role="nurse", contact="ext. 44"),)
    assert policy.telling == TellingTerms(overdue_minutes=20, people=people, repeat_hours=4)
    assert policy_of(site(tmp_path)).telling == TellingTerms(overdue_minutes=30, people=(), repeat_hours=0)
    plain = replace(policy, telling=TellingTerms())
    one, other = (load_tables(SHIPPED, None, each, zone=ZoneInfo("UTC")).digest for each in (policy, plain))
    assert one == other


def test_what_says_nothing_of_tests_keeps_its_signature() -> None:
    """A site that is live signed a set without the two keys; it must not be shut by an upgrade for what it does not use."""
    policy = default_policy()
    plain, training, other = (
        load_tables(SHIPPED, None, each, zone=ZoneInfo("UTC"))
        for each in (policy, replace(policy, test_messages="training"), replace(policy, processing_ids={"bench-b": "T"}))
    )
    assert b"processing_ids" not in plain.canonical
    assert b"test_messages" not in plain.canonical
    assert differences(plain.canonical, training.canonical) == ('the site\'s file: checks.test_messages: new, "training"',)
    assert differences(plain.canonical, other.canonical) == ('the site\'s file: sources.processing_id: new, {"bench-b": "T"}',)


SHIPPED = settings.shipped_mappings()


TERN = "profiles/tern.yaml"


def tables(own: Path | None) -> Tables:
    return load_tables(SHIPPED, own, default_policy(), zone=ZoneInfo("UTC"))


def own_file(folder: Path, name: str, right: str, wrong: str) -> Path:
    """Put a changed copy of a shipped mapping file into a site's own folder; give the folder."""
    text = (SHIPPED / name).read_text(encoding="utf-8")
    assert right in text
    path = folder / "own" / name
    path.parent.mkdir(parents=True)
    path.write_text(text.replace(right, wrong, 1), encoding="utf-8")
    return folder / "own"


@pytest.mark.parametrize(
    ("name", "right", "wrong", "key", "words"),
    [
        (TERN, "date_format:", "date_fromat:", "date_fromat", "Did you mean 'date_format'?"),
        (TERN, '"Glicose": glucose', '"Glicose": glucoze', "labels.Glicose", "glucoze"),
        (TERN, "layout: delimited", "layout: delimted", "layout", "delimted"),
        ("strip_types/pebble-2.yaml", "pad: creatinine", "pad: creatinin", "pads[0]", "creatinin"),
    ],
)
def test_a_slip_in_a_mapping_file_is_told_with_file_line_and_key(
    tmp_path: Path, name: str, right: str, wrong: str, key: str, words: str
) -> None:
    """An unknown key, a pad that is in no catalogue, a word that is none: where it stands, what is wrong, what is nearest."""
    lines = (SHIPPED / name).read_text(encoding="utf-8").splitlines()
    with pytest.raises(TableError) as caught:
        tables(own_file(tmp_path, name, right, wrong))
    spot = caught.value.spot
    assert spot is not None
    assert (spot.file, spot.line) == (name, 1 + next(number for number, line in enumerate(lines) if right in line))
    assert spot.key.startswith(key)
    assert words in str(caught.value)
    assert caught.value.remedy


def test_a_mapping_file_that_is_no_yaml_is_told_with_its_line(tmp_path: Path) -> None:
    """The quote that is opened in line 2 is missed where the file ends, in line 3."""
    (tmp_path / "profiles").mkdir()
    (tmp_path / "profiles" / "mine.yaml").write_text('title: "Mine"\nabout: "open\n', encoding="utf-8")
    with pytest.raises(TableError, match=r"^profiles/mine\.yaml:3: This is not YAML: "):
        tables(tmp_path)


def test_without_a_catalogue_nothing_has_a_code(tmp_path: Path) -> None:
    """A folder from which the catalogue was lost is no folder of mappings."""
    shutil.copytree(SHIPPED / "profiles", tmp_path / "profiles")
    with pytest.raises(TableError, match=r"There is no catalogue\.yaml\. Restore it"):
        load_tables(tmp_path, None, default_policy(), zone=ZoneInfo("UTC"))


def test_a_sites_own_file_stands_for_the_shipped_one(tmp_path: Path) -> None:
    """By name: the changed one replaces, a new one adds, all others stay; and the digest tells the two apart."""
    shipped = tables(None)
    own = own_file(tmp_path, TERN, 'operator: "3"', 'operator: "3"\n')
    shutil.copy(SHIPPED / "profiles" / "brook.yaml", own / "profiles" / "brook-two.yaml")
    found = tables(own)
    assert found.profiles.keys() == shipped.profiles.keys() | {"brook-two"}
    assert found.strip_types == shipped.strip_types
    assert found.profiles["brook"] == shipped.profiles["brook"]
    assert found.digest != shipped.digest
    assert tables(None).digest == shipped.digest


def test_every_source_with_an_unknown_profile_is_told(tmp_path: Path) -> None:
    """All of them, each with its place, so that one look shows what there is to mend."""
    more = "  - {name: line, kind: tcp, role: listen, port: 0, link: lis01, analyzer: bench-a, profile: brok}\ndestinations:"
    config = site(tmp_path, "profile: tern}\ndestinations:", "profile: trn}\n" + more)
    assert [(error.path, error.sentence) for error in source_faults(config.sources, tables(None).profiles)] == [
        (("sources", 0, "profile"), "No profile is called 'trn'."),
        (("sources", 1, "profile"), "No profile is called 'brok'."),
    ]
