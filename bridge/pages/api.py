"""The JSON API: the same lists and actions as the pages, with OpenAPI at /api/openapi.json."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from fastapi import APIRouter, Body, HTTPException
from pydantic import BaseModel, TypeAdapter

from bridge.desk.actions import Desk
from bridge.errors import Overtaken, RefusedAction
from bridge.lifecycle.states import StopGroup
from bridge.model import Actor
from bridge.store.api import Store
from bridge.store.rows import ResultRow, StopRow

_STOPS = TypeAdapter(tuple[StopRow, ...])
_RESULTS = TypeAdapter(tuple[ResultRow, ...])


class Act(BaseModel):
    """Who acts and why; the ID fields are for ``correct`` only."""

    name: str
    reason: str
    first: str = ""
    second: str = ""
    second_identifier: str = ""


class Done(BaseModel):
    """The action was done and is durable."""

    stop_id: int
    done: str


def router(store: Store, desk: Desk) -> APIRouter:
    """Give the API's routes."""
    routes = APIRouter(prefix="/api", tags=["padpost"])

    @routes.get("/stops")
    def stops(group: StopGroup | None = None, before: int | None = None, limit: int = 100) -> Any:
        """List what is stopped, newest first."""
        return _STOPS.dump_python(store.stops(group=group, before=before, limit=min(limit, 500)), mode="json")

    @routes.get("/stops/{stop_id}")
    def stop(stop_id: int) -> Any:
        """Give one stopped strip or message with its history."""
        row = store.stop(stop_id)
        if row is None:
            raise HTTPException(404, "There is no such row.")
        return {
            "stop": TypeAdapter(StopRow).dump_python(row, mode="json"),
            "history": [_event(e) for e in store.events(f"stop:{stop_id}")],
        }

    @routes.post("/stops/{stop_id}/{action}")
    def act(
        stop_id: int, action: Literal["correct", "release", "discard", "send-again", "read-again"], body: Annotated[Act, Body()]
    ) -> Done:
        """Do one action in a named person's name."""
        try:
            do(desk, stop_id, action, body)
        except Overtaken as error:
            raise HTTPException(409, str(error)) from error
        except RefusedAction as error:
            raise HTTPException(400, str(error)) from error
        return Done(stop_id=stop_id, done=action)

    @routes.get("/results")
    def results(before: int | None = None, limit: int = 50) -> Any:
        """List results, newest first."""
        return _RESULTS.dump_python(store.results(before=before, limit=min(limit, 500)), mode="json")

    @routes.get("/results/{result_id}")
    def result(result_id: str) -> Any:
        """Give one result with its deliveries."""
        detail = store.result(result_id)
        if detail is None:
            raise HTTPException(404, "There is no such result.")
        return {
            "result_id": detail.result.result_id,
            "version": detail.result.version,
            "pads": [{"pad": pad.pad, "printed": pad.printed, "flag": pad.flag} for pad in detail.result.pads],
            "deliveries": [
                {"destination": d.destination, "state": d.state, "control_id": d.control_id} for d, _, _ in detail.deliveries
            ],
        }

    return routes


def do(desk: Desk, stop_id: int, action: str, act: Act) -> None:
    """Do one action by its name. Raises RefusedAction or Overtaken."""
    actor = Actor(name=act.name.strip(), verified="unverified")
    match action:
        case "correct":
            desk.correct_patient_id(
                stop_id,
                first=act.first,
                second=act.second,
                second_identifier=act.second_identifier,
                reason=act.reason,
                actor=actor,
            )
        case "release":
            desk.release(stop_id, reason=act.reason, actor=actor)
        case "discard":
            desk.discard(stop_id, reason=act.reason, actor=actor)
        case "send-again":
            desk.send_again(stop_id, reason=act.reason, actor=actor)
        case _:
            desk.read_again(stop_id, reason=act.reason, actor=actor)


def _event(event: Any) -> dict[str, str]:
    return {
        "at": event.at.isoformat(),
        "actor": event.actor,
        "verified": event.verified,
        "what": event.what,
        "reason": event.reason,
    }
