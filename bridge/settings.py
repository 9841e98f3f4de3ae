"""The only reader of the site configuration, the mapping files and the environment.

Everything read here keeps its file, line and key, so that an error names the place
and the nearest right word. The shapes are pydantic models; unknown keys are errors.
"""

from __future__ import annotations

import difflib
import os
import re
from collections.abc import Iterator, Mapping
from pathlib import Path
from types import UnionType
from typing import Annotated, Any, Literal, TypeVar, Union, get_args, get_origin
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import yaml
from pydantic import (
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    ValidationError,
    ValidationInfo,
    field_validator,
    model_validator,
)

from bridge.errors import SettingsError, Spot
from bridge.model import Grade

T = TypeVar("T", bound=BaseModel)
KeyPath = tuple[str | int, ...]

# --- shapes of the site configuration -----------------------------------------------------------


def _zone(name: object) -> ZoneInfo:
    if isinstance(name, ZoneInfo):
        return name
    try:
        return ZoneInfo(str(name))
    except (ZoneInfoNotFoundError, ValueError) as error:
        raise ValueError(f"no time zone is called {name!r}; use a name such as Europe/Lisbon") from error


Zone = Annotated[ZoneInfo, BeforeValidator(_zone)]
Name = Annotated[str, Field(pattern=r"^[a-z][a-z0-9-]{0,39}$")]


class Shape(BaseModel):
    """What every part of the configuration has in common: frozen, and no unknown key."""

    model_config = ConfigDict(extra="forbid", frozen=True, arbitrary_types_allowed=True)


class Secret(Shape):
    """A secret that the configuration only names: an environment variable, or a file named by VARIABLE_FILE."""

    env: str

    def value(self) -> str:
        """Read the secret. Raises SettingsError if neither VARIABLE nor VARIABLE_FILE gives one."""
        given = os.environ.get(self.env, "")
        path = os.environ.get(f"{self.env}_FILE", "")
        if not given and path:
            try:
                given = Path(path).read_text(encoding="utf-8").strip()
            except (OSError, UnicodeDecodeError) as error:
                raise SettingsError(
                    f"The secret {self.env} cannot be read from {path}: {_cause(error)}.",
                    remedy=f"Set {self.env}_FILE to a text file that holds it.",
                ) from error
        if not given:
            raise SettingsError(
                f"The secret {self.env} is {'empty' if path or self.env in os.environ else 'not set'}.",
                remedy=f"Set {self.env}, or {self.env}_FILE to a file that holds it.",
            )
        return given


class Site(Shape):
    """Who and where: the laboratory's name, its zone, and the data folder."""

    name: str = Field(min_length=1, max_length=60)
    zone: Zone
    data: Path


class Pages(Shape):
    """Where the pages listen. Other than loopback needs ``allow_other_hosts`` and the host names to accept."""

    host: str = "127.0.0.1"
    port: int = Field(default=8765, ge=0, le=65535)
    allow_other_hosts: bool = False
    host_names: tuple[str, ...] = ()

    @model_validator(mode="after")
    def _loopback_unless_said(self) -> Pages:
        if self.host not in {"127.0.0.1", "::1", "localhost"} and not (self.allow_other_hosts and self.host_names):
            raise ValueError(
                f"pages would listen on {self.host}, where other machines reach them without accounts; "
                "set allow_other_hosts: true and host_names: [...] if that is meant"
            )
        return self


class PatientIds(Shape):
    """What a patient ID must look like, and which texts are never one."""

    pattern: str
    check_digit: Literal["", "mod11", "luhn", "verhoeff"] = ""
    denied: tuple[str, ...] = ()
    denied_patterns: tuple[str, ...] = ()
    authority: str = Field(min_length=1, max_length=20)
    type: str = Field(default="MR", min_length=1, max_length=5)
    system: str = Field(pattern=r"^(urn:|https?://)\S+$")

    @model_validator(mode="after")
    def _patterns_compile(self) -> PatientIds:
        for text in (self.pattern, *self.denied_patterns):
            try:
                re.compile(text)
            except re.error as error:
                raise ValueError(f"{text!r} is not a regular expression: {error}") from error
        return self


class Checks(Shape):
    """Windows and limits of the checks."""

    rerun_window_minutes: int = Field(default=120, ge=0, le=10_080)
    future_tolerance_minutes: int = Field(default=15, ge=0, le=1_440)
    oldest_days: int = Field(default=30, ge=1, le=3_650)


class SourceShape(Shape):
    """What every source has: a name, the analyzer behind it and the profile that reads it."""

    name: Name
    analyzer: Name
    profile: Name
    longest_capture_bytes: int = Field(default=4_000_000, ge=1_000)


class FolderSource(SourceShape):
    """A folder that an analyzer, or its computer, drops files into.

    ``complete``: ``stable`` takes a file whose size and time did not change for ``stable_s`` seconds;
    ``ready`` takes NAME once NAME.ready stands beside it; ``rename`` takes every file that does not end in one of ``unfinished``.
    """

    kind: Literal["folder"]
    path: Path
    complete: Literal["stable", "ready", "rename"] = "stable"
    stable_s: float = Field(default=2.0, ge=0.05, le=3_600)
    sweep_s: float = Field(default=1.0, ge=0.05, le=3_600)
    unfinished: tuple[str, ...] = (".part", ".tmp", ".filepart")


class LinkTimes(Shape):
    """Time-outs of the LIS01-A2 link layer, seconds. The defaults are the standard's, but for ``settle_s``.

    ``settle_s`` (ours): an ENQ or EOT in the middle of a frame is a new start only if this long a silence follows.
    """

    answer_s: float = Field(default=15.0, gt=0)
    frame_s: float = Field(default=30.0, gt=0)
    busy_s: float = Field(default=10.0, gt=0)
    contention_s: float = Field(default=20.0, gt=0)
    settle_s: float = Field(default=1.0, gt=0)


class Cut(Shape):
    """How a plain stream is cut into captures: by form feed, STX/ETX, line end, or a silent gap."""

    by: Literal["form_feed", "stx_etx", "line", "gap"]
    gap_s: float = Field(default=2.0, gt=0, le=600)


class LineSource(SourceShape):
    """What serial lines and TCP connections share. ``link`` lis01, or a plain ``stream`` cut by ``cut``.

    ``message_ends``: ``terminator`` commits at the frame that ends with an L record, ``frame`` at each ETX frame.
    """

    link: Literal["lis01", "stream"]
    times: LinkTimes = LinkTimes()
    message_ends: Literal["terminator", "frame"] = "terminator"
    cut: Cut | None = None

    @model_validator(mode="after")
    def _stream_has_cut(self) -> LineSource:
        if (self.link == "stream") != (self.cut is not None):
            raise ValueError("link: stream needs cut: {by: ...}, and link: lis01 takes none")
        return self


class SerialSource(LineSource):
    """A serial line: a device path or a pyserial URL (socket://, rfc2217://)."""

    kind: Literal["serial"]
    port: str
    baud: int = 9600
    bits: Literal[7, 8] = 8
    parity: Literal["none", "even", "odd"] = "none"
    stop_bits: Literal[1, 2] = 1
    software_flow: bool = False
    hardware_flow: bool = False
    reopen_s: float = Field(default=2.0, gt=0, le=600)


class TcpSource(LineSource):
    """A TCP connection: we listen for the analyzer, or call it."""

    kind: Literal["tcp"]
    role: Literal["listen", "call"]
    host: str = "127.0.0.1"
    port: int = Field(ge=0, le=65535)
    reopen_s: float = Field(default=2.0, gt=0, le=600)
    most_connections: int = Field(default=8, ge=1, le=256)


Source = Annotated[FolderSource | SerialSource | TcpSource, Field(discriminator="kind")]


class Retry(Shape):
    """When to try again: doubling waits from ``first_s`` to ``longest_s``, given up after ``give_up_h`` hours."""

    first_s: float = Field(default=1.0, gt=0)
    longest_s: float = Field(default=900.0, gt=0)
    give_up_h: float = Field(default=24.0, gt=0)


class Agreement(Shape):
    """What only people know of an interface, in their own words. `padpost spec` prints it; `padpost check` warns of what is left out.

    ``laboratory``: name and address. ``contacts``: laboratory, record system, IT, out of hours. ``regime``: the regulation that applies.
    ``analyzers``: serial numbers, firmware, places. ``recheck``: when the validation is done again. ``changes``: who approves, notice, way back.
    Write no secret here.
    """

    laboratory: str = ""
    accreditation: str = ""
    contacts: str = ""
    go_live: str = ""
    regime: str = ""
    analyzers: str = ""
    test_address: str = ""
    controls: str = ""
    volumes: str = ""
    downtime: str = ""
    recheck: str = ""
    security: str = ""
    changes: str = ""


class GradeCode(Shape):
    """The site's own code of one grade, and its words."""

    code: str = Field(min_length=1, max_length=20, pattern=r"^\S+( \S+)*$")
    text: str = Field(min_length=1, max_length=199)


class GradeTable(Shape):
    """The site's own codes of grades, for a destination whose `grades` hold `local`; each grade of the strips in use needs one.

    ``grades`` is `[text]` (OBX-2 ST, FHIR valueString), or one or two of `loinc`, `local` and `snomed` in the order in which the
    codes are sent (OBX-2 CWE, FHIR valueCodeableConcept). ``system`` is the name of the codes in HL7: L, or 99 and letters or digits.
    ``uri`` is their name in FHIR. ``codes`` is keyed by the grade: negative, normal, trace, 1+, 2+, 3+, 4+, positive.
    """

    system: str = Field(default="L", pattern=r"^(L|99[A-Za-z0-9]{1,18})$")
    uri: str = Field(default="urn:padpost:local", pattern=r"^(urn:|https?://)\S+$")
    codes: Mapping[Grade, GradeCode] = Field(min_length=1)

    @model_validator(mode="after")
    def _codes_differ(self) -> GradeTable:
        codes = [row.code for row in self.codes.values()]
        if twice := [code for code in codes if codes.count(code) > 1]:
            raise ValueError(f"two grades have the code {twice[0]!r}, so a receiver could not tell them apart")
        return self


class Laboratory(Shape):
    """The organization that answers for the results: OBX-23 and OBX-24, FHIR performer.

    ``number`` is its licence or registry number (US: CLIA), ``authority`` who assigned it: a URI for FHIR, a name for HL7.
    ``country`` is a code of three letters (ISO 3166-1, HL7 table 0399). ``director`` is one name, sent as it stands.
    """

    name: str = Field(min_length=1, max_length=50)
    number: str = ""
    authority: str = ""
    street: str = ""
    city: str = ""
    state: str = ""
    postal_code: str = ""
    country: str = Field(default="", pattern=r"^([A-Z]{3})?$")
    director: str = ""


class Provider(Shape):
    """Who orders where the strip does not say who: ORC-12 and OBR-16."""

    number: str = Field(min_length=1, max_length=15)
    family: str = Field(min_length=1)
    given: str = ""
    authority: str = ""


GUIDED = {"fhir_us": "US Core", "fhir_eu": "HL7 Europe laboratory"}  # formats of FHIR that are shaped after a regional guide
# ``Kind=URL`` of the resources whose meta.profile a site may set
CLAIM = re.compile(r"(Observation|DiagnosticReport|Specimen)=(urn:|https?://)\S+")


class DestinationShape(Shape):
    """What every destination has: a name, and what its messages say. ``units`` holds the site's own texts of units by UCUM code.

    ``message_profile`` is MSH-21 (``^`` parts its components) or Bundle.meta.profile. ``orders: single`` makes each pad an order of its
    own. ``provider`` is who ordered, ``laboratory`` who answers for the results; both go into every HL7 format where they are set.
    """

    name: Name
    format: str
    values: tuple[Literal["arbitrary", "conventional", "si"], ...] = Field(
        default=("arbitrary", "conventional", "si"), min_length=1
    )
    sending_application: str = "PADPOST"
    sending_facility: str = ""
    receiving_application: str = ""
    receiving_facility: str = ""
    processing_id: Literal["P", "T", "D"] = "P"
    charset: Literal["UNICODE UTF-8", "8859/1", "8859/15", "ASCII"] = "UNICODE UTF-8"
    zone: Zone | None = None
    observed_at: Literal["analysis", "empty"] = "analysis"
    local_codes: bool = True
    grades: tuple[Literal["loinc", "local", "snomed", "text"], ...] = Field(default=("loinc",), min_length=1, max_length=2)
    grade_table: GradeTable | None = None
    equipment: bool = True
    operator: bool = True
    units: Mapping[str, Annotated[str, Field(min_length=1, max_length=20)]] = Field(default_factory=dict)
    orders: Literal["panel", "single"] = "panel"
    order_authority: str = Field(default="", max_length=20)
    message_profile: str = ""
    laboratory: Laboratory | None = Field(default=None, validate_default=True)
    provider: Provider | None = None
    retry: Retry = Retry()
    agreement: Agreement = Agreement()

    @field_validator("observed_at")
    @classmethod
    def _a_guide_has_times(cls, value: str, info: ValidationInfo) -> str:
        if value == "empty" and info.data.get("format") in GUIDED:
            raise ValueError(f"{GUIDED[info.data['format']]} has a time with every result: use observed_at: analysis")
        return value

    @field_validator("message_profile")
    @classmethod
    def _profiles_name_their_kind(cls, value: str, info: ValidationInfo) -> str:
        wrong = [word for word in value.split() if not CLAIM.fullmatch(word)] if _is_fhir(info) else []
        if wrong:
            raise ValueError(f"{wrong[0]!r} is no profile of FHIR: write Observation=URL, DiagnosticReport=URL or Specimen=URL")
        return value

    @field_validator("laboratory")
    @classmethod
    def _a_guide_has_a_performer(cls, value: Laboratory | None, info: ValidationInfo) -> Laboratory | None:
        if value is None and info.data.get("format") == "fhir_eu":
            raise ValueError(
                "format: fhir_eu needs laboratory: {name: ...}, since HL7 Europe laboratory has a performer with every value"
            )
        if value and value.number and _is_fhir(info) and not re.match(r"(urn:|https?://)\S+$", value.authority):
            raise ValueError(
                "in FHIR, laboratory.number needs laboratory.authority: the URI of who assigned it, such as urn:oid:2.999.4"
            )
        return value

    @model_validator(mode="after")
    def _grades_can_be_said(self) -> DestinationShape:
        if len(set(self.grades)) != len(self.grades) or ("text" in self.grades and len(self.grades) > 1):
            raise ValueError("grades is [text], or one or two different systems of loinc, local and snomed")
        if ("local" in self.grades) != (self.grade_table is not None):
            raise ValueError("grades with local needs grade_table: {codes: ...}, and without local takes none")
        return self


def _is_fhir(info: ValidationInfo) -> bool:
    return str(info.data.get("format", "")).startswith("fhir")


def _hl7_format_fits(name: str, *, orders: str, controls: bool) -> None:
    if name == "oru_r30" and orders == "single":
        raise ValueError("ORU^R30 carries one order a message (HL7 2.5.1): use orders: panel, or another format")
    if controls and name != "oul_r22":
        raise ValueError("controls: true needs format: oul_r22, whose messages need no patient")


class Pointers(Shape):
    """How FHIR messages point to the patient and to the order, which they do not carry.

    ``logical``: by identifier. ``literal``: by the server's address, where its id is the patient ID or the order number itself.
    ``conditional``: by a search in the transaction, which the server must find exactly one match for.
    """

    patient: Literal["logical", "literal", "conditional"] = "logical"
    order: Literal["logical", "literal", "conditional"] = "logical"
    order_system: str = Field(default="urn:padpost:order", pattern=r"^(urn:|https?://)\S+$")


class MllpDestination(DestinationShape):
    """HL7 v2 over MLLP. ``controls``: control strips and lot comparisons are sent too, under no patient (`oul_r22` only)."""

    kind: Literal["mllp"]
    format: Literal["oru_r01", "oru_r01_us", "oru_r30", "oul_r22"] = "oru_r01"
    controls: bool = False
    host: str
    port: int = Field(ge=1, le=65535)
    answer_s: float = Field(default=30.0, gt=0)
    connect_s: float = Field(default=10.0, gt=0)

    @model_validator(mode="after")
    def _format_fits(self) -> MllpDestination:
        _hl7_format_fits(self.format, orders=self.orders, controls=self.controls)
        return self


class FhirDestination(DestinationShape):
    """A FHIR R4 server that takes transaction Bundles. ``result_system`` is the URI of our result identifiers.

    ``fhir_us`` and ``fhir_eu`` are shaped after US Core's and HL7 Europe's laboratory results, no more: `observed_at: empty` cannot go
    with them, and ``fhir_eu`` needs ``laboratory``. ``message_profile`` is what the site itself claims in meta.profile: one or more of
    `Observation=URL`, `DiagnosticReport=URL` and `Specimen=URL`, parted by blanks.
    """

    kind: Literal["fhir"]
    format: Literal["fhir", "fhir_us", "fhir_eu"] = "fhir"
    pointers: Pointers = Pointers()
    base_url: str = Field(pattern=r"^https?://\S+$")
    result_system: str = Field(pattern=r"^(urn:|https?://)\S+$")
    bearer: Secret | None = None
    answer_s: float = Field(default=30.0, gt=0)


class FolderDestination(DestinationShape):
    """A folder that gets one file a message."""

    kind: Literal["folder"]
    path: Path
    format: Literal["oru_r01", "oru_r01_us", "oru_r30", "oul_r22", "fhir", "fhir_us", "fhir_eu"] = "oru_r01"
    controls: bool = False
    pointers: Pointers = Pointers()
    result_system: str = Field(default="urn:padpost:result", pattern=r"^(urn:|https?://)\S+$")

    @model_validator(mode="after")
    def _format_fits(self) -> FolderDestination:
        _hl7_format_fits(self.format, orders=self.orders, controls=self.controls)
        return self


Destination = Annotated[MllpDestination | FhirDestination | FolderDestination, Field(discriminator="kind")]


class Settings(Shape):
    """The whole site configuration.

    ``signed_off``: the file where `padpost sign-off` keeps who signed which table set. A destination whose ``processing_id`` is
    `P` is live: it gets nothing before the tables in use are signed.
    """

    site: Site
    pages: Pages = Pages()
    patient_ids: PatientIds
    checks: Checks = Checks()
    sources: tuple[Source, ...] = ()
    destinations: tuple[Destination, ...] = ()
    mappings: Path | None = None
    signed_off: Path = Path("signed_off.yaml")
    log: Literal["console", "json"] = "console"

    @model_validator(mode="after")
    def _names_are_unique(self) -> Settings:
        for kind, names in (("source", [s.name for s in self.sources]), ("destination", [d.name for d in self.destinations])):
            twice = sorted({name for name in names if names.count(name) > 1})
            if twice:
                raise ValueError(f"two {kind}s are called {twice[0]!r}; a {kind}'s name must be its own")
        return self


# --- reading YAML with places -------------------------------------------------------------------


class _Loader(yaml.SafeLoader):
    """Safe YAML that refuses a key given twice and leaves dates and yes/no as text."""


_Loader.yaml_implicit_resolvers = {
    first: [(tag, pattern) for tag, pattern in resolvers if tag != "tag:yaml.org,2002:timestamp"]
    for first, resolvers in yaml.SafeLoader.yaml_implicit_resolvers.items()
}


class Document:
    """One YAML file as plain values, with the line of every key. Decimals stay text where the file quotes them."""

    def __init__(self, path: Path, name: str = "") -> None:
        """Read ``path``. Raises SettingsError with file and line if it cannot be read or is no YAML mapping."""
        self.path = path
        self.name = name or str(path)
        self._lines: dict[KeyPath, int] = {}
        try:
            text = path.read_text(encoding="utf-8")
        except (OSError, UnicodeDecodeError) as error:
            raise SettingsError(
                f"The file cannot be read: {_cause(error)}.",
                remedy="Check its name, its rights, and that it is UTF-8.",
                spot=Spot(file=self.name, line=1, key=""),
            ) from error
        try:
            node = yaml.compose(text, Loader=_Loader)
            if not isinstance(node, yaml.MappingNode):
                raise SettingsError(
                    "The file holds no mapping.", remedy="Write keys and values.", spot=Spot(file=self.name, line=1, key="")
                )
            self._walk(node, ())
            loaded: Any = yaml.load(text, Loader=_Loader)  # noqa: S506 - _Loader is a SafeLoader
        except yaml.MarkedYAMLError as error:
            line = error.problem_mark.line + 1 if error.problem_mark else 1
            raise SettingsError(
                f"This is not YAML: {error.problem}.",
                remedy="Check indentation, colons and quotes near this line.",
                spot=Spot(file=self.name, line=line, key=""),
            ) from error
        self.values: dict[str, Any] = loaded

    def _walk(self, node: yaml.Node, path: KeyPath) -> None:
        self._lines.setdefault(path, node.start_mark.line + 1)
        if isinstance(node, yaml.MappingNode):
            for key_node, value_node in node.value:
                key = key_node.value
                inner = (*path, key)
                if inner in self._lines:
                    raise SettingsError(
                        f"The key {key!r} is given twice.",
                        remedy="Keep one.",
                        spot=Spot(file=self.name, line=key_node.start_mark.line + 1, key=_dotted(inner)),
                    )
                self._lines[inner] = key_node.start_mark.line + 1
                self._walk(value_node, inner)
        elif isinstance(node, yaml.SequenceNode):
            for number, item in enumerate(node.value):
                self._walk(item, (*path, number))

    def spot(self, path: KeyPath) -> Spot:
        """Give the place of ``path``, or of its nearest parent that the file has."""
        known = path
        while known and known not in self._lines:
            known = known[:-1]
        return Spot(file=self.name, line=self._lines.get(known, 1), key=_dotted(path))

    def shaped(self, shape: type[T]) -> T:
        """Give the file's values as ``shape``. Raises SettingsError naming line, key and nearest right key."""
        try:
            return shape.model_validate(self.values)
        except ValidationError as error:
            # an unknown key comes first: a misspelt one also makes its right spelling "missing"
            first = min(error.errors(), key=lambda e: (e["type"] != "extra_forbidden", self.spot(self._real(e)).line))
            path = self._real(first)
            sentence, remedy = _sentence(first, path, shape)
            raise SettingsError(sentence, remedy=remedy, path=path, spot=self.spot(path)) from error

    def _real(self, error: Mapping[str, Any]) -> KeyPath:
        """Drop the union tags that pydantic puts into a location, so that it follows the file's own keys."""
        loc, kind = error["loc"], error["type"]
        path: list[str | int] = []
        for place, part in enumerate(loc):
            inner = (*path, part)
            if inner in self._lines or (kind == "missing" and place == len(loc) - 1):
                path.append(part)
        if kind == "union_tag_invalid":
            path.append("kind")
        return tuple(path)

    def placed(self, error: SettingsError) -> SettingsError:
        """Give the same error with file and line."""
        return SettingsError(error.sentence, remedy=error.remedy, path=error.path, spot=self.spot(error.path))


def _dotted(path: KeyPath) -> str:
    return "".join(f"[{part}]" if isinstance(part, int) else f".{part}" for part in path).lstrip(".")


def _sentence(error: Mapping[str, Any], path: KeyPath, shape: type[BaseModel]) -> tuple[str, str]:
    key = path[-1] if path else ""
    match error["type"]:
        case "extra_forbidden":
            near = difflib.get_close_matches(str(key), sorted(set(_all_keys(shape))), n=1)
            return (
                f"The key {key!r} is unknown here.",
                f"Did you mean {near[0]!r}?" if near else "Remove it, or see docs/reference/configuration.md.",
            )
        case "missing":
            return f"The key {key!r} is missing.", "Add it; docs/reference/configuration.md says what it holds."
        case "union_tag_invalid" | "union_tag_not_found":
            given = error["ctx"].get("tag", "")
            return (
                f"There is no kind {given!r}." if given else "The key 'kind' is missing.",
                f"Write one of {error['ctx'].get('expected_tags', 'those that docs/reference/configuration.md names')}.",
            )
        case _:
            given = error.get("input")
            shown = f" It says {given!r}." if isinstance(given, str | int | float | bool) else ""
            return f"{error['msg'].removeprefix('Value error, ')}.{shown}", "Correct the value."


def _all_keys(shape: Any) -> Iterator[str]:
    """Walk a shape's key names, nested ones too, for the nearest-key hint."""
    if isinstance(shape, type) and issubclass(shape, BaseModel):
        for name, field in shape.model_fields.items():
            yield name
            yield from _all_keys(field.annotation)
    elif get_origin(shape) in {tuple, list, dict, Mapping, Annotated, Union, UnionType}:
        for part in get_args(shape):
            yield from _all_keys(part)


def _cause(error: OSError | UnicodeDecodeError) -> str:
    return (error.strerror or str(error)) if isinstance(error, OSError) else f"byte {error.start + 1} is not UTF-8"


def placed(error: SettingsError, path: Path) -> SettingsError:
    """Give ``error``, found in the settings that ``path`` holds after they were read, with file and line."""
    return Document(path).placed(error) if error.spot is None else error


def _us_shape_lacks(destination: DestinationShape) -> tuple[str, str] | None:
    """Give the first key that a destination after the US laboratory results guide cannot do without, and what it is for.

    The fields are those that the guide's table calls R (tests/render/data/us_lri_base_fields.csv).
    """
    lab = destination.laboratory
    needs = (
        ("sending_facility", destination.sending_facility, "who sends, MSH-4"),
        (
            "message_profile",
            destination.message_profile,
            "the profile that both sides agreed on, MSH-21; Padpost claims none by itself",
        ),
        ("provider", destination.provider, "who ordered, ORC-12 and OBR-16; no analyzer tells it"),
        ("laboratory", lab, "who answers for the results, OBX-23 and OBX-24"),
        ("laboratory.city", lab and (lab.street or lab.city or lab.postal_code), "the laboratory's address, OBX-24"),
        ("observed_at", destination.observed_at == "analysis", "analysis, since OBR-7 may not be empty"),
    )
    return next(((key, use) for key, given, use in needs if not given), None)


def _check_us_shape(settings: Settings, document: Document) -> None:
    for number, destination in enumerate(settings.destinations):
        lacks = _us_shape_lacks(destination) if destination.format == "oru_r01_us" else None
        if lacks:
            key, use = lacks
            raise document.placed(
                SettingsError(
                    f"The format oru_r01_us of {destination.name} needs {key}: {use}.",
                    remedy=f"Set {key}, or choose the format oru_r01.",
                    path=("destinations", number, *key.split(".")),
                )
            )


def read_settings(path: Path) -> Settings:
    """Read a site configuration. Relative paths in it start at its own folder.

    Raises SettingsError with file, line, key and remedy.
    """
    document = Document(path)
    settings = document.shaped(Settings)
    _check_us_shape(settings, document)
    return settings.model_copy(
        update={
            "site": settings.site.model_copy(update={"data": _beside(path, settings.site.data)}),
            "sources": tuple(
                s.model_copy(update={"path": _beside(path, s.path)}) if isinstance(s, FolderSource) else s
                for s in settings.sources
            ),
            "destinations": tuple(
                d.model_copy(update={"path": _beside(path, d.path)}) if isinstance(d, FolderDestination) else d
                for d in settings.destinations
            ),
            "mappings": _beside(path, settings.mappings) if settings.mappings else None,
            "signed_off": _beside(path, settings.signed_off),
        }
    )


def _beside(config: Path, path: Path) -> Path:
    return path if path.is_absolute() else (config.parent / path).resolve()


def shipped_mappings() -> Path:
    """Give the folder of the mapping files that come with Padpost: inside the wheel, or the checkout's."""
    inside = Path(__file__).parent / "mappings"
    return inside if inside.is_dir() else Path(__file__).parent.parent / "mappings"
