"""The one place that names the HTTP library, so that another can take its place."""

from __future__ import annotations

import httpx

Client = httpx.AsyncClient
TransportError = httpx.TransportError
TimeoutError = httpx.TimeoutException  # noqa: A001 - the library's own meaning, under one name
ConnectError = httpx.ConnectError
InvalidURL = httpx.InvalidURL


def client(*, answer_s: float) -> httpx.AsyncClient:
    """Make a client that follows no redirect and asks no proxy of the environment: results go to the configured address only."""
    return httpx.AsyncClient(timeout=httpx.Timeout(answer_s), follow_redirects=False, trust_env=False)
