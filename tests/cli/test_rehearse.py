"""``padpost rehearse`` beside a running service, on a file and on a server; and what ``sign-off`` shows of it."""

from __future__ import annotations

import asyncio
from datetime import timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest
import yaml

from bridge import clock, settings
from bridge.demo.printers import Play, framed, printed
from bridge.judging import Ids, Judging
from bridge.model import Capture, Way
from bridge.plan_book import PlanBook
from bridge.site import tables_for
from bridge.store.commands import KeepCapture
from bridge.store.postgres.connection import Server
from bridge.store.postgres.store import PostgresStore
from bridge.store.sqlite import SqliteStore
from bridge.tables.types import Tables
from tests.cli.commands import SITE, here, site
from tests.judging_for_tests import ORU
from tests.peers.postgres import PostgresServer

PATIENT = "40700007"  # Luhn check digit; invented
RULE = {
    "id": "sugar",
    "when": [{"pad": "glucose", "at_least": "3+"}],
    "text": "Sugar.",
    "source": "invented for this test",
    "signed": "Dr N. Example, 2026-11-25",
    "switched_on": True,
}
CAUTION = "Nothing was changed, sent or flagged. Limits and rules are the laboratory's: its director decides and signs. Padpost does not diagnose."


def flags(path: Path, *rules: dict[str, Any]) -> Path:
    path.parent.mkdir(exist_ok=True)
    path.write_text(yaml.safe_dump({"critical": list(rules)}), encoding="utf-8")
    return path


def judged(store: SqliteStore | PostgresStore, tables: Tables) -> None:
    """Put three strips of today and one of forty days ago there, through judging; glucose at 1+, 3+, 4+, and 4+."""
    now = clock.now()
    profile = tables.profiles["tern"]
    for number, (rank, days) in enumerate(((5, 40), (2, 0), (4, 0), (5, 0)), 1):
        at = now - timedelta(days=days, minutes=9 - number)
        play = Play(
            number=number,
            at=at.astimezone(ZoneInfo("Europe/Lisbon")),
            patient_id=PATIENT,
            word="Rotina",
            strip_type="plover-12",
            ranks={"glucose": rank},
        )
        payload = framed(printed([play], profile, tables), profile)
        capture = Capture(source="drops", way=Way.FOLDER, arrived_at=at, payload=payload, name="", live=True)
        store.submit(KeepCapture(capture=capture, analyzer="bench-b", profile="tern")).result(20)
    book = PlanBook([ORU], ["tern"], tables)
    book.passed(ORU.name)
    asyncio.run(Judging(store, tables, book, Ids(store), clock.now, profiles={}).work_off("bench-b"))


def test_a_proposed_file_is_tried_beside_the_service(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    """The site has no rule on; a proposed file says what it would meet, with strips by number and nothing of the patient."""
    config = site(tmp_path, SITE)
    store = SqliteStore(tmp_path / "store", now=clock.now)
    judged(store, tables_for(settings.read_settings(config)))
    capfd.readouterr()
    today = clock.now().astimezone(ZoneInfo("Europe/Lisbon"))
    proposed = flags(
        tmp_path / "proposed" / "next.yaml",
        RULE,
        {**RULE, "id": "some-sugar", "when": [{"pad": "glucose", "at_least": "1+"}], "switched_on": False},
    )
    status, output, errors = here("rehearse", "--config", config, "--flags", proposed, "--days", "7", capfd=capfd)
    assert (status, errors) == (0, "")
    lines = output.splitlines()
    assert lines[: lines.index("what pads say together:")] == [
        "rules tried over the last 7 days: 3 strips of patients",
        "  no signed tables are kept to compare with",
        "rule sugar (on): 2 strips would meet it (66.7 %); the signed tables have no such rule on; somebody was to be told of 0",
        f"  such as bench-b 4 on {today:%Y-%m-%d}, bench-b 3 on {today:%Y-%m-%d}",
        "rule some-sugar (off): 3 strips would meet it (100.0 %); the signed tables have no such rule on; somebody was to be told of 0",
        f"  such as bench-b 4 on {today:%Y-%m-%d}, bench-b 3 on {today:%Y-%m-%d}, bench-b 2 on {today:%Y-%m-%d}",
    ]
    _, output, _ = here("rehearse", "--config", config, "--flags", proposed, "--days", "90", capfd=capfd)
    assert output.startswith("rules tried over the last 90 days: 4 strips of patients\n")
    assert PATIENT not in output
    store.close()


COMMENT: dict[str, Any] = {
    "id": "plausible.sugar_on_report",
    "when": {"pads": [{"pad": "glucose", "at_least": "3+"}]},
    "severity": "note",
    "message": "Sugar.",
    "remedy": "Look.",
    "source": "invented for this test",
    "report": "Much sugar was found.",
    "signed": "Dr N. Example, 2026-11-25",
}


def holds(path: Path, *rules: dict[str, Any]) -> Path:
    path.parent.mkdir(exist_ok=True)
    path.write_text(yaml.safe_dump({"rules": list(rules), "policies": []}), encoding="utf-8")
    return path


def test_a_comment_and_a_hold_are_tried_before_they_are_signed(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    """A proposed holds.yaml says how many reports would have borne its comment; who signs sees it, and again once a hold becomes a note."""
    own = tmp_path / "own"
    config = site(tmp_path, f"{SITE}mappings: own\n")
    store = SqliteStore(tmp_path / "store", now=clock.now)
    judged(store, tables_for(settings.read_settings(config)))
    capfd.readouterr()
    held = {**COMMENT, "id": "plausible.sugar", "report": "", "signed": "", "severity": "hold"}
    proposed = holds(own / "next.yaml", COMMENT, {**held, "release": {"persons": 1, "bulk": False}})
    status, output, errors = here("rehearse", "--config", config, "--holds", proposed, "--days", "7", capfd=capfd)
    assert (status, errors) == (0, "")
    today = clock.now().astimezone(ZoneInfo("Europe/Lisbon"))
    unsigned = "the signed tables have no such rule on; 0 bore it when they were judged"
    such = f"  such as bench-b 4 on {today:%Y-%m-%d}, bench-b 3 on {today:%Y-%m-%d}"
    lines = output.splitlines()
    assert lines[lines.index("what pads say together:") :] == [
        "what pads say together:",
        f"rule plausible.sugar_on_report (on, a comment on the report): 2 strips would meet it (66.7 %); {unsigned}",
        "  the comment: Much sugar was found.",
        such,
        f"rule plausible.sugar (on, holds): 2 strips would meet it (66.7 %); {unsigned}",
        such,
        CAUTION,
    ]
    assert PATIENT not in output
    proposed.rename(own / "holds.yaml")
    told = "rules tried over the last 30 days"
    assert told in here("sign-off", "--config", config, "--by", "Ana Prado", capfd=capfd)[1]
    holds(own / "holds.yaml", COMMENT, {**held, "severity": "note"})
    _, output, _ = here("sign-off", "--config", config, "--by", "Ana Prado", capfd=capfd)
    assert "rule plausible.sugar (on, a note): 2 strips would meet it (66.7 %); by the signed tables 2; 0 bore it" in output
    unsaid = holds(tmp_path / "unsaid.yaml", {**COMMENT, "signed": ""})
    status, _, errors = here("rehearse", "--config", config, "--holds", unsaid, capfd=capfd)
    assert status != 0
    assert "nobody has signed it" in errors
    store.close()


def test_who_signs_sees_what_the_rules_would_have_met(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    """Before the signature, where rules are on that nobody has signed so; beside what the last signed set and its tasks were. Not again for the same rules."""
    own = tmp_path / "own"
    config = site(tmp_path, f"{SITE}mappings: own\n")
    flags(own / "flags.yaml", RULE)
    status, output, _ = here("sign-off", "--config", config, "--by", "Ana Prado", capfd=capfd)
    assert status == 0
    assert (
        f"rules were tried over no stored strips: There is no store at {tmp_path}/store/padpost.sqlite. Check site.data in the site configuration."
        in output
    )
    store = SqliteStore(tmp_path / "store", now=clock.now)
    judged(store, tables_for(settings.read_settings(config)))
    assert len(store.tellings_open()) == 3
    flags(own / "flags.yaml", {**RULE, "when": [{"pad": "glucose", "at_least": "1+"}]})
    status, output, _ = here("sign-off", "--config", config, "--by", "Rui Sá", capfd=capfd)
    assert status == 0
    lines = output.splitlines()
    at = lines.index("rules tried over the last 30 days: 3 strips of patients")
    assert lines[at + 1].startswith("  beside the tables ")
    assert ", signed by Ana Prado, 20" in lines[at + 1]
    assert (
        lines[at + 2] == "rule sugar (on): 3 strips would meet it (100.0 %); by the signed tables 2; somebody was to be told of 2"
    )
    assert lines[at + 4] == "what pads say together:"
    assert lines.index(CAUTION) < next(at for at, line in enumerate(lines) if line.startswith("signed by Rui Sá"))
    again = f"{SITE}mappings: own\n".replace("check_digit: luhn", "check_digit: mod11")
    _, output, _ = here("sign-off", "--config", site(tmp_path, again), "--by", "Rui Sá", capfd=capfd)
    assert "rules tried over" not in output
    flags(own / "flags.yaml")
    _, output, _ = here("rehearse", "--config", config, capfd=capfd)
    assert "what pads say together:" in output
    none = tmp_path / "none.yaml"
    none.write_text("rules: []\npolicies: []\n", encoding="utf-8")
    _, output, _ = here("rehearse", "--config", config, "--holds", none, capfd=capfd)
    assert output == "There is no rule to try: flags.yaml has no critical one, and holds.yaml none on what pads say together.\n"
    store.close()


def test_a_file_or_store_that_cannot_be_read_is_told(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    """With place and remedy; a wrong row names the proposed file."""
    config = site(tmp_path, SITE)
    status, _, errors = here("rehearse", "--config", config, capfd=capfd)
    assert (status, errors) == (
        2,
        f"padpost: There is no store at {tmp_path}/store/padpost.sqlite. Check site.data in the site configuration.\n",
    )
    wrong = flags(tmp_path / "proposed" / "next.yaml", {**RULE, "when": [{"pad": "glucos", "at_least": "3+"}]})
    status, _, errors = here("rehearse", "--config", config, "--flags", wrong, capfd=capfd)
    assert status == 2
    assert errors == f"padpost: {wrong}:9: critical[0].when[0].pad: No strip type has the pad 'glucos'. Did you mean 'glucose'?\n"


def test_on_a_server(tmp_path: Path, postgres: PostgresServer, capfd: pytest.CaptureFixture[str]) -> None:
    """The same on PostgreSQL, in a session that only reads."""
    postgres.sql("CREATE DATABASE rehearsed TEMPLATE template0")
    url = postgres.url("rehearsed")
    config = site(tmp_path, f"{SITE}database: {{url: '{url}'}}\n")
    store = PostgresStore(Server(url=url))
    judged(store, tables_for(settings.read_settings(config)))
    status, output, errors = here("rehearse", "--config", config, "--flags", flags(tmp_path / "p" / "f.yaml", RULE), capfd=capfd)
    assert (status, errors) == (0, "")
    assert "rule sugar (on): 2 strips would meet it (66.7 %)" in output
    store.close()
    postgres.sql("DROP DATABASE rehearsed WITH (FORCE)")
