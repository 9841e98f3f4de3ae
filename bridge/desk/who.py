"""What every act of a person is kept with: a name, mostly a reason, sometimes a second person."""

from __future__ import annotations

from bridge.errors import RefusedAction
from bridge.identity.person import same_person
from bridge.model import Actor


def named(actor: Actor) -> Actor:
    """Give who acts, without blanks around the name. Raises RefusedAction where there is no name."""
    require_name(actor)
    return Actor(name=actor.name.strip(), verified=actor.verified)


def require_name(actor: Actor) -> None:
    """Raise RefusedAction where nobody says who acts."""
    if not actor.name.strip():
        raise RefusedAction("Say who you are: the name is kept with what you do.")


def require_reason(reason: str) -> None:
    """Raise RefusedAction where no reason is given."""
    if not reason.strip():
        raise RefusedAction("Give a reason: it is kept with what you do.")


def require_other(second: str, actor: Actor) -> None:
    """Raise RefusedAction where the second person is the first one."""
    if same_person(second, actor.name):
        raise RefusedAction("The second person must be another one than you.")
