"""Acts so grave that whoever does one gives their own password once more: the page may have been left open, and somebody else may sit there now."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass


@dataclass(frozen=True, kw_only=True, slots=True)
class Grave:
    """One of them: its route, the ``action`` of an address filled in, and where only some values of a field make it grave, the field and those values."""

    route: str
    field: str = ""
    values: frozenset[str] = frozenset()


# ours: what puts a result into a patient's record in spite of a finding, changes or takes back one that is there, signs with a person's name,
# or makes somebody able to do all that. What only stops, keeps or looks is never made slower; discarding is not among them: it asks for the
# specimen's fate, and the strip can be run again
GRAVE: Sequence[Grave] = (
    Grave(route="POST /rejected/{stop_id}/correct"),
    Grave(route="POST /rejected/{stop_id}/correct-time"),
    Grave(route="POST /rejected/{stop_id}/release"),
    Grave(route="POST /rejected/{stop_id}/specimen/replace"),
    Grave(route="POST /rejected/all/release"),
    Grave(route="POST /api/stops/{stop_id}/correct"),
    Grave(route="POST /api/stops/{stop_id}/correct-time"),
    Grave(route="POST /api/stops/{stop_id}/release"),
    Grave(route="POST /api/reasons/{rule}/release"),
    Grave(route="POST /controls/strips/{strip_id}", field="action", values=frozenset({"release"})),
    Grave(
        route="POST /controls/look-back/{row_id}",
        field="verdict",
        values=frozenset({"to be corrected", "to be withdrawn"}),  # bench.look_back.Verdict, of a room beside; a test compares
    ),
    Grave(route="POST /numbers/runs/{shift_id}"),
    Grave(route="POST /results/{result_id}/correct"),
    Grave(route="POST /results/{result_id}/move"),
    Grave(route="POST /results/{result_id}/withdraw"),
    Grave(route="POST /controls/lots/{lot_id}/sign"),
    Grave(route="POST /controls/months/{month}/signature"),
    Grave(route="POST /days/{day}"),
    Grave(route="POST /lots/accepted", field="action", values=frozenset({"sign"})),  # what the lot held goes on by it
    Grave(route="POST /registered/{registration_id}/sign"),
    Grave(route="POST /bench"),
    Grave(route="POST /accounts"),
    Grave(route="POST /accounts/keys"),
    Grave(route="POST /accounts/{account_id}/code"),
    Grave(route="POST /accounts/{account_id}/role"),
    Grave(route="POST /accounts/{account_id}/switch"),
    Grave(route="POST /envelopes"),
)
_BY_ROUTE = {each.route: each for each in GRAVE}


def is_grave(route: str, fields: Iterable[tuple[str, object]]) -> bool:
    """Say whether a request to a route (``POST /path``, its ``{action}`` filled in) with these fields is one of them.

    Where a field came twice, one grave value is enough.
    """
    row = _BY_ROUTE.get(route)
    return row is not None and (not row.field or any(name == row.field and value in row.values for name, value in fields))
