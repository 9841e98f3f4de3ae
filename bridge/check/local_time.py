"""A printed date or time by its strptime format; formats of fixed width, which are nearly all, by a pattern made once."""

from __future__ import annotations

import re
from datetime import datetime
from functools import lru_cache

# docs.python.org, datetime: the strptime codes of plain digits, with datetime's own names and their width printed in full
_FIELDS = {"Y": ("year", 4), "m": ("month", 2), "d": ("day", 2), "H": ("hour", 2), "M": ("minute", 2), "S": ("second", 2)}
_SIDE_BY_SIDE = re.compile(r"%[YymdjHIMSf]%[YymdjHIMSf]")
_PARTS = re.compile(r"%(.)|(.)", re.DOTALL)


def local_time(text: str, form: str) -> datetime:
    """Give what ``datetime.strptime`` gives, without a zone unless one is printed. Raises ValueError as it does.

    Each code matches at most as many digits as its full width, so a text as long as the format in full has one reading. A shorter one has not
    where codes of digits stand side by side (strptime reads 2026112508 by ``%Y%m%d%H%M%S`` as 2 November, 05:00:08): it raises ValueError too.
    """
    pattern = _pattern(form)
    found = pattern.fullmatch(text) if pattern else None
    if found is None:
        given = datetime.strptime(text, form)  # noqa: DTZ007 - the caller puts the analyzer's zone on, or has a day without one
        if _SIDE_BY_SIDE.search(form) and not text.casefold().startswith(given.strftime(form.partition("%z")[0]).casefold()):
            raise ValueError(text)
        return given
    part = {name: int(digits) for name, digits in found.groupdict().items()}.get
    day = part("year", 1900), part("month", 1), part("day", 1)  # what a format leaves out, as strptime fills it in
    return datetime(*day, part("hour", 0), part("minute", 0), part("second", 0))  # noqa: DTZ001 - as above


@lru_cache(maxsize=256)  # ours: more formats than any site has profiles
def _pattern(form: str) -> re.Pattern[str] | None:
    """Give the pattern of a format in full width; None where it has other codes, a code twice, a lone ``%``, or digits of its own."""
    made, seen = "", set()
    for code, sign in _PARTS.findall(form):
        if (code and (code not in _FIELDS or code in seen)) or sign == "%" or sign.isdigit():
            return None
        seen.add(code)
        made += f"(?P<{_FIELDS[code][0]}>[0-9]{{{_FIELDS[code][1]}}})" if code else re.escape(sign)
    return re.compile(made)
