"""``padpost rehearse``: critical rules, and rules on what pads say together, tried over the stored strips before anybody signs them. It only reads, also beside the running service."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import closing, contextmanager
from datetime import datetime, timedelta
from pathlib import Path
from urllib.parse import quote

from bridge import clock, settings
from bridge.cli.signatures import said
from bridge.errors import StoreFailed
from bridge.model import Severity
from bridge.pages.words import REASON_WORDS
from bridge.rehearsal import Example, Kept, Rehearsal, TriedDeclared, TriedRule
from bridge.sign_off import last_signed, read_signatures
from bridge.site import declared_rules, signed_rules, tables_for
from bridge.store.database import Db, SqliteDb
from bridge.store.reads_kept import KeptReads
from bridge.store.sqlite import FILE
from bridge.tables.flag_table import CriticalRule
from bridge.tables.hold_table import RulesToTry
from bridge.tables.signatures import SHOWN, Signature
from bridge.tables.types import Tables

AT_ONCE = 200  # ours: captures read by one question; some hundred kilobytes
CAUTION = "Nothing was changed, sent or flagged. Limits and rules are the laboratory's: its director decides and signs. Padpost does not diagnose."


class _Looking(KeptReads):
    """A store that is only looked at, beside the service that has it."""

    def __init__(self, db: Db) -> None:
        self._db = lambda: db


def rehearse(config_path: Path, *, flags: Path | None, holds: Path | None, days: int) -> int:
    """Print how many stored strips of the last days would have met each rule; give 0. ``flags`` and ``holds`` stand in place of the site's own files of these names.

    Raises SetupError for a file that cannot stand, StoreError for a store that cannot be read.
    """
    config = settings.read_settings(config_path)
    tables = tables_for(config, flags=flags, holds=holds)
    signed = last_signed(config.signed_off, read_signatures(config.signed_off), apart_from="")
    for line in rehearsed(config, tables, signed, days=days):
        print(line)
    return 0


def rehearsed(config: settings.Settings, tables: Tables, signed: tuple[Signature, bytes] | None, *, days: int) -> Iterator[str]:
    """Give the lines of a rehearsal, beside the rules of the ``signed`` table set. Raises StoreError for a store that cannot be read."""
    declared = declared_rules(json.loads(tables.canonical), tables)
    if not (*tables.flags.critical, *tables.flags.off) and not declared.declared:
        yield "There is no rule to try: flags.yaml has no critical one, and holds.yaml none on what pads say together."
        return
    before, words = _signed(signed, tables, config)
    trial = Rehearsal(
        tables,
        signed=before,
        profiles={source.name: source.profile for source in config.sources},
        declared=declared,
        signed_declared=declared_rules(json.loads(signed[1]), tables) if signed else RulesToTry(),
    )
    with _store(config) as db:
        for kept in _since(_Looking(db), clock.now() - timedelta(days=days)):
            trial.add(kept)
    yield f"rules tried over the last {days} days: {_strips(trial.looked_at)} of patients"
    if trial.purged or trial.unread:
        yield f"  left out: {trial.purged} purged, {trial.unread} that today's profiles read otherwise"
    yield f"  {words}"
    for rule in trial.rules():
        yield from _rule_lines(rule, trial.looked_at, config)
    if declared.declared:
        yield "what pads say together:"
    for tried in trial.declared():
        yield from _declared_lines(tried, trial.looked_at, config)
    if tables.holds.control or tables.holds.previous:
        yield "Rules on what a strip looks like beside others (look_alike) are not tried: they need those others."
    yield CAUTION


def _signed(
    signed: tuple[Signature, bytes] | None, tables: Tables, config: settings.Settings
) -> tuple[Sequence[CriticalRule], str]:
    """Give the signed rules that are on, and in words whose they are."""
    if signed is None:
        return (), "no signed tables are kept to compare with"
    signature, content = signed
    rules, fault = signed_rules(json.loads(content), tables)
    by = f"the tables {signature.tables[:SHOWN]}, signed by {said(signature, config)}"
    return rules, f"beside {by}{f': {fault}' if fault else ''}"


@contextmanager
def _store(config: settings.Settings) -> Iterator[Db]:
    if config.database is not None:
        from bridge.store.postgres.opening import looked_at  # noqa: PLC0415 - only who has a server loads its driver

        with looked_at(config.database) as db:
            yield db
        return
    file = config.site.data / FILE
    if not file.is_file():
        raise StoreFailed(f"There is no store at {file}. Check site.data in the site configuration.")
    opened = sqlite3.connect(f"file:{quote(str(file))}?mode=ro", uri=True, isolation_level=None, timeout=30, factory=SqliteDb)
    with closing(opened) as connection:
        yield connection


def _since(store: KeptReads, since: datetime) -> Iterator[Kept]:
    """Give the stored captures that arrived since then, the newest first."""
    before: int | None = None
    while found := store.kept_before(before, limit=AT_ONCE):
        yield from (kept for kept in found if kept.capture.arrived_at >= since)
        if all(kept.capture.arrived_at < since for kept in found):
            return
        before = found[-1].capture_id


def _rule_lines(rule: TriedRule, looked_at: int, config: settings.Settings) -> Iterator[str]:
    stands = "not proposed any more" if rule.met is None else "on" if rule.is_on else "off"
    met = "" if rule.met is None else f"{_strips(rule.met)} would meet it ({_share(rule.met, looked_at)}); "
    signed = "the signed tables have no such rule on" if rule.signed is None else f"by the signed tables {rule.signed}"
    yield f"rule {rule.rule} ({stands}): {met}{signed}; somebody was to be told of {rule.told}"
    if rule.examples:
        yield f"  such as {', '.join(_example(each, config) for each in rule.examples)}"


def _declared_lines(rule: TriedDeclared, looked_at: int, config: settings.Settings) -> Iterator[str]:
    of = rule.declared
    does = "holds" if of.severity is Severity.HOLD else "a comment on the report" if of.report else "a note"
    signed = "the signed tables have no such rule on" if rule.signed is None else f"by the signed tables {rule.signed}"
    met = f"{_strips(rule.met)} would meet it ({_share(rule.met, looked_at)})"
    said_of = REASON_WORDS.get(of.rule)
    named = f"rule {of.rule}" if said_of is None else f"rule {of.rule}, {said_of}"
    yield f"{named} ({'on' if rule.is_on else 'off'}, {does}): {met}; {signed}; {rule.found} bore it when they were judged"
    if of.report:
        yield f"  the comment: {of.report}"
    if rule.examples:
        yield f"  such as {', '.join(_example(each, config) for each in rule.examples)}"


def _example(example: Example, config: settings.Settings) -> str:
    return (
        f"{example.analyzer} {example.number or 'without number'} on {example.arrived_at.astimezone(config.site.zone):%Y-%m-%d}"
    )


def _strips(count: int) -> str:
    return f"{count} strip{'' if count == 1 else 's'}"


def _share(count: int, of: int) -> str:
    return f"{100 * count / of:.1f} %" if of else "of none"
