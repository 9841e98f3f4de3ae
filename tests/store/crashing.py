"""A process that writes to a store until it is killed, or until its disk is full; run with ``python -m tests.store.crashing``.

``write FOLDER``: says ``ready``, then one line for each command that was acknowledged, for ever.
``fill FOLDER``: mounts a small memory disk of its own on FOLDER, fills it, makes room, and says what it saw as JSON.
``limit FOLDER BYTES``: lets no file grow beyond BYTES, and says what it saw as JSON.
"""

from __future__ import annotations

import json
import random
import resource
import subprocess
import sys
import threading
from pathlib import Path

from bridge.errors import StoreError
from bridge.store.commands import KeepCapture, ReserveNumbers
from bridge.store.sqlite import SqliteStore
from tests.store import strips as s

_printing = threading.Lock()


def _say(*words: object) -> None:
    with _printing:
        print(*words, flush=True)


def write(folder: Path) -> None:
    """Keep captures from two threads and reserve numbers from a third; say each only once it is acknowledged."""
    store = SqliteStore(folder, now=lambda: s.NOW)
    _say("ready", store.epoch)

    def captures(name: str) -> None:
        turn = 0
        while True:
            turn += 1
            text = f"{name}/{turn}"
            _say("capture", s.keep(store, text.encode() * 50), text)

    def numbers() -> None:
        while True:
            _say("number", store.submit(ReserveNumbers(count=3)).result(s.WAIT))

    threads = [threading.Thread(target=captures, args=(name,)) for name in ("left", "right")] + [threading.Thread(target=numbers)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()


def _until_it_fails(store: SqliteStore, noise: random.Random) -> tuple[dict[int, str], str]:
    kept: dict[int, str] = {}
    for _ in range(10_000):
        payload = noise.randbytes(20_000)
        try:
            kept[s.keep(store, payload)] = s.digest_of(payload)
        except StoreError as error:
            return kept, f"{type(error).__name__}: {error}"
    return kept, "never failed"


def _tell(store: SqliteStore, kept: dict[int, str], error: str) -> dict[str, object]:
    return {
        "error": error,
        "kept": len(kept) > 10,
        "read_back": all(store.capture(number).capture.digest == digest for number, digest in kept.items()),
        "captures": len(kept),
        "shortage": store.shortage,
        "fault": store.fault,
    }


def fill(folder: Path) -> None:
    """Fill the disk twice, with room made between; all that was acknowledged must be there at the end."""
    subprocess.run(["mount", "-t", "tmpfs", "-o", "size=4m", "tmpfs", str(folder)], check=True)
    noise = random.Random(2)
    ballast = folder / "ballast"
    ballast.write_bytes(b"\0" * 1_500_000)
    store = SqliteStore(folder / "store", now=lambda: s.NOW)
    kept, error = _until_it_fails(store, noise)
    full = _tell(store, kept, error)
    still = type(
        store.submit(KeepCapture(capture=s.capture(noise.randbytes(200_000)), analyzer="a", profile="p")).exception(s.WAIT)
    )
    ballast.unlink()
    more = s.keep(store, b"there is room again")
    roomy = {"shortage": store.shortage, "fault": store.fault, "payload": store.capture(more).capture.payload.decode()}
    store.close()
    store = SqliteStore(folder / "store", now=lambda: s.NOW)
    after = _tell(store, kept, "") | {"highest": max(kept) + 1 == more}
    store.close()
    _say(json.dumps({"full": full, "still": still.__name__, "roomy": roomy, "after": after}))


def limit(folder: Path, size: int) -> None:
    """Let every write beyond ``size`` fail with an error that is not "disk full"; then lift that and restart."""
    store = SqliteStore(folder, now=lambda: s.NOW)
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, hard))
    kept, error = _until_it_fails(store, random.Random(3))
    resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
    failed = _tell(store, kept, error)
    later = str(store.submit(ReserveNumbers(count=1)).exception(s.WAIT))  # the disk is well again; the writer stays stopped
    store.close()
    store = SqliteStore(folder, now=lambda: s.NOW)
    after = _tell(store, kept, "") | {"first": store.submit(ReserveNumbers(count=1)).result(s.WAIT)}
    store.close()
    _say(json.dumps({"failed": failed, "later": later, "after": after}))


if __name__ == "__main__":
    match sys.argv[1:]:
        case ["write", folder]:
            write(Path(folder))
        case ["fill", folder]:
            fill(Path(folder))
        case ["limit", folder, size]:
            limit(Path(folder), int(size))
