"""The parts of docs/controls.md that are made from the gate's table.

Write the page again: ``python -m tests.bench.gate_page``.
"""

from __future__ import annotations

from pathlib import Path

from bridge.bench.gate import GATE_STEPS, GateEvent
from bridge.model import GateState

PAGE = Path(__file__).parents[2] / "docs" / "controls.md"
BEGIN, END = "<!-- made from the code: begin -->", "<!-- made from the code: end -->"


def diagram() -> str:
    """Give the machine as a Mermaid diagram and as a table; events that change nothing are left out of the diagram."""
    arrows = [
        f"    {before.value} --> {after.value}: {event.value}"
        for (before, event), after in GATE_STEPS.items()
        if before is not after
    ]
    head = "| | " + " | ".join(event.value for event in GateEvent) + " |"
    rule = "| --- |" + " --- |" * len(GateEvent)
    rows = [f"| `{state.value}` | " + " | ".join(_cell(state, event) for event in GateEvent) + " |" for state in GateState]
    return "\n".join(
        ["```mermaid", "stateDiagram-v2", f"    [*] --> {GateState.START.value}", *arrows, "```", "", head, rule, *rows]
    )


def _cell(state: GateState, event: GateEvent) -> str:
    after = GATE_STEPS.get((state, event))
    return "cannot be" if after is None else "stays" if after is state else f"`{after.value}`"


def with_diagram(page: str) -> str:
    """Give the page with its made part made anew."""
    before, rest = page.split(BEGIN)
    return f"{before}{BEGIN}\n\n{diagram()}\n\n{END}{rest.split(END)[1]}"


if __name__ == "__main__":
    PAGE.write_text(with_diagram(PAGE.read_text(encoding="utf-8")), encoding="utf-8")
