"""``padpost sign-off``: a named person's word that the tables in use were checked, kept beside the site's configuration."""

from __future__ import annotations

from pathlib import Path

from bridge import clock, settings
from bridge.cli.check import report
from bridge.cli.signatures import changed, live_destinations, said
from bridge.errors import SetupError
from bridge.sign_off import add_signature, read_signatures
from bridge.site import tables_for
from bridge.tables.signatures import Signature


def sign_off(config_path: Path, by: str, words: str) -> int:
    """Check the site, say what changed since the last signed tables, and sign these; give 0, or 1 if a check failed and nothing was signed.

    Raises SetupError where nobody is named or a file cannot be used.
    """
    name = " ".join(by.split())
    if not name:
        raise SetupError("A signature needs the name of a person.", remedy='Say who checked the tables: --by "Name".')
    config = settings.read_settings(config_path)
    signatures = read_signatures(config.signed_off)
    tables = tables_for(config)  # what is checked is what is signed, whatever becomes of the files meanwhile
    if report(config_path, config, tables, with_oracles=True, signing=True):
        print("Nothing is signed: put this right first.")
        return 1
    signature = Signature(tables=tables.digest, by=name, at=clock.now().replace(microsecond=0), words=words.strip())
    print(f"tables {tables.digest}")
    for line in changed(config, tables, signatures):
        print(line)
    add_signature(config.signed_off, signature, tables)
    print(f"signed by {said(signature, config)}; kept in {config.signed_off}")
    live = ", ".join(live_destinations(config))
    print(f"A running Padpost sees it within seconds: {live}." if live else "No destination is live yet (processing_id: P).")
    return 0
