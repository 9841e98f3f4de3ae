"""What a hospital's own directory (OpenID Connect) says of a person who comes from it: what of that is believed, and what they may do here.

An account that comes from a directory is bound to the pair of issuer and subject, which alone stays one person's (OpenID Connect Core 1.0, 5.7);
a name or a mail address is somebody else's tomorrow.
"""

from __future__ import annotations

import hmac
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

from bridge.accounts.people import PEOPLE, Role
from bridge.accounts.policy import plain_name

SKEW = timedelta(seconds=60)  # ours: two clocks that are set by the network; RFC 7519 4.1.4 allows "no more than a few minutes"
TRIP = timedelta(minutes=10)  # ours: to type a password and a second factor; then one begins again
BACK = "/sign-in/directory/back"  # where a directory sends the browser; it stands in the directory's own register, so it must not change
LONGEST_SUBJECT = 255  # OpenID Connect Core 1.0, section 2: ASCII, case-sensitive


@dataclass(frozen=True, kw_only=True, slots=True)
class DirectoryTerms:
    """Whom we believe, who we are there, and which of its groups is which role. ``name_claim`` and ``groups_claim`` name members of a token."""

    issuer: str
    client_id: str
    roles: Mapping[str, Role]
    name_claim: str = "name"
    groups_claim: str = "groups"


@dataclass(frozen=True, kw_only=True, slots=True)
class Found:
    """Who came. ``names`` are names for their acts, the best first, none if the directory gives none; ``role`` None: no group of theirs has one."""

    issuer: str
    subject: str
    names: tuple[str, ...]
    role: Role | None


@dataclass(frozen=True, kw_only=True, slots=True)
class Asked:
    """What was asked for with a sign-in: the ``nonce``, and since when the person must have shown who they are (None: whenever)."""

    nonce: str
    fresh_since: datetime | None = None


def token_fault(claims: Mapping[str, Any], terms: DirectoryTerms, asked: Asked, *, now: datetime) -> str:
    """Say what of an ID token, whose signature is right, is not as it must be (OpenID Connect Core 1.0, 3.1.3.7); "" if nothing is.

    The words name the claim and hold nothing of its value.
    """
    audience = claims.get("aud")
    nonce = claims.get("nonce")
    subject = claims.get("sub")
    checks = (
        ("iss: it is another directory's", claims.get("iss") == terms.issuer),
        # 3.1.3.7 (3): an audience that we do not trust makes it nobody's; we trust none but ourselves
        ("aud: it is for another program, or not for us alone", audience in (terms.client_id, [terms.client_id])),
        ("azp: it was given to another program", claims.get("azp", terms.client_id) == terms.client_id),
        ("nonce: it is the answer to another sign-in", isinstance(nonce, str) and _same(nonce, asked.nonce)),
        ("sub: it says not who it is", isinstance(subject, str) and 0 < len(subject) <= LONGEST_SUBJECT and subject.isascii()),
    )
    return next((words for words, holds in checks if not holds), "") or _time_fault(claims, asked, now)


def _time_fault(claims: Mapping[str, Any], asked: Asked, now: datetime) -> str:
    ends, made, begins = (_moment(claims.get(name)) for name in ("exp", "iat", "nbf"))
    if ends is None or now >= ends + SKEW:
        return "exp: it is over"
    if made is None or not now - TRIP - SKEW <= made <= now + SKEW:
        return "iat: it was made at another time; look at both clocks"
    if begins is not None and begins > now + SKEW:
        return "nbf: it is not good yet; look at both clocks"
    if asked.fresh_since is None:
        return ""
    shown = _moment(claims.get("auth_time"))  # Core 1.0, section 2: required where max_age was sent
    if shown is None or not asked.fresh_since - SKEW <= shown <= now + SKEW:
        return "auth_time: the directory does not say that the password was asked for just now"
    return ""


def found(claims: Mapping[str, Any], terms: DirectoryTerms) -> Found:
    """Give who came, of claims that hold."""
    name, short = _text(claims, terms.name_claim), _text(claims, "preferred_username")
    names = (plain_name(name), plain_name(f"{name} ({short})") if name and short and short != name else "")
    return Found(
        issuer=terms.issuer,
        subject=str(claims["sub"]),
        names=tuple(each for each in names if each),
        role=role_of(claims.get(terms.groups_claim), terms.roles),
    )


def role_of(groups: object, roles: Mapping[str, Role]) -> Role | None:
    """Give the highest role of somebody's groups; None where no group has one. What is no list of texts is no group."""
    named: Sequence[object] = [groups] if isinstance(groups, str) else groups if isinstance(groups, list) else []
    held = {roles[each] for each in named if isinstance(each, str) and each in roles}
    return next((role for role in reversed(PEOPLE) if role in held), None)


def lacks(claims: Mapping[str, Any], terms: DirectoryTerms) -> bool:
    """Say whether a token leaves out the name or the groups, which a directory may tell at its UserInfo endpoint instead (Core 1.0, 5.4)."""
    return not _text(claims, terms.name_claim) or terms.groups_claim not in claims


def _text(claims: Mapping[str, Any], name: str) -> str:
    value = claims.get(name)
    return value if isinstance(value, str) else ""


def _moment(seconds: object) -> datetime | None:
    if isinstance(seconds, bool) or not isinstance(seconds, int | float):
        return None
    try:
        return datetime.fromtimestamp(seconds, UTC)
    except (OverflowError, ValueError, OSError):
        return None


def _same(one: str, other: str) -> bool:
    return hmac.compare_digest(one.encode("utf-8", "replace"), other.encode("utf-8", "replace"))
