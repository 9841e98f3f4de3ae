"""Keeps from a page what would be refused to who looks at it: in the place of a form stands for whom it is, in that of a link its words alone.

It looks at the page as it was made, so that no template can forget to ask; the table of permissions that the doorkeeper asks decides here too.
"""

from __future__ import annotations

import html
import re
from collections.abc import Callable

from markupsafe import Markup

from bridge.accounts.permissions import NEEDS, Right, may, roles_of
from bridge.desk.access import Caller
from bridge.pages.language import _

# How the templates write a form (tests/pages/test_reach.py); what was put into a page is escaped and never looks like one
FORM = re.compile(r'<form method="post" action="([^"]*)"[^>]*>.*?</form>', re.DOTALL)

LINK = re.compile(r'<a href="(/[^"#?]*)[^>]*>(.*?)</a>', re.DOTALL)
# Where the pages stand that not everybody may look at, so that a page of a thousand links asks the table of a few
FOR_SOME = frozenset(
    path.split("/")[1]
    for (method, path), right in NEEDS.items()
    if method == "GET" and right in {Right.ACT, Right.SUPERVISE, Right.ADMINISTER}
)

RightOf = Callable[[str, str], Right | None]  # what a request asks for, by its method and path


def within_reach(page: str, who: Caller | None, right_of: RightOf) -> str:
    """Give a page of HTML as far as ``who`` may go from it; as it is where nobody is signed in, or who is may do all."""
    if who is None or all(may(who.role, right) for right in Right):
        return page

    def withheld(method: str, path: str) -> Right | None:
        right = right_of(method, html.unescape(path))
        return None if right is None or may(who.role, right) else right

    def form(found: re.Match[str]) -> str:
        right = withheld("POST", found[1])
        return found[0] if right is None else Markup('<p class="soft">{}</p>').format(for_whom(right))

    def link(found: re.Match[str]) -> str:
        is_for_all = found[1].split("/")[1] not in FOR_SOME
        return found[0] if is_for_all or withheld("GET", found[1]) is None else found[2]

    return LINK.sub(link, FORM.sub(form, page))


def for_whom(right: Right) -> str:
    """Say which people may do what asks for a right."""
    return _("This is for: {roles}.", roles=_(" or ").join(_(role.value) for role in roles_of(right)))
