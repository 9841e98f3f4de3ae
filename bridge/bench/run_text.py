"""A judged control as one text that is kept with it: lot, level, flaws and every pad, so that it stays explained when its lot is over."""

from __future__ import annotations

import json
from dataclasses import dataclass

from bridge.bench.controls import ControlRun, Fit, Flaw, PadFit, Unmatched


@dataclass(frozen=True, kw_only=True, slots=True)
class KeptRun:
    """What was kept of a control: ``lot``, ``level`` and ``material`` are empty where no lot was told, and ``unmatched`` says why."""

    material: str
    level: str
    lot: str
    unmatched: Unmatched | None
    flaws: tuple[Flaw, ...]
    pads: tuple[PadFit, ...]


def run_text(run: ControlRun) -> str:
    """Write a judged control."""
    return json.dumps(
        {
            "material": run.lot.material if run.lot else "",
            "level": run.lot.level if run.lot else "",
            "lot": run.lot.lot if run.lot else "",
            "unmatched": run.unmatched.name if run.unmatched else "",
            "flaws": [flaw.name for flaw in run.flaws],
            "pads": [[each.pad, each.expected, each.observed, each.offset, each.fit.name] for each in run.pads],
        },
        separators=(",", ":"),
    )


def kept_run(text: str) -> KeptRun:
    """Read what ``run_text`` wrote."""
    plain = json.loads(text)
    return KeptRun(
        material=plain["material"],
        level=plain["level"],
        lot=plain["lot"],
        unmatched=Unmatched[plain["unmatched"]] if plain["unmatched"] else None,
        flaws=tuple(Flaw[name] for name in plain["flaws"]),
        pads=tuple(
            PadFit(pad=pad, expected=tuple(expected), observed=observed, offset=offset, fit=Fit[fit])
            for pad, expected, observed, offset, fit in plain["pads"]
        ),
    )
