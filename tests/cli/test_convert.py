"""``padpost convert``: exactly what a captured transmission becomes, and nothing kept or sent on the way.

The expected outputs in data/ were read by hand against HL7 v2.5.1 chapter 7 and the FHIR R4 pages of Bundle, DiagnosticReport and
Observation; the moment of the run stands in them as NOW. 08:10 in Lisbon in July is 07:10 UTC (IANA time zone database).
"""

from __future__ import annotations

import json
import re
import sys
from pathlib import Path

import hl7
import pytest
from fhir.resources.R4B.bundle import Bundle

from bridge.model import Format
from bridge.render.conformance import faults
from bridge.render.oracles import oracle_faults
from tests.cli.commands import CHART, ROOT, SITE, here, padpost, site

DATA = Path(__file__).parent / "data"
CAPTURES = ROOT / "fixtures" / "captures"
HEADER = (
    "Data;Hora;N.º;Modo;Doente;Operador;Tira;Lote;Via;Aviso;Cálcio;Glicose;Sangue;Vit. C;Urobil.;Leucócitos;Densidade;Bilirr.;"
    "Proteínas;Nitritos;Cetonas;pH;Creatin.;Albumina;Observações\r\n"
)
GOOD = "06.07.2026;08:10;2;Rotina;40718823;3;Renal;31R02;;;;;;;;;;;;;;;60;35;turva\r\n"
CONTROL = "06.07.2026;08:12;3;Controlo;;3;Renal;31R02;;;;;;;;;;;;;;;60;35;\r\n"
SWAPPED = "06.07.2026;08:14;4;Rotina;40700070;3;Renal;31R02;;;;;;;;;;;;;;;60;35;\r\n"  # not 40700007: the Luhn check digit tells
MALFORMED = "06.07.2026;08:16;5;Rotina;a|b^c;3;Renal;31R02;;;;;;;;;;;;;;;60;35;\r\n"
TORN = "06.07.2026;08:18;6;Rotina;4071"

# Watches what the command does, by Python's own audit events (PEP 578): a file opened to be written, a folder or file made, moved or
# removed, a socket, a database, a process. It writes each to standard error behind a mark.
WATCHED = """
import os, sys
WRITES = os.O_WRONLY | os.O_RDWR | os.O_CREAT | os.O_APPEND | os.O_TRUNC
def watch(event, values):
    if event == "open":
        mode, flags = values[1:3]
        seen = flags & WRITES if isinstance(flags, int) and flags >= 0 else set(mode or "r") & set("wax+")
    else:
        seen = event.startswith(("socket.", "sqlite3.", "subprocess.", "shutil.", "tempfile.")) or event in {
            "os.mkdir", "os.rename", "os.remove", "os.link", "os.symlink", "os.truncate", "os.system", "os.exec", "os.fork", "os.posix_spawn"
        }
    if seen:
        os.write(2, f"DONE {event} {values!r}\\n".encode())
from bridge.__main__ import main
sys.addaudithook(watch)
sys.exit(main())
"""


def capture(*lines: str) -> bytes:
    return (HEADER + "".join(lines)).encode("cp1252")


def timeless(output: bytes) -> str:
    """Give the output with the moment of the run (today's date) as NOW."""
    text = output.decode()
    made = re.search(r"\|(\d{14}\+0000)\|\|ORU|\"timestamp\":\"([^\"]+)\"", text)
    return text.replace(made.group(1) or made.group(2), "NOW") if made else text


@pytest.mark.parametrize(("to", "name"), [("hl7", "renal.hl7"), ("fhir", "renal.fhir.json"), ("json", "renal.json")])
def test_a_strip_becomes_exactly_this(tmp_path: Path, to: str, name: str) -> None:
    """One strip of two pads on standard output, told as sendable on standard error; nothing is left behind."""
    run = padpost("convert", "-", "--profile", "tern", "--to", to, cwd=tmp_path, stdin=capture(GOOD))
    assert run.returncode == 0
    assert timeless(run.stdout) == (DATA / name).read_text(encoding="utf-8")
    assert run.stderr.decode() == "strip 1, bytes 182 to 258: can be sent\n"
    assert list(tmp_path.iterdir()) == []


def test_other_libraries_read_what_comes_out(tmp_path: Path) -> None:
    """The expected outputs are what they claim to be to ``hl7`` and ``fhir.resources``, which are not ours."""
    message = hl7.parse(
        (DATA / "renal.hl7").read_text(encoding="utf-8").replace("NOW", "20260706090000+0000").replace("\n", "\r")
    )
    assert str(message.segment("MSH")[9]) == "ORU^R01^ORU_R01"
    assert str(message.segment("PID")[3]) == "40718823^^^EXAMPLE^MR"
    assert [(str(obx[2]), str(obx[3]).split("^")[0], str(obx[5])) for obx in message.segments("OBX")] == [
        ("NM", "30004-6", "60"),
        ("CWE", "95232-5", "LA11841-6^1+^LN^^^^^^35"),
    ]
    bundle = Bundle.model_validate_json(
        (DATA / "renal.fhir.json").read_text(encoding="utf-8").replace("NOW", "2026-07-06T09:00:00+00:00")
    )
    assert [entry.resource.get_resource_type() for entry in bundle.entry or [] if entry.resource] == [
        "Device", "Specimen", "Observation", "Observation", "DiagnosticReport",
    ]  # fmt: skip


def test_a_file_gives_what_standard_input_gives(tmp_path: Path) -> None:
    """``-`` is the same bytes by another way."""
    (tmp_path / "list.txt").write_bytes(capture(GOOD))
    run = padpost("convert", "list.txt", "--profile", "tern", "--to", "json", cwd=tmp_path)
    assert (run.returncode, run.stdout.decode()) == (0, (DATA / "renal.json").read_text(encoding="utf-8"))
    assert [path.name for path in tmp_path.iterdir()] == ["list.txt"]


def test_what_stops_a_strip_is_told_with_its_remedy(tmp_path: Path) -> None:
    """Its neighbours come out; each stopped strip stands with place, rule, cause and remedy; the status is 1."""
    run = padpost("convert", "-", "--profile", "tern", cwd=tmp_path, stdin=capture(GOOD, CONTROL, MALFORMED, TORN))
    assert run.returncode == 1
    assert timeless(run.stdout) == (DATA / "renal.hl7").read_text(encoding="utf-8")
    assert run.stderr.decode().splitlines() == [
        "strip 1, bytes 182 to 258: can be sent",
        "strip 2, bytes 258 to 323: not a patient's strip, not sent",
        "strip 3, bytes 323 to 391: cannot be sent",
        "  patient.malformed: a|b^c is not built like a patient ID of this site. Scan the label again and correct the patient ID here.",
        "strip 4, bytes 391 to 421: cannot be read",
        (
            "  read.torn: The last line has no line end: the file may have been cut in the middle of a value."
            " Let the analyzer's computer write the file again."
        ),
    ]


def test_a_control_comes_out_for_a_destination_that_asks_for_controls(tmp_path: Path) -> None:
    """As it would be sent there, and told so; the status stays 0, since no person is needed."""
    asking = "kind: mllp, host: 192.0.2.21, port: 2575, processing_id: T, format: oul_r22, controls: true"
    site(tmp_path, f"{SITE}  - {{name: qc, {asking}}}\nchecks: {{oldest_days: 3650}}\n")
    run = padpost(
        "convert", "-", "--profile", "tern", "--config", "site.yaml", "--destination", "qc", cwd=tmp_path, stdin=capture(CONTROL)
    )
    assert run.stderr.decode() == "strip 1, bytes 182 to 247: not a patient's strip, sent where controls are asked for\n"
    assert (run.returncode, run.stdout[:9]) == (0, b"MSH|^~\\&|")


@pytest.mark.parametrize(("lines", "status"), [((CONTROL,), 0), ((GOOD, MALFORMED), 1), ((TORN,), 1), ((), 1)])
def test_the_status_says_whether_a_person_would_be_needed(
    tmp_path: Path, capfd: pytest.CaptureFixture[str], lines: tuple[str, ...], status: int
) -> None:
    """A control is never sent and needs nobody; a list without strips is no good list."""
    (tmp_path / "list.txt").write_bytes(capture(*lines))
    assert here("convert", tmp_path / "list.txt", "--profile", "tern", capfd=capfd)[0] == status


def test_nothing_at_all_is_told(tmp_path: Path) -> None:
    """An empty file is a fault of the way it came, not a quiet success."""
    run = padpost("convert", "-", "--profile", "brook", cwd=tmp_path)
    assert (run.returncode, run.stdout) == (1, b"")
    assert "read.empty: Nothing came" in run.stderr.decode()


def test_a_site_brings_its_policies_and_its_character_set(tmp_path: Path) -> None:
    """The check digit of the site stops the ID with two digits changed; what goes is in the charset that the receiver reads."""
    path = site(
        tmp_path, SITE + "    charset: 8859/1\n    receiving_facility: São Brás\n" + CHART + "checks: {oldest_days: 3650}\n"
    )
    lines = capture(GOOD.replace("40718823", "40700007"), SWAPPED)
    run = padpost("convert", "-", "--profile", "tern", "--config", path, cwd=tmp_path, stdin=lines)
    assert run.returncode == 1
    assert run.stdout.startswith(b"MSH|^~\\&|PADPOST|||S\xe3o Br\xe1s|")
    assert run.stdout.count(b"MSH|") == 1
    assert b"|T|2.5.1||||||8859/1\n" in run.stdout
    assert "patient.check_digit" in run.stderr.decode()
    fhir = padpost("convert", "-", "--profile", "tern", "--to", "fhir", "--config", path, cwd=tmp_path, stdin=lines)
    assert json.loads(fhir.stdout)["identifier"]["system"] == "urn:example:results"
    assert [path.name for path in tmp_path.iterdir()] == ["site.yaml"]


@pytest.mark.parametrize("fmt", Format)
def test_every_message_profile_can_be_looked_at_without_a_site(tmp_path: Path, fmt: Format) -> None:
    """What a guide requires and only a site knows is invented for the example, so that the message has the guide's shape."""
    run = padpost("convert", "-", "--profile", "tern", "--to", fmt.value, cwd=tmp_path, stdin=capture(GOOD))
    assert run.returncode == 0
    payload = run.stdout.rstrip(b"\n") if fmt.is_fhir else run.stdout.replace(b"\n", b"\r")
    assert (faults(fmt, payload), oracle_faults(fmt, payload)) == ((), ())


def test_a_destination_is_named(tmp_path: Path) -> None:
    """The message is the one that this destination would get, whatever it takes."""
    path = site(tmp_path, SITE + CHART + "checks: {oldest_days: 3650}\n")
    command = ("convert", "-", "--profile", "tern", "--config", path)
    named = padpost(*command, "--destination", "chart", cwd=tmp_path, stdin=capture(GOOD.replace("40718823", "40700007")))
    assert json.loads(named.stdout)["identifier"]["system"] == "urn:example:results"
    unknown = padpost(*command, "--destination", "chalk", cwd=tmp_path, stdin=capture(GOOD))
    assert (unknown.returncode, unknown.stdout) == (2, b"")
    assert "No destination of the site is called 'chalk'. Its destinations are: outbox, chart." in unknown.stderr.decode()
    homeless = padpost("convert", "-", "--profile", "tern", "-d", "chart", cwd=tmp_path, stdin=capture(GOOD))
    assert "A destination is one of a site's. Name its configuration: --config site.yaml." in homeless.stderr.decode()


def test_a_destination_that_cannot_be_told_a_grade_is_named_with_its_line(tmp_path: Path) -> None:
    """The fault is the settings file's, and its line is told as check tells it."""
    table = "    grades: [local]\n    grade_table:\n      codes:\n        negative: {code: N, text: none}\n"
    run = padpost(
        "convert", "-", "--profile", "tern", "--config", site(tmp_path, SITE + table), cwd=tmp_path, stdin=capture(GOOD)
    )
    assert (run.returncode, run.stdout) == (2, b"")
    assert "site.yaml:17: destinations[0].grade_table.codes: outbox takes the site's own codes of grades" in run.stderr.decode()


def test_a_site_without_a_destination_of_the_form_says_so(tmp_path: Path) -> None:
    """The destination's terms make the message; without one there is nothing true to show."""
    run = padpost(
        "convert", "-", "--profile", "tern", "--to", "fhir", "--config", site(tmp_path), cwd=tmp_path, stdin=capture(GOOD)
    )
    assert (run.returncode, run.stdout) == (2, b"")
    assert "No destination of the site takes fhir. Its destinations are: outbox." in run.stderr.decode()


def watched(*arguments: str, cwd: Path, stdin: bytes) -> tuple[int, list[str]]:
    run = padpost(*arguments, cwd=cwd, stdin=stdin, command=(sys.executable, "-c", WATCHED))
    return run.returncode, [line for line in run.stderr.decode().splitlines() if line.startswith("DONE ")]


def test_it_opens_no_store_no_network_and_writes_no_file(tmp_path: Path) -> None:
    """By the interpreter's audit events: no file opened to be written, no socket, no database, no process."""
    assert watched("convert", "-", "--profile", "tern", cwd=tmp_path, stdin=capture(GOOD, MALFORMED)) == (1, [])
    assert list(tmp_path.iterdir()) == []


def test_the_watch_sees_what_is_written(tmp_path: Path) -> None:
    """The same watch on ``simulate``, which does write a file: so the silence above means something."""
    status, done = watched("simulate", "folder:.", "--profile", "tern", "--strips", "1", "--every", "0", cwd=tmp_path, stdin=b"")
    assert status == 0
    assert [line for line in done if line.startswith(("DONE open ", "DONE os.rename ")) and "strips-" in line]


@pytest.mark.parametrize(
    ("name", "profile"),
    [
        ("alder_slips.prn", "alder"),
        ("brook_torn.lis01", "brook"),
        ("brook_two_strips.lis01", "brook"),
        ("moss_slips.prn", "moss"),
    ],
)
def test_every_kind_of_capture_is_answered(capfd: pytest.CaptureFixture[str], name: str, profile: str) -> None:
    """Slips and frames, torn and whole: each has a strip that stops, so the status is 1, and each strip is told."""
    status, output, errors = here("convert", CAPTURES / name, "--profile", profile, "--to", "json", capfd=capfd)
    assert status == 1
    told = [line for line in errors.splitlines() if line.startswith("strip ")]
    shown = json.loads(output)
    assert [strip["bytes"] for strip in shown] == [
        [int(n) for n in re.findall(r"bytes (\d+) to (\d+)", line)[0]] for line in told
    ]
    stopped = [strip for strip in shown if strip["outcome"] in {"held", "rejected", "unreadable"}]
    assert stopped
    assert all(finding["sentence"] and finding["remedy"] for strip in stopped for finding in strip["findings"])
