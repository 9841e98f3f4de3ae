"""``padpost check``: mapping files, worked examples and message plans, before go-live."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterator, Sequence
from functools import partial
from itertools import chain
from pathlib import Path

from bridge import clock, settings
from bridge.cli.accepted import output_lines
from bridge.cli.signatures import signature_lines, unsigned
from bridge.cli.spec import subject_of
from bridge.credentials.destination import WayOut, faults, warnings
from bridge.credentials.tls import client_context
from bridge.errors import RejectError, SettingsError, TableError
from bridge.letting_in import badge_key_of, directory_fault
from bridge.plan_book import PlanBook, own_faults
from bridge.read import check_example
from bridge.receive.fit import key_faults, source_faults
from bridge.render.oracles import oracle_faults
from bridge.settings.security import is_loopback, keeps_secrets
from bridge.site import answer_faults, example_terms, grade_faults, live_ones, tables_for, terms_of
from bridge.specification import specify
from bridge.tables.containers import container_doubts
from bridge.tables.controls import control_doubts
from bridge.tables.types import DestinationTerms, Tables

_Uses = Sequence[tuple[settings.KeyPath, Callable[[], object]]]


def check(config_path: Path | None, *, with_oracles: bool, ask: bool = False) -> int:
    """Print one line for each thing checked, then warnings of what is doubtful or not set; give 0 if all is well, 1 if something is wrong.

    ``ask``: FHIR servers and the hospital's directory are asked what they can do; nothing else of a check leaves this machine.

    Raises SettingsError or TableError (file, line, key, remedy) where a file cannot be used at all.
    """
    config = settings.read_settings(config_path) if config_path else None
    return report(config_path, config, tables_for(config), with_oracles=with_oracles, ask=ask)


def report(
    config_path: Path | None,
    config: settings.Settings | None,
    tables: Tables,
    *,
    with_oracles: bool,
    signing: bool = False,
    ask: bool = False,
) -> int:
    """Print what ``check`` prints, of a site and tables that are read already; give 0 if all is well, else 1.

    ``signing``: nobody is warned that the tables are not signed, for that is being done.
    """
    print(
        f"mapping files: {len(tables.profiles)} profiles, {len(tables.strip_types)} strip types, {len(tables.catalogue.pads)} pads"
    )
    print(_critical(tables))
    wrong: list[str] = []
    lines = _lines(tables, config, with_oracles=with_oracles)
    if config_path and config:
        # accepted output holds each destination's message: it cannot be made while one of them cannot be told a grade
        accepted = () if any(grade_faults(config, tables)) else output_lines(config, tables)
        lines = chain(_site_lines(config, config_path, tables), lines, accepted, signature_lines(config, tables))
    for line, fault in lines:
        print(f"{line}: {fault or 'ok'}", flush=True)
        wrong += [f"{line}: {fault}"] if fault else []
    told = [*map(str, tables.doubts), *(_warnings(config, tables, signing=signing, ask=ask) if config else ())]
    for words in told:
        print(f"warning: {words}")
    for each in wrong:  # again and last: between a list of ok and of warnings nobody finds them
        print(f"TO PUT RIGHT: {each}")
    print(_verdict(len(wrong), len(told)))
    return 1 if wrong else 0


def _critical(tables: Tables) -> str:
    """Say loudly which critical rules are on, and whom else the site's flags concern."""
    on = [rule.rule for rule in tables.flags.critical]
    bands = sum(map(len, tables.flags.bands.values()))
    said = f"CRITICAL RULES SWITCHED ON: {', '.join(on)}" if on else "no critical rules are switched on"
    return f"flags: {said}; {len(tables.flags.off)} off; {bands} bands by age or sex"


def _verdict(wrong: int, warnings: int) -> str:
    if wrong:
        return f"{wrong} thing{'' if wrong == 1 else 's'} to put right"
    return f"all well; {warnings} warning{'' if warnings == 1 else 's'} to settle before go-live" if warnings else "all well"


def _warnings(config: settings.Settings, tables: Tables, *, signing: bool, ask: bool) -> Iterator[str]:
    yield from _unset(config, tables)
    yield from map(str, control_doubts(tables.controls, _strip_types(config, tables)))
    yield from map(str, container_doubts(tables.containers, _strip_types(config, tables)))
    yield from _way_warnings(config, ask=ask)
    if not signing:
        yield from unsigned(config, tables)


def _strip_types(config: settings.Settings, tables: Tables) -> Iterator[str]:
    """Name the strip types that the site's analyzers read."""
    for source in config.sources:
        if source.profile in tables.profiles:
            yield from tables.profiles[source.profile].strip_types.values()


def _unset(config: settings.Settings, tables: Tables) -> Iterator[str]:
    """Name what each destination's interface specification lacks, block by block."""
    for destination in config.destinations:
        try:
            document = specify(subject_of(config, destination, tables))
        except (RejectError, TableError):  # what cannot be said in its character set or codes of grades: told above as a fault
            continue
        for block in document.blocks:
            if block.lacking:
                yield f"specification of {destination.name}, block {block.letter} {block.title}: not set: {', '.join(block.lacking)}"


def _lines(tables: Tables, config: settings.Settings | None, *, with_oracles: bool) -> Iterator[tuple[str, str]]:
    for profile in tables.profiles.values():
        yield f"example of profile {profile.name}", check_example(profile, tables)
    terms = _terms(tables, config) if config else list(example_terms())
    used = [source.profile for source in config.sources] if config else list(tables.profiles)
    known = [profile for profile in used if profile in tables.profiles]
    yield from _plan_lines(terms, known, tables, with_oracles=with_oracles)


def _terms(tables: Tables, config: settings.Settings) -> list[DestinationTerms]:
    """Give the destinations whose messages can be made; of the others ``_site_lines`` says why not."""
    mute = {error.path[1] for error in grade_faults(config, tables)}
    return [terms_of(config, destination) for number, destination in enumerate(config.destinations) if number not in mute]


def _site_lines(config: settings.Settings, path: Path, tables: Tables) -> Iterator[tuple[str, str]]:
    """Give a line for the database and each source and destination of the site, its fault with file and line."""
    if config.database is not None:
        yield "database", _database_fault(config.database, path)
    unfit = chain(key_faults(config.sources), source_faults(config.sources, tables.profiles, live=live_ones(config)))
    wrong = {error.path[1]: str(settings.placed(error, path)) for error in unfit}
    faults = chain(answer_faults(config), grade_faults(config, tables))
    mute = {error.path[1]: str(settings.placed(error, path)) for error in faults}
    for number, source in enumerate(config.sources):
        yield f"source {source.name}", wrong.get(number, "")
    for number, destination in enumerate(config.destinations):
        yield f"destination {destination.name}", mute.get(number) or _way_fault(destination, path, ("destinations", number))
    yield from _accounts_lines(config.accounts, path)
    for number, way in enumerate(config.signals.ways):
        yield f"signals by {way.name}", _way_fault(way, path, ("signals", "ways", number))


def _accounts_lines(accounts: settings.Accounts, path: Path) -> Iterator[tuple[str, str]]:
    """Give what of our own side of sign-in cannot be used, with file and line."""
    if (oidc := accounts.oidc) is not None:
        uses: _Uses = (
            (("accounts", "oidc", "client_secret", "env"), oidc.client_secret.value),
            (("accounts", "oidc"), partial(client_context, oidc.tls or settings.Tls())),
        )
        yield "the hospital's directory", _first_fault(uses, path)
    if (quick := accounts.quick_switch) is not None:
        yield "the key of badges", _first_fault((((), partial(badge_key_of, quick)),), path)


def _first_fault(uses: _Uses, path: Path) -> str:
    """Give what the first of ``uses`` raises, with file and line; each stands at its place in the site's file."""
    for place, use in uses:
        try:
            use()
        except SettingsError as error:
            return str(settings.placed(SettingsError(error.sentence, remedy=error.remedy, path=(*place, *error.path)), path))
    return ""


def _database_fault(database: settings.Database, path: Path) -> str:
    from bridge.store.postgres.opening import database_faults  # noqa: PLC0415 - only who has a server loads its driver

    try:
        return " ".join(database_faults(database))
    except SettingsError as error:
        return str(settings.placed(error, path))


def _way_fault(way: WayOut, path: Path, place: settings.KeyPath) -> str:
    """Give the first secret, certificate or key that cannot be used, with file and line."""
    fault = next(faults(way, now=clock.now()), None)
    if fault is None:
        return ""
    whole = SettingsError(fault.sentence, remedy=fault.remedy, path=(*place, *fault.path))
    return str(settings.placed(whole, path))


def _way_warnings(config: settings.Settings, *, ask: bool) -> Iterator[str]:
    """Say of each way what runs out, of each destination whether it is plain, and with ``ask`` what its server does not promise."""
    for way in (*config.sources, *config.signals.ways):
        for words in warnings(way, now=clock.now()):
            yield f"{way.name}: {words}"
    if ask and config.accounts.oidc is not None and (words := asyncio.run(directory_fault(config.accounts.oidc))):
        yield f"the hospital's directory: {words}"
    for destination in config.destinations:
        if words := _plain_words(destination):
            yield f"{destination.name}: {words}"
        for words in warnings(destination, now=clock.now()):
            yield f"{destination.name}: {words}"
        if ask and isinstance(destination, settings.FhirDestination):
            from bridge.deliver.capability import asked_differences  # noqa: PLC0415 - an HTTP client, which other commands need not load

            found = asyncio.run(asked_differences(destination))
            for words in ("nothing at its /metadata says what it can do",) if found is None else found:
                yield f"{destination.name}: {'' if found is None else 'its capability statement: '}{words}"


def _plain_words(destination: settings.DestinationShape) -> str:
    """Say that results leave this machine unencrypted; nothing where they do not."""
    match destination:
        case settings.MllpDestination():
            is_plain = destination.tls is None and not is_loopback(destination.host)
        case settings.HttpDestination():
            is_plain = not keeps_secrets(destination.address())
        case _:
            is_plain = False
    return "results leave this machine unencrypted: set tls, or let a protected network carry them" if is_plain else ""


def _plan_lines(
    terms: list[DestinationTerms], profiles: list[str], tables: Tables, *, with_oracles: bool
) -> Iterator[tuple[str, str]]:
    book = PlanBook(terms, profiles, tables)
    for term in terms:
        own = own_faults(book, term.name)
        yield f"messages for {term.name}, our own rules", own
        if own or not with_oracles:
            continue
        for profile, strip_type, _ in book.plans(term.name):
            found = (
                fault
                for payload in book.payloads(term.name, profile, strip_type)
                for fault in oracle_faults(term.format, payload)
            )
            yield f"messages for {term.name}, {profile}, {strip_type}, by the libraries", next(found, "")
