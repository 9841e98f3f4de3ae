"""What independent libraries say of a message: hl7apy for HL7 v2, fhir.resources (R4B models) for FHIR.

The only module that imports them, and never imported by the serving process: see ARCHITECTURE rule 10. hl7apy
writes what it finds to a file that it opens by name, so a temporary file is used for that alone.
"""

from __future__ import annotations

import re
import tempfile
from collections.abc import Iterator

from fhir.resources.R4B.bundle import Bundle
from hl7apy.consts import VALIDATION_LEVEL
from hl7apy.exceptions import HL7apyException
from hl7apy.parser import parse_message
from hl7apy.validation import Validator
from pydantic import ValidationError

from bridge.model import Format
from bridge.render.segments import CODECS

# Lines of hl7apy's report that are limits of its own tables, each with its reason.
HL7APY_LIMITS = (
    # its table 0125 of 2.5.1 lists CE but not CWE, which chapter 2 of 2.5.1 has as a data type
    re.compile(r"Warning: Value CWE not in table HL70125 in element OBX\.OBX_2"),
    # its table 0396 is older than the registration of UCUM
    re.compile(r"Warning: Value UCUM not in table HL70396 in element .*"),
    # nor does it list SCT (SNOMED CT), which THO's table 0396 has, nor any 99zzz, its pattern for a site's own codes, but one
    re.compile(r"Warning: Value (?:SCT|99[A-Za-z0-9]{1,18}) not in table HL70396 in element CWE\.CWE_[36]"),
    # table 0396 names the HL7 tables by the pattern HL7nnnn, which it compares as a word
    re.compile(r"Warning: Value HL7\d{4} not in table HL70396 in element .*"),
)

# Fields pre-adopted from a later version, which hl7apy's 2.5.1 refuses whole: taken out, and only these, before it sees a message.
# Our own rules and the second decoder of the tests read them.
PRE_ADOPTED = {
    Format.ORU_R01_US: {
        ("OBX", 29): "observation type, from 2.8: the US laboratory results guide requires it in a message of 2.5.1"
    },
}


def oracle_faults(fmt: Format, payload: bytes) -> tuple[str, ...]:
    """Give what the library for this format finds wrong, one sentence each; empty if nothing."""
    return tuple(_fhir_faults(payload) if fmt.is_fhir else _hl7_faults(fmt, payload))


def _without_pre_adopted(fmt: Format, text: str) -> str:
    """Empty the fields of PRE_ADOPTED; nothing else changes, but separators at the end of a segment that then say nothing."""
    fields = PRE_ADOPTED.get(fmt, {})
    if not fields:
        return text
    lines = [line.split("|") for line in text.split("\r")]
    for cells in lines:
        for name, number in fields:
            if cells[0] == name and number < len(cells):
                cells[number] = ""
    return "\r".join("|".join(cells).rstrip("|") if (cells[0], len(cells) - 1) in fields else "|".join(cells) for cells in lines)


def _hl7_faults(fmt: Format, payload: bytes) -> Iterator[str]:
    charset = payload.split(b"\r", 1)[0].split(b"|")[17].decode("latin-1")
    try:
        text = _without_pre_adopted(fmt, payload.decode(CODECS[charset]))
        message = parse_message(text, validation_level=VALIDATION_LEVEL.STRICT, find_groups=True)
    except (HL7apyException, ValueError) as error:  # a wrong date or number comes as a plain ValueError
        yield f"hl7apy cannot parse it: {error}"
        return
    with tempfile.NamedTemporaryFile("r", suffix=".txt") as report:
        try:
            Validator.validate(message, report_file=report.name)
        except HL7apyException as error:
            yield f"hl7apy refuses it: {error}"
        for line in report.read().splitlines():
            if not any(limit.fullmatch(line) for limit in HL7APY_LIMITS):
                yield f"hl7apy says {line}"


def _fhir_faults(payload: bytes) -> Iterator[str]:
    """R4B is R4 for our resources but for two subject types that we do not use (see fhir.py)."""
    try:
        Bundle.model_validate_json(payload)
    except ValidationError as error:
        for found in error.errors():
            yield f"fhir.resources at {'.'.join(map(str, found['loc']))}: {found['msg'].removeprefix('Value error, ')}"
