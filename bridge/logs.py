"""The log: one event word plus fields, as JSON or for a console. No patient identifier is ever in it.

An error is told by its types and places alone. Its message, and the values of its variables, may hold what was read.
"""

from __future__ import annotations

import logging
import sys
import traceback
from collections.abc import Iterator, MutableMapping
from typing import Any, TextIO

import orjson
import structlog


def configure_logging(kind: str, file: TextIO | None = None) -> None:
    """Log to ``file``, else to standard error for good; what libraries say through the standard logging, from warnings up, too."""
    out = file or sys.stderr
    as_bytes = getattr(out, "buffer", None) if kind == "json" else None
    renderer: Any = (
        structlog.processors.JSONRenderer(serializer=_json if as_bytes is None else orjson.dumps)
        if kind == "json"
        else structlog.dev.ConsoleRenderer(colors=sys.stderr.isatty())
    )
    structlog.configure(
        processors=[
            structlog.processors.add_log_level,
            structlog.processors.TimeStamper(fmt="iso", utc=True),
            _without_values,
            renderer,
        ],
        wrapper_class=structlog.make_filtering_bound_logger(logging.INFO),
        logger_factory=structlog.PrintLoggerFactory(out) if as_bytes is None else structlog.BytesLoggerFactory(as_bytes),
        cache_logger_on_first_use=file is None,  # a logger made anew for every line costs more than the line
    )
    root = logging.getLogger()
    for handler in [each for each in root.handlers if isinstance(each, OfLibraries)]:
        root.removeHandler(handler)
    root.addHandler(OfLibraries(logging.WARNING))


def _json(line: object, **more: Any) -> str:
    return orjson.dumps(line, **more).decode()


def where_it_failed(error: BaseException) -> str:
    """Give the types and places of ``error`` and of what led to it, one a line, the last one first; no message, no value."""
    return "\n".join(_steps(error, set()))


def _steps(error: BaseException, seen: set[int]) -> Iterator[str]:
    if id(error) in seen:
        return
    seen.add(id(error))
    yield type(error).__qualname__
    for frame in reversed(traceback.extract_tb(error.__traceback__)):
        yield f"  {frame.filename}:{frame.lineno} in {frame.name}"
    before = [*(error.exceptions if isinstance(error, BaseExceptionGroup) else ()), error.__cause__ or error.__context__]
    for each in before:
        if each is not None:
            yield from _steps(each, seen)


def _without_values(_logger: Any, _method: str, event: MutableMapping[str, Any]) -> MutableMapping[str, Any]:
    """Put an error's places where structlog would put its traceback."""
    given = event.pop("exc_info", None)
    error = sys.exc_info()[1] if given is True else given[1] if isinstance(given, tuple) else given
    if isinstance(error, BaseException):
        event["exception"] = where_it_failed(error)
    return event


class OfLibraries(logging.Handler):
    """Tells which library spoke, from where and how gravely; not its words, which may hold a message's bytes or an address."""

    def emit(self, record: logging.LogRecord) -> None:
        """Tell of one record."""
        structlog.get_logger().log(
            record.levelno,
            "library.spoke",
            library=record.name,
            place=f"{record.module}:{record.lineno}",
            **({"exc_info": record.exc_info} if record.exc_info else {}),
        )
