#!/usr/bin/env python3
# Origin: ../shared/tools/flaky_proxy.py of the project's shared folder, copied whole on 2026-11-25; only the formatter touched it.
# It is a tool with its own style, run as a program of its own; its own self-test lives with the original.
# ruff: noqa: C408, C901, D301, E401, EXE001, FURB167, I001, SIM105, UP041
# mypy: ignore-errors
"""flaky_proxy.py - a fault-injecting TCP proxy, standard library only.

  flaky_proxy.py --listen 127.0.0.1:0 --to 127.0.0.1:2575 [--control /path/sock] [--mode '{"up":...}']

Prints one JSON line {"listening":[host,port]} on stdout, then takes JSON commands, one a line, from stdin and (if
given) from a unix socket; each command gets one JSON reply line.

Commands
  {"cmd":"set", "dir":"up|down|both", "mode":"pass", ...parameters}   faults for new AND running connections
  {"cmd":"accept", "mode":"normal|refuse|reset|blackhole"}           what a NEW connection meets
  {"cmd":"kill", "how":"reset|fin"}                                  ends every running connection now
  {"cmd":"stats"} {"cmd":"clear"} {"cmd":"quit"}
"up" is client -> server, "down" is server -> client.

Modes (per direction)
  pass                           forward unchanged
  blackhole                      read and discard (peer sees success, data vanish)
  stall                          do not read at all (TCP back-pressure)
  delay     ms, jitter_ms        hold each chunk
  throttle  bps                  limit bytes per second
  cut       after, how           forward `after` bytes (counted per connection from the moment the mode is set), then
                                 end the connection: how = reset | fin | half (half-close that direction only)
  duplicate nth                  send every nth chunk twice (1 = all)
  corrupt   prob|at              flip one bit in a chunk with probability prob, or at byte offset `at` (once a connection)
  fragment  size, gap_ms         forward in pieces of `size` bytes
  coalesce  ms                   collect for ms and send in one piece
  drop_match regex, times        discard chunks matching the bytes regex (e.g. MSA\\|AA to drop an ack), at most `times`
  cut_match regex, how, times    on a match end the connection WITHOUT forwarding the chunk (the ack-lost case)
  insert    hex, nth             put bytes (hex) before every nth chunk
  half_close                     send FIN in that direction at once, keep the other direction open
Any mode takes "times": after so many uses it falls back to pass.  A reset is made with SO_LINGER 0.
"""

import argparse, asyncio, json, os, random, re, socket, struct, sys, time


class Fault:
    def __init__(self, spec=None):
        self.spec = dict(spec or {"mode": "pass"})
        self.mode = self.spec.get("mode", "pass")
        self.left = self.spec.get("times")
        self.n = 0
        self.rx = re.compile(self.spec["regex"].encode("latin-1"), re.S) if "regex" in self.spec else None
        self.stamp = time.monotonic()

    def use(self):
        """One use of the fault; False when it has been used up."""
        if self.left is not None:
            if self.left <= 0:
                return False
            self.left -= 1
        return True


class Proxy:
    def __init__(self, host, port, rng):
        self.host, self.port, self.rng = host, port, rng
        self.faults = {"up": Fault(), "down": Fault()}
        self.accept = "normal"
        self.conns = set()
        self.tasks = set()
        self.stats = dict(conns=0, up=0, down=0, resets=0, cuts=0, dropped_chunks=0, duplicated=0, corrupted=0)

    @staticmethod
    def reset(writer):
        s = writer.get_extra_info("socket")
        try:
            if s is not None:
                s.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
        except OSError:
            pass
        writer.transport.abort()

    def end(self, cw, sw, how):
        self.stats["cuts"] += 1
        for w in (cw, sw):
            if how == "fin":
                w.close()
            else:
                self.reset(w)
                self.stats["resets"] += 1

    async def pump(self, d, r, w, cw, sw):
        passed = 0
        stamp = None
        corrupted = False
        try:
            while True:
                f = self.faults[d]
                if f.mode == "stall":
                    await asyncio.sleep(0.05)
                    continue
                if f.mode == "half_close" and f.use():
                    if w.can_write_eof():
                        w.write_eof()
                    while await r.read(65536):
                        self.stats["dropped_chunks"] += 1
                    return
                try:
                    data = await asyncio.wait_for(r.read(65536), 0.1)
                except asyncio.TimeoutError:
                    continue
                if not data:
                    if w.can_write_eof():
                        w.write_eof()
                    return
                f = self.faults[d]
                s = f.spec
                m = f.mode
                if f.stamp != stamp:
                    stamp, passed, corrupted = f.stamp, 0, False
                f.n += 1
                self.stats[d] += len(data)
                if m == "blackhole" and f.use():
                    self.stats["dropped_chunks"] += 1
                    continue
                if m in ("drop_match", "cut_match") and f.rx.search(data) and f.use():
                    self.stats["dropped_chunks"] += 1
                    if m == "drop_match":
                        continue
                    self.end(cw, sw, s.get("how", "reset"))
                    return
                if m == "delay" and f.use():
                    await asyncio.sleep((s.get("ms", 100) + self.rng.uniform(0, s.get("jitter_ms", 0))) / 1000)
                if m == "corrupt" and not corrupted:
                    at = s.get("at")
                    hit = None
                    if at is not None:
                        if passed <= at < passed + len(data):
                            hit = at - passed
                    elif self.rng.random() < s.get("prob", 0.1):
                        hit = self.rng.randrange(len(data))
                    if hit is not None and f.use():
                        b = bytearray(data)
                        b[hit] ^= 1 << self.rng.randrange(7)
                        data = bytes(b)
                        corrupted = at is not None
                        self.stats["corrupted"] += 1
                if m == "insert" and f.n % s.get("nth", 1) == 0 and f.use():
                    w.write(bytes.fromhex(s["hex"]))
                if m == "cut":
                    room = s.get("after", 0) - passed
                    if len(data) >= room and f.use():
                        if room > 0:
                            w.write(data[:room])
                            await w.drain()
                            await asyncio.sleep(0.02)
                        how = s.get("how", "reset")
                        if how == "half":
                            w.write_eof()
                            self.stats["cuts"] += 1
                            while await r.read(65536):
                                pass
                            return
                        self.end(cw, sw, how)
                        return
                if m == "coalesce" and f.use():
                    end = time.monotonic() + s.get("ms", 200) / 1000
                    while (left := end - time.monotonic()) > 0:
                        try:
                            more = await asyncio.wait_for(r.read(65536), left)
                        except asyncio.TimeoutError:
                            break
                        if not more:
                            break
                        data += more
                if m == "fragment" and f.use():
                    k = s.get("size", 1)
                    for i in range(0, len(data), k):
                        w.write(data[i : i + k])
                        await w.drain()
                        await asyncio.sleep(s.get("gap_ms", 1) / 1000)
                elif m == "throttle":
                    bps = s.get("bps", 1000)
                    step = max(1, int(bps / 20))
                    for i in range(0, len(data), step):
                        w.write(data[i : i + step])
                        await w.drain()
                        await asyncio.sleep(len(data[i : i + step]) / bps)
                else:
                    w.write(data)
                    if m == "duplicate" and f.n % s.get("nth", 1) == 0 and f.use():
                        w.write(data)
                        self.stats["duplicated"] += 1
                    await w.drain()
                passed += len(data)
        except (ConnectionError, OSError):
            for x in (cw, sw):
                x.transport.abort()

    async def handle(self, cr, cw):
        self.stats["conns"] += 1
        if self.accept == "reset":
            return self.reset(cw)
        if self.accept == "blackhole":
            while await cr.read(65536):
                pass
            return cw.close()
        try:
            sr, sw = await asyncio.open_connection(self.host, self.port)
        except OSError:
            return self.reset(cw)
        pair = (cw, sw)
        self.conns.add(pair)
        try:
            await asyncio.gather(self.pump("up", cr, sw, cw, sw), self.pump("down", sr, cw, cw, sw))
        finally:
            self.conns.discard(pair)
            for w in pair:
                w.close()

    async def command(self, c):
        k = c.get("cmd")
        if k == "set":
            for d in ("up", "down") if c.get("dir", "both") == "both" else (c["dir"],):
                self.faults[d] = Fault({x: y for x, y in c.items() if x not in ("cmd", "dir")})
        elif k == "accept":
            self.accept = c["mode"]
            await self.relisten(self.accept != "refuse")
        elif k == "clear":
            self.faults = {"up": Fault(), "down": Fault()}
            self.accept = "normal"
            await self.relisten(True)
        elif k == "kill":
            for a, b in list(self.conns):
                self.end(a, b, c.get("how", "reset"))
        elif k == "quit":
            self.done.set()
        elif k != "stats":
            return {"ok": False, "error": f"unknown command {k!r}"}
        return {"ok": True, "open": len(self.conns), **self.stats}

    async def relisten(self, on):
        if on and self.server is None:
            self.server = await asyncio.start_server(self.handle, *self.addr)
        elif not on and self.server is not None:
            self.server.close()
            self.server = None

    async def lines(self, r, reply):
        while line := await r.readline():
            try:
                out = await self.command(json.loads(line))
            except Exception as e:  # a bad command must not end the proxy
                out = {"ok": False, "error": repr(e)}
            await reply(json.dumps(out))

    async def run(self, listen, control):
        self.done = asyncio.Event()
        self.server = await asyncio.start_server(self.handle, *listen)
        self.addr = self.server.sockets[0].getsockname()[:2]
        print(json.dumps({"listening": list(self.addr)}), flush=True)

        async def say(t):
            print(t, flush=True)

        sr = asyncio.StreamReader()
        try:
            await asyncio.get_running_loop().connect_read_pipe(lambda: asyncio.StreamReaderProtocol(sr), sys.stdin)
            self.tasks.add(asyncio.create_task(self.lines(sr, say)))
        except (ValueError, OSError, PermissionError):
            pass  # stdin is a plain file or closed: unix socket only
        if control:

            async def ctl(r, w):
                async def send(t):
                    w.write(t.encode() + b"\n")
                    await w.drain()

                try:
                    await self.lines(r, send)
                except asyncio.CancelledError:
                    pass
                finally:
                    w.close()

            if os.path.exists(control):
                os.unlink(control)
            await asyncio.start_unix_server(ctl, control)
        await self.done.wait()


def hostport(t):
    h, _, p = t.rpartition(":")
    return h or "127.0.0.1", int(p)


if __name__ == "__main__":
    a = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    a.add_argument("--listen", type=hostport, default=("127.0.0.1", 0))
    a.add_argument("--to", type=hostport, required=True)
    a.add_argument("--control")
    a.add_argument("--seed", type=int, default=1)
    a.add_argument("--set", action="append", default=[], help="a JSON command to run at start")
    o = a.parse_args()
    p = Proxy(*o.to, random.Random(o.seed))

    async def main():
        for s in o.set:
            c = json.loads(s)
            p.server = p.addr = None
            for d in ("up", "down") if c.get("dir", "both") == "both" else (c["dir"],):
                p.faults[d] = Fault({x: y for x, y in c.items() if x not in ("cmd", "dir")})
        await p.run(o.listen, o.control)

    try:
        asyncio.run(main())
    except KeyboardInterrupt:
        pass
