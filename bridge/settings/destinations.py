"""The shapes of the ways out: what a destination is sent, and how it is reached."""

from __future__ import annotations

import re
from abc import ABC, abstractmethod
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field, ValidationInfo, field_validator, model_validator

from bridge.model import Grade
from bridge.settings.security import (
    Basic,
    OAuth,
    Signing,
    Tls,
    has_a_port_that_can_be,
    has_no_fragment,
    holds_nobody,
    is_a_base,
    is_https,
    keeps_secrets,
)
from bridge.settings.shapes import Name, Network, Secret, Shape, Zone


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
    ``withdrawal``: OBX-11 of a result that is taken back, in HL7 v2: W (posted as wrong), or D (delete) where the receiver was agreed to ask for it.
    ``added``: whether what a technician added to a strip (colour, clarity, type of the specimen) goes too.
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
    withdrawal: Literal["W", "D"] = "W"
    added: bool = True
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

    @field_validator("withdrawal")
    @classmethod
    def _a_withdrawal_can_be_said(cls, value: str, info: ValidationInfo) -> str:
        if value == "D" and _is_fhir(info):
            raise ValueError("withdrawal: D is of HL7 v2; in FHIR what is taken back stays, as entered-in-error: leave it out")
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


class SiteAnswer(Shape):
    """The site's own word on one answer of a receiver: ``when`` it is this (`AE 207`, `AR`, `HTTP 500`, `hook 500`), it ``means`` that.

    Nothing can be made to mean *accepted*, and an acceptance means nothing else: whether a result is there is the receiver's to say.
    """

    when: str
    means: Literal["try again", "refused", "destination closed"]


class AnswersOn(Shape):
    """Where we listen for answers that the receiver sends on a connection of its own (enhanced mode).

    ``peers`` are the addresses or networks that may connect; empty for everybody. With ``tls`` (its certificate and key) the line is
    encrypted; with ``tls.ca`` too only a receiver that proves who it is is let in.
    """

    host: str = "127.0.0.1"
    port: int = Field(ge=0, le=65535)
    peers: tuple[Network, ...] = ()
    tls: Tls | None = None

    @model_validator(mode="after")
    def _who_is_called_shows_a_certificate(self) -> AnswersOn:
        if self.tls is not None and self.tls.certificate is None:
            raise ValueError("answers_on.tls needs certificate and key: who is called by TLS shows who it is")
        return self


class MllpDestination(DestinationShape):
    """HL7 v2 over MLLP. ``controls``: control strips and lot comparisons are sent too, under no patient (`oul_r22` only).

    ``tls``: over TLS; without it the line is plain. ``connections``: how many the receiver takes from us at once; on each, one message is
    in flight. Messages of one patient keep their order whatever it is; a receiver that files by arrival may see those of two patients
    in another order than they were read.

    ``acknowledgement: enhanced`` asks for two answers (HL7 2.5.1 section 2.9): the message is kept (MSH-15 AL), and what became of it
    (MSH-16 = ``application_answer``: AL always, SU success only, ER errors only, NE never). The second one is waited for
    ``application_s`` seconds, on the same connection, or on one that the receiver opens to ``answers_on``.
    """

    kind: Literal["mllp"]
    format: Literal["oru_r01", "oru_r01_us", "oru_r30", "oul_r22"] = "oru_r01"
    controls: bool = False
    host: str
    port: int = Field(ge=1, le=65535)
    answer_s: float = Field(default=30.0, gt=0)
    connect_s: float = Field(default=10.0, gt=0)
    connections: int = Field(default=1, ge=1, le=32)
    tls: Tls | None = None
    acknowledgement: Literal["original", "enhanced"] = "original"
    application_answer: Literal["AL", "NE", "ER", "SU"] = "AL"
    application_s: float = Field(default=900.0, gt=0)
    answers_on: AnswersOn | None = None
    answers: tuple[SiteAnswer, ...] = ()

    @model_validator(mode="after")
    def _answers_are_asked_for(self) -> MllpDestination:
        second = {"application_answer", "application_s", "answers_on"} & self.model_fields_set
        if self.acknowledgement == "original" and second:
            raise ValueError(
                f"{min(second)} needs acknowledgement: enhanced; in original mode there is one answer, on the same connection"
            )
        return self

    @model_validator(mode="after")
    def _format_fits(self) -> MllpDestination:
        _hl7_format_fits(self.format, orders=self.orders, controls=self.controls)
        return self


class HttpDestination(DestinationShape, ABC):
    """What destinations over HTTP share. At most one of ``bearer``, ``basic`` and ``oauth`` signs in; ``tls`` is for https.

    ``in_flight``: how many messages, each of another patient, are with the server at once.
    """

    bearer: Secret | None = None
    basic: Basic | None = None
    oauth: OAuth | None = None
    tls: Tls | None = None
    answer_s: float = Field(default=30.0, gt=0)
    in_flight: int = Field(default=4, ge=1, le=64)

    @abstractmethod
    def address(self) -> str:
        """Give where messages are posted."""

    @model_validator(mode="after")
    def _secrets_are_kept(self) -> HttpDestination:
        ways = [name for name in ("bearer", "basic", "oauth") if getattr(self, name) is not None]
        if len(ways) > 1:
            raise ValueError(f"{' and '.join(ways)} are two ways to sign in: keep one")
        if ways and not keeps_secrets(self.address()):
            raise ValueError(f"the address is plain http, and {ways[0]} would be read by anybody on the way: use https")
        if self.tls and not is_https(self.address()):
            raise ValueError("tls needs an address that begins with https:")
        return self


class FhirDestination(HttpDestination):
    """A FHIR R4 server that takes transaction Bundles. ``result_system`` is the URI of our result identifiers.

    ``fhir_us`` and ``fhir_eu`` are shaped after US Core's and HL7 Europe's laboratory results, no more: `observed_at: empty` cannot go
    with them, and ``fhir_eu`` needs ``laboratory``. ``message_profile`` is what the site itself claims in meta.profile: one or more of
    `Observation=URL`, `DiagnosticReport=URL` and `Specimen=URL`, parted by blanks. ``read_back``: after a try without an answer the
    server is searched for the result, by our own identifiers, before it is sent again.
    """

    kind: Literal["fhir"]
    format: Literal["fhir", "fhir_us", "fhir_eu"] = "fhir"
    pointers: Pointers = Pointers()
    base_url: str = Field(pattern=r"^https?://\S+$")
    result_system: str = Field(pattern=r"^(urn:|https?://)\S+$")
    read_back: bool = False
    answers: tuple[SiteAnswer, ...] = ()

    _holds_nobody = field_validator("base_url")(holds_nobody)
    _has_a_port = field_validator("base_url")(has_a_port_that_can_be)
    _is_a_base = field_validator("base_url")(is_a_base)

    def address(self) -> str:
        """Give the base address."""
        return self.base_url


class HookDestination(HttpDestination):
    """A signed web hook: one POST a message to ``url``, as `format` has it, signed by ``signing``. Patients' data goes by https only."""

    kind: Literal["hook"]
    url: str = Field(pattern=r"^https?://\S+$")
    signing: Signing
    format: Literal["oru_r01", "oru_r01_us", "oru_r30", "oul_r22", "fhir", "fhir_us", "fhir_eu"] = "fhir"
    controls: bool = False
    pointers: Pointers = Pointers()
    result_system: str = Field(default="urn:padpost:result", pattern=r"^(urn:|https?://)\S+$")
    answers: tuple[SiteAnswer, ...] = ()

    _holds_nobody = field_validator("url")(holds_nobody)
    _is_sent_whole = field_validator("url")(has_no_fragment)
    _has_a_port = field_validator("url")(has_a_port_that_can_be)

    def address(self) -> str:
        """Give the hook's address."""
        return self.url

    @model_validator(mode="after")
    def _format_fits(self) -> HookDestination:
        _hl7_format_fits(self.format, orders=self.orders, controls=self.controls)
        if not keeps_secrets(self.url):
            raise ValueError("url is plain http: a signature tells who sent a result, and hides nothing; use https")
        return self


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


Destination = Annotated[MllpDestination | FhirDestination | FolderDestination | HookDestination, Field(discriminator="kind")]
