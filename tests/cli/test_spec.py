"""``padpost spec``: the specification from the live configuration, in each form, without any secret."""

from __future__ import annotations

import json
import re
from datetime import UTC, datetime
from pathlib import Path

import pytest

from bridge.cli.spec import without_secrets
from bridge.settings import read_settings
from bridge.sign_off import add_signature
from bridge.site import tables_for
from bridge.tables.signatures import Signature
from tests.cli.commands import CHART, SITE, here, padpost, site

SECRETS = """  - name: vault
    kind: hook
    url: "https://chart.example/fhir?key=s3cret"
    signing: {keys: keys}
    bearer:
      env: VAULT_TOKEN
"""
LINES = """sources:
  - {name: front, kind: serial, port: /dev/ttyBENCH, link: lis01, analyzer: bench-a, profile: brook, hardware_flow: true}
  - {name: back, kind: tcp, role: listen, port: 4001, link: stream, cut: {by: form_feed}, analyzer: bench-c, profile: moss}
  - {name: inbox, kind: folder, path: in, complete: ready, analyzer: bench-d, profile: alder}
"""
MLLP = "  - {name: records, kind: mllp, host: records.internal, port: 2575, agreement: {volumes: forty a day}}\n"


def timeless(document: bytes) -> list[bytes]:
    """Give the document's lines but the one that says when it was made."""
    return [line for line in document.splitlines() if not re.match(rb'(<p class="soft">Made |Made |  "made_at")', line)]


def facts(text: str, letter: str) -> dict[str, str]:
    """Give the facts of one block of a JSON document by name; of two with one name, all."""
    (block,) = (block for block in json.loads(text)["blocks"] if block["letter"] == letter)
    found: dict[str, str] = {}
    for part in block["parts"]:
        for row in part["rows"] if part["kind"] == "facts" else ():
            found[row["name"]] = f"{found[row['name']]}; {row['says']}" if row["name"] in found else row["says"]
    return found


@pytest.mark.parametrize(
    ("form", "first"),
    [("html", "<!doctype html>"), ("markdown", "# Interface specification: Test Clinic to outbox"), ("json", "{")],
)
def test_each_form_goes_to_a_file_or_to_standard_output(tmp_path: Path, form: str, first: str) -> None:
    """The same document both ways; what is not set is told on standard error; nothing else is written."""
    path = site(tmp_path)
    shown = padpost("spec", "--config", path, "--destination", "outbox", "--as", form, cwd=tmp_path)
    kept = padpost("spec", "--config", path, "--destination", "outbox", "--as", form, "--out", "spec.out", cwd=tmp_path)
    assert (shown.returncode, kept.returncode, kept.stdout) == (0, 0, b"")
    assert shown.stdout.decode().splitlines()[0] == first
    written = (tmp_path / "spec.out").read_bytes()
    assert timeless(written) == timeless(shown.stdout)
    assert len(timeless(written)) == len(written.splitlines()) - 1
    assert shown.stderr == kept.stderr
    assert shown.stderr.decode().splitlines()[-1] == (
        "warning: block P Change control: not set: who approves, notice period, way back (agreement.changes)"
    )
    assert sorted(each.name for each in tmp_path.iterdir()) == ["site.yaml", "spec.out"]


@pytest.mark.parametrize("form", ["html", "markdown", "json"])
def test_no_secret_is_ever_in_it(tmp_path: Path, form: str) -> None:
    """Neither the token's value, nor what people put into an address; that there is a sign-in is said."""
    path = site(tmp_path, SITE + SECRETS)
    run = padpost("spec", "-c", path, "-d", "vault", "--as", form, cwd=tmp_path, env={"VAULT_TOKEN": "tell-nobody"})
    assert run.returncode == 0
    for secret in (b"tell-nobody", b"s3cret", b"VAULT_TOKEN"):
        assert secret not in run.stdout + run.stderr
    assert b"bearer token" in run.stdout
    assert b"chart.example/fhir" in run.stdout.replace(b"\\", b"")


def test_who_signed_the_tables_stands_in_it(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    """A vendor and an inspector read it in block P, and it leaves the digest of the interface as it is."""
    config = site(tmp_path, SITE.replace("processing_id: T", "processing_id: P"))
    before = here("spec", "-c", config, "-d", "outbox", "--as", "json", capfd=capfd)[1]
    assert facts(before, "P")["table set signed"] == "not signed: nothing is sent"
    tables = tables_for(read_settings(config))
    at = datetime(2026, 11, 25, 12, tzinfo=UTC)
    add_signature(tmp_path / "signed_off.yaml", Signature(tables=tables.digest, by="Ana Prado", at=at), tables)
    after = here("spec", "-c", config, "-d", "outbox", "--as", "json", capfd=capfd)[1]
    assert facts(after, "P")["table set signed"] == "by Ana Prado, 2026-11-25T12:00:00+00:00"
    assert facts(after, "P")["table set, SHA-256"] == tables.digest
    assert json.loads(after)["digest"] == json.loads(before)["digest"]


def test_the_token_need_not_be_there(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    """A document is no sending: the vendor's copy is made before the token is."""
    status, output, _ = here("spec", "-c", site(tmp_path, SITE + CHART), "-d", "chart", "--as", "json", capfd=capfd)
    assert status == 0
    assert facts(output, "E")["TLS"] == "no: the address is plain http"


def test_links_are_those_of_the_configuration(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    """Serial, TCP and folder in; MLLP out with its time-outs; the words of the agreement."""
    text = SITE[: SITE.index("sources:")] + LINES + "destinations:\n" + MLLP
    status, output, errors = here("spec", "-c", site(tmp_path, text), "-d", "records", "--as", "json", capfd=capfd)
    assert status == 0
    assert facts(output, "C")["kind"] == "serial line; TCP; folder of files"
    assert facts(output, "C")["speed"] == "9600 baud, 8 data bits, parity none, 1 stop bits"
    assert facts(output, "C")["flow control"] == "hardware"
    assert facts(output, "C")["address"] == "Padpost listens, 127.0.0.1:4001"
    assert facts(output, "C")["a file is taken"] == "once a file of the same name and .ready stands beside it"
    assert facts(output, "C")["link layer"].endswith("; plain stream, cut by form feed; nothing is acknowledged")
    assert facts(output, "E")["address"] == "records.internal:2575"
    assert facts(output, "E")["time to connect"] == "10 s"
    assert facts(output, "E")["given up"] == "after 24 h of tries, then a person looks"
    assert facts(output, "L")["strips an hour and a day, and the peak"] == "forty a day"
    assert "block L" not in errors


def test_who_may_answer_on_a_connection_of_its_own_is_said(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    """The vendor's network people must let these addresses through, and Padpost lets in no others."""
    more = "acknowledgement: enhanced, answers_on: {port: 2576, peers: [192.0.2.7, 198.51.100.0/24]}, agreement:"
    text = SITE[: SITE.index("sources:")] + LINES + "destinations:\n" + MLLP.replace("agreement:", more)
    output = here("spec", "-c", site(tmp_path, text), "-d", "records", "--as", "json", capfd=capfd)[1]
    assert facts(output, "E")["answers on a connection of the receiver's own"] == (
        "127.0.0.1:2576, MLLP over TCP without TLS; only 192.0.2.7/32, 198.51.100.0/24 may connect"
    )


def test_instruments_and_posts_are_ways_in(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    """Who reads the document must know who speaks to Padpost, and that a yes means kept; the key need not be there for it."""
    lines = (
        "  - {name: net, kind: mllp, port: 2575, processing_id: T, analyzer: bench-a, profile: dipper}\n"
        "  - {name: posts, kind: http, key: {env: NO_SUCH_KEY}, idempotency: optional, analyzer: bench-l, profile: lark}\n"
        "  - {name: eyes, kind: by_eye, analyzer: ward-4, profile: heron}\n"
    )
    test = MLLP.replace("port: 2575", "port: 2575, processing_id: T")  # a test record: tests never stand beside a live one
    text = f"{SITE[: SITE.index('sources:')]}sources:\n{lines}destinations:\n{test}"
    status, output, _ = here("spec", "-c", site(tmp_path, text), "-d", "records", "--as", "json", capfd=capfd)
    assert status == 0
    assert facts(output, "C")["kind"] == "HL7 v2 over MLLP; HTTP post with a key; form: strips read by eye"
    assert facts(output, "C")["second person"] == "compares each patient's strip"
    assert facts(output, "C")["controls"] == "patients' strips wait for none"
    assert facts(output, "C")["processing ID, MSH-11"] == "T"
    assert facts(output, "C")["TLS on the way in"] == "no: the line is plain"
    assert facts(output, "C")["Idempotency-Key"] == "optional"
    assert facts(output, "C")["answer"].startswith("AA once the message is on the disk")
    assert facts(output, "C")["answer"].endswith("202 once the bytes are on the disk")


SECURED = """  - name: line
    kind: mllp
    host: records.internal
    port: 2575
    tls: {ca: site-ca.pem, certificate: own.pem, key: own.key, server_name: records}
  - name: chart
    kind: fhir
    base_url: "https://chart.example/r4"
    result_system: "urn:example:results"
    oauth: {client_id: bench-padpost, keys: keys, token_url: "https://token.example/t?k=s3cret"}
  - name: hook
    kind: hook
    url: "https://hook.example/in?key=s3cret"
    signing: {keys: hook-keys}
    basic: {user: bench, password: {env: VAULT_WORD}}
    tls: {minimum: "1.3"}
"""


def test_how_a_way_out_is_secured_is_said(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    """TLS, client certificate, sign-in and signature as they are set; whom the other side must trust, and no secret."""
    path = site(tmp_path, SITE + SECURED)
    found = {name: here("spec", "-c", path, "-d", name, "--as", "json", capfd=capfd)[1] for name in ("line", "chart", "hook")}
    line, chart, hook = (facts(text, "E") for text in found.values())
    assert line["TLS"] == (
        "yes, 1.2 or newer, ECDHE with AEAD (RFC 9325); the receiver must prove its name, under the name records to whom site-ca.pem names"
    )
    assert line["client certificate"] == "shown: own.pem"
    assert chart["client certificate"] == "none: Padpost shows none"
    assert chart["sign-in"] == (
        "token for a signed assertion (SMART App Launch 2 Backend Services, ES384 or RS384) from https://token.example/t, client "
        "bench-padpost, scope system/DiagnosticReport.cus system/Observation.cus system/Specimen.cus system/Device.cs"
    )
    assert hook["TLS"].startswith("yes, 1.3, ECDHE with AEAD (RFC 9325); the receiver must prove its name to the CAs of")
    assert hook["sign-in"] == "user and password (RFC 7617)"
    assert hook["signature"].startswith("HTTP Message Signatures (RFC 9421), label padpost, ecdsa-p256-sha256 or hmac-sha256")
    assert facts(found["line"], "O")["encryption on the way out"] == "TLS"
    assert facts(found["chart"], "O")["sign-in"].endswith("; no secret stands in this document")
    for secret in ("s3cret", "VAULT_WORD"):
        assert secret not in "".join(found.values())


def test_a_plain_line_is_said_to_be_one(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    """Silence would be taken for a yes."""
    text = SITE[: SITE.index("sources:")] + LINES + "destinations:\n" + MLLP
    output = here("spec", "-c", site(tmp_path, text), "-d", "records", "--as", "json", capfd=capfd)[1]
    assert facts(output, "E")["TLS"] == "no: the line is plain"


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("-d", "outbocks"), "No destination is called 'outbocks'. There are outbox."),
        (("-d", "outbox", "--as", "pdf"), "There is no form called 'pdf'. Use html, markdown, json."),
        (("-d", "outbox", "--out", "no/such/folder.html"), "no/such/folder.html cannot be written: No such file or directory."),
    ],
)
def test_what_cannot_be_done_is_told(
    tmp_path: Path, capfd: pytest.CaptureFixture[str], arguments: tuple[str, ...], words: str
) -> None:
    """With the right words to choose from."""
    status, output, errors = here("spec", "-c", site(tmp_path), *arguments, capfd=capfd)
    assert (status, output) == (2, "")
    assert words in errors


def test_a_wrong_profile_is_told_with_its_line(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    """A document without that analyzer would look finished."""
    path = site(tmp_path, SITE.replace("profile: tern", "profile: trn"))
    status, output, errors = here("spec", "-c", path, "-d", "outbox", capfd=capfd)
    assert (status, output) == (2, "")
    assert "site.yaml:9: sources[0].profile: No profile is called 'trn'." in errors


@pytest.mark.parametrize(
    ("address", "said"),
    [
        ("https://u:p@host:8443/fhir?a=b#c", "https://host:8443/fhir"),
        ("http://host/fhir", "http://host/fhir"),
        ("https://u@x:p@host/", "https://host/"),
        ("/dev/ttyBENCH", "/dev/ttyBENCH"),
        ("socket://10.0.0.7:4001", "socket://10.0.0.7:4001"),
    ],
)
def test_an_address_is_said_without_secrets(address: str, said: str) -> None:
    """RFC 3986 section 3.2.1: user information stands before the last @ of the authority."""
    assert without_secrets(address) == said
