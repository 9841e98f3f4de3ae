"""What a site's file means: its tables, its policy, the terms of its destinations, and what of it cannot stand."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace
from pathlib import Path
from types import MappingProxyType
from typing import Any, TypeVar
from zoneinfo import ZoneInfo

from pydantic import ValidationError

from bridge import settings
from bridge.added import Addable
from bridge.check import check_terms
from bridge.errors import SettingsError, SetupError, Spot, TableError
from bridge.lifecycle.answers import site_faults
from bridge.model import LIVE, Code, Format, UnitSystem
from bridge.plan_book import PlanBook
from bridge.settings import Document
from bridge.tables.addition_table import AdditionTerms
from bridge.tables.additions import ADDITIONS_FILE, with_additions
from bridge.tables.additions_document import AdditionsDocument
from bridge.tables.care import CATALOGUE_FILE
from bridge.tables.compiled import compile_tables
from bridge.tables.containers import CONTAINERS_FILE, with_containers
from bridge.tables.containers_document import ContainersDocument
from bridge.tables.controls import CONTROLS_FILE, with_controls
from bridge.tables.controls_document import ControlsDocument
from bridge.tables.day_log_table import DayItem, DayLogRule, Undone
from bridge.tables.documents import CatalogueDocument, FlagsDocument, ProfileDocument, Shape, StripTypeDocument
from bridge.tables.flag_table import CriticalRule
from bridge.tables.flags import FLAGS_FILE, flag_table
from bridge.tables.hold_table import RulesToTry
from bridge.tables.holds import HOLDS_FILE, hold_table, rules_to_try, with_holds
from bridge.tables.holds_document import HoldsDocument
from bridge.tables.layouts import nearest
from bridge.tables.specimen_rule import SpecimenRule
from bridge.tables.telling_terms import TellingTerms, ToTell
from bridge.tables.types import (
    ClockRule,
    DestinationTerms,
    GradeTable,
    Laboratory,
    Orders,
    PatientIdPolicy,
    Pointing,
    Policy,
    Provider,
    Tables,
)

S = TypeVar("S", bound=Shape)
NO_FILES: Mapping[str, Path] = MappingProxyType({})


def load_tables(
    shipped: Path, own: Path | None, policy: Policy, *, zone: ZoneInfo, proposed: Mapping[str, Path] = NO_FILES
) -> Tables:
    """Read and compile the mapping files. A file of ``own`` replaces the shipped one of the same name, one of ``proposed`` (by that name) both.

    ``zone`` is the site's, for profiles that say ``zone: site``. Raises TableError naming file, line and key.
    """
    documents: dict[str, Document] = {}
    try:
        catalogue = _shaped(_files(shipped, own, CATALOGUE_FILE), CatalogueDocument, documents)
        strip_types = _shaped(_files(shipped, own, "strip_types/*.yaml"), StripTypeDocument, documents)
        profiles = _shaped(_files(shipped, own, "profiles/*.yaml"), ProfileDocument, documents)
        flags = _replaced(shipped, own, FLAGS_FILE, FlagsDocument, documents, proposed)
        controls = _shaped(_files(shipped, own, CONTROLS_FILE), ControlsDocument, documents)
        containers = _shaped(_files(shipped, own, CONTAINERS_FILE), ContainersDocument, documents)
        additions = _shaped(_files(shipped, own, ADDITIONS_FILE), AdditionsDocument, documents)
        holds = _replaced(shipped, own, HOLDS_FILE, HoldsDocument, documents, proposed)
        for name, found, loss in (
            (CATALOGUE_FILE, catalogue, "has a code"),
            (FLAGS_FILE, flags, "says which critical rules are on"),
        ):
            if Path(name).stem not in found:
                raise TableError(
                    f"There is no {name}.",
                    remedy=f"Restore it: without it nothing {loss}.",
                    spot=Spot(file=str(shipped), line=1, key=""),
                )
        tables = compile_tables(
            catalogue[Path(CATALOGUE_FILE).stem],
            strip_types,
            profiles,
            policy,
            zone=zone,
            flags=flags[Path(FLAGS_FILE).stem],
        )
        tables = with_controls(tables, controls.get(Path(CONTROLS_FILE).stem, ControlsDocument()), zone=zone)
        tables = with_containers(tables, containers.get(Path(CONTAINERS_FILE).stem, ContainersDocument()), zone=zone)
        if policy.additions:
            tables = with_additions(tables, _present(additions, ADDITIONS_FILE, shipped))
        tables = with_holds(tables, holds.get(Path(HOLDS_FILE).stem, HoldsDocument()))
        check_terms(tables.holds)
        return replace(tables, doubts=tuple(replace(d, spot=_spot(d.path, documents)) for d in tables.doubts))
    except SetupError as error:
        raise _placed(error, documents) from error


def _present(found: Mapping[str, S], name: str, shipped: Path) -> S:
    """Give what a file says that must be there. Raises TableError."""
    if Path(name).stem not in found:
        spot = Spot(file=str(shipped), line=1, key="")
        raise TableError(f"There is no {name}.", remedy="Restore it: a source asks for what it lists.", spot=spot)
    return found[Path(name).stem]


def _replaced(
    shipped: Path, own: Path | None, name: str, shape: type[S], documents: dict[str, Document], proposed: Mapping[str, Path]
) -> dict[str, S]:
    """Read the proposed file of a name, or the site's own or the shipped one; an error calls a proposed one by its path."""
    given = proposed.get(name)
    return _shaped({name: given} if given else _files(shipped, own, name), shape, documents, shown=str(given or ""))


def _files(shipped: Path, own: Path | None, pattern: str) -> dict[str, Path]:
    """Give the files of one kind by their name under mappings, the site's own before the shipped."""
    files: dict[str, Path] = {}
    for root in (shipped, own):
        if root is not None:
            files |= {path.relative_to(root).as_posix(): path for path in sorted(root.glob(pattern))}
    return files


def _shaped(files: dict[str, Path], shape: type[S], documents: dict[str, Document], *, shown: str = "") -> dict[str, S]:
    """Read files of one kind; ``shown`` is what an error calls them, their name under mappings without it."""
    shaped: dict[str, S] = {}
    for name, path in files.items():
        documents[name] = Document(path, shown or name)
        shaped[Path(name).stem] = documents[name].shaped(shape)
    return shaped


def _placed(error: SetupError, documents: dict[str, Document]) -> TableError:
    """Give the error as a mapping file's, with file and line."""
    spot = error.spot or _spot(error.path, documents)
    return TableError(error.sentence, remedy=error.remedy, path=error.path, spot=spot)


def _spot(path: settings.KeyPath, documents: dict[str, Document]) -> Spot | None:
    return documents[str(path[0])].spot(path[1:]) if path and str(path[0]) in documents else None


def tables_for(config: settings.Settings | None, *, flags: Path | None = None, holds: Path | None = None) -> Tables:
    """Load the tables of a site, or the shipped ones as they are; with ``flags`` and ``holds`` in place of the files of these names. Raises TableError."""
    if config is None:
        return load_tables(settings.shipped_mappings(), None, default_policy(), zone=ZoneInfo("UTC"))
    proposed = {name: path for name, path in ((FLAGS_FILE, flags), (HOLDS_FILE, holds)) if path is not None}
    tables = load_tables(
        settings.shipped_mappings(), config.mappings, policy_of(config), zone=config.site.zone, proposed=proposed
    )
    _check_specimen(config, tables)
    return tables


def declared_rules(canonical: Mapping[str, Any], tables: Tables) -> RulesToTry:
    """Give the rules on what pads say together in a table set (its canonical JSON, parsed), compiled with the ladders of ``tables``.

    None of a set of an earlier version, or whose pads are no more.
    """
    try:
        document = HoldsDocument.model_validate(canonical.get("holds", {}))
        hold_table(document, tables.strip_types)
        return rules_to_try(document, tables.strip_types)
    except (ValidationError, TableError):
        return RulesToTry()


def signed_rules(signed: Mapping[str, Any], tables: Tables) -> tuple[tuple[CriticalRule, ...], str]:
    """Give the critical rules that are on in a signed table set (its canonical JSON, parsed), and why they cannot be tried with ``tables``, else "".

    They are compiled with the ladders of ``tables``: a rule is tried on strips as they are read now.
    """
    try:
        catalogue = CatalogueDocument.model_validate(signed["catalogue"])
        table = flag_table(FlagsDocument.model_validate(signed["flags"]), catalogue, tables.strip_types)
    except (KeyError, ValidationError, TableError) as error:  # a set of an earlier version, or pads that are no more
        return (), f"its critical rules cannot be tried with today's ladders ({str(error).splitlines()[0]})"
    return table.critical, ""


def policy_of(config: settings.Settings) -> Policy:
    """Give the site's check policy as plain facts."""
    ids = config.patient_ids
    return Policy(
        patient_id=PatientIdPolicy(
            pattern=ids.pattern, check_digit=ids.check_digit, denied=frozenset(ids.denied), denied_patterns=ids.denied_patterns
        ),
        rerun_window_minutes=config.checks.rerun_window_minutes,
        future_tolerance_minutes=config.checks.future_tolerance_minutes,
        oldest_days=config.checks.oldest_days,
        processing_ids={
            source.analyzer: source.processing_id
            for source in sorted(config.sources, key=lambda each: each.analyzer)
            if source.processing_id != LIVE
        },
        test_messages=config.checks.test_messages,
        clock=_clock_rule(config.checks.clock),
        operators=config.checks.operators,
        jump_limit=config.checks.jump_limit,
        run_pause_minutes=config.checks.run_pause_minutes,
        power_on=config.checks.power_on,
        day_log=_day_log_rule(config.checks.day_log, config.site.zone),
        telling=_telling_terms(config.telling),
        specimen=_specimen_rule(config.checks.specimen),
        one_person=frozenset(each.analyzer for each in _by_eye(config) if not each.second_person),
        ungated=frozenset(each.analyzer for each in _by_eye(config) if not each.controls),
        run_again=config.checks.run_again,
        additions=_additions(config),
    )


def _additions(config: settings.Settings) -> dict[str, AdditionTerms]:
    """Give by analyzer what people add to its strips. Raises SettingsError where two sources of one analyzer say different things."""
    said: dict[str, settings.Additions | None] = {}
    for number, source in enumerate(config.sources):
        if said.setdefault(source.analyzer, source.additions) != source.additions:
            raise SettingsError(
                f"Two sources of the analyzer {source.analyzer!r} say different things of what is added to its strips.",
                remedy="Write the same additions with each, or with none.",
                path=("sources", number, "additions"),
            )
    return {
        analyzer: AdditionTerms(
            asks=tuple(what for what in Addable if what.value in each.ask),
            wait_minutes=each.wait_minutes,
            stat_minutes=each.stat_minutes,
            holds=each.then == "hold",
        )
        for analyzer, each in sorted(said.items())
        if each is not None
    }


def _by_eye(config: settings.Settings) -> tuple[settings.ByEyeSource, ...]:
    return tuple(source for source in config.sources if isinstance(source, settings.ByEyeSource))


def _specimen_rule(asked: settings.SpecimenAge | None) -> SpecimenRule | None:
    if asked is None:
        return None
    by_type = {each.strip_type: each.limit_minutes for each in asked.strip_types}
    return SpecimenRule(limit_minutes=asked.limit_minutes, stops=asked.older == "hold", by_strip_type=by_type)


def _check_specimen(config: settings.Settings, tables: Tables) -> None:
    """Refuse a limit for a strip type that there is not. Raises SettingsError."""
    rows = config.checks.specimen.strip_types if config.checks.specimen else ()
    for index, row in enumerate(rows):
        if row.strip_type not in tables.strip_types:
            raise SettingsError(
                f"There is no strip type {row.strip_type!r}.",
                remedy=nearest(row.strip_type, tables.strip_types),
                path=("checks", "specimen", "strip_types", index, "strip_type"),
            )


def _telling_terms(asked: settings.Telling) -> TellingTerms:
    return TellingTerms(
        overdue_minutes=asked.overdue_minutes,
        people=tuple(ToTell(name=each.name, role=each.role, contact=each.contact) for each in asked.people),
        repeat_hours=asked.repeat_hours,
    )


def _clock_rule(asked: settings.ClockChecks | None) -> ClockRule | None:
    if asked is None:
        return None
    return ClockRule(
        strips=asked.strips, note_minutes=asked.note_minutes, hold_minutes=asked.hold_minutes, stops=asked.doubtful == "hold"
    )


def _day_log_rule(asked: settings.DayLog | None, zone: ZoneInfo) -> DayLogRule | None:
    if asked is None:
        return None
    due = tuple(dict.fromkeys(DayItem(each) for each in asked.due))
    return DayLogRule(zone=zone, due=due, low_c=asked.low_c, high_c=asked.high_c, undone=Undone(asked.undone))


def expected_of(config: settings.Settings) -> dict[str, str]:
    """Give by profile the processing ID that its first source expects; a profile that no source has is left out, and expects live ones."""
    return {source.profile: source.processing_id for source in reversed(config.sources)}


def live_ones(config: settings.Settings) -> tuple[str, ...]:
    """Name the destinations that file results in patients' records."""
    return tuple(each.name for each in config.destinations if each.processing_id == LIVE)


def terms_of(config: settings.Settings, destination: settings.DestinationShape) -> DestinationTerms:
    """Give what a renderer must know of ``destination``."""
    ids = config.patient_ids
    pointers: settings.Pointers = getattr(destination, "pointers", settings.Pointers())
    return DestinationTerms(
        name=destination.name,
        format=Format(destination.format),
        value_forms=tuple(UnitSystem(form) for form in destination.values),
        sending_application=destination.sending_application,
        sending_facility=destination.sending_facility,
        receiving_application=destination.receiving_application,
        receiving_facility=destination.receiving_facility,
        processing_id=destination.processing_id,
        charset=destination.charset,
        zone=destination.zone or config.site.zone,
        patient_authority=ids.authority,
        patient_type=ids.type,
        patient_system=ids.system,
        result_system=getattr(destination, "result_system", ""),
        observed_at=destination.observed_at,
        local_codes=destination.local_codes,
        grades=destination.grades,
        grade_table=_grade_table(destination.grade_table),
        equipment=destination.equipment,
        operator=destination.operator,
        unit_texts=dict(sorted(destination.units.items())),
        orders=Orders(destination.orders),
        patient_pointing=Pointing(pointers.patient),
        order_pointing=Pointing(pointers.order),
        order_system=pointers.order_system,
        order_authority=destination.order_authority,
        message_profile=destination.message_profile,
        laboratory=Laboratory(**destination.laboratory.model_dump()) if destination.laboratory else None,
        provider=Provider(**destination.provider.model_dump()) if destination.provider else None,
        non_patient=getattr(destination, "controls", False),
        asks_commit=getattr(destination, "acknowledgement", "original") == "enhanced",
        asks_application=getattr(destination, "application_answer", "AL"),
        withdrawal=destination.withdrawal,
        added=destination.added,
    )


def _grade_table(table: settings.GradeTable | None) -> GradeTable | None:
    if table is None:
        return None
    codes = {grade: Code(code=row.code, text=row.text, system=table.system) for grade, row in sorted(table.codes.items())}
    return GradeTable(uri=table.uri, codes=codes)


def default_policy() -> Policy:
    """Give the policy for looking at mapping files without a site: any ID that looks like one."""
    ids = PatientIdPolicy(pattern=r"[A-Za-z0-9-]{3,20}", check_digit="", denied=frozenset(), denied_patterns=())
    return Policy(patient_id=ids, rerun_window_minutes=120, future_tolerance_minutes=15, oldest_days=3650)


def example_terms() -> tuple[DestinationTerms, ...]:
    """Give one destination of each format for looking at messages without a site."""
    oru = DestinationTerms(
        name="example-hl7",
        format=Format.ORU_R01,
        value_forms=(UnitSystem.ARBITRARY, UnitSystem.CONVENTIONAL, UnitSystem.SI),
        sending_application="PADPOST",
        sending_facility="BENCH",
        receiving_application="RECORDS",
        receiving_facility="EXAMPLE",
        processing_id="T",
        charset="UNICODE UTF-8",
        zone=ZoneInfo("UTC"),
        patient_authority="EXAMPLE",
        patient_type="MR",
        patient_system="urn:example:patients",
        result_system="urn:example:results",
        observed_at="analysis",
        local_codes=True,
    )
    return oru, replace(oru, name="example-fhir", format=Format.FHIR)


def grade_faults(config: settings.Settings, tables: Tables) -> Iterator[SettingsError]:
    """Give an error for each destination whose receiver could not be told a grade of a strip type in use."""
    profiles = [source.profile for source in config.sources if source.profile in tables.profiles]
    for number, destination in enumerate(config.destinations):
        try:
            PlanBook([terms_of(config, destination)], profiles, tables)
        except TableError as error:
            if error.path[:1] not in {("grades",), ("grade_table",)}:
                raise
            yield SettingsError(error.sentence, remedy=error.remedy, path=("destinations", number, *error.path))


def answer_faults(config: settings.Settings) -> Iterator[SettingsError]:
    """Give an error for each line of a destination's own answers that cannot stand."""
    for number, destination in enumerate(config.destinations):
        if isinstance(destination, settings.MllpDestination | settings.FhirDestination | settings.HookDestination):
            lines = [(line.when, line.means) for line in destination.answers]
            for line, fault, remedy in site_faults(destination.kind, lines):
                yield SettingsError(fault, remedy=remedy, path=("destinations", number, "answers", line, "when"))
