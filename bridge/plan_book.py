"""The message plans in use, and the checks that a destination's plans pass before it opens."""

from __future__ import annotations

import asyncio
import base64
import json
import sys
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime

import structlog

from bridge import clock
from bridge.errors import RejectError
from bridge.model import CodedResult, Format, Message
from bridge.queue.lanes import DestinationQueue
from bridge.render import Plan, compile_plan, lane_of, takes
from bridge.render.conformance import faults
from bridge.render.samples import samples
from bridge.store.api import Store
from bridge.store.awaited import done
from bridge.store.commands import KeepPlanCheck
from bridge.tables.types import DestinationTerms, Tables

log = structlog.get_logger()

SAMPLED_AT = datetime(2026, 1, 1, 12, tzinfo=UTC)  # ours: samples need a moment, any
CHECK_S = 300  # ours: a plan check takes seconds; a child that hangs must not keep its destination shut without a word


class PlanBook:
    """The message plans of every (destination, profile, strip type) in use, and whether they passed.

    A destination may be written for only when all its plans passed: a fault in the plan of one strip
    type would otherwise show only on the day a patient's strip of that type arrives. Nor may it while it is forbidden:
    where it is live, and nobody has signed its tables, or where what it needs to be reached cannot be used.
    """

    def __init__(self, terms: Sequence[DestinationTerms], profiles: Sequence[str], tables: Tables) -> None:
        """Compile every plan. ``profiles`` are those that the sources use."""
        self._terms = {term.name: term for term in terms}
        self._tables = tables
        self._plans = {
            (term.name, profile, strip_type): compile_plan(term, profile, strip_type, tables)
            for term in terms
            for profile in sorted(set(profiles))
            for strip_type in sorted(set(tables.profiles[profile].strip_types.values()))
        }
        self._passed: set[str] = set()
        self._forbidden: dict[tuple[str, str], str] = {}

    @property
    def destinations(self) -> Sequence[str]:
        """Name the destinations, in the order of the configuration."""
        return tuple(self._terms)

    def may_write(self, destination: str) -> bool:
        """Say whether every plan of ``destination`` passed and nothing forbids it."""
        return self.has_passed(destination) and not self.forbidden(destination)

    def has_passed(self, destination: str) -> bool:
        """Say whether every plan of ``destination`` passed."""
        return destination in self._passed

    def passed(self, destination: str) -> None:
        """Note that every plan of ``destination`` passed."""
        self._passed.add(destination)

    def takes(self, destination: str, result: CodedResult) -> bool:
        """Say whether ``destination`` is sent ``result`` at all: controls only where its settings ask for them."""
        return takes(self._terms[destination], result)

    def forbid(self, destination: str, reason: str, *, by: str) -> None:
        """Note why nothing may be written for ``destination`` whatever its plans; an empty reason allows it, as far as ``by`` goes."""
        self._forbidden[destination, by] = reason

    def forbidden(self, destination: str, *, by: str = "") -> str:
        """Say why nothing may be written for ``destination``, or why ``by`` says so; nothing where it may."""
        reasons = (reason for (name, who), reason in self._forbidden.items() if name == destination and by in {"", who})
        return " ".join(filter(None, reasons))

    def write(self, destination: str, result: CodedResult, *, control_id: str, made_at: datetime) -> Message:
        """Render ``result``. Raises RejectError where it cannot be said as it is."""
        key = (destination, result.profile, result.strip_type)
        if key not in self._plans:  # a result kept under a profile that no source uses any more, born late
            self._plans[key] = compile_plan(self._terms[destination], result.profile, result.strip_type, self._tables)
        return self._plans[key].render(result, control_id=control_id, made_at=made_at)

    def try_out(self, result: CodedResult) -> None:
        """Render ``result`` for every destination that takes it, and keep nothing. Raises RejectError where it cannot be said as it is."""
        for destination in self.destinations:
            if self.takes(destination, result):
                self.write(destination, result, control_id="TRIAL", made_at=SAMPLED_AT)

    def lane(self, result: CodedResult) -> str:
        """Give the lane of a message that is not born yet."""
        return lane_of(result)

    def plans(self, destination: str) -> tuple[tuple[str, str, Plan], ...]:
        """Give (profile, strip type, plan) of ``destination``."""
        return tuple(
            (profile, strip_type, plan) for (name, profile, strip_type), plan in self._plans.items() if name == destination
        )

    def payloads(self, destination: str, profile: str, strip_type: str) -> tuple[bytes, ...]:
        """Render the samples that show a plan at work: every step of every pad, STAT, hostile text."""
        plan = self._plans[destination, profile, strip_type]
        shown = samples(self._terms[destination], profile, strip_type, self._tables)
        return tuple(plan.render(result, control_id=f"SAMPLEM{n}", made_at=SAMPLED_AT).payload for n, result in enumerate(shown))

    def format_of(self, destination: str) -> Format:
        """Give what ``destination`` is sent."""
        return self._terms[destination].format


def own_faults(book: PlanBook, destination: str) -> str:
    """Give the first fault that our own conformance rules find in a destination's samples, or nothing.

    What the destination's character set cannot say is a fault too: a name of the site or of a code, since the samples' own texts can be said.
    """
    for profile, strip_type, _ in book.plans(destination):
        try:
            payloads = book.payloads(destination, profile, strip_type)
        except RejectError as reject:
            return f"{profile}, {strip_type}: {reject.sentence}"
        for payload in payloads:
            found = faults(book.format_of(destination), payload)
            if found:
                return f"{profile}, {strip_type}: {found[0]}"
    return ""


async def oracle_faults_in_child(book: PlanBook, destination: str, digests: frozenset[str]) -> dict[str, str]:
    """Show the plans ``digests`` to the oracles in a child process; give each digest's fault, "" if it passed."""
    lines = []
    for profile, strip_type, plan in book.plans(destination):
        if plan.digest in digests:
            payloads = [base64.b64encode(payload).decode() for payload in book.payloads(destination, profile, strip_type)]
            lines.append(json.dumps({"digest": plan.digest, "format": book.format_of(destination), "payloads": payloads}))
    child = await asyncio.create_subprocess_exec(
        sys.executable,
        "-m",
        "bridge.cli.plan_oracle",
        stdin=asyncio.subprocess.PIPE,
        stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.PIPE,
    )
    output = errors = b""
    try:
        async with asyncio.timeout(CHECK_S):
            output, errors = await child.communicate("\n".join(lines).encode() + b"\n")
    except TimeoutError:
        errors = f"it took longer than {CHECK_S} s".encode()
    except RuntimeError as error:  # so uvloop says that the child was gone before it was told anything
        log.warning("plan.child_gone", cause=type(error).__name__)
    finally:
        if child.returncode is None:
            child.kill()
            await child.wait()
    answers = {answer["digest"]: answer["fault"] for answer in map(json.loads, output.decode().splitlines())}
    missing = digests - answers.keys()
    words = errors.decode(errors="replace").strip().splitlines()
    return answers | dict.fromkeys(missing, f"the check did not finish: {words[-1] if words else 'no answer'}")


async def check_plans(book: PlanBook, store: Store, queues: Mapping[str, DestinationQueue]) -> None:
    """Show every plan that the store has no answer for to our own rules and the oracles; open the destinations that pass and are not forbidden."""
    for destination, queue in queues.items():
        fault = await _plan_fault(book, store, destination)
        if fault:
            log.error("destination.shut", destination=destination, fault=fault)
            queue.shut(f"Its messages fail their checks: {fault}")
        else:
            book.passed(destination)
            open_or_shut(book, destination, queue)


def open_or_shut(book: PlanBook, destination: str, queue: DestinationQueue) -> None:
    """Let a queue whose plans passed do what the book says; one whose plans did not is left as it is."""
    if not book.has_passed(destination):
        return
    if reason := book.forbidden(destination):
        queue.shut(reason)
    else:
        queue.open()


async def _plan_fault(book: PlanBook, store: Store, destination: str) -> str:
    """Give the first fault of a destination's plans. Only a pass is kept: a child that died for want of memory must not shut a plan for ever."""
    known = {plan.digest: store.plan_check(plan.digest) for _, _, plan in book.plans(destination)}
    unknown = frozenset(digest for digest, fault in known.items() if fault != "")
    if unknown:
        own = await asyncio.to_thread(own_faults, book, destination)
        if own:
            return own
        for digest, fault in (await oracle_faults_in_child(book, destination, unknown)).items():
            known[digest] = fault
            if not fault:
                await done(store, KeepPlanCheck(digest=digest, fault="", at=clock.now()))
    return next((fault for fault in known.values() if fault), "")
