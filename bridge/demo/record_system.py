"""A listening record system for the demo: HL7 v2 over MLLP and a small FHIR endpoint.

It files each result once (by MSH-10, and by resource identifier), turns one patient away as scripted, and can go deaf
for a while. It is a stand-in to show the way of a strip, not a record system to keep.
"""

from __future__ import annotations

import asyncio
import json
from contextlib import suppress
from typing import Any

import uvicorn
from fastapi import FastAPI, Request
from fastapi.responses import JSONResponse

from bridge.wire import mllp


class RecordSystem:
    """Listens on two loopback ports; 0 asks for free ones, then ``mllp_port`` and ``fhir_port`` say which."""

    def __init__(self, *, turned_away: frozenset[str]) -> None:
        self.turned_away = turned_away
        self.deaf = False
        self.results: dict[str, bytes] = {}
        self.resources: dict[tuple[str, str], dict[str, Any]] = {}
        self.refusals: set[str] = set()
        self.unanswered = 0
        self._writers: set[asyncio.StreamWriter] = set()

    async def start(self) -> None:
        """Open both ports."""
        self._server = await asyncio.start_server(self._serve_mllp, "127.0.0.1", 0)
        self.mllp_port: int = self._server.sockets[0].getsockname()[1]
        config = uvicorn.Config(self._fhir_app(), host="127.0.0.1", port=0, log_config=None, lifespan="off")
        self._uvicorn = uvicorn.Server(config)
        self._uvicorn_task = asyncio.create_task(self._uvicorn._serve(None))  # noqa: SLF001 - serve() would take over Ctrl-C
        while not self._uvicorn.started:  # noqa: ASYNC110 - uvicorn has no event to wait for
            await asyncio.sleep(0.01)
        self.fhir_port: int = self._uvicorn.servers[0].sockets[0].getsockname()[1]

    async def stop(self) -> None:
        """Close both ports and every connection."""
        self._server.close()
        for writer in list(self._writers):
            writer.close()
        self._uvicorn.should_exit = True
        with suppress(asyncio.CancelledError):
            await self._uvicorn_task

    # --- HL7 v2

    async def _serve_mllp(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._writers.add(writer)
        deframer = mllp.Deframer()
        try:
            while data := await reader.read(65536):
                for message in deframer.feed(data):
                    answer = self._answer(message)
                    if answer is None:
                        return
                    if writer.is_closing():  # as the far end left; uvloop raises at what is written then
                        return
                    writer.write(mllp.frame(answer))
                    await writer.drain()
        except ConnectionError:
            pass
        finally:
            self._writers.discard(writer)
            writer.close()

    def _answer(self, message: bytes) -> bytes | None:
        """File the message and give the acknowledgement; None while deaf."""
        if self.deaf:
            self.unanswered += 1
            return None
        segments = [line.split(b"|") for line in message.split(b"\r") if line]
        header = segments[0]
        control_id = header[9].decode("ascii")
        patient_id = next(fields for fields in segments if fields[0] == b"PID")[3].split(b"^")[0].decode()
        if patient_id in self.turned_away:
            self.refusals.add(control_id)
            return self._ack(
                control_id, "AE", "\rERR||PID^1^3|204^Unknown key identifier^HL70357|E||||No patient is registered under this ID"
            )
        self.results.setdefault(control_id, message)
        return self._ack(control_id, "AA", "")

    @staticmethod
    def _ack(control_id: str, code: str, error: str) -> bytes:
        head = f"MSH|^~\\&|RECORDS|SALTMARSH|PADPOST|BENCH|20260101000000||ACK^R01^ACK|A{control_id}|P|2.5.1"
        return f"{head}\rMSA|{code}|{control_id}{error}\r".encode()

    # --- FHIR

    def _fhir_app(self) -> FastAPI:
        app = FastAPI(openapi_url=None)

        @app.post("/fhir")
        async def transaction(request: Request) -> JSONResponse:
            if self.deaf:
                self.unanswered += 1
                return JSONResponse(_outcome("transient", "The server is being maintained"), status_code=503)
            bundle = json.loads(await request.body())
            return JSONResponse(self._transact(bundle), media_type="application/fhir+json")

        return app

    def _transact(self, bundle: dict[str, Any]) -> dict[str, Any]:
        entries = []
        for entry in bundle["entry"]:
            resource = entry["resource"]
            kind = resource["resourceType"]
            key = (kind, _name(resource))
            known = key in self.resources
            if not known or entry.get("request", {}).get("method") == "PUT":
                self.resources[key] = resource
            entries.append(
                {
                    "response": {
                        "status": "200 OK" if known else "201 Created",
                        "location": f"{kind}/{len(self.resources)}/_history/1",
                    }
                }
            )
        return {"resourceType": "Bundle", "type": "transaction-response", "entry": entries}

    def filed_reports(self) -> int:
        """Count the FHIR reports that were filed."""
        return sum(kind == "DiagnosticReport" for kind, _ in self.resources)


def _name(resource: dict[str, Any]) -> str:
    """Give what names a resource: its first identifier, or the tag of what has none (R4 Provenance)."""
    if "identifier" in resource:
        return f"{resource['identifier'][0]['system']}|{resource['identifier'][0]['value']}"
    tag = resource["meta"]["tag"][0]
    return f"{tag['system']}|{tag['code']}"


def _outcome(code: str, text: str) -> dict[str, Any]:
    return {"resourceType": "OperationOutcome", "issue": [{"severity": "error", "code": code, "diagnostics": text}]}
