"""From a coded result to the bytes of a message: plans compiled once, rendering by joins."""

from __future__ import annotations

from bridge.render.plans import Plan, compile_plan, lane_of, takes

__all__ = ["Plan", "compile_plan", "lane_of", "takes"]
