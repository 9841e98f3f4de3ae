"""The page Rules tried: what each rule would have met in stored strips, with links to them and nothing of a patient."""

from __future__ import annotations

import asyncio
from dataclasses import replace

from bridge.judging import Ids, Judging
from bridge.pages.rehearsal import STRETCH
from bridge.pages.site import Bench as PagesBench
from bridge.site import example_terms
from bridge.tables.flag_table import FlagTable
from tests.judging_for_tests import ORU, book, kept, strip
from tests.pages.stocked import NOW, Stocked, Visitor
from tests.store.strips import WAIT
from tests.tables.shipped_tables import tables
from tests.test_rehearsal import BLOOD, SUGAR


def test_rules_that_are_off_are_tried_too(shelf: Stocked) -> None:
    """Real strips, judged without any rule; a rule that is off shows what it would do. The patient's number is nowhere on the page."""
    for number, ranks in ((1, {"glucose": 4}), (2, {"blood": 2}), (3, {"blood": 3})):
        shelf.store.submit(kept(strip(number, ranks=ranks))).result(WAIT)
    judge = Judging(shelf.store, tables(), book(ORU, passed=[ORU.name]), Ids(shelf.store), lambda: NOW, profiles={})
    asyncio.run(judge.work_off("bench-b"))
    made = replace(tables(), flags=FlagTable(critical=(SUGAR,), off=(BLOOD,)))
    with shelf.serving(bench=PagesBench(tables=made, terms=example_terms())) as visitor:
        page = visitor.page("/telling/rules")
        assert "3 strips of patients that came from 09:00" in page.text
        assert "sugar on 1 0 bench-b 1" in page.text
        assert "blood off 2 0 bench-b 3, bench-b 2" in page.text
        assert "4071880" not in page.text
        assert "/telling/rules" in {each.get("href") for each in visitor.page("/telling").all("a")}


def test_a_laboratory_without_rules(shelf: Stocked) -> None:
    """Nothing is read, and the page says why."""
    none = replace(tables(), flags=FlagTable())
    with shelf.serving(bench=PagesBench(tables=none, terms=example_terms())) as visitor:
        assert "The laboratory's flags.yaml has no critical rule to try." in visitor.page("/telling/rules").text


def test_an_empty_store_and_stretches(shelf: Stocked, visitor: Visitor) -> None:
    """A stretch at a time; the link leads to what came before."""
    assert "No strip is stored here." in visitor.page("/telling/rules").text
    for _ in range(STRETCH + 1):
        shelf.store.submit(kept()).result(WAIT)
    page = visitor.page("/telling/rules")
    (link,) = [each["href"] for each in page.all("a") if each.get("href", "").startswith("/telling/rules?before=")]
    assert link == "/telling/rules?before=2"
    assert "Earlier strips" not in visitor.page(link).text
