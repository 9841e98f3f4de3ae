"""The composition root: what a site file becomes before anything runs, and that a start that fails leaves nothing behind."""

from __future__ import annotations

import asyncio
import os
import shutil
import socket
from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from bridge import settings
from bridge.app import (
    Padpost,
    _is_here,
    _is_leased,
    answer_faults,
    assemble,
    default_policy,
    grade_faults,
    load_tables,
    policy_of,
    run_until,
    terms_of,
)
from bridge.deliver.pool import Pool
from bridge.errors import SettingsError, StoreLocked, TableError
from bridge.lifecycle.sharing import Role
from bridge.model import Code, Format, Grade, UnitSystem
from bridge.receive.fit import source_faults
from bridge.store.sqlite import SqliteStore
from bridge.tables.types import DestinationTerms, Laboratory, Orders, Pointing, Provider, Tables

SITE = r"""
site: {name: Test Clinic, zone: Europe/Lisbon, data: store}
pages: {port: 0}
patient_ids:
  pattern: '\d{8}'
  check_digit: luhn
  denied: ["00000000"]
  denied_patterns: ["9+"]
  authority: TEST
  type: PI
  system: "urn:example:test"
checks: {rerun_window_minutes: 7, future_tolerance_minutes: 3, oldest_days: 11}
sources:
  - {name: drops, kind: folder, path: drops, analyzer: bench-b, profile: tern}
destinations:
  - {name: records, kind: mllp, host: 127.0.0.1, port: 1, zone: UTC, charset: 8859/1, values: [si], processing_id: T,
     sending_application: APP, sending_facility: WARD, receiving_application: REC, receiving_facility: HOME,
     observed_at: empty, local_codes: false, format: oul_r22, equipment: false, operator: false, units: {"/uL": "cells/uL"}, orders: single,
     order_authority: WARDS, message_profile: agreed, controls: true, laboratory: {name: Lab, city: Town}, provider: {number: "7", family: Able}}
  - {name: chart, kind: fhir, base_url: "http://127.0.0.1:1/fhir", result_system: "urn:example:results", format: fhir_us, processing_id: D,
     pointers: {patient: conditional, order: literal, order_system: "urn:example:orders"}}
  - {name: outbox, kind: folder, path: out, format: fhir, processing_id: T}
  - {name: plain, kind: folder, path: out, processing_id: T}
"""


def site(folder: Path, right: str = "", wrong: str = "") -> settings.Settings:
    assert right in SITE
    path = folder / "site.yaml"
    path.write_text(SITE.replace(right, wrong, 1) if right else SITE, encoding="utf-8")
    return settings.read_settings(path)


async def assembled(config: settings.Settings) -> Padpost:
    """Put a bridge together and let go of it again."""
    bridge = await assemble(config)
    await bridge.close()
    return bridge


# --- settings become plain facts


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


def test_two_answers_reach_the_renderer_and_the_queue(tmp_path: Path) -> None:
    """Enhanced mode is asked for in the message, waited for in the queue, and listened for where the site says."""
    more = ", acknowledgement: enhanced, application_answer: ER, application_s: 60, answers_on: {port: 0}}"
    config = site(tmp_path, 'provider: {number: "7", family: Able}}', 'provider: {number: "7", family: Able}' + more)
    records, chart, *_ = (terms_of(config, destination) for destination in config.destinations)
    assert (records.asks_commit, records.asks_application, chart.asks_commit) == (True, "ER", False)
    bridge = asyncio.run(assembled(config))
    assert "answers of records" in bridge.service._watches
    hears = [isinstance(client, Pool) and all(each.late is not None for each in client._clients) for client in bridge.clients]
    assert hears == [True, False, False, False]


def test_a_sites_word_on_a_yes_stops_the_start(tmp_path: Path) -> None:
    """File, line and key: an acceptance is the receiver's alone, and a misspelt code would never be met."""
    for when in ("AA", "AE 999"):
        config = site(
            tmp_path,
            "port: 1, zone",
            f'port: 1, answers: [{{when: AE, means: refused}}, {{when: "{when}", means: try again}}], zone',
        )
        (fault,) = answer_faults(config)
        assert fault.path == ("destinations", 0, "answers", 1, "when")
        assert fault.sentence == f"{when!r} is no answer that a site can have its own word on."
        with pytest.raises(SettingsError, match="no answer that a site can have"):
            asyncio.run(assemble(config))


def test_every_setting_of_the_checks_reaches_the_policy(tmp_path: Path) -> None:
    """As above, for what decides whether a strip may go on."""
    policy = policy_of(site(tmp_path))
    ids = policy.patient_id
    assert (ids.pattern, ids.check_digit, ids.denied, ids.denied_patterns) == (
        r"\d{8}", "luhn", frozenset({"00000000"}), ("9+",),
    )  # fmt: skip
    assert (policy.rerun_window_minutes, policy.future_tolerance_minutes, policy.oldest_days) == (7, 3, 11)


# --- a start that fails leaves nothing behind


def test_a_site_that_cannot_be_used_touches_no_store(tmp_path: Path) -> None:
    """What is wrong in a file is found before a folder is made or a lock is taken."""
    with pytest.raises(SettingsError, match=r"No profile is called 'trn'\. There are alder, brook") as wrong:
        asyncio.run(assemble(site(tmp_path, "profile: tern", "profile: trn")))
    assert wrong.value.path == ("sources", 0, "profile")
    assert not (tmp_path / "store").exists()


def test_a_mapping_file_of_the_sites_own_is_named_by_its_name_and_line(tmp_path: Path) -> None:
    """The error must not point at the shipped file of the same name, which is right."""
    (tmp_path / "own" / "strip_types").mkdir(parents=True)
    shipped = (settings.shipped_mappings() / "strip_types" / "sedge-5.yaml").read_text(encoding="utf-8")
    (tmp_path / "own" / "strip_types" / "sedge-5.yaml").write_text(f"color: green\n{shipped}", encoding="utf-8")
    with pytest.raises(TableError, match=r"^strip_types/sedge-5\.yaml:1: color: The key 'color' is unknown here\."):
        asyncio.run(assemble(site(tmp_path, "checks:", "mappings: own\nchecks:")))
    assert not (tmp_path / "store").exists()


# --- mapping files

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


# --- starting


def test_two_bridges_never_share_a_store(tmp_path: Path) -> None:
    """The second is refused with a sentence; once the first has closed, the store is free."""

    async def live() -> None:
        first = await assemble(site(tmp_path))
        with pytest.raises(StoreLocked, match=f"process {os.getpid()} on .* has this store open"):
            await assemble(site(tmp_path))
        await first.close()
        second = await assemble(site(tmp_path))
        await second.close()

    asyncio.run(live())


def test_pages_that_cannot_listen_stop_the_start_with_nothing_begun(tmp_path: Path) -> None:
    """A bridge that receives while nobody can see its pages would look well; the store is free again afterwards."""

    async def live(port: int) -> None:
        bridge = await assemble(site(tmp_path, "pages: {port: 0}", f"pages: {{port: {port}}}"))
        try:
            with pytest.raises(SettingsError, match=f"The pages cannot listen on 127.0.0.1, port {port}: ") as wrong:
                await run_until(bridge, asyncio.Event())
            assert wrong.value.path == ("pages", "port")
            assert bridge.service.loops == {}
        finally:
            await bridge.close()

    with socket.create_server(("127.0.0.1", 0)) as taken:
        asyncio.run(live(taken.getsockname()[1]))
    SqliteStore(tmp_path / "store", now=lambda: datetime(2026, 11, 25, tzinfo=UTC)).close()


def test_assembled_destinations_are_shut_until_their_plans_are_checked(tmp_path: Path) -> None:
    """Nothing may leave between the start and the end of the checks."""

    async def live() -> None:
        bridge = await assemble(site(tmp_path))
        assert list(bridge.sources) == ["drops"]
        assert [queue.shut_because for queue in bridge.service._queues.values()] == ["Its messages are being checked."] * 4  # type: ignore[attr-defined]  # the service knows its queues as loops only
        assert bridge.store.table_set(bridge.tables.digest) == bridge.tables.canonical
        await bridge.close()

    asyncio.run(live())


def test_roles_are_refused_where_one_process_has_the_store(tmp_path: Path) -> None:
    """What is left to another process that cannot be there would never be done."""
    with pytest.raises(SettingsError, match="Leave out --only, or name a database") as wrong:
        asyncio.run(assemble(site(tmp_path), frozenset({Role.INTAKE})))
    assert wrong.value.path == ("database",)
    assert not (tmp_path / "store").exists()


@pytest.mark.parametrize(
    ("source", "leased", "here"),
    [
        ("{name: a, kind: folder, path: p, analyzer: a, profile: tern}", True, True),
        ("{name: a, kind: tcp, role: call, host: h, port: 1, link: lis01, analyzer: a, profile: tern}", True, True),
        ("{name: a, kind: tcp, role: listen, host: h, port: 1, link: lis01, analyzer: a, profile: tern}", False, True),
        ("{name: a, kind: serial, port: /dev/x, link: lis01, analyzer: a, profile: tern}", False, True),
        ("{name: a, kind: serial, port: /dev/x, on_host: another.example, link: lis01, analyzer: a, profile: tern}", False, False),
        (f"{{name: a, kind: serial, port: /dev/x, on_host: {socket.gethostname()}, link: lis01, analyzer: a, profile: tern}}", False, True),
    ],
)  # fmt: skip
def test_which_sources_one_process_alone_runs_and_which_are_here(tmp_path: Path, source: str, leased: bool, here: bool) -> None:
    """A folder or a call would be made twice; a wire ends in one machine; where we listen, the analyzer chooses."""
    config = tmp_path / "site.yaml"
    config.write_text(
        f"site: {{name: T, zone: UTC, data: store}}\npatient_ids: {{pattern: 'x', authority: T, system: 'urn:x'}}\nsources:\n  - {source}\n"
        "destinations: []\n"
    )
    (read,) = settings.read_settings(config).sources
    assert (_is_leased(read), _is_here(read)) == (leased, here)


# --- the log
