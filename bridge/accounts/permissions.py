"""Which role may do what: one row for every route that is served. A route without a row is nobody's (tests/accounts compares with the application)."""

from __future__ import annotations

from collections.abc import Mapping
from enum import StrEnum

from bridge.accounts.people import PEOPLE, Role


class Right(StrEnum):
    """What a route asks for."""

    OPEN = "open"  # no sign-in: sign-in itself, health, our own style and script files
    OWN = "own"  # whoever is signed in: about oneself alone
    LOOK = "look"
    ACT = "act"
    SUPERVISE = "supervise"
    ADMINISTER = "administer"


_RIGHTS: Mapping[Role, frozenset[Right]] = {
    Role.VIEWER: frozenset({Right.OPEN, Right.OWN, Right.LOOK}),
    Role.TECHNICIAN: frozenset({Right.OPEN, Right.OWN, Right.LOOK, Right.ACT}),
    Role.SUPERVISOR: frozenset({Right.OPEN, Right.OWN, Right.LOOK, Right.ACT, Right.SUPERVISE}),
    Role.ADMINISTRATOR: frozenset(Right),
    Role.MACHINE: frozenset({Right.OPEN, Right.LOOK}),
}

_BY_RIGHT: Mapping[Right, str] = {
    Right.OPEN: """
        GET /sign-in
        POST /sign-in
        GET /emergency
        POST /emergency
        GET /sign-in/directory
        GET /sign-in/directory/back
        GET /first-sign-in
        POST /first-sign-in
        GET /api/session
        GET /switch
        POST /switch
        POST /api/session/unlock
        POST /language
        GET /health/live
        GET /health/ready
    """,
    Right.OWN: """
        GET /api/session/used
        POST /lock
        GET /quick
        POST /quick
        POST /sign-out
        GET /password
        POST /password
    """,
    Right.LOOK: """
        GET /
        GET /analyzers
        GET /api/news
        GET /api/news/rejected
        GET /api/news/rejected/rows
        GET /api/news/stream
        GET /api/openapi.json
        GET /api/reasons
        GET /api/reasons/{rule}/read-again
        GET /api/reasons/{rule}/{action}
        GET /api/results
        GET /api/results/{result_id}
        GET /api/stops
        GET /api/stops/{stop_id}
        GET /api/strips
        GET /api/strips/{strip_id}
        GET /api/today
        GET /controls
        GET /controls/charts
        GET /controls/lots/new
        GET /controls/lots/{lot_id}
        GET /controls/months
        GET /controls/months/{month}
        GET /controls/months/{month}/report
        GET /controls/months/{month}/report.pdf
        GET /corrections
        GET /day-log
        GET /day-log/month
        GET /days/{day}
        GET /days/{day}/report
        GET /days/{day}/report.pdf
        GET /find
        GET /hand-over
        GET /lots
        GET /lots/compared
        GET /lots/strips
        GET /lots/strips.csv
        GET /numbers
        GET /receivers
        GET /registered
        GET /registered/strips
        GET /rejected
        GET /rejected/{stop_id}
        GET /rejected/{stop_id}/specimen
        GET /reports
        GET /reports/{period}/{topic}
        GET /reports/{period}/{topic}/report
        GET /reports/{period}/{topic}/report.pdf
        GET /reports/{period}/{topic}/{table}.csv
        GET /results
        GET /results/{result_id}
        GET /signals
        GET /signals/ringing
        GET /strips/{strip_id}
        GET /telling
        GET /telling/rules
        GET /try-out
        POST /api/results/search
        POST /find
        POST /results
        POST /try-out
    """,
    Right.ACT: """
        GET /enter
        GET /enter/eye/{source}
        GET /enter/kept/{capture_id}
        GET /enter/slip/{source}
        GET /to-add
        GET /to-add/held/{stop_id}
        GET /to-add/{awaited_id}
        POST /analyzers/declared
        POST /analyzers/life
        POST /api/reasons/{rule}/read-again
        POST /api/reasons/{rule}/{action}
        POST /api/stops/{stop_id}/{action}
        POST /controls/gate
        POST /controls/look-back/{row_id}
        POST /controls/lots/new
        POST /controls/lots/{lot_id}/close
        POST /controls/lots/{lot_id}/sign
        POST /controls/months/{month}/actions
        POST /controls/strips/{strip_id}
        POST /corrections/{correction_id}/calls
        POST /day-log
        POST /day-log/lines/{line_id}
        POST /days/{day}
        POST /enter/eye/{source}
        POST /enter/slip/{source}
        POST /hand-over
        POST /hand-over/{note_id}/close
        POST /lots/accepted
        POST /lots/containers
        POST /lots/containers/{container_id}/close
        POST /numbers
        POST /numbers/runs/{shift_id}
        POST /receivers/{destination}/pause
        POST /receivers/{destination}/resume
        POST /receivers/{destination}/test
        POST /registered
        POST /registered/{registration_id}/end
        POST /registered/{registration_id}/sign
        POST /rejected/all/{action}
        POST /rejected/read-again
        POST /rejected/{stop_id}/specimen/{action}
        POST /rejected/{stop_id}/what-if/{action}
        POST /rejected/{stop_id}/{action}
        POST /results/{result_id}/{action}
        POST /signals/digest
        POST /signals/test
        POST /signals/{signal_id}/acknowledge
        POST /signals/{signal_id}/note
        POST /telling/{telling_id}
        POST /to-add/find
        POST /to-add/held/{stop_id}
        POST /to-add/{awaited_id}
        POST /telling/{telling_id}/close
        POST /telling/{telling_id}/close-untold
    """,
    # ours: what stands for the laboratory, or silences a warning, or shows who did what
    Right.SUPERVISE: """
        GET /audit
        GET /envelopes
        POST /envelopes/{envelope_id}/look
        GET /bench
        POST /bench
        POST /bench/{bench_id}/end
        POST /analyzers/operators
        POST /analyzers/operators/{operator_id}/end
        POST /controls/months/{month}/signature
        POST /signals/mute
    """,
    Right.ADMINISTER: """
        GET /accounts
        POST /accounts
        POST /accounts/keys
        POST /accounts/keys/{key_id}/end
        POST /accounts/{account_id}/code
        POST /accounts/{account_id}/role
        POST /accounts/{account_id}/switch
        POST /envelopes
    """,
}

NEEDS: Mapping[tuple[str, str], Right] = {
    (row.split()[0], row.split()[1]): right for right, rows in _BY_RIGHT.items() for row in rows.strip().splitlines()
}
OPEN_FOLDER = "/static/"  # our own files: the same for everybody, and the sign-in page is drawn with them


def may(role: Role, right: Right, *, acts: bool = False) -> bool:
    """Say whether a role has a right. ``acts``: a machine's key that is made for acting has that right too."""
    return right in _RIGHTS[role] or (acts and role is Role.MACHINE and right is Right.ACT)


def roles_of(right: Right) -> tuple[Role, ...]:
    """Give the people's roles that have a right, the least first."""
    return tuple(role for role in PEOPLE if right in _RIGHTS[role])
