"""A process's own network: a namespace of the kernel, joined to ours by links that can be cut, so that every packet on them vanishes.

Nothing of it is reachable from another machine: both ends of each link are in this one. Needs root, and a kernel that permits it.
"""

from __future__ import annotations

import functools
import itertools
import os
import shutil
import subprocess
from collections.abc import Sequence

_NUMBERS = itertools.count(1)


class Link:
    """One cable: ``ours`` is the address of our end, ``theirs`` of the end in the namespace."""

    def __init__(self, device: str, ours: str, theirs: str) -> None:
        self.ours = ours
        self.theirs = theirs
        self._device = device

    def cut(self) -> None:
        """Let every packet vanish, without a word to either side: our end has no carrier any more, and theirs still its routes."""
        _ip("link", "set", self._device, "down")

    def mend(self) -> None:
        """Let packets through again; connections that waited go on."""
        _ip("link", "set", self._device, "up")


class Namespace:
    """A namespace with a loopback of its own. ``name`` is what the system calls it; ``close`` takes it away with its links."""

    def __init__(self) -> None:
        self.name = f"pp{os.getpid() % 100_000}x{next(_NUMBERS)}"
        self._links = itertools.count()
        _ip("netns", "add", self.name)
        _ip("-n", self.name, "link", "set", "lo", "up")

    def link(self) -> Link:
        """Lay a cable. Addresses are of 10.0.0.0/8 (RFC 1918), by our process's number, so that two runs do not meet."""
        number, pid = next(self._links), os.getpid()
        net = f"10.{200 + pid // 256 % 50}.{pid % 256}"
        ours, theirs = (f"{net}.{4 * number + host}" for host in (1, 2))
        device = f"{self.name}{number}"
        _ip("link", "add", device, "type", "veth", "peer", "name", f"{device}i", "netns", self.name)
        _ip("addr", "add", f"{ours}/30", "dev", device)
        _ip("link", "set", device, "up")
        _ip("-n", self.name, "addr", "add", f"{theirs}/30", "dev", f"{device}i")
        _ip("-n", self.name, "link", "set", f"{device}i", "up")
        return Link(device, ours, theirs)

    @property
    def under(self) -> Sequence[str]:
        """Give what a program is run under to live in it; its process stays the one that was started."""
        return ("ip", "netns", "exec", self.name)

    def close(self) -> None:
        """Take it away. What runs in it must have ended."""
        forget(self.name)


def forget(name: str) -> None:
    """Take a namespace away, if it is there."""
    if name in subprocess.run(["ip", "netns", "list"], capture_output=True, text=True, check=True).stdout.split():
        _ip("netns", "del", name)


@functools.cache
def why_not() -> str:
    """Say why this machine permits no such thing; "" where it does."""
    if os.geteuid() != 0:
        return "only root may make a network namespace"
    if shutil.which("ip") is None:
        return "the program ip (iproute2) is not installed"
    try:
        tried = Namespace()
        try:
            tried.link()
        finally:
            tried.close()
    except subprocess.CalledProcessError as error:
        return f"this machine permits no network namespace: {str(error.stderr).strip()}"
    return ""


def _ip(*words: str) -> None:
    subprocess.run(["ip", *words], check=True, capture_output=True, text=True)
