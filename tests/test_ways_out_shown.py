"""What the page of receivers is told of the settings: real files, a real port."""

from __future__ import annotations

import asyncio
from pathlib import Path

from bridge.settings import FolderDestination, MllpDestination
from bridge.ways_out_shown import certificates, kinds, tries
from tests.credentials.papers import FAR_AHEAD, papers
from tests.peers.mllp_receiver import MllpReceiver


def test_kinds_certificates_and_a_try(tmp_path: Path) -> None:
    """A folder has no certificate; a file that cannot be read is no entry, and no fault of the page."""
    own = papers(tmp_path).issue("own", "padpost", ends=FAR_AHEAD)
    with MllpReceiver() as receiver:
        plain = MllpDestination(kind="mllp", name="plain", host="127.0.0.1", port=receiver.port)
        safe = plain.model_copy(update={"name": "safe", "tls": own.model_copy(update={"ca": None})})
        out = FolderDestination(kind="folder", name="out", path=tmp_path)
        ways = (plain, safe, out)
        assert kinds(ways) == {"plain": "HL7 v2 over MLLP", "safe": "HL7 v2 over MLLP", "out": "folder"}
        assert certificates(ways) == {"safe": ("Padpost's certificate (own.pem): until 2099-01-01",)}
        assert own.certificate is not None
        own.certificate.write_text("nothing")
        assert certificates(ways) == {"safe": ()}
        assert asyncio.run(tries(ways)("plain"))[0]
