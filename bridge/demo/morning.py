"""Runs the clinic morning through a real bridge, and says whether it came to its known truth."""

from __future__ import annotations

import asyncio
import os
import secrets
import signal
import socket
import sys
import tempfile
import time
from contextlib import suppress
from datetime import date
from pathlib import Path

from bridge import clock, event_loop, settings
from bridge.app import Padpost, assemble, run_until
from bridge.bench.gaps import UsedNumber, gaps
from bridge.demo import scenario
from bridge.demo.analyzers import FdWire, TcpWire, open_pty, post, say, transmit
from bridge.demo.printers import framed, printed
from bridge.demo.record_system import RecordSystem
from bridge.demo.scenario import TRUTH, Truth
from bridge.desk.entries import EntryDesk, EntryPlace
from bridge.errors import SettingsError
from bridge.lifecycle.states import StopGroup
from bridge.logs import configure_logging
from bridge.model import Actor
from bridge.receive.mllp_listener import MllpReceiver
from bridge.receive.serial_line import SerialReceiver

LONGEST_S = 240.0  # ours: the morning takes some 20 seconds; a slow machine gets twelve times that
KEY = "PADPOST_DEMO_KEY"
QUIET_S = 90.0  # ours: once all is played and nothing has changed for so long (the check of the plans has taken half of that where all cores are busy), it has come to what it will come to
OUTAGE_AFTER = 18  # ours: the record system goes deaf after this strip of the first analyzer
OUTAGE_S = 2.0  # ours: long enough for several tries to fail

SITE = """\
site: {{name: Saltmarsh Clinic, zone: Europe/Lisbon, data: store}}
pages: {{host: 127.0.0.1, port: {port}}}
accounts: {{sign_in: none}}
patient_ids:
  pattern: '\\d{{8}}'
  check_digit: luhn
  denied: ["00000000"]
  authority: SALTMARSH
  system: urn:example:saltmarsh:patients
sources:
  - {{name: bench-a-line, kind: serial, port: {pty}, link: lis01, analyzer: bench-a, profile: brook}}
  - {{name: bench-b-folder, kind: folder, path: drops, analyzer: bench-b, profile: tern, complete: rename, sweep_s: 0.2}}
  - {{name: bench-c-net, kind: mllp, port: 0, analyzer: bench-c, profile: dipper, peers: [127.0.0.1]}}
  - {{name: bench-d-posts, kind: http, key: {{env: {key}}}, analyzer: bench-d, profile: lark, peers: [127.0.0.1]}}
  - {{name: ward-eyes, kind: by_eye, analyzer: ward-4, profile: heron}}
destinations:
  - {{name: records, kind: mllp, host: 127.0.0.1, port: {mllp}, receiving_application: RECORDS, processing_id: T, retry: {{first_s: 0.3, longest_s: 2}}}}
  - {{name: chart, kind: fhir, base_url: "http://127.0.0.1:{fhir}/fhir", result_system: "urn:example:saltmarsh:results", processing_id: T, retry: {{first_s: 0.3, longest_s: 2}}}}
log: json
"""


def run(*, once: bool, port: int, folder: Path | None) -> int:
    """Run the morning; with ``once`` stop after the summary. Gives 0 if it came to the known truth, else 1."""
    home = folder or Path(tempfile.mkdtemp(prefix="padpost-demo-"))
    home.mkdir(parents=True, exist_ok=True)
    with (home / "log.jsonl").open("a", encoding="utf-8") as log:
        configure_logging("json", log)
        return event_loop.run(_run(home, once=once, port=_free_port(port)))


def _free_port(port: int) -> int:
    """Give ``port``, or any for 0. Raises SettingsError if something listens there: better told now than when the bridge is half up."""
    with socket.socket() as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind(("127.0.0.1", port))
        except OSError as error:
            raise SettingsError(
                f"The pages cannot listen on port {port}: {error.strerror}.",
                remedy="Give --port another number, or 0 for any that is free.",
            ) from error
        return int(probe.getsockname()[1])


async def _run(home: Path, *, once: bool, port: int) -> int:
    if (home / "store").exists():
        raise SettingsError(f"{home} holds an earlier demo.", remedy="Give --folder a new one, or leave it out.")
    (home / "drops").mkdir()
    records = RecordSystem(turned_away=frozenset({scenario.UNKNOWN_TO_RECORDS}))
    await records.start()
    master, slave, path = open_pty()
    os.environ[KEY] = secrets.token_hex(24)  # noqa: TID251 - the demo's own key, invented for this run: nothing is read
    site = home / "site.yaml"
    site.write_text(SITE.format(port=port, pty=path, mllp=records.mllp_port, fhir=records.fhir_port, key=KEY), encoding="utf-8")
    bridge = await assemble(settings.read_settings(site))
    stop = asyncio.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        asyncio.get_running_loop().add_signal_handler(number, stop.set)
    running = asyncio.create_task(run_until(bridge, stop))
    try:
        print(
            f"Saltmarsh Clinic, one morning on four simulated analyzers, and one strip read by eye. Files and log: {home}",
            flush=True,
        )
        reached = await _play(bridge, records, FdWire(master), home / "drops", stop)
        _summary(reached)
        if not once and not stop.is_set():
            print(f"\nThe pages are on http://127.0.0.1:{port} until Ctrl-C.", flush=True)
            await stop.wait()
    finally:
        stop.set()
        with suppress(asyncio.CancelledError):
            await running
        await bridge.close()
        await records.stop()
        with suppress(OSError):
            os.close(slave)
    return 0 if reached == TRUTH else 1


async def _play(bridge: Padpost, records: RecordSystem, wire: FdWire, drops: Path, stop: asyncio.Event) -> Truth:
    """Play all analyzers side by side; give what the morning came to once all is settled or time is up."""
    day = scenario.morning_of(clock.now())
    playing = [
        asyncio.create_task(play)
        for play in (
            _play_line(bridge, records, wire, day),
            _drop_files(bridge, drops, day),
            _speak(bridge, day),
            _post(bridge, day),
            _enter(bridge),
        )
    ]
    done, _ = await asyncio.wait(playing, timeout=LONGEST_S)
    for each in done:
        each.result()  # an analyzer that could not play is no morning that came to less
    deadline, quiet_since = clock.monotonic() + LONGEST_S, clock.monotonic()
    reached = _reached(bridge, records)
    while reached != TRUTH and clock.monotonic() < min(deadline, quiet_since + QUIET_S) and not stop.is_set():
        await asyncio.sleep(0.2)  # what is awaited lies in the store and the peer
        before, reached = reached, _reached(bridge, records)
        quiet_since = quiet_since if reached == before else clock.monotonic()
    return reached


async def _play_line(bridge: Padpost, records: RecordSystem, wire: FdWire, day: date) -> None:
    profile = bridge.tables.profiles["brook"]
    line = bridge.sources["bench-a-line"]
    if isinstance(line, SerialReceiver):
        await line.opened.wait()  # an ENQ into a closed line is lost, and the analyzer would wait its 15 seconds
    for count, play in enumerate(scenario.bench_a(day), 1):
        taken = await transmit(wire, printed([play], profile, bridge.tables))
        print(f"bench-a {play.word}{play.number:05}: {'kept' if taken else 'not taken'}", flush=True)
        if count == OUTAGE_AFTER:
            print("the record system goes deaf", flush=True)
            records.deaf = True
            asyncio.get_running_loop().call_later(OUTAGE_S, _hear_again, records)
        await asyncio.sleep(0.1)


def _hear_again(records: RecordSystem) -> None:
    records.deaf = False
    print("the record system answers again", flush=True)


async def _drop_files(bridge: Padpost, drops: Path, day: date) -> None:
    profile = bridge.tables.profiles["tern"]
    for number, drop in enumerate(scenario.bench_b(day), 1):
        text = framed(printed(drop.plays, profile, bridge.tables), profile)
        part = drops / f"list-{number:02}.txt.part"
        await asyncio.to_thread(part.write_bytes, text[: int(len(text) * drop.keep)])
        part.rename(part.with_suffix(""))
        print(f"bench-b list-{number:02}.txt: {len(drop.plays)} strips", flush=True)
        await asyncio.sleep(0.3)


async def _speak(bridge: Padpost, day: date) -> None:
    """Let the third analyzer send its messages by MLLP; where its answer was lost it sends the same one again."""
    source = bridge.sources["bench-c-net"]
    assert isinstance(source, MllpReceiver)
    await source.opened.wait()
    assert source.address is not None
    wire = TcpWire(*await asyncio.open_connection(*source.address))
    try:
        for play in scenario.bench_c(day):
            message = printed([play], bridge.tables.profiles["dipper"], bridge.tables)
            for _ in range(1 + (play.number in scenario.SAID_TWICE)):
                taken = await say(wire, message)
            print(f"bench-c {play.number:05}: {'kept' if taken else 'not taken'}", flush=True)
            await asyncio.sleep(0.3)
    finally:
        wire.close()


async def _post(bridge: Padpost, day: date) -> None:
    """Let the fourth analyzer's computer post each strip; where its answer was lost it posts the same one again."""
    address, key = f"http://127.0.0.1:{bridge.config.pages.port}", settings.Secret(env=KEY).value()
    await asyncio.to_thread(_await_pages, bridge.config.pages.port)
    for play in scenario.bench_d(day):
        readings = printed([play], bridge.tables.profiles["lark"], bridge.tables)
        for _ in range(1 + (play.number in scenario.SAID_TWICE)):
            taken = await post(address, readings, key=key, idempotency_key=f"{day:%Y%m%d}-{play.number}")
        print(f"bench-d {play.number:05}: {'kept' if taken else 'not taken'}", flush=True)
        await asyncio.sleep(0.4)


async def _enter(bridge: Padpost) -> None:
    """Let a nurse enter one strip that was read by eye, as the page Enter a strip does; a second person has still to compare it."""
    place = EntryPlace(source="ward-eyes", analyzer="ward-4", profile=bridge.tables.profiles["heron"])
    desk = EntryDesk(bridge.store, bridge.tables, [place], now=clock.now)
    entry = scenario.read_by_eye(desk.next_number(place))
    entered = await asyncio.to_thread(desk.by_eye, place, entry, Actor(name=scenario.NURSE, verified="unverified"))
    bridge.service.wake()
    print(f"ward-4 {entered.number}: entered by {scenario.NURSE}", flush=True)


def _await_pages(port: int) -> None:
    """Wait until the pages listen, which they do a moment after the bridge runs; at most ``LONGEST_S``."""
    until = clock.monotonic() + LONGEST_S
    while clock.monotonic() < until:
        with suppress(OSError), socket.create_connection(("127.0.0.1", port), timeout=1):
            return
        time.sleep(0.1)


def _reached(bridge: Padpost, records: RecordSystem) -> Truth:
    """Count what the morning has come to, from the store and from the record system itself."""
    store = bridge.store
    strips = store.strips(limit=500)
    outcomes = [strip.outcome for strip in strips]
    schemes = {source.analyzer: bridge.tables.profiles[source.profile].numbers for source in bridge.config.sources}
    used = [
        UsedNumber(analyzer=strip.analyzer, mode=strip.mode, series=strip.series, number=int(strip.number))
        for strip in strips
        if strip.series and strip.number.isdigit()
    ]
    missing = tuple(
        f"{gap.analyzer} {gap.first}" if gap.first == gap.last else f"{gap.analyzer} {gap.first}-{gap.last}"
        for gap in gaps(used, schemes)
    )
    return Truth(
        received=len(strips),
        sent_on=outcomes.count("coded"),
        copies=outcomes.count("copy"),
        controls=outcomes.count("non_patient"),
        held=store.open_stops()[StopGroup.HELD],
        rejected=store.open_stops()[StopGroup.REJECTED],
        missing=missing,
        refused=store.open_stops()[StopGroup.REFUSED],
        filed_hl7=len(records.results),
        filed_fhir=records.filed_reports(),
    )


def _summary(reached: Truth) -> None:
    lines = (
        ("strips received", reached.received, TRUTH.received),
        ("  sent on", reached.sent_on, TRUTH.sent_on),
        ("  controls (kept, never sent)", reached.controls, TRUTH.controls),
        ("  copies (noted, not sent)", reached.copies, TRUTH.copies),
        ("  waiting for your decision", reached.held, TRUTH.held),
        ("  cannot be sent", reached.rejected, TRUTH.rejected),
        ("missing numbers", ", ".join(reached.missing) or "none", ", ".join(TRUTH.missing)),
        ("filed by HL7 v2", reached.filed_hl7, TRUTH.filed_hl7),
        ("  turned away there", reached.refused, TRUTH.refused),
        ("filed by FHIR", reached.filed_fhir, TRUTH.filed_fhir),
    )
    print(f"\n{'the morning':<32}{'came to':>14}{'known truth':>14}")
    for words, came, known in lines:
        print(f"{words:<32}{came!s:>14}{known!s:>14}{'' if came == known else '   <- differs'}")
    added = reached.sent_on + reached.controls + reached.copies + reached.held + reached.rejected
    print(f"received = sent on + controls + copies + waiting + cannot be sent: {reached.received} = {added}")
    sys.stdout.flush()
