"""Bytes in, a message that is kept there, and its answer later on a connection of the receiver's own: the whole bridge, put together by the app."""

from __future__ import annotations

import asyncio
from pathlib import Path

import hl7

from bridge import settings
from bridge.app import assemble
from bridge.demo.printers import framed, printed
from bridge.model import DeliveryState
from tests.faults.served import free_port
from tests.journey.running import play
from tests.peers.mllp_receiver import MllpReceiver, answer_apart, commit, turn_away
from tests.queue.stock import until

SITE = """\
site: {{name: Test Clinic, zone: Europe/Lisbon, data: store}}
pages: {{port: 0}}
accounts: {{sign_in: none}}
patient_ids: {{pattern: '\\d{{8}}', check_digit: luhn, authority: TEST, system: "urn:example:test"}}
sources:
  - {{name: drops, kind: folder, path: drops, analyzer: bench-b, profile: tern, complete: rename, sweep_s: 0.1}}
destinations:
  - {{name: records, kind: mllp, host: 127.0.0.1, port: {mllp}, processing_id: T, acknowledgement: enhanced, application_answer: AL,
     answers_on: {{port: {answers}}}, answers: [{{when: "AE 207", means: try again}}], retry: {{first_s: 0.1, longest_s: 0.5}}}}
"""


def test_a_result_that_is_kept_and_then_not_taken(tmp_path: Path) -> None:
    """MSH-15 and MSH-16 ask for both answers; CA commits; AE 207 means later here and is sent again; AE 204 opens a row."""
    answers = free_port()

    async def whole(receiver: MllpReceiver) -> None:
        (tmp_path / "drops").mkdir()
        (tmp_path / "site.yaml").write_text(SITE.format(mllp=receiver.port, answers=answers), encoding="utf-8")
        bridge = await assemble(settings.read_settings(tmp_path / "site.yaml"))
        running = asyncio.create_task(bridge.service.run())
        try:
            profile = bridge.tables.profiles["tern"]
            bytes_in = framed(printed((play(1, "40700007"),), profile, bridge.tables), profile)
            (tmp_path / "drops" / "one.part").write_bytes(bytes_in)
            (tmp_path / "drops" / "one.part").rename(tmp_path / "drops" / "one")
            await asyncio.to_thread(receiver.wait_for, 1, 120)
            payload = receiver.received[0].payload
            (delivery,) = bridge.store.deliveries(bridge.store.results(limit=1)[0].result_id)

            def state() -> DeliveryState:
                (row,) = bridge.store.deliveries(delivery.result_id)
                return row.state

            await until(lambda: state() is DeliveryState.COMMITTED)
            for error, expected in (("207", 2), ("204", 2)):
                await answer_apart(answers, payload, turn_away("AE", error, wish="AL"), expected=1)
                await asyncio.to_thread(receiver.wait_for, expected)
                if error == "207":
                    await until(lambda: state() is DeliveryState.COMMITTED)
            assert state() is DeliveryState.REFUSED
            assert [stop.sentence for stop in bridge.store.stops()] == ["records turned this result away (AE 204)."]
        finally:
            running.cancel()
            await asyncio.gather(running, return_exceptions=True)
            await bridge.close()

    with MllpReceiver() as receiver:
        receiver.decide = lambda _: commit()
        asyncio.run(whole(receiver))
        first, second = receiver.received
        assert first.payload == second.payload
        msh = hl7.parse(first.payload.decode()).segment("MSH")
        assert (str(msh(15)), str(msh(16))) == ("AL", "AL")
