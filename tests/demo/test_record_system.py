"""The listening record system over real sockets: files once, turns one patient away, goes deaf, hears again."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable

import hl7
import httpx

from bridge.demo.record_system import RecordSystem

BOUND_S = 20.0
TURNED_AWAY = "40760001"


def message(control_id: str, patient_id: str) -> bytes:
    """Give a small message in MLLP framing (HL7 v2 Implementation Support Guide, appendix C: VT, content, FS, CR)."""
    text = (
        f"MSH|^~\\&|PADPOST|BENCH|RECORDS|X|20261125090500||ORU^R01^ORU_R01|{control_id}|P|2.5.1\rPID|1||{patient_id}^^^TEST^MR\r"
    )
    return b"\x0b" + text.encode() + b"\x1c\r"


def bundle(*values: str) -> dict[str, object]:
    """Give a transaction of one report for each identifier."""
    reports = [
        {"resource": {"resourceType": "DiagnosticReport", "identifier": [{"system": "urn:example:results", "value": value}]}}
        for value in values
    ]
    return {"resourceType": "Bundle", "type": "transaction", "entry": reports}


async def say(records: RecordSystem, *messages: bytes) -> bytes:
    """Send messages on one connection; give all that comes back until the answers are whole or the line is closed."""
    reader, writer = await asyncio.open_connection("127.0.0.1", records.mllp_port)
    writer.write(b"".join(messages))
    answers = b""
    while answers.count(b"\x1c\r") < len(messages) and (some := await reader.read(4096)):
        answers += some
    writer.close()
    return answers


def with_records(act: Callable[[RecordSystem], Awaitable[None]]) -> RecordSystem:
    """Run ``act`` against a started record system, within the bound; give it back after it stopped."""

    async def live() -> RecordSystem:
        records = RecordSystem(turned_away=frozenset({TURNED_AWAY}))
        await records.start()
        try:
            async with asyncio.timeout(BOUND_S):
                await act(records)
        finally:
            await records.stop()
        return records

    return asyncio.run(live())


def test_a_result_is_filed_once_and_acknowledged_each_time() -> None:
    """The same control ID twice is one result, and both tries get AA (HL7 v2 table 0008), as a good receiver does."""

    async def act(records: RecordSystem) -> None:
        answers = await say(records, message("E1M1", "40700007"), message("E1M1", "40700007"), message("E1M2", "40700015"))
        texts = [answer.lstrip(b"\x0b").decode() for answer in answers.split(b"\x1c\r") if answer]
        parsed = [hl7.parse(text) for text in texts]  # python-hl7, an independent library
        assert [(str(each.segment("MSA")[1]), str(each.segment("MSA")[2])) for each in parsed] == [
            ("AA", "E1M1"),
            ("AA", "E1M1"),
            ("AA", "E1M2"),
        ]
        assert [str(each.segment("MSH")[9]) for each in parsed] == ["ACK^R01^ACK"] * 3

    records = with_records(act)
    assert sorted(records.results) == ["E1M1", "E1M2"]
    assert records.results["E1M1"] == message("E1M1", "40700007")[1:-2]


def test_the_scripted_patient_is_turned_away_with_a_reason() -> None:
    """AE with ERR-3 204 (HL7 v2 table 0357, unknown key identifier): the demo's one refusal, filed nowhere."""

    async def act(records: RecordSystem) -> None:
        answer = (await say(records, message("E1M3", TURNED_AWAY))).strip(b"\x0b\x1c\r").decode()
        parsed = hl7.parse(answer + "\r")
        assert [str(parsed.segment("MSA")[n]) for n in (1, 2)] == ["AE", "E1M3"]
        assert str(parsed.segment("ERR")[3]).split("^")[0] == "204"
        assert str(parsed.segment("ERR")[8]) == "No patient is registered under this ID"

    records = with_records(act)
    assert (records.results, records.refusals) == ({}, {"E1M3"})


def test_a_deaf_system_answers_nobody_and_files_nothing() -> None:
    """Deaf means: the connection ends without an answer, FHIR says 503; after that it hears as before."""

    async def act(records: RecordSystem) -> None:
        url = f"http://127.0.0.1:{records.fhir_port}/fhir"
        records.deaf = True
        assert await say(records, message("E1M4", "40700007")) == b""
        async with httpx.AsyncClient() as client:
            reply = await client.post(url, json=bundle("R4"))
            assert (reply.status_code, reply.json()["issue"][0]["code"]) == (503, "transient")
            assert (records.unanswered, records.results, records.resources) == (2, {}, {})
            records.deaf = False
            assert b"MSA|AA|E1M4" in await say(records, message("E1M4", "40700007"))
            assert (await client.post(url, json=bundle("R4"))).status_code == 200

    records = with_records(act)
    assert (list(records.results), records.filed_reports()) == (["E1M4"], 1)


def test_a_transaction_creates_each_resource_once() -> None:
    """FHIR R4, transaction response: an entry for each entry sent, 201 the first time, 200 when the identifier is known."""

    async def act(records: RecordSystem) -> None:
        async with httpx.AsyncClient(base_url=f"http://127.0.0.1:{records.fhir_port}") as client:
            first = (await client.post("/fhir", json=bundle("R1", "R2"))).json()
            again = (await client.post("/fhir", json=bundle("R2", "R3"))).json()
        assert (first["resourceType"], first["type"]) == ("Bundle", "transaction-response")
        assert [entry["response"]["status"] for entry in first["entry"]] == ["201 Created", "201 Created"]
        assert [entry["response"]["status"] for entry in again["entry"]] == ["200 OK", "201 Created"]

    assert with_records(act).filed_reports() == 3


def test_after_it_stopped_nobody_listens() -> None:
    """The demo leaves no open port behind."""
    records = with_records(lambda _: asyncio.sleep(0))

    async def knock(port: int) -> bool:
        try:
            _, writer = await asyncio.open_connection("127.0.0.1", port)
        except ConnectionRefusedError:
            return False
        writer.close()
        return True

    assert [asyncio.run(knock(port)) for port in (records.mllp_port, records.fhir_port)] == [False, False]
