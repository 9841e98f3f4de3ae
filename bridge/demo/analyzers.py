"""Simulated analyzers: they play strips over a pty, a serial line, TCP or MLLP, by HTTP posts, or into a folder."""

from __future__ import annotations

import asyncio
import os
import random
import secrets
import tty
from collections.abc import Sequence
from contextlib import suppress
from datetime import datetime, timedelta
from pathlib import Path
from typing import Protocol
from zoneinfo import ZoneInfo

import httpx
import serial

from bridge import clock, settings
from bridge.deliver.folder import write_whole
from bridge.demo.printers import Play, can_print, framed, printed
from bridge.errors import LineError, SetupError
from bridge.model import Priority, Purpose
from bridge.site import tables_for
from bridge.tables.types import Framing, Profile, Tables
from bridge.wire import lis01, mllp

ANSWER_S = 15.0  # LIS01-A2: the sender waits this long for an answer
TIMES = {lis01.Timer.ANSWER: ANSWER_S, lis01.Timer.BUSY: 10.0, lis01.Timer.PRIORITY: 1.0, lis01.Timer.CONTENTION: 20.0}
# LIS01-A2, as wire/lis01_says names them; the instrument's side of a contention is a second
REMEDIES = {
    "pty": "Close some terminals.",
    "serial": "Check the device's name and your rights to it.",
    "tcp": "Start the bridge first, with a source that listens there.",
    "mllp": "Start the bridge first, with a source of the kind mllp that listens there.",
    "post": "Start the bridge first, with a source of the kind http; the address is that of its pages.",
    "listen": "Choose a port that is free, or 0.",
}
TARGETS = "pty, serial:DEVICE, tcp:HOST:PORT, mllp:HOST:PORT, listen:PORT, post:URL or folder:PATH"
KEY = "PADPOST_SIMULATE_KEY"  # ours: the variable (or KEY_FILE) that holds the key of the source that is posted to
MOST_PORT = 65_535  # RFC 9293 3.1: 16 bits
GONE = "The far end of the line is gone."
SILENCE_S = 0.3  # ours: the pause between two plain-stream captures, longer than a wire's own gaps


class Wire(Protocol):
    """Bytes both ways, from the analyzer's end."""

    async def read(self) -> bytes:
        """Wait for bytes."""

    async def write(self, some: bytes) -> None:
        """Send bytes."""

    def close(self) -> None:
        """Let go of the wire."""


class FdWire:
    """A wire that is a file descriptor: the master of a pty, or a serial port."""

    def __init__(self, fd: int) -> None:
        self._fd = fd
        os.set_blocking(fd, False)

    async def read(self) -> bytes:
        """Wait for bytes; b"" when the far end is gone."""
        loop = asyncio.get_running_loop()
        ready: asyncio.Future[None] = loop.create_future()
        loop.add_reader(self._fd, _settle, ready)
        try:
            await ready
            return os.read(self._fd, 4096)
        except OSError:
            return b""
        finally:
            loop.remove_reader(self._fd)

    async def write(self, some: bytes) -> None:
        """Send bytes; a full buffer is waited out. Raises LineError when the far end is gone."""
        while some:
            try:
                some = some[os.write(self._fd, some) :]
            except BlockingIOError:
                await asyncio.sleep(0.01)
            except OSError as error:
                raise LineError(GONE) from error

    def close(self) -> None:
        """Close the descriptor."""
        with suppress(OSError):
            os.close(self._fd)


def _settle(ready: asyncio.Future[None]) -> None:
    if not ready.done():
        ready.set_result(None)


class TcpWire:
    """A wire that is a TCP connection; says the same as FdWire when the far end is gone."""

    def __init__(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._reader = reader
        self._writer = writer

    async def read(self) -> bytes:
        """Wait for bytes; b"" when the far end is gone."""
        try:
            return await self._reader.read(4096)
        except ConnectionError:
            return b""

    async def write(self, some: bytes) -> None:
        """Send bytes. Raises LineError when the far end is gone."""
        if self._writer.is_closing():  # uvloop raises at what is written then
            raise LineError(GONE)
        try:
            self._writer.write(some)
            await self._writer.drain()
        except ConnectionError as error:
            raise LineError(GONE) from error

    def close(self) -> None:
        """Close the connection."""
        self._writer.close()


def open_pty() -> tuple[int, int, str]:
    """Give a raw pty: (master, slave, the slave's path). Keeping the slave open lets the other end come and go."""
    master, slave = os.openpty()
    tty.setraw(master)
    tty.setraw(slave)
    return master, slave, os.ttyname(slave)


async def transmit(wire: Wire, text: bytes) -> bool:
    """Send one message over the LIS01 link; say whether all of it was acknowledged."""
    link = lis01.LinkSender()
    outputs = link.send([text])
    while True:
        for output in outputs:
            if isinstance(output, lis01.Send):
                await wire.write(output.data)
            elif isinstance(output, lis01.Ended):
                return output.how is lis01.SendEnd.SENT
        try:
            async with asyncio.timeout(TIMES[link.timer] if link.timer else None):
                answer = await wire.read()
        except TimeoutError:
            outputs = link.expire()
            continue
        if not answer:
            raise LineError(GONE)
        outputs = link.feed(answer)


async def say(wire: Wire, message: bytes) -> bool:
    """Send one HL7 message by MLLP; say whether it was acknowledged (AA or CA). Raises LineError when the far end is gone."""
    await wire.write(mllp.frame(message))
    deframer = mllp.Deframer()
    while True:
        try:
            async with asyncio.timeout(ANSWER_S):
                some = await wire.read()
        except TimeoutError:
            return False
        if not some:
            raise LineError(GONE)
        for answer in deframer.feed(some):
            return any(line.split(b"|")[1:2] in ([b"AA"], [b"CA"]) for line in answer.split(b"\r") if line.startswith(b"MSA"))


async def post(address: str, readings: bytes, *, key: str, idempotency_key: str) -> bool:
    """Post readings in JSON to a bridge at ``address``; say whether they were kept. Raises LineError where nobody answers."""
    headers = {"Authorization": f"Bearer {key}", "Content-Type": "application/json", "Idempotency-Key": idempotency_key}
    try:
        async with httpx.AsyncClient(timeout=ANSWER_S, trust_env=False) as client:
            answer = await client.post(f"{address.rstrip('/')}/api/readings", content=readings, headers=headers)
    except (httpx.HTTPError, httpx.InvalidURL) as error:
        raise LineError(f"{address} does not answer: {type(error).__name__}. {REMEDIES['post']}") from error
    return answer.status_code == httpx.codes.ACCEPTED


# --- the simulate command


def simulate(target: str, profile_name: str, *, strips: int, every_s: float, seed: int) -> int:
    """Play ``strips`` invented strips of ``profile_name`` at ``target``; give 0 if every one was taken.

    Raises SetupError for an unknown profile or target, LineError if the wire is gone.
    """
    tables = tables_for(None)
    profile = tables.profiles.get(profile_name)
    if profile is None:
        raise SetupError(f"No profile is called {profile_name!r}.", remedy=f"There are {', '.join(sorted(tables.profiles))}.")
    texts = invented(profile, tables, strips=strips, seed=seed)
    kind, _, where = target.partition(":")
    if kind == "folder" and where:
        return asyncio.run(_drop(texts, profile, Path(where), every_s))
    if (kind == "mllp") is not (profile.hl7 is not None) or (kind == "post") is not (profile.json is not None):
        raise SetupError(
            f"{profile_name} does not speak over {kind}.",
            remedy="Profiles of the layout hl7 go to mllp:HOST:PORT, those of the layout json to post:URL, all others to a line; all to folder:PATH.",
        )
    if kind == "post" and where:
        return asyncio.run(_post_all(where, texts, every_s))
    if kind in {"pty", "serial", "tcp", "mllp", "listen"} and (where or kind == "pty"):
        return asyncio.run(_play(kind, where, texts, profile, every_s))
    raise SetupError(f"There is no target {target!r}.", remedy=f"Use {TARGETS}.")


def invented(profile: Profile, tables: Tables, *, strips: int, seed: int) -> list[bytes]:
    """Make up strips: mostly unremarkable, each tenth STAT, numbers rising from the scheme's first, one minute apart up to now."""
    if not can_print(profile):
        return [profile.example.payload]
    rng = random.Random(seed)
    scheme = profile.numbers
    words = {rule.priority: word for word, rule in scheme.modes.items() if rule.purpose is Purpose.PATIENT}
    end = clock.now().astimezone(ZoneInfo(profile.zone.key))
    kinds = sorted(set(profile.strip_types.values()))
    texts = []
    for n in range(strips):
        kind = rng.choice(kinds)
        ranks = {pad.pad: _rank(rng, len(pad.ladder)) for pad in tables.strip_types[kind].pads}
        priority = Priority.STAT if n % 10 == 9 and Priority.STAT in words else Priority.ROUTINE
        play = Play(
            number=scheme.first + n, at=_today(end - timedelta(minutes=strips - n), end), patient_id=f"{40_700_000 + rng.randrange(90_000)}",
            word=words[priority], strip_type=kind, ranks=ranks,
        )  # fmt: skip
        texts.append(printed([play], profile, tables))
    return texts


def _rank(rng: random.Random, steps: int) -> int:
    return 0 if rng.random() < 0.7 else rng.randrange(steps)  # ours: most urines are unremarkable


def _today(at: datetime, end: datetime) -> datetime:
    """Keep the strips on the day of ``end``, since a daily series would begin anew at midnight."""
    return at if at.date() == end.date() else end.replace(hour=0, minute=0)


async def _drop(texts: Sequence[bytes], profile: Profile, folder: Path, every_s: float) -> int:
    for number, text in enumerate(texts, 1):
        name = f"strips-{secrets.token_hex(4)}-{number:04}.txt"
        try:
            await asyncio.to_thread(write_whole, folder / name, framed(text, profile))
        except OSError as error:
            raise LineError(f"{folder} cannot be written: {error.strerror}. Make the folder first.") from error
        print(f"{number}: {name}", flush=True)
        await asyncio.sleep(every_s)
    return 0


async def _post_all(address: str, texts: Sequence[bytes], every_s: float) -> int:
    key, run, taken = settings.Secret(env=KEY).value(), secrets.token_hex(4), 0
    for number, text in enumerate(texts, 1):
        was_taken = await post(address, text, key=key, idempotency_key=f"{run}-{number}")
        taken += was_taken
        print(f"{number}: {'taken' if was_taken else 'not taken'}", flush=True)
        await asyncio.sleep(every_s)
    return 0 if taken == len(texts) else 1


async def _play(kind: str, where: str, texts: Sequence[bytes], profile: Profile, every_s: float) -> int:
    wire = await _wire(kind, where)
    taken = 0
    try:
        for number, text in enumerate(texts, 1):
            if kind == "mllp":
                was_taken = await say(wire, text)
            elif profile.framing is Framing.LIS01:
                was_taken = await transmit(wire, text)
            else:
                await wire.write(text + b"\x0c")  # form feed: what a printer port sends between slips
                was_taken = True
            taken += was_taken
            print(f"{number}: {'taken' if was_taken else 'not taken'}", flush=True)
            await asyncio.sleep(max(every_s, 0 if profile.framing is Framing.LIS01 or kind == "mllp" else SILENCE_S))
    finally:
        wire.close()
    return 0 if taken == len(texts) else 1


async def _wire(kind: str, where: str) -> Wire:
    try:
        match kind:
            case "pty":
                master, _, path = open_pty()
                print(f"play to: {path}   (start the bridge on it, then press Enter)", flush=True)
                await asyncio.to_thread(input)
                return FdWire(master)
            case "serial":
                with serial.serial_for_url(where, timeout=0) as device:
                    return FdWire(os.dup(device.fileno()))
            case "tcp" | "mllp":
                host, _, port = where.rpartition(":")
                return TcpWire(*await asyncio.open_connection(host, _port(port)))
            case _:
                return await _guest(_port(where))
    except ValueError as error:
        raise SetupError(f"{where!r} names no port.", remedy="Write tcp:HOST:PORT, mllp:HOST:PORT or listen:PORT.") from error
    except EOFError as error:
        raise LineError("Nobody pressed Enter: simulate pty needs a terminal to wait at.") from error
    except OSError as error:
        cause = os.strerror(error.errno) if error.errno and error.errno > 0 else error
        raise LineError(f"{where or 'The pty'} cannot be opened: {cause}. {REMEDIES[kind]}") from error


def _port(text: str) -> int:
    """Give the port. Raises ValueError; uvloop would take the last 16 bits of a greater number."""
    port = int(text)
    if not 0 <= port <= MOST_PORT:
        raise ValueError(text)
    return port


async def _guest(port: int) -> TcpWire:
    """Listen on loopback for the one caller that the strips are played to."""
    came: asyncio.Future[TcpWire] = asyncio.get_running_loop().create_future()

    def take(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        if not came.done():
            came.set_result(TcpWire(reader, writer))

    server = await asyncio.start_server(take, "127.0.0.1", port)
    print(f"listening on 127.0.0.1:{server.sockets[0].getsockname()[1]}", flush=True)
    wire = await came
    server.close()
    return wire
