"""Messages of the hand-made strip: as a fresh plan writes them, and as a person wrote them in golden/."""

from __future__ import annotations

from pathlib import Path

from bridge.model import CodedResult, Format
from bridge.render import compile_plan
from bridge.tables.types import DestinationTerms, Tables
from tests.render.results_for_tests import MADE_AT
from tests.render.tables_for_tests import ORU, STRIP, hand_made

GOLDEN = Path(__file__).parent / "golden"
# how the name of a golden message begins -> its format; every other is a plain ORU^R01
_FORMATS = {"us_": Format.ORU_R01_US, "r30_": Format.ORU_R30, "oul_": Format.OUL_R22}


def written(
    result: CodedResult, destination: DestinationTerms = ORU, *, tables: Tables | None = None, control_id: str = "TESTAM1"
) -> bytes:
    """Render through a fresh plan."""
    plan = compile_plan(destination, "testing", STRIP.name, tables or hand_made())
    return plan.render(result, control_id=control_id, made_at=MADE_AT).payload


def golden(name: str) -> bytes:
    """Give a message that was written by hand; its file has a line end where the message has a carriage return."""
    return (GOLDEN / name).read_bytes().replace(b"\n", b"\r")


def format_of(name: str) -> Format:
    """Give the format of a golden HL7 message by its name."""
    return next((fmt for begin, fmt in _FORMATS.items() if name.startswith(begin)), Format.ORU_R01)
