"""The site file that comes with the container starts as it stands."""

from __future__ import annotations

import asyncio
import textwrap
from pathlib import Path

import httpx

from bridge import settings
from bridge.app import assemble, run_until
from tests.faults.served import free_port

ROOT = Path(__file__).parents[2]
SITE = ROOT / "docker" / "site.yaml"


def test_the_site_file_of_the_how_to_is_read(tmp_path: Path) -> None:
    """Who copies it from the page must not meet an error in it."""
    page = (ROOT / "docs" / "how-to" / "connect-an-analyzer.md").read_text(encoding="utf-8")
    block = page.split("```yaml\n")[1].split("```")[0]
    (tmp_path / "site.yaml").write_text(textwrap.dedent(block), encoding="utf-8")
    read = settings.read_settings(tmp_path / "site.yaml")
    assert [(type(each).__name__, each.name) for each in (*read.sources, *read.destinations)] == [
        ("SerialSource", "bench-line"),
        ("MllpDestination", "records"),
    ]


def test_the_shipped_site_file_starts_and_stays_up(tmp_path: Path) -> None:
    """An admin starts the container before anything is connected: the pages must be there to look at, and ready."""
    port = free_port()
    text = SITE.read_text(encoding="utf-8")
    for shipped, here in (
        ("  data: /var/lib/padpost", f"  data: {tmp_path / 'store'}"),
        ("/var/lib/padpost/signed_off.yaml", str(tmp_path / "signed_off.yaml")),
        ("port: 8765", f"port: {port}"),
        ("0.0.0.0", "127.0.0.1"),
    ):
        assert text.count(shipped) == 1
        text = text.replace(shipped, here)
    (tmp_path / "site.yaml").write_text(text, encoding="utf-8")

    async def live() -> tuple[int, bool]:
        bridge = await assemble(settings.read_settings(tmp_path / "site.yaml"))
        stop = asyncio.Event()
        running = asyncio.create_task(run_until(bridge, stop))
        try:
            async with asyncio.timeout(20), httpx.AsyncClient(trust_env=False) as client:
                while True:
                    try:
                        answer = await client.get(f"http://127.0.0.1:{port}/health/ready")
                        break
                    except httpx.TransportError:
                        await asyncio.sleep(0.02)
            return answer.status_code, running.done()
        finally:
            stop.set()
            await running
            await bridge.close()

    assert asyncio.run(live()) == (200, False)
