"""A session of its own that hears what other processes told with their commits."""

from __future__ import annotations

import selectors
import socket
import threading
from collections.abc import Callable, Container

import psycopg

from bridge.store.postgres.connection import READING, PostgresDb, Server
from bridge.store.writer import FIRST_REST_S, LONGEST_REST_S

EVERYTHING = ""  # a name for "something may have been missed: look everywhere"


class Listener:
    """A thread that calls ``heard`` with each name; with EVERYTHING after each connecting, since news may have passed by."""

    def __init__(self, server: Server, heard: Callable[[str], None], *, own: Callable[[], Container[int]]) -> None:
        """``own`` gives the backend ids of this process's sessions: what they tell is no news to it."""
        self._server = server
        self._heard = heard
        self._own = own
        self._closing = threading.Event()
        self._bell, self._ringer = socket.socketpair()
        self._thread = threading.Thread(target=self._run, name="padpost-store-listener", daemon=True)
        self._thread.start()

    def close(self) -> None:
        """Stop listening."""
        self._closing.set()
        self._ringer.send(b"x")
        self._thread.join()
        self._bell.close()
        self._ringer.close()

    def _run(self) -> None:
        rest_s = FIRST_REST_S
        while not self._closing.is_set():
            try:
                session = self._server.connect(READING)
                rest_s = FIRST_REST_S
                try:
                    self._listen(session)
                finally:
                    session.close()
            except psycopg.Error:  # the writer says that the server is away; here only the connecting goes on
                self._closing.wait(rest_s)
                rest_s = min(rest_s * 2, LONGEST_REST_S)

    def _listen(self, session: PostgresDb) -> None:
        session.hear()
        self._heard(EVERYTHING)
        with selectors.DefaultSelector() as ready:
            ready.register(session.connection.fileno(), selectors.EVENT_READ)
            ready.register(self._bell, selectors.EVENT_READ)
            while not self._closing.is_set():
                for notice in session.connection.notifies(timeout=0):
                    if notice.pid not in self._own():
                        self._heard(notice.payload)
                ready.select()
