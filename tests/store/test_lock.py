"""Who holds the store, and what the data folder stands on."""

from __future__ import annotations

import os
import resource
import socket
import subprocess
import sys
from pathlib import Path

import pytest

from bridge.errors import StoreFailed, StoreLocked
from bridge.store.lock import NETWORK_MOUNTS, ProcessLock, network_mount

MOUNTS = """\
/dev/sda1 / ext4 rw 0 0
proc /proc proc rw 0 0
server:/export {0} nfs4 rw 0 0
/dev/sdb1 {0}/local ext4 rw 0 0
//server/share {0}/with\\040blank cifs rw 0 0
broken line
"""


def test_the_second_is_told_who_has_it(tmp_path: Path) -> None:
    """The sentence names the process and the machine; once it lets go, the next may."""
    lock = ProcessLock(tmp_path / "lock")
    for _ in range(2):  # a refused one leaves the name in place
        with pytest.raises(StoreLocked) as told:
            ProcessLock(tmp_path / "lock")
        assert str(told.value) == (
            f"process {os.getpid()} on {socket.gethostname()} has this store open."
            " Stop it first, or give this one a data folder of its own."
        )
    lock.release()
    ProcessLock(tmp_path / "lock").release()


def test_a_lock_that_cannot_be_made_is_said_in_a_sentence(tmp_path: Path) -> None:
    """No folder, no right, no name left on the disk: where, why and what to do, and no trace of the program."""
    with pytest.raises(StoreFailed) as told:
        ProcessLock(tmp_path / "nowhere" / "lock")
    assert str(told.value) == (
        f"The store's lock {tmp_path}/nowhere/lock cannot be written: No such file or directory."
        " Make room on that disk, or give Padpost the right to write there; then start it again."
    )


def test_a_lock_that_cannot_be_written_lets_go(tmp_path: Path) -> None:
    """The disk takes the file's name and not its bytes (here by a limit, setrlimit(2)): nothing stays locked or open."""
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (0, hard))
    try:
        with pytest.raises(StoreFailed, match="cannot be written: File too large"):
            ProcessLock(tmp_path / "lock")
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
    ProcessLock(tmp_path / "lock").release()


def test_a_killed_process_leaves_no_lock_behind(tmp_path: Path) -> None:
    """The kernel lets go (flock(2)): a crash never needs a person to remove a file."""
    code = (
        "import sys, time\nfrom pathlib import Path\nfrom bridge.store.lock import ProcessLock\n"
        "lock = ProcessLock(Path(sys.argv[1]))\nprint('held', flush=True)\ntime.sleep(60)"
    )
    child = subprocess.Popen([sys.executable, "-c", code, str(tmp_path / "lock")], stdout=subprocess.PIPE)
    assert child.stdout is not None
    assert child.stdout.readline() == b"held\n"
    with pytest.raises(StoreLocked, match=f"^process {child.pid} on "):
        ProcessLock(tmp_path / "lock")
    child.kill()
    child.communicate()
    ProcessLock(tmp_path / "lock").release()


def test_the_innermost_mount_decides(tmp_path: Path) -> None:
    """A local disk under a network mount is local, and the other way about; blanks are written as in /proc/mounts (fstab(5))."""
    mounts = MOUNTS.format(tmp_path)
    assert network_mount(tmp_path, mounts) == "nfs4"
    assert network_mount(tmp_path / "deep" / "er", mounts) == "nfs4"
    assert network_mount(tmp_path / "local" / "data", mounts) == ""
    assert network_mount(tmp_path / "with blank", mounts) == "cifs"
    assert network_mount(tmp_path.with_name(tmp_path.name + "2"), mounts) == ""  # a longer name is no subfolder
    assert network_mount(Path("/"), mounts) == ""
    assert network_mount(tmp_path, "") == ""


def test_a_link_is_followed_to_the_mount_it_leads_to(tmp_path: Path) -> None:
    """A data folder that is a link into a share stands on the share."""
    (tmp_path / "share").mkdir()
    (tmp_path / "data").symlink_to(tmp_path / "share")
    assert network_mount(tmp_path / "data", f"server:/x {tmp_path}/share nfs rw 0 0\n") == "nfs"


def test_the_last_of_two_mounts_on_one_point_counts(tmp_path: Path) -> None:
    """It covers the first."""
    lines = [f"/dev/a {tmp_path} ext4 rw 0 0", f"server:/x {tmp_path} nfs rw 0 0"]
    assert network_mount(tmp_path, "\n".join(lines)) == "nfs"
    assert network_mount(tmp_path, "\n".join(reversed(lines))) == ""


@pytest.mark.parametrize("kind", sorted(NETWORK_MOUNTS))
def test_each_network_kind_is_known(tmp_path: Path, kind: str) -> None:
    """The kinds are compared as they are written."""
    assert network_mount(tmp_path, f"x {tmp_path} {kind} rw 0 0") == kind
