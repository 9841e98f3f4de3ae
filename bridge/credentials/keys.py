"""A folder of signing keys: one JSON Web Key (RFC 7517) a file, each with the time in which it signs.

`nbf` and `exp` (seconds since 1970, as RFC 7519 4.1 has them for tokens) are members of ours, which RFC 7517 section 4 allows. A new key
begins later than it is made, so that the other side knows it before it signs; nothing is restarted and nothing is edited.
"""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from joserfc.errors import JoseError
from joserfc.jwk import ECKey, Key, OctKey, RSAKey

from bridge.credentials.files import Stamp, is_open_to_others, read, stamp
from bridge.errors import SettingsError, SetupError

ENDING = ".jwk"
RSA_BITS = 3072  # NIST SP 800-57 part 1: 128 bits of strength, as P-256 has
SHORTEST_RSA_BITS = 2048  # RFC 7518 3.3
SECRET_BITS = 512  # ours: as RFC 9421's own example (B.1.5); RFC 7518 3.2 asks for 256 at least
SHORTEST_SECRET_BYTES = 32  # RFC 7518 3.2

# what a key may be used for, by its `alg` (RFC 7518 3.1)
MAKERS: Mapping[str, Callable[[], Key]] = {
    "ES384": lambda: ECKey.generate_key("P-384"),
    "RS384": lambda: RSAKey.generate_key(RSA_BITS),
    "ES256": lambda: ECKey.generate_key("P-256"),
    "HS256": lambda: OctKey.generate_key(SECRET_BITS),
}
FOR_TOKENS = ("ES384", "RS384")  # SMART App Launch 2, client-confidential-asymmetric: a client supports both
FOR_HOOKS = ("ES256", "HS256")  # RFC 9421 3.3.4 ecdsa-p256-sha256, 3.3.3 hmac-sha256
_KINDS = {"ES384": ("EC", "P-384"), "ES256": ("EC", "P-256"), "RS384": ("RSA", ""), "HS256": ("oct", "")}
_IMPORTS: Mapping[str, Callable[[Any], Key]] = {
    "EC": ECKey.import_key,
    "RSA": RSAKey.import_key,
    "oct": OctKey.import_key,
}
_PUBLIC = ("kty", "crv", "x", "y", "n", "e", "kid", "alg", "use")


@dataclass(frozen=True, kw_only=True, slots=True)
class SigningKey:
    """One key. It signs from ``starts`` until before ``ends`` (aware, UTC). Its private part is never shown."""

    kid: str
    alg: str
    starts: datetime
    ends: datetime
    key: Key = field(repr=False, compare=False)

    def public(self) -> dict[str, Any]:
        """Give the public JWK. Raises SetupError for a shared secret, which has none."""
        if self.alg == "HS256":
            raise SetupError(
                f"The key {self.kid} is a shared secret and has no public part.",
                remedy="Hand its file to the receiver's people by a way that nobody else can read.",
            )
        whole = {**self.key.as_dict(private=False), "kid": self.kid, "alg": self.alg, "use": "sig"}
        return {name: whole[name] for name in _PUBLIC if name in whole}


class KeyFolder:
    """The keys of one folder, read again when a file of it changes."""

    def __init__(self, folder: Path, algorithms: Sequence[str], key: tuple[str, ...]) -> None:
        """Take keys of ``algorithms`` only; ``key`` is the setting that names the folder."""
        self._folder = folder
        self._algorithms = algorithms
        self._key = key
        self._seen: Stamp = ()
        self._keys: tuple[SigningKey, ...] = ()

    def signing(self, now: datetime) -> SigningKey:
        """Give the newest key that is valid at ``now``. Raises SettingsError if there is none, or a file cannot be used."""
        valid = [key for key in self.keys() if key.starts <= now < key.ends]
        if not valid:
            raise SettingsError(
                f"No key in {self._folder} is valid now for {' or '.join(self._algorithms)}.",
                remedy=f"Make one: padpost make-key {self._folder} --alg {self._algorithms[0]}",
                path=self._key,
            )
        return valid[-1]

    def keys(self) -> tuple[SigningKey, ...]:
        """Give every key of the right kind, the newest last. Raises SettingsError."""
        seen = stamp([self._folder, *_files(self._folder, self._key)])
        if seen != self._seen:
            self._keys = tuple(key for key in read_keys(self._folder, self._key) if key.alg in self._algorithms)
            self._seen = seen
        return self._keys


def read_keys(folder: Path, key: tuple[str, ...] = ()) -> tuple[SigningKey, ...]:
    """Give the keys of ``folder``, those that begin first before the others. Raises SettingsError naming the file."""
    keys = [_read(path, key) for path in _files(folder, key)]
    return tuple(sorted(keys, key=lambda each: (each.starts, each.kid)))


def _files(folder: Path, key: tuple[str, ...]) -> list[Path]:
    try:
        return sorted(path for path in folder.iterdir() if path.suffix == ENDING)
    except OSError as error:
        raise SettingsError(
            f"The folder {folder} cannot be read: {error.strerror}.",
            remedy=f"Make a key in it: padpost make-key {folder}",
            path=key,
        ) from error


def _read(path: Path, key: tuple[str, ...]) -> SigningKey:
    try:
        held = json.loads(read(path, key))
        return _checked(held)
    except (ValueError, KeyError, TypeError, AttributeError, OverflowError, RecursionError, OSError, JoseError) as error:
        # the error's own words may hold a part of the key
        raise SettingsError(
            f"The file {path} is no signing key of Padpost.",
            remedy="Make one with padpost make-key; a key of your own needs kid, alg, nbf and exp beside its members.",
            path=key,
        ) from error


def _checked(held: dict[str, Any]) -> SigningKey:
    alg, kid = held["alg"], held["kid"]
    kind, curve = _KINDS[alg]
    if held["kty"] != kind or (curve and held["crv"] != curve) or not (isinstance(kid, str) and kid.isprintable() and kid):
        raise ValueError("the key is not of its algorithm's kind, or has no name")
    key = _IMPORTS[kind]({name: value for name, value in held.items() if name not in {"nbf", "exp"}})
    if not key.is_private or _is_weak(key):
        raise ValueError("the key is a public one, or too short")
    starts, ends = (datetime.fromtimestamp(int(held[name]), UTC) for name in ("nbf", "exp"))
    return SigningKey(kid=kid, alg=alg, starts=starts, ends=ends, key=key)


def _is_weak(key: Key) -> bool:
    if isinstance(key, RSAKey):
        return key.private_key is None or key.private_key.key_size < SHORTEST_RSA_BITS
    return isinstance(key, OctKey) and len(key.raw_value) < SHORTEST_SECRET_BYTES


def make_key(folder: Path, alg: str, *, starts: datetime, ends: datetime, name: str) -> Path:
    """Make a key and give its file, which its owner alone may read. ``name`` is the key's ``kid`` and the file's.

    Raises SetupError if the folder or the file cannot be made.
    """
    made = MAKERS[alg]()
    times = {"nbf": int(starts.timestamp()), "exp": int(ends.timestamp())}
    held = {**made.as_dict(private=True), "kid": name, "alg": alg, "use": "sig", **times}
    path = folder / f"{name}{ENDING}"
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        with os.fdopen(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w", encoding="utf-8") as file:
            json.dump(held, file)
            file.flush()
            os.fsync(file.fileno())
    except OSError as error:
        with suppress(OSError):
            if not isinstance(error, FileExistsError):
                path.unlink(missing_ok=True)
        raise SetupError(f"{path} cannot be written: {error.strerror}.", remedy="Name a folder that you may write in.") from error
    return path


def any_is_open_to_others(folder: Path) -> bool:
    """Say whether others than the owner and the group may read a key of ``folder``."""
    return any(is_open_to_others(path) for path in folder.glob(f"*{ENDING}"))


def key_set(keys: Sequence[SigningKey], *, now: datetime) -> dict[str, Any]:
    """Give the public JWK Set (RFC 7517, 5) of what signs now or later. Raises SetupError for a shared secret."""
    return {"keys": [key.public() for key in keys if key.ends > now]}
