"""What a password must be, how long a code is, and how long somebody who guesses wrong must wait."""

from __future__ import annotations

import base64
import unicodedata
from datetime import datetime, timedelta

# NIST SP 800-63B (from memory): a length and a list of what everybody guesses, no rules of composition, no regular change.
# ours: 12, beyond the 8 that it asks for where a password is not the only thing asked
SHORTEST = 12
LONGEST = 256  # ours: it asks for 64 at least; longer than this is a file and not a sentence
ONES_GUESSED = frozenset(
    # ours: what people type where twelve characters are asked for; all in small letters, without blanks
    {"123456789012", "1234567890123", "passwordpassword", "password1234", "password12345", "qwertyuiop12", "qwertyuiopas", "administrator",
     "abcdefghijkl", "iloveyou1234", "letmeinletmein", "welcome12345", "changeme1234", "laboratory12", "padpostpadpost", "urinalysis12"}
)  # fmt: skip
CODE_BYTES = 10  # ours: 80 bits, 16 characters to type; nobody guesses it in its hours
CODE_LASTS = timedelta(hours=24)  # ours: a new colleague's first day
CODE_LASTS_WORDS = f"good for {CODE_LASTS // timedelta(hours=1)} hours"
FREE_TRIES = 4  # ours: a person who mistypes notices nothing
FREE_TRIES_OF_ADDRESS = 20  # ours: several people mistype at a shared bench
FIRST_WAIT = timedelta(seconds=1)  # ours: doubles with each wrong try after the free ones
# ours: nobody is kept out for long by somebody else's guesses; at this pace 100 guesses (NIST SP 800-63B) take a day
LONGEST_WAIT = timedelta(minutes=15)
FORGOTTEN_AFTER = timedelta(hours=24)  # ours: wrong tries of yesterday count no more


def plain_name(typed: str) -> str:
    """Give a person's or a program's name as it is kept, one blank between words; "" for what cannot stand beside an act: not 2 to 60 printable characters."""
    plain = " ".join(typed.split())
    return plain if 2 <= len(plain) <= 60 and plain.isprintable() else ""


def normal(password: str) -> str:
    """Give a password as it is hashed: one form for each letter, however the keyboard makes it (NIST SP 800-63B: NFKC)."""
    return unicodedata.normalize("NFKC", password)


def password_fault(password: str, *, name: str) -> str:
    """Say in a sentence what is wrong with a new password, "" if nothing is."""
    plain = "".join(normal(password).casefold().split())
    if len(normal(password)) < SHORTEST:
        return f"A password has {SHORTEST} characters at least. A few words with blanks between them are good."
    if len(password) > LONGEST:
        return f"A password has {LONGEST} characters at most."
    if plain in ONES_GUESSED or len(set(plain)) < 4 or plain == "".join(normal(name).casefold().split()):
        return "This password is one of the first that anybody would try. Choose another."
    return ""


def code_text(random: bytes) -> str:
    """Give a one-time code made of ``CODE_BYTES`` random bytes, in groups of four capital letters and digits."""
    letters = base64.b32encode(random).decode("ascii").rstrip("=")
    return "-".join(letters[at : at + 4] for at in range(0, len(letters), 4))


def plain_code(typed: str) -> str:
    """Give a typed code as it was made: without blanks and strokes, in capitals, with the digits that base 32 has not taken for its letters."""
    letters = "".join(each for each in typed.upper() if each.isalnum()).replace("0", "O").replace("1", "I").replace("8", "B")
    return "-".join(letters[at : at + 4] for at in range(0, len(letters), 4))


def wait_after(failures: int, *, free: int = FREE_TRIES) -> timedelta:
    """Give how long after the last of so many wrong tries in a row no other one is taken."""
    beyond = failures - free
    if beyond <= 0:
        return timedelta(0)
    doubled: int = 2 ** min(beyond - 1, 20)
    return min(FIRST_WAIT * doubled, LONGEST_WAIT)


def free_again_at(failures: int, last_at: datetime, *, free: int = FREE_TRIES) -> datetime:
    """Give when the next try is taken."""
    return last_at + wait_after(failures, free=free)


def counted(failures: int, last_at: datetime | None, *, now: datetime) -> int:
    """Give how many wrong tries still count; none after a day without one."""
    return failures if last_at is not None and now - last_at < FORGOTTEN_AFTER else 0
