"""What the log says of an error: where and which kind, and nothing that was read."""

from __future__ import annotations

import io
import json
import logging
from collections.abc import Callable, Iterator
from datetime import datetime

import pytest
import structlog

from bridge.logs import OfLibraries, configure_logging, where_it_failed

PATIENT = "40700007"


@pytest.fixture(params=["json", "console"])
def logged(request: pytest.FixtureRequest) -> Iterator[tuple[str, Callable[[], str]]]:
    """Log as the service does; give the kind and what stands in the log so far."""
    before, handlers = structlog.get_config(), list(logging.getLogger().handlers)
    file = io.StringIO()
    configure_logging(request.param, file)
    yield request.param, file.getvalue
    structlog.configure(**before)
    logging.getLogger().handlers[:] = handlers


def fail(patient_id: str) -> None:
    """Fail with the identifier in a variable, in the message, and in the message of the error before."""
    try:
        int(f"x{patient_id}")
    except ValueError as error:
        raise KeyError(patient_id) from error


def test_an_error_is_told_by_its_places_and_never_by_its_values(logged: tuple[str, Callable[[], str]]) -> None:
    """A traceback with variables, or an error's own words, would put a patient's number into the log. HZ-J03."""
    _, text = logged
    try:
        fail(PATIENT)
    except KeyError:
        structlog.get_logger().exception("strip.defect", capture=3)
    said = text()
    assert PATIENT not in said
    assert "strip.defect" in said
    for word in ("KeyError", "ValueError", "test_logs.py:", "in fail"):
        assert word in said


def test_a_library_is_named_and_its_words_are_left_out(logged: tuple[str, Callable[[], str]]) -> None:
    """Uvicorn and asyncio tell of a failed request or task by the standard logging, with the error's words in it."""
    _, text = logged
    try:
        fail(PATIENT)
    except KeyError as error:
        logging.getLogger("uvicorn.error").exception("Exception in ASGI application")
        logging.getLogger("asyncio").error("Task exception was never retrieved: %r", error)  # noqa: TRY400 - asyncio says it so, without a traceback
    logging.getLogger("httpx").info("POST http://records/%s", PATIENT)
    said = text()
    assert PATIENT not in said
    assert said.count("library.spoke") == 2
    assert ("uvicorn.error" in said, "asyncio" in said, "httpx" in said) == (True, True, False)


def test_configuring_twice_tells_once(logged: tuple[str, Callable[[], str]]) -> None:
    """A second start in one process must not double every line."""
    kind, _ = logged
    configure_logging(kind, io.StringIO())
    assert sum(isinstance(handler, OfLibraries) for handler in logging.getLogger().handlers) == 1


def test_a_json_log_is_one_object_a_line(logged: tuple[str, Callable[[], str]]) -> None:
    """What collects logs splits at line ends; an error told over many lines would come apart."""
    kind, text = logged
    log = structlog.get_logger()
    log.debug("not.shown")
    log.info("capture.kept", capture=3, source="drops")
    try:
        fail(PATIENT)
    except KeyError:
        log.exception("loop.fell", loop="source drops")
    if kind == "console":
        assert "capture.kept" in text().splitlines()[0]
        return
    kept, fell = map(json.loads, text().splitlines())
    assert datetime.fromisoformat(kept.pop("timestamp")).tzinfo is not None
    assert kept == {"event": "capture.kept", "level": "info", "capture": 3, "source": "drops"}
    assert (fell["event"], fell["level"], fell["loop"]) == ("loop.fell", "error", "source drops")
    assert fell["exception"].splitlines()[0] == "KeyError"


def test_the_errors_of_a_group_are_all_told_and_a_circle_ends() -> None:
    """Loops run in a task group, whose error holds theirs."""
    inner = ValueError(PATIENT)
    group = ExceptionGroup(PATIENT, [inner, TypeError(PATIENT)])
    inner.__context__ = group
    assert where_it_failed(group).splitlines() == ["ExceptionGroup", "ValueError", "TypeError"]
