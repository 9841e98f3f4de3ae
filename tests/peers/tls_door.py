"""A TLS server on blocking sockets of the standard library, for handshakes that fail: unlike asyncio's, it sends its alert before it hangs up."""

from __future__ import annotations

import socket
import ssl
import threading
from contextlib import suppress
from types import TracebackType
from typing import Self


class TlsDoor:
    """Shakes hands on loopback with whoever calls and reads what they send. ``heard`` is what arrived after whole handshakes."""

    def __init__(self, context: ssl.SSLContext) -> None:
        self._context = context
        self._listening = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._listening.getsockname()[1]
        self.heard: list[bytes] = []

    def _serve(self) -> None:
        while True:
            try:
                line, _ = self._listening.accept()
            except OSError:
                return
            with line, suppress(OSError):
                line.settimeout(10)
                with self._context.wrap_socket(line, server_side=True) as safe:
                    while piece := safe.recv(65_536):
                        self.heard.append(piece)

    def __enter__(self) -> Self:
        """Listen."""
        self._thread = threading.Thread(target=self._serve, name="tls-door", daemon=True)
        self._thread.start()
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        """Stop."""
        self._listening.shutdown(socket.SHUT_RDWR)
        self._listening.close()
        self._thread.join(15)
