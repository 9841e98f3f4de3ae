"""``padpost sign-off``: a named person's word that the tables in use were checked, kept beside the site's configuration."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from bridge import clock, settings
from bridge.cli.check import report
from bridge.cli.rehearse import rehearsed
from bridge.cli.signatures import changed, live_destinations, said
from bridge.errors import SetupError, StoreError
from bridge.model import Severity
from bridge.sign_off import add_signature, last_signed, read_signatures
from bridge.site import tables_for
from bridge.tables.signatures import Signature
from bridge.tables.types import Tables

REHEARSED_DAYS = 30  # ours: a month has every day of the week and most kinds of patients


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
    for line in _rehearsed(config, tables, signatures):
        print(line)
    add_signature(config.signed_off, signature, tables)
    print(f"signed by {said(signature, config)}; kept in {config.signed_off}")
    live = ", ".join(live_destinations(config))
    print(f"A running Padpost sees it within seconds: {live}." if live else "No destination is live yet (processing_id: P).")
    return 0


def _rehearsed(config: settings.Settings, tables: Tables, signatures: tuple[Signature, ...]) -> Iterator[str]:
    """Show, where rules are on that compute more than they transfer and that nobody has signed so, what they would have met: who signs sees what follows.

    These are critical rules, comments on the report, and rules that hold no more what the signed ones held.
    """
    last = last_signed(config.signed_off, signatures, apart_from=tables.digest)
    now, before = json.loads(tables.canonical), json.loads(last[1]) if last else {}
    critical = bool(tables.flags.critical) and before.get("flags") != now["flags"]
    if not critical and _computing(now) == _computing(before):
        return
    try:
        yield from rehearsed(config, tables, last, days=REHEARSED_DAYS)
    except StoreError as error:  # before the first start there is none; the signature does not depend on it
        yield f"rules were tried over no stored strips: {error}"


def _computing(canonical: Mapping[str, Any]) -> list[Any]:
    """Give the rows of a table set, declared for what pads say together, by which a comment goes out or a strip is held: on others nothing depends."""
    rows = canonical.get("holds", {}).get("rules", [])
    return [
        row for row in rows if row["switched_on"] and row["when"]["pads"] and (row["report"] or row["severity"] == Severity.HOLD)
    ]
