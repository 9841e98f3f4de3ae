"""``padpost check``: what it says of good and of wrong files, before go-live."""

from __future__ import annotations

import re
from datetime import timedelta
from pathlib import Path

import pytest

from bridge import clock
from bridge.cli.accepted import FOLDER
from bridge.credentials.keys import make_key
from bridge.settings import shipped_mappings
from tests.cli.commands import CHART, ROOT, SITE, here, padpost, site
from tests.credentials.papers import papers
from tests.peers.directory_server import DirectoryServer
from tests.peers.fhir_receiver import FhirReceiver
from tests.peers.postgres import PostgresServer

EXAMPLES = [
    f"example of profile {name}: ok"
    for name in ("alder", "brook", "brook-file", "dipper", "fjord", "heron", "lark", "moss", "tern", "wren")
]
MAPPINGS = "mapping files: 10 profiles, 6 strip types, 18 pads"
FLAGS = "flags: no critical rules are switched on; 2 off; 0 bands by age or sex"
WARNINGS = [
    f"warning: specification of outbox, block {words}"
    for words in (
        (
            "A Parties: not set: laboratory, name and address (agreement.laboratory), accreditation number (agreement.accreditation),"
            " contacts of laboratory, record system and IT, out of hours too (agreement.contacts), go-live date (agreement.go_live),"
            " regulation that applies (agreement.regime)"
        ),
        "B Devices: not set: serial numbers, firmware and places (agreement.analyzers)",
        (
            "E Link out: not set: address for tests (agreement.test_address), sending facility, MSH-4 (sending_facility),"
            " receiving application, MSH-5 (receiving_application), receiving facility, MSH-6 (receiving_facility)"
        ),
        "H Quality control: not set: what was agreed on controls (agreement.controls)",
        "L Volumes: not set: strips an hour and a day, and the peak (agreement.volumes)",
        "M Downtime: not set: paper rule, order of catching up, who compares (agreement.downtime)",
        "N Validation record: not set: when it is tried again (agreement.recheck)",
        "O Security: not set: accounts, log retention, remote support (agreement.security)",
        "P Change control: not set: who approves, notice period, way back (agreement.changes)",
    )
]
CHART_LINE = 21  # of CHART's `env:` behind SITE


def test_a_good_site_is_well(tmp_path: Path) -> None:
    """One line for each thing looked at, a warning for each block of the specification that lacks something, then the verdict; nothing is written."""
    run = padpost("check", "--config", site(tmp_path), "--no-oracles", cwd=tmp_path)
    assert (run.returncode, run.stderr) == (0, b"")
    assert run.stdout.decode().splitlines() == [
        MAPPINGS,
        FLAGS,
        "source drops: ok",
        "destination outbox: ok",
        *EXAMPLES,
        "messages for outbox, our own rules: ok",
        *WARNINGS,
        "all well; 9 warnings to settle before go-live",
    ]
    assert [path.name for path in tmp_path.iterdir()] == ["site.yaml"]


def test_a_site_that_settled_everything_is_not_warned(tmp_path: Path) -> None:
    """Every key that a warning names, set."""
    keys = [word.strip("()") for warning in WARNINGS for word in warning.split() if word.startswith("(")]
    header = "".join(f"    {key.strip('(),')}: X\n" for key in keys if not key.startswith("agreement."))
    agreed = "".join(
        f"      {key.strip('(),').removeprefix('agreement.')}: as told\n" for key in keys if key.startswith("agreement.")
    )
    run = padpost("check", "--config", site(tmp_path, f"{SITE}{header}    agreement:\n{agreed}"), "--no-oracles", cwd=tmp_path)
    assert (run.returncode, run.stdout.decode().splitlines()[-2:]) == (0, ["messages for outbox, our own rules: ok", "all well"])


def test_what_is_doubtful_in_a_mapping_file_is_a_warning(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    """A ladder of the site's own that calls pH 8.6 normal loads, since the laboratory may mean it; check tells where it stands."""
    text = (ROOT / "mappings/strip_types/sedge-5.yaml").read_text(encoding="utf-8")
    old = '{conventional: "8.6", abnormal: true}'
    assert text.count(old) == 1
    own = tmp_path / "own/strip_types/sedge-5.yaml"
    own.parent.mkdir(parents=True)
    own.write_text(text.replace(old, old.replace("true", "false")), encoding="utf-8")
    config = site(tmp_path, f"{SITE}mappings: own\n")
    status, output, errors = here("check", "--config", config, "--no-oracles", capfd=capfd)
    assert (status, errors) == (0, "")
    assert output.splitlines()[-11:] == [
        (
            "warning: strip_types/sedge-5.yaml:12: pads[0].ladder[5].abnormal: 8.6 is outside the expected range 4.5-8.0, "
            "but is not marked abnormal. Write abnormal: true, unless the laboratory has decided so."
        ),
        *WARNINGS,
        "all well; 10 warnings to settle before go-live",
    ]


def test_two_numbers_that_differ_stop_the_check(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    """A step whose SI number is not its conventional one would send two truths: nothing loads, and the place is told."""
    text = (ROOT / "mappings/strip_types/sedge-5.yaml").read_text(encoding="utf-8")
    own = tmp_path / "own/strip_types/sedge-5.yaml"
    own.parent.mkdir(parents=True)
    own.write_text(text.replace('si: "13.3"', 'si: "31.3"'), encoding="utf-8")
    status, output, errors = here("check", "--config", site(tmp_path, f"{SITE}mappings: own\n"), "--no-oracles", capfd=capfd)
    assert (status, output) == (2, "")
    assert errors == (
        "padpost: strip_types/sedge-5.yaml:27: pads[2].ladder[2].si: 240 mg/dL and 31.3 mmol/L are not one concentration. "
        "240 mg/dL is 13.32 mmol/L (molar mass 180.1562 g/mol): compare both numbers with the strip's own sheet.\n"
    )


def test_without_a_site_the_shipped_files_are_checked(tmp_path: Path) -> None:
    """A contributor's check of a new profile needs no site."""
    run = padpost("check", "--no-oracles", cwd=tmp_path)
    assert run.returncode == 0
    assert run.stdout.decode().splitlines() == [
        MAPPINGS,
        FLAGS,
        *EXAMPLES,
        "messages for example-hl7, our own rules: ok",
        "messages for example-fhir, our own rules: ok",
        "all well",
    ]


def test_the_libraries_see_the_messages_of_the_site(tmp_path: Path) -> None:
    """The oracles are asked about each strip type that the site's analyzers read, and no other."""
    run = padpost("check", "--config", site(tmp_path), cwd=tmp_path)
    assert run.returncode == 0
    assert [line for line in run.stdout.decode().splitlines() if "libraries" in line] == [
        "messages for outbox, tern, pebble-2, by the libraries: ok",
        "messages for outbox, tern, plover-12, by the libraries: ok",
    ]


@pytest.mark.parametrize(
    ("right", "wrong", "words"),
    [
        ("{port: 8765}", "{prot: 8765}", "site.yaml:2: pages.prot: The key 'prot' is unknown here. Did you mean 'port'?"),
        (
            "authority",
            "autority",
            "site.yaml:6: patient_ids.autority: The key 'autority' is unknown here. Did you mean 'authority'?",
        ),
        ("  authority: TEST\n", "", "site.yaml:3: patient_ids.authority: The key 'authority' is missing. Add it;"),
        (
            "    path: out\n",
            "    path: out\n    path: there\n",
            "site.yaml:14: destinations[0].path: The key 'path' is given twice. Keep one.",
        ),
        ("Europe/Lisbon", "Europe/Lisbonn", "site.yaml:1: site.zone: no time zone is called 'Europe/Lisbonn'"),
        (
            "kind: folder\n",
            "kind: floder\n",
            "site.yaml:12: destinations[0].kind: There is no kind 'floder'. Write one of 'mllp', 'fhir', 'folder', 'hook'.",
        ),
        ("    kind: folder\n", "", "site.yaml:11: destinations[0]: The key 'kind' is missing. Write one of"),
        ("check_digit: luhn", "check_digit: [", "This is not YAML:"),
    ],
)
def test_a_wrong_site_file_is_answered_with_its_line(
    tmp_path: Path, capfd: pytest.CaptureFixture[str], right: str, wrong: str, words: str
) -> None:
    """File, line, key and the nearest right word: what an editor can jump to."""
    assert SITE.count(right) == 1
    status, output, errors = here("check", "--config", site(tmp_path, SITE.replace(right, wrong)), "--no-oracles", capfd=capfd)
    assert (status, output) == (2, "")
    assert words in errors
    assert errors.startswith(f"padpost: {tmp_path}/site.yaml:")


def test_a_profile_that_is_nowhere_is_told_with_its_line(tmp_path: Path) -> None:
    """The other lines are checked all the same, so that one run shows all there is to put right."""
    path = site(tmp_path, SITE.replace("profile: tern", "profile: trn") + CHART)
    run = padpost("check", "--config", path, "--no-oracles", cwd=tmp_path)
    assert run.returncode == 1
    lines = run.stdout.decode().splitlines()
    assert lines[2:5] == [
        f"source drops: {path}:9: sources[0].profile: No profile is called 'trn'. There are alder, brook, brook-file, dipper, fjord, heron, lark, moss, tern, wren.",
        "destination outbox: ok",
        (
            f"destination chart: {path}:{CHART_LINE}: destinations[1].bearer.env: The secret CHART_TOKEN is not set."
            " Set CHART_TOKEN, or CHART_TOKEN_FILE to a file that holds it."
        ),
    ]
    assert lines[-3:] == [
        f"TO PUT RIGHT: {lines[2]}",
        f"TO PUT RIGHT: {lines[4]}",
        "2 things to put right",
    ]  # behind the warnings


def test_critical_rules_that_are_on_are_said_loudly(tmp_path: Path) -> None:
    """The shipped examples, signed and switched on, and a band: their messages pass as the others do."""
    own = tmp_path / "own"
    own.mkdir()
    text = (shipped_mappings() / "flags.yaml").read_text(encoding="utf-8")
    signed = text.replace("switched_on: false", 'signed: "Dr Q. Example"\n    switched_on: true')
    band = '  - {pad: protein, to_age: 12, expected: "Negative", abnormal_from: "trace", source: "s", signed: "Dr Q. Example"}'
    (own / "flags.yaml").write_text(signed.replace("bands: []", f"bands:\n{band}"), encoding="utf-8")
    run = padpost("check", "--config", site(tmp_path, SITE + "mappings: own\n"), "--no-oracles", cwd=tmp_path)
    lines = run.stdout.decode().splitlines()
    assert (
        lines[1] == "flags: CRITICAL RULES SWITCHED ON: glucose-and-ketones, newborn-ketones-acid; 0 off; 1 bands by age or sex"
    )
    assert "messages for outbox, our own rules: ok" in lines


def test_a_gate_without_lots_is_warned_of(tmp_path: Path) -> None:
    """A level without a lot would be found out on the first morning, with patients waiting."""
    own = tmp_path / "own"
    own.mkdir()
    material = "materials: {birch: {title: Birch, levels: [{level: '1', kind: negative}]}}\n"
    (own / "controls.yaml").write_text(f"{material}gate: {{levels: ['1'], shut: wait}}\n", encoding="utf-8")
    run = padpost("check", "--config", site(tmp_path, SITE + "mappings: own\n"), "--no-oracles", cwd=tmp_path)
    told = [line for line in run.stdout.decode().splitlines() if "its gate opens by lots entered on the page" in line]
    assert (run.returncode, len(told)) == (0, 2)  # the profile tern reads two strip types
    assert told[0].startswith("warning: controls.yaml.gate.levels: ")


def test_a_grade_that_a_receiver_cannot_be_told_is_told_with_its_line(tmp_path: Path) -> None:
    """The destination's messages cannot be made, so there is no line on them; the others are checked all the same."""
    table = "    grades: [local]\n    grade_table:\n      codes:\n        negative: {code: N, text: none}\n"
    other = "  - {name: other, kind: folder, path: there, grades: [text]}\n"
    path = site(tmp_path, SITE + table + other + "mappings: own\n")
    (tmp_path / "own" / FOLDER).mkdir(parents=True)
    (tmp_path / "own" / FOLDER / "tern.json").write_text("[]\n", encoding="utf-8")  # kept output, which now cannot be made anew
    run = padpost("check", "--config", path, "--no-oracles", cwd=tmp_path)
    assert run.returncode == 1
    lines = run.stdout.decode().splitlines()
    assert lines[3:5] == [
        (
            f"destination outbox: {path}:17: destinations[0].grade_table.codes: outbox takes the site's own codes of grades, but its"
            " grade_table has none for 'normal', which albumin may have. Add \"normal\": {code: ..., text: ...}."
        ),
        "destination other: ok",
    ]
    assert [line for line in lines if line.startswith(("messages for ", "output of "))] == [
        "messages for other, our own rules: ok"
    ]
    assert lines[-1] == "1 thing to put right"


@pytest.mark.parametrize(
    ("env", "fault"),
    [
        ({"CHART_TOKEN": "tell-nobody"}, ""),
        ({"CHART_TOKEN_FILE": "token"}, ""),
        ({}, "The secret CHART_TOKEN is not set."),
        ({"CHART_TOKEN_FILE": "absent"}, "The secret CHART_TOKEN cannot be read from absent: No such file or directory."),
    ],
)
def test_a_secret_comes_from_the_environment_or_a_file(tmp_path: Path, env: dict[str, str], fault: str) -> None:
    """The site file only names it; what it is, is never shown."""
    (tmp_path / "token").write_text("tell-nobody\n", encoding="utf-8")
    run = padpost("check", "--config", site(tmp_path, SITE + CHART), "--no-oracles", cwd=tmp_path, env=env)
    (line,) = [line for line in run.stdout.decode().splitlines() if line.startswith("destination chart: ")]
    if fault:
        assert run.returncode == 1
        assert f"site.yaml:{CHART_LINE}: destinations[1].bearer.env: {fault} Set CHART_TOKEN" in line
    else:
        assert (run.returncode, line) == (0, "destination chart: ok")
    assert b"tell-nobody" not in run.stdout + run.stderr


INSTRUMENTS = """  - name: instruments
    kind: mllp
    port: 0
    analyzer: bench-z
    profile: dipper
    tls: {certificate: own.pem, key: own.key}
"""
SECURED = """  - name: line
    kind: mllp
    host: records.internal
    port: 2575
    processing_id: T
    tls: {ca: ca.pem, certificate: own.pem, key: own.key}
  - name: hook
    kind: hook
    url: "https://hook.example/in"
    processing_id: T
    signing: {keys: hook-keys}
"""


def test_certificates_and_keys_are_checked_without_sending(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    """Files that are not there are faults with file and line; what runs out is a warning, thirty days before."""
    text = SITE.replace("destinations:\n", f"{INSTRUMENTS}destinations:\n")
    path = site(tmp_path, text + SECURED)
    first = text.count("\n") + 1
    status, output, _ = here("check", "--config", path, "--no-oracles", capfd=capfd)
    lines = {line.partition(": ")[0]: line for line in output.splitlines()}
    assert status == 1
    assert lines["destination line"].startswith(
        f"destination line: {path}:{first + 5}: destinations[1].tls.ca: The file {tmp_path}/ca.pem cannot"
    )
    assert (
        f"{path}:{first + 10}: destinations[2].signing.keys: The folder {tmp_path}/hook-keys cannot be read"
        in lines["destination hook"]
    )
    papers(tmp_path).issue("own", "padpost", ends=clock.now() + timedelta(days=7, hours=1))
    make_key(tmp_path / "hook-keys", "ES256", starts=clock.now(), ends=clock.now() + timedelta(days=9), name="k")
    status, output, _ = here("check", "--config", path, "--no-oracles", capfd=capfd)
    assert status == 0
    assert "destination line: ok" in output
    assert "warning: line: Padpost's certificate (own.pem) runs out on " in output
    assert "warning: instruments: Padpost's certificate (own.pem) runs out on " in output
    assert "warning: hook: the last key in hook-keys signs until " in output


@pytest.mark.parametrize(
    ("more", "is_plain"),
    [
        ("kind: mllp, host: records.internal, port: 2575", True),
        ("kind: mllp, host: localhost, port: 2575", False),
        ('kind: mllp, host: records.internal, port: 2575, tls: {minimum: "1.3"}', False),
        ('kind: fhir, base_url: "http://chart.internal/r4", result_system: "urn:t:r"', True),
        ('kind: fhir, base_url: "https://chart.internal/r4", result_system: "urn:t:r"', False),
        ("kind: folder, path: there", False),
    ],
)
def test_a_plain_line_to_elsewhere_is_warned_of(
    tmp_path: Path, capfd: pytest.CaptureFixture[str], more: str, is_plain: bool
) -> None:
    """Health data on a line that others may read is for a person to decide about."""
    path = site(tmp_path, SITE + f"  - {{name: other, processing_id: T, {more}}}\n")
    status, output, _ = here("check", "--config", path, "--no-oracles", capfd=capfd)
    assert status == 0
    assert ("warning: other: results leave this machine unencrypted: set tls" in output) is is_plain


DIRECTORY = """accounts:
  sign_in: both
  oidc:
    issuer: {issuer}
    client_id: padpost
    client_secret: {{env: PADPOST_OIDC_SECRET}}
    address: http://127.0.0.1:8765
    roles: {{lab: technician}}
"""


@pytest.mark.parametrize(("more", "env", "fault"), [
    ("", {"PADPOST_OIDC_SECRET": "tell-nobody"}, "ok"),
    ("", {}, "site.yaml:8: accounts.oidc.client_secret.env: The secret PADPOST_OIDC_SECRET is not set."),
    ("    tls: {ca: absent.pem}\n", {"PADPOST_OIDC_SECRET": "tell-nobody"}, "site.yaml:11: accounts.oidc.tls.ca: "),
])  # fmt: skip
def test_our_own_side_of_a_directory_is_checked_without_asking_it(
    tmp_path: Path, capfd: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, more: str, env: dict[str, str], fault: str
) -> None:
    """A secret or a file that is not there is a fault with file and line; no secret is shown. Nothing answers at the directory's address."""
    for name, value in env.items():
        monkeypatch.setenv(name, value)
    text = SITE.replace("patient_ids:", f"{DIRECTORY.format(issuer='http://127.0.0.1:1/staff')}{more}patient_ids:")
    status, output, errors = here("check", "--config", site(tmp_path, text), "--no-oracles", capfd=capfd)
    (line,) = [line for line in output.splitlines() if line.startswith("the hospital's directory: ")]
    assert (status, fault in line) == (0 if fault == "ok" else 1, True), line
    assert "tell-nobody" not in output + errors
    assert "warning: the hospital's directory" not in output


@pytest.mark.parametrize(("key", "fault"), [
    ("k" * 32, "ok"),
    ("k" * 31, "site.yaml:3: accounts.quick_switch.badge_key.env: The secret PADPOST_BADGE_KEY has fewer than 32 characters."),
    (None, "site.yaml:3: accounts.quick_switch.badge_key.env: The secret PADPOST_BADGE_KEY is not set."),
])  # fmt: skip
def test_the_key_of_badges_is_checked(
    tmp_path: Path, capfd: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, key: str | None, fault: str
) -> None:
    """Without it the service does not start; that is to be known before."""
    if key is not None:
        monkeypatch.setenv("PADPOST_BADGE_KEY", key)
    benches = "accounts: {quick_switch: {badge_key: {env: PADPOST_BADGE_KEY}}}\n"
    path = site(tmp_path, SITE.replace("patient_ids:", f"{benches}patient_ids:"))
    status, output, _ = here("check", "--config", path, "--no-oracles", capfd=capfd)
    (line,) = [line for line in output.splitlines() if line.startswith("the key of badges: ")]
    assert (status, fault in line) == (0 if fault == "ok" else 1, True), line


def test_a_directory_is_asked_what_it_can_do_only_if_told_so(
    tmp_path: Path, capfd: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nothing is said of one that answers as it must; one that does not, or does not answer, is a warning, since it may be mended by the time."""
    monkeypatch.setenv("PADPOST_OIDC_SECRET", "tell-nobody")

    def warned(more: str = "") -> list[str]:
        text = SITE.replace("patient_ids:", f"{DIRECTORY.format(issuer=directory.url)}{more}patient_ids:")
        output = here("check", "--config", site(tmp_path, text), "--no-oracles", "--ask", capfd=capfd)[1]
        return [line for line in output.splitlines() if line.startswith("warning: the hospital's directory: ")]

    with DirectoryServer(now=lambda: 0.0) as directory:
        assert warned() == []
        directory.metadata = {"issuer": "https://other.example"}
        (line,) = warned()
        assert "write it exactly as the directory does" in line
    (line,) = warned()
    assert f"{directory.url}/.well-known/openid-configuration" in line


def test_a_fhir_server_is_asked_what_it_can_do_only_if_told_so(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    """Differences and silence are warnings: servers lie both ways."""
    with FhirReceiver(path="/fhir") as server:
        chart = CHART.replace("http://127.0.0.1:1/fhir", server.base_url).partition("    bearer")[0]
        path = site(tmp_path, SITE + chart)
        output = here("check", "--config", path, "--no-oracles", capfd=capfd)[1]
        assert (server.got, "/metadata" in output) == ([], False)
        status, output, _ = here("check", "--config", path, "--no-oracles", "--ask", capfd=capfd)
        assert (status, server.got) == (0, ["metadata"])
        assert "warning: chart: nothing at its /metadata says what it can do\n" in output
        server.documents["metadata"] = b'{"resourceType": "CapabilityStatement", "fhirVersion": "4.0.1", "format": ["json"]}'
        output = here("check", "--config", path, "--no-oracles", "--ask", capfd=capfd)[1]
        assert "warning: chart: its capability statement: it does not list transactions (rest.interaction)\n" in output


def _own(tmp_path: Path, right: str, wrong: str) -> Path:
    """Write a site with a profile file of its own in place of the shipped one."""
    shipped = (ROOT / "mappings" / "profiles" / "tern.yaml").read_text(encoding="utf-8")
    assert right in shipped
    (tmp_path / "own" / "profiles").mkdir(parents=True)
    (tmp_path / "own" / "profiles" / "tern.yaml").write_text(shipped.replace(right, wrong, 1), encoding="utf-8")
    return site(tmp_path, SITE + "mappings: own\n")


def test_a_mapping_file_that_cannot_be_used_is_told_with_its_line(tmp_path: Path) -> None:
    """A label for a pad that is in no catalogue."""
    run = padpost("check", "--config", _own(tmp_path, '"Glicose": glucose', '"Glicose": glucoze'), "--no-oracles", cwd=tmp_path)
    assert run.returncode == 2
    line = 1 + (ROOT / "mappings" / "profiles" / "tern.yaml").read_text(encoding="utf-8").splitlines().index(
        '  "Glicose": glucose'
    )
    assert run.stderr.decode().startswith(f"padpost: profiles/tern.yaml:{line}: labels.Glicose: ")
    assert "glucoze" in run.stderr.decode()


def test_a_worked_example_that_reads_otherwise_is_told(tmp_path: Path) -> None:
    """The example stands in the profile so that a slip in the profile shows before a patient's strip does."""
    run = padpost("check", "--config", _own(tmp_path, 'creatinine: "60"', 'creatinine: "61"'), "--no-oracles", cwd=tmp_path)
    assert run.returncode == 1
    (line,) = [line for line in run.stdout.decode().splitlines() if line.startswith("example of profile tern: ")]
    assert "60" in line
    assert "61" in line
    assert run.stdout.decode().splitlines()[-1] == "1 thing to put right"


def test_a_destination_whose_texts_cannot_be_said_is_told(tmp_path: Path) -> None:
    """A facility's name outside the destination's character set would stop every message on the first morning."""
    wrong = SITE + '    charset: ASCII\n    receiving_facility: "Hospital de São Brás"\n'
    run = padpost("check", "--config", site(tmp_path, wrong), "--no-oracles", cwd=tmp_path)
    assert run.returncode == 1
    (line,) = [line for line in run.stdout.decode().splitlines() if line.startswith("messages for outbox")]
    assert line.startswith("messages for outbox, our own rules: tern, ")
    assert "ASCII" in line


def test_the_database_is_looked_at(tmp_path: Path, postgres: PostgresServer) -> None:
    """One that works is ok and gets no tables; one that does not is told, with the line where something in the file is wrong."""
    path = site(tmp_path)
    text = path.read_text(encoding="utf-8")
    for url, line in (
        (postgres.url(), "database: ok"),
        (
            postgres.url("nowhere"),
            r'database: The database 127\.0\.0\.1:\d+/nowhere cannot be reached \(.*"nowhere" does not exist',
        ),
        (
            "postgresql://db/x?no_word=1",
            rf"database: \S+site\.yaml:{len(text.splitlines()) + 1}: database\.url: The URL is not one that",
        ),
    ):
        path.write_text(f"{text}database: {{url: '{url}'}}\n", encoding="utf-8")
        run = padpost("check", "--config", path, "--no-oracles", cwd=tmp_path)
        (said,) = [each for each in run.stdout.decode().splitlines() if each.startswith("database:")]
        assert re.match(line, said), said
        assert run.returncode == (0 if line.endswith("ok") else 1)
    assert postgres.sql("SELECT count(*) FROM pg_tables WHERE schemaname = 'public'") == [(0,)]
