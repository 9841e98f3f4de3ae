"""What the ends tell their caller."""

from bridge.settings import LinkTimes
from bridge.wire.lis01_says import PRIORITY_S, Timer


def test_every_timer_has_its_seconds() -> None:
    """A timer that the settings do not know could never be armed; the defaults are those of LIS01 in our notes (wire.md 7)."""
    times = LinkTimes().model_dump()
    assert {timer: times[f"{timer}_s"] for timer in Timer if timer is not Timer.PRIORITY} == {
        Timer.ANSWER: 15.0,
        Timer.FRAME: 30.0,
        Timer.BUSY: 10.0,
        Timer.CONTENTION: 20.0,
        Timer.SETTLE: 1.0,
    }
    assert PRIORITY_S == 1.0
