#!/usr/bin/env python3
# Origin: ../shared/tools/lossyfs.py of the project's shared folder, copied on 2026-11-25; the formatter touched it, and
# some things were added ("added here"): fsync fails while the power is off, as every other call; mkdir can be forgotten too;
# fsync can fail for some files only.
# It is a tool with its own style, run as a program of its own.
# ruff: noqa: C408, C901, E401, EXE001, I001, RUF005
# mypy: ignore-errors
"""lossyfs.py - a FUSE file system that forgets what was never fsync'ed: power-loss simulation (needs mfusepy, libfuse).

  lossyfs.py BACKING MOUNTPOINT --control SOCK [--seed N]

Every file has a durable image (in BACKING) and a volatile image (in memory).  Reads see the volatile one; fsync of a
file copies it to BACKING.  Commands, one a line, on the unix socket (answer: one JSON line):
  crash            drop every unsynced byte; later calls fail with EIO until "power" (mount stays, a fresh start can be made)
  crash torn       as crash, but each file keeps a random prefix/subset of its unsynced 512-byte sectors (torn, reordered writes)
  power            accept calls again (state = what survived)
  set KEY VALUE    fsync_errno N|0; fsync_main N|0 (added here: the same for every file that is no write-ahead log); write_errno N|0; write_after BYTES (ENOSPC after that many more bytes, -1 off);
                   delay_ms N (each write and fsync); lie 1|0 (fsync returns OK but makes nothing durable)
  stats
Directory entries (create, rename, unlink, mkdir) are durable at once unless --lose-dirs is given: then a created or
renamed file whose directory was never fsync'ed is undone by crash.
"""

import argparse, errno, json, os, random, shutil, socket, threading, time
import mfusepy as fuse


class Lossy(fuse.Operations):
    use_ns = True

    def __init__(self, root, seed, lose_dirs):
        self.root = os.path.realpath(root)
        self.rng = random.Random(seed)
        self.mutex = threading.RLock()
        self.vol = {}  # path -> bytearray, only for files with unsynced bytes
        self.dirty = {}  # path -> set of dirty sectors
        self.off = False
        self.lose_dirs = lose_dirs
        self.undo = []
        self.k = dict(fsync_errno=0, fsync_main=0, write_errno=0, write_after=-1, delay_ms=0, lie=0)
        self.n = dict(writes=0, bytes=0, fsyncs=0, crashes=0, lost_bytes=0, errors=0)

    def p(self, path):
        return self.root + path

    def live(self):
        if self.off:
            raise fuse.FuseOSError(errno.EIO)

    def image(self, path):
        if path not in self.vol:
            with open(self.p(path), "rb") as f:
                self.vol[path] = bytearray(f.read())
            self.dirty[path] = set()
        return self.vol[path]

    # --- names
    def getattr(self, path, fh=None):
        self.live()
        st = os.lstat(self.p(path))
        d = {k: getattr(st, k) for k in ("st_gid", "st_mode", "st_nlink", "st_uid", "st_size")}
        d.update(st_atime=st.st_atime_ns, st_mtime=st.st_mtime_ns, st_ctime=st.st_ctime_ns)
        if path in self.vol:
            d["st_size"] = len(self.vol[path])
        return d

    def readdir(self, path, fh):
        self.live()
        return [".", ".."] + os.listdir(self.p(path))

    def mkdir(self, path, mode):
        self.live()
        os.mkdir(self.p(path), mode)
        if self.lose_dirs:  # added here: a folder's own name is in its parent, and lost with all that is in it
            self.undo.append(("mkdir", path, None, os.path.dirname(path)))

    def rmdir(self, path):
        self.live()
        os.rmdir(self.p(path))

    def chmod(self, path, mode):
        self.live()
        os.chmod(self.p(path), mode)

    def chown(self, path, uid, gid):
        pass

    def utimens(self, path, times=None):
        pass

    def access(self, path, mode):
        self.live()
        return 0

    def readlink(self, path):
        return os.readlink(self.p(path))

    def symlink(self, target, source):
        os.symlink(source, self.p(target))

    def statfs(self, path):
        s = os.statvfs(self.p(path))
        return {
            k: getattr(s, k)
            for k in (
                "f_bavail",
                "f_bfree",
                "f_blocks",
                "f_bsize",
                "f_favail",
                "f_ffree",
                "f_files",
                "f_flag",
                "f_frsize",
                "f_namemax",
            )
        }

    def create(self, path, mode, fi=None):
        self.live()
        with self.mutex:
            fd = os.open(self.p(path), os.O_CREAT | os.O_RDWR, mode)
            os.close(fd)
            if self.lose_dirs:
                self.undo.append(("create", path, None, os.path.dirname(path)))
        return 0

    def open(self, path, flags):
        self.live()
        if not os.path.exists(self.p(path)):
            raise fuse.FuseOSError(errno.ENOENT)
        if flags & os.O_TRUNC:
            self.truncate(path, 0)
        return 0

    def unlink(self, path):
        self.live()
        with self.mutex:
            if self.lose_dirs:
                with open(self.p(path), "rb") as f:
                    self.undo.append(("unlink", path, f.read(), os.path.dirname(path)))
            os.unlink(self.p(path))
            self.vol.pop(path, None)
            self.dirty.pop(path, None)

    def rename(self, old, new):
        self.live()
        with self.mutex:
            if self.lose_dirs:
                before = None
                if os.path.exists(self.p(new)):
                    with open(self.p(new), "rb") as f:
                        before = f.read()
                self.undo.append(("rename", old, (new, before), os.path.dirname(new)))
            os.rename(self.p(old), self.p(new))
            for m in (self.vol, self.dirty):
                m.pop(new, None)
                if old in m:
                    m[new] = m.pop(old)

    # --- data
    def read(self, path, size, offset, fh):
        self.live()
        with self.mutex:
            if path in self.vol:
                return bytes(self.vol[path][offset : offset + size])
            with open(self.p(path), "rb") as f:
                f.seek(offset)
                return f.read(size)

    def write(self, path, data, offset, fh):
        self.live()
        time.sleep(self.k["delay_ms"] / 1000)
        with self.mutex:
            if self.k["write_errno"]:
                self.n["errors"] += 1
                raise fuse.FuseOSError(self.k["write_errno"])
            if self.k["write_after"] >= 0:
                if self.k["write_after"] < len(data):
                    self.n["errors"] += 1
                    raise fuse.FuseOSError(errno.ENOSPC)
                self.k["write_after"] -= len(data)
            im = self.image(path)
            end = offset + len(data)
            if len(im) < end:
                im.extend(bytes(end - len(im)))
            im[offset:end] = data
            self.dirty[path].update(range(offset // 512, (end - 1) // 512 + 1))
            self.n["writes"] += 1
            self.n["bytes"] += len(data)
        return len(data)

    def truncate(self, path, length, fh=None):
        self.live()
        with self.mutex:
            im = self.image(path)
            if length < len(im):
                del im[length:]
            else:
                im.extend(bytes(length - len(im)))
            self.dirty[path].add(length // 512)

    def fsync(self, path, datasync, fh):
        self.live()  # added here: without it an fsync just after the cut would say that what the cut dropped is safe
        time.sleep(self.k["delay_ms"] / 1000)
        with self.mutex:
            self.n["fsyncs"] += 1
            if self.k["fsync_errno"]:
                self.n["errors"] += 1
                raise fuse.FuseOSError(self.k["fsync_errno"])
            if self.k["fsync_main"] and not path.endswith("-wal"):  # added here
                self.n["errors"] += 1
                raise fuse.FuseOSError(self.k["fsync_main"])
            if self.k["lie"]:
                return 0
            if path in self.vol:
                with open(self.p(path), "r+b") as f:
                    f.write(self.vol[path])
                    f.truncate(len(self.vol[path]))
                del self.vol[path], self.dirty[path]
        return 0

    def fsyncdir(self, path, datasync, fh):
        self.live()  # added here: as above
        with self.mutex:
            self.undo = [u for u in self.undo if u[3] != path.rstrip("/") and u[3] != path]
        return 0

    def flush(self, path, fh):
        return 0  # close() makes nothing durable

    def release(self, path, fh):
        return 0

    # --- power
    def crash(self, torn):
        with self.mutex:
            self.off = True
            self.n["crashes"] += 1
            for path, im in self.vol.items():
                if not os.path.exists(self.p(path)):
                    continue
                lost = sorted(self.dirty[path])
                self.n["lost_bytes"] += 512 * len(lost)
                if torn and lost:
                    keep = [s for s in lost if self.rng.random() < 0.5]
                    with open(self.p(path), "r+b") as f:
                        for s in keep:
                            f.seek(512 * s)
                            f.write(im[512 * s : 512 * s + 512])
            self.vol.clear()
            self.dirty.clear()
            for kind, path, extra, _ in reversed(self.undo):
                try:
                    if kind == "create":
                        os.unlink(self.p(path))
                    elif kind == "mkdir":
                        shutil.rmtree(self.p(path))
                    elif kind == "unlink":
                        with open(self.p(path), "wb") as f:
                            f.write(extra)
                    else:
                        os.rename(self.p(extra[0]), self.p(path))
                        if extra[1] is not None:
                            with open(self.p(extra[0]), "wb") as f:
                                f.write(extra[1])
                except OSError:
                    pass
            self.undo = []

    def serve(self, path):
        if os.path.exists(path):
            os.unlink(path)
        s = socket.socket(socket.AF_UNIX)
        s.bind(path)
        s.listen(4)
        while True:
            c, _ = s.accept()
            with c, c.makefile("rw") as f:
                for line in f:
                    w = line.split()
                    ok = True
                    if w[:1] == ["crash"]:
                        self.crash("torn" in w)
                    elif w[:1] == ["power"]:
                        self.off = False
                    elif w[:1] == ["set"] and w[1] in self.k:
                        self.k[w[1]] = int(w[2])
                    elif w[:1] != ["stats"]:
                        ok = False
                    f.write(
                        json.dumps(
                            dict(
                                ok=ok, off=self.off, unsynced={k: 512 * len(v) for k, v in self.dirty.items()}, **self.k, **self.n
                            )
                        )
                        + "\n"
                    )
                    f.flush()


if __name__ == "__main__":
    a = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    a.add_argument("backing")
    a.add_argument("mountpoint")
    a.add_argument("--control", required=True)
    a.add_argument("--seed", type=int, default=1)
    a.add_argument("--lose-dirs", action="store_true")
    o = a.parse_args()
    fs = Lossy(o.backing, o.seed, o.lose_dirs)
    threading.Thread(target=fs.serve, args=(o.control,), daemon=True).start()
    fuse.FUSE(fs, o.mountpoint, foreground=True, nothreads=True, default_permissions=False)
