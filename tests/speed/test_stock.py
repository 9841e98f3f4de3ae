"""A store that was filled by bulk SQL is one that the service takes for its own: what waits in it is sent, each message once and with its own IDs."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

from bridge import clock
from tests.speed.feeding import Analyzers
from tests.speed.receivers import Receiver, verified
from tests.speed.runs import at_full_speed
from tests.speed.site import Site
from tests.speed.stock import fill
from tests.speed.strips import Strips

STRIPS = Strips(clock.now() - timedelta(days=2))


def test_what_was_filled_in_is_sent_and_counted(tmp_path: Path) -> None:
    """One strip is really carried; forty like it are delivered in the past and thirty wait: the thirty arrive, each as itself."""
    with Receiver() as receiver:
        site = Site(tmp_path, mllp=receiver.port)
        try:
            site.start()
            with Analyzers(site.ports) as analyzers:
                at_full_speed(site, receiver, analyzers, STRIPS, range(8))
            site.served.stop()
            fill(site.file, 40, first=8, waiting=False)
            fill(site.file, 30, first=48, waiting=True)
            receiver.forget()
            site.start()
            receiver.wait_for(30)
            site.wait_settled()
            verified(receiver.arrivals(), set(range(48, 78)))
            with Analyzers(site.ports) as analyzers:
                assert at_full_speed(site, receiver, analyzers, STRIPS, range(78, 94)).strips == 16
            counts = {
                query: site.count(f"SELECT count(*) FROM {query}")
                for query in (
                    "captures",
                    "intake WHERE ended_at IS NOT NULL",
                    "strips WHERE outcome = 'coded'",
                    "results",
                    "deliveries WHERE state = 'accepted'",
                    "attempts WHERE code = 'AA'",
                    "history WHERE what = 'strip.judged'",
                    "history WHERE what = 'delivery.accept'",
                )
            }
            assert counts == dict.fromkeys(counts, 8 + 40 + 30 + 16)
            site.served.stop()
        finally:
            site.served.end()
