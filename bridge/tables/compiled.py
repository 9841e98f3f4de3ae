"""From the plain values of the mapping files to one frozen table set, or to an error that names file and key."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import asdict
from decimal import Decimal
from types import MappingProxyType
from typing import Any
from zoneinfo import ZoneInfo

from bridge.errors import TableError
from bridge.model import Code, Grade, Property, Quantity
from bridge.tables.care import CATALOGUE_FILE, check_catalogue, check_profile_units
from bridge.tables.documents import (
    CatalogueDocument,
    CodeRow,
    ConceptRow,
    FlagsDocument,
    PadRow,
    ProfileDocument,
    StripTypeDocument,
)
from bridge.tables.doubts import doubts
from bridge.tables.flags import flag_doubts, flag_table, with_site_normals
from bridge.tables.ladders import strip_type
from bridge.tables.profiles import profile
from bridge.tables.readings import check_reading
from bridge.tables.types import Catalogue, CatalogueCode, CataloguePad, Policy, Tables

_METHODS = ("automated", "strip", "none")  # ours: PRODUCT section 6, the order of preference
# a site that says nothing of flags: the catalogue's expectations, the ladders' abnormal steps, no critical rule
NO_FLAGS = FlagsDocument()


def compile_tables(
    catalogue: CatalogueDocument,
    strip_types: Mapping[str, StripTypeDocument],
    profiles: Mapping[str, ProfileDocument],
    policy: Policy,
    *,
    zone: ZoneInfo,
    flags: FlagsDocument = NO_FLAGS,
) -> Tables:
    """Give the table set. ``zone`` is the site's: the clock of every profile that says ``zone: site``.

    Raises TableError whose path begins with the file's name under mappings ("profiles/brook.yaml").
    """
    made = _catalogue(catalogue)
    check_catalogue(catalogue)
    for name, document in sorted(profiles.items()):
        check_profile_units(name, document, catalogue)
    ladders = {name: strip_type(name, document, made.pads, catalogue) for name, document in sorted(strip_types.items())}
    table = flag_table(flags, catalogue, ladders)
    types = with_site_normals(ladders, flags)
    canonical = _canonical(catalogue, strip_types, profiles, policy, zone=zone, flags=flags)
    read_by = {name: profile(name, document, types, zone=zone) for name, document in sorted(profiles.items())}
    for each in read_by.values():
        check_reading(each, types, made)
    return Tables(
        digest=hashlib.sha256(canonical).hexdigest(),
        canonical=canonical,
        catalogue=made,
        strip_types=MappingProxyType(types),
        profiles=MappingProxyType(read_by),
        policy=policy,
        doubts=(
            *doubts(catalogue, ladders, {name: document.pads for name, document in strip_types.items()}, read_by),
            *flag_doubts(flags, types),
        ),
        flags=table,
    )


ENTERED = ("one_person", "ungated")


def _said(document: ProfileDocument) -> dict[str, object]:
    """Give a profile's plain values; a key of a later version is left out as long as it says nothing."""
    plain: dict[str, object] = document.model_dump(mode="json")
    if not document.collected_format:
        del plain["collected_format"]
    return plain


def _where_entered(policy: Policy) -> dict[str, list[str]]:
    """Give what the policy says of strips that people enter, as above."""
    return {name: sorted(places) for name in ENTERED if (places := getattr(policy, name))}


def _laid_down(document: StripTypeDocument) -> dict[str, object]:
    """Give a strip type's plain values, as above."""
    plain: dict[str, Any] = document.model_dump(mode="json")
    for pad in plain["pads"]:
        if pad["read_after_s"] is None:
            del pad["read_after_s"]
    return plain


def _canonical(
    catalogue: CatalogueDocument,
    strip_types: Mapping[str, StripTypeDocument],
    profiles: Mapping[str, ProfileDocument],
    policy: Policy,
    *,
    zone: ZoneInfo,
    flags: FlagsDocument,
) -> bytes:
    """Give the plain values as canonical JSON: the same tables give the same bytes, whatever the files' layout."""
    policies = {name: value for name, value in asdict(policy).items() if name not in ENTERED}
    policies["patient_id"]["denied"] = sorted(policy.patient_id.denied)
    if not policy.processing_ids:  # left out as long as it says nothing: sites that are live keep the set that they signed
        del policies["processing_ids"]
    del policies["jump_limit"]  # pages ask by it; no result depends on it
    del policies["telling"]  # as above
    del policies["additions"]  # with_additions says them, where there are any
    if not policy.run_pause_minutes:
        del policies["run_pause_minutes"]
    if policy.test_messages == "stop":
        del policies["test_messages"]
    if policy.operators == "note":
        del policies["operators"]
    if policy.clock is None:
        del policies["clock"]
    if policy.power_on == "nothing":
        del policies["power_on"]
    if policy.day_log is None:
        del policies["day_log"]
    else:
        del policies["day_log"]["zone"]  # the site's, which is said below
    if policy.specimen is None:
        del policies["specimen"]
    if policy.run_again == "hold":
        del policies["run_again"]
    policies |= _where_entered(policy)
    plain = {
        "catalogue": catalogue.model_dump(mode="json"),
        "strip_types": {name: _laid_down(document) for name, document in strip_types.items()},
        "profiles": {name: _said(document) for name, document in profiles.items()},
        "policy": policies,
        "flags": flags.model_dump(mode="json"),
        "zone": zone.key,
    }
    return json.dumps(plain, sort_keys=True, separators=(",", ":")).encode()


# --- the catalogue ----------------------------------------------------------------------------


def loinc_check_digit(body: str) -> int:
    """Give the check digit of a LOINC number's digits: mod 10 (LOINC Users' Guide, appendix on check digits).

    Signs in odd places from the right count double, less 9 for each 5 in them; what is missing to the next ten is the check digit.
    The letters of an answer code (LA6577) count as their ASCII place less that of "0": from memory, and true of every
    code in ordinal_codes.csv.
    """
    values = [ord(sign) - ord("0") for sign in reversed(body)]
    total = sum(values[1::2]) + sum(2 * value - value // 5 * 9 for value in values[::2])
    return -total % 10


def _loinc(code: str, text: str, path: tuple[str | int, ...], *, prefix: str = "") -> Code:
    body, dash, digit = code.rpartition("-")
    digits = body.removeprefix(prefix)
    is_body = body.startswith(prefix) and digits.isascii() and digits.isdigit()
    if not (dash and is_body and digit == str(loinc_check_digit(body))):
        kind = "LOINC answer code" if prefix else "LOINC code"
        if is_body:
            cause = "its check digit is wrong"
            remedy = f"Look the code up again; with these digits it would be {body}-{loinc_check_digit(body)}."
        else:
            cause = "it has another form"
            remedy = f"Write {f'{prefix}, ' if prefix else ''}digits, a hyphen and the check digit."
        raise TableError(f"{code!r} is not a {kind}: {cause}.", remedy=remedy, path=path)
    return Code(code=code, text=text, system="LN")


def _catalogue(document: CatalogueDocument) -> Catalogue:
    pads = {name: _pad(name, row, (CATALOGUE_FILE, "pads", name)) for name, row in document.pads.items()}
    seen: dict[str, str] = {}
    for name, pad in pads.items():
        for index, code in enumerate(pad.codes):
            if code.code.code in seen:
                raise TableError(
                    f"The code {code.code.code} stands twice: for {seen[code.code.code]} and for {name}.",
                    remedy="One code means one thing; remove the wrong one.",
                    path=(CATALOGUE_FILE, "pads", name, "codes", index, "code"),
                )
            seen[code.code.code] = name
    return Catalogue(
        pads=MappingProxyType(pads),
        panel=_loinc(document.panel.code, document.panel.text, (CATALOGUE_FILE, "panel", "code")),
        answers=MappingProxyType(
            {
                grade: _loinc(row.code, row.text, (CATALOGUE_FILE, "answers", grade.value, "code"), prefix="LA")
                for grade, row in document.answers.items()
            }
        ),
        snomed=MappingProxyType(_concepts(document.snomed)),
        visual_panel=_loinc(document.visual_panel.code, document.visual_panel.text, (CATALOGUE_FILE, "visual_panel", "code"))
        if document.visual_panel
        else None,
    )


def _concepts(rows: tuple[ConceptRow, ...]) -> dict[tuple[Grade, Grade | None], Code]:
    """Give each concept by its grade and the ladder's top."""
    made: dict[tuple[Grade, Grade | None], Code] = {}
    codes: set[str] = set()
    for index, row in enumerate(rows):
        path = (CATALOGUE_FILE, "snomed", index)
        if (row.grade, row.top) in made or row.code in codes:
            raise TableError(
                f"Two SNOMED CT rows say {row.grade.value!r}{f' out of {row.top.value!r}' if row.top else ''}, or have the code {row.code}.",
                remedy="Keep the one that is meant.",
                path=path,
            )
        made[row.grade, row.top] = Code(code=row.code, text=row.text, system="SCT")
        codes.add(row.code)
    return made


def _pad(name: str, row: PadRow, path: tuple[str | int, ...]) -> CataloguePad:
    ranks = [_METHODS.index(code.method) for code in row.codes]
    if ranks != sorted(ranks):
        raise TableError(
            f"The codes of {name} are not in order of preference.",
            remedy="List automated codes first, then strip, then none.",
            path=(*path, "codes"),
        )
    _check_one_code_each(row.codes, path)
    return CataloguePad(
        pad=name,
        name=row.name,
        local=Code(code=row.local.code, text=row.local.text, system="L"),
        codes=tuple(
            CatalogueCode(
                prop=code.property, method=code.method, code=_loinc(code.code, code.text, (*path, "codes", index, "code"))
            )
            for index, code in enumerate(row.codes)
        ),
        sense=row.sense,
        expected=row.expected.text,
        low=_bound(row, row.expected.low, (*path, "expected", "low")),
        high=_bound(row, row.expected.high, (*path, "expected", "high")),
        words=MappingProxyType({word: Code(code=each.code, text=each.text, system="L") for word, each in row.words.items()}),
    )


def _check_one_code_each(codes: tuple[CodeRow, ...], path: tuple[str | int, ...]) -> None:
    seen: set[tuple[Property, str]] = set()
    for index, code in enumerate(codes):
        if (code.property, code.method) in seen:
            raise TableError(
                f"Two codes have the property {code.property.value} and the method {code.method}.",
                remedy="Keep the one that is meant.",
                path=(*path, "codes", index),
            )
        seen.add((code.property, code.method))


def _bound(row: PadRow, text: str | None, path: tuple[str | int, ...]) -> Quantity | None:
    if text is None:
        return None
    unit = row.expected.unit
    if not any(unit in units for units in row.units.values()):
        raise TableError(
            f"The unit {unit!r} of the expected range is not one of the pad's units.",
            remedy=f"Use one of: {', '.join(sorted({u for units in row.units.values() for u in units}))}.",
            path=path,
        )
    return Quantity(value=Decimal(text), unit=unit)
